"""The floor without a driver's threads: the same rows through the C library that Python carries.

usage: bare.py SOURCE_DATABASE EMPTY_DATABASE READINGS GROUP; prints readings a second. The empty database
holds the schema and nothing else. Same durability: write-ahead log, synchronous=FULL, foreign keys on.
"""

import itertools
import sqlite3
import sys
import time

BEFORE = ["site", "furnace", "programme", "gauge", "ring_batch", "ring_table"]
RECORDED = {
    "reading": "",
    "evaluation": "",
    "tracked_offset": "",
    "audit": "WHERE action = 'reading.record'",
    "request": "WHERE method LIKE '%RecordReading%'",
}


def rows(source, table, only):
    cursor = source.execute(f"SELECT * FROM {table} {only}")
    names = [column[0] for column in cursor.description]
    verb = "REPLACE" if table == "tracked_offset" else "INSERT"
    places = ", ".join("?" * len(names))
    return f"{verb} INTO {table} ({', '.join(names)}) VALUES ({places})", cursor.fetchall()


def main():
    source_file, file, readings, group = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
    source = sqlite3.connect(source_file)
    target = sqlite3.connect(file, isolation_level=None)
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
        target.execute(f"PRAGMA {pragma}")
    for table in BEFORE:
        sql, values = rows(source, table, "")
        target.executemany(sql, values)
    recorded = []
    for table, only in RECORDED.items():
        sql, values = rows(source, table, only)
        # One row a furnace is left of the many offsets that were written; the loop writes as many.
        recorded.append((sql, list(itertools.islice(itertools.cycle(values), readings))))
    start = time.perf_counter()
    for at in range(0, readings, group):
        end = min(at + group, readings)
        target.execute("BEGIN IMMEDIATE")
        for sql, values in recorded:
            target.executemany(sql, values[at:end])
        target.execute("COMMIT")
    print(readings / (time.perf_counter() - start))


main()
