"""What the bridge keeps, in an SQLite file of its own: answers, the part on its way, its place in the change feed.

Everything that belongs together is written in one transaction, so the file is right whenever the program dies.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

TABLES = """
CREATE TABLE IF NOT EXISTS report (
    job_id  TEXT PRIMARY KEY,
    digest  TEXT NOT NULL,            -- of the job as it was answered
    state   TEXT NOT NULL CHECK (state IN ('confirmed', 'refused')),
    name    TEXT NOT NULL DEFAULT '', -- of the firing in Ringtrue, once confirmed
    reasons TEXT NOT NULL DEFAULT ''  -- why it was refused, for people
);
CREATE TABLE IF NOT EXISTS part (
    key  TEXT PRIMARY KEY,            -- its Idempotency-Key
    body TEXT NOT NULL,               -- as it is sent, to the letter
    jobs TEXT NOT NULL                -- [[job_id, digest], ...] in the order of the body
);
CREATE TABLE IF NOT EXISTS place (
    only   INTEGER PRIMARY KEY CHECK (only = 1),
    cursor TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS outside (
    reading  TEXT PRIMARY KEY,        -- that found its furnace outside tolerance
    is_stale INTEGER NOT NULL,        -- whether something changed since its worklist was written
    worklist TEXT NOT NULL DEFAULT '' -- file
);
"""


@dataclass(frozen=True)
class Part:
    """Firings that are sent together."""

    key: str
    body: str
    jobs: list[tuple[str, str]]


@dataclass(frozen=True)
class Settled:
    """What became of a job."""

    job_id: str
    digest: str
    state: str
    name: str = ""
    reasons: str = ""


class Kept:
    """The bridge's own file."""

    def __init__(self, file: Path) -> None:
        """Opens it; makes it when it is not there."""
        # It holds case ids: what is made here is for its user alone.
        os.close(os.open(file, os.O_RDWR | os.O_CREAT, 0o600))
        self._database = sqlite3.connect(file, timeout=30.0, isolation_level=None)
        # What is said to be kept is on the disk.
        self._database.execute("PRAGMA synchronous = FULL")
        self._database.executescript(TABLES)

    def close(self) -> None:
        """Closes it."""
        self._database.close()

    @contextmanager
    def whole(self) -> Iterator[sqlite3.Connection]:
        """All of it or nothing, and nobody else's in between."""
        self._database.execute("BEGIN IMMEDIATE")
        try:
            yield self._database
        except BaseException:
            self._database.execute("ROLLBACK")
            raise
        self._database.execute("COMMIT")

    def settled(self) -> dict[str, tuple[str, str]]:
        """Digest and state of each job that was answered."""
        rows = self._database.execute("SELECT job_id, digest, state FROM report")
        return {job_id: (digest, state) for job_id, digest, state in rows}

    def refused(self) -> list[tuple[str, str]]:
        """Jobs that somebody must look at, with the reasons."""
        return self._database.execute(
            "SELECT job_id, reasons FROM report WHERE state = 'refused' ORDER BY job_id"
        ).fetchall()

    def part(self) -> Part | None:
        """The part that was not answered yet, if there is one."""
        row = self._database.execute("SELECT key, body, jobs FROM part ORDER BY key LIMIT 1").fetchone()
        return row and Part(row[0], row[1], [(job_id, digest) for job_id, digest in json.loads(row[2])])

    def begin_part(self, part: Part) -> None:
        """Keeps a part before it is sent, so that it is sent again under its own key whatever happens."""
        with self.whole() as database:
            # Another process may have begun one meanwhile; it comes first.
            if database.execute("SELECT 1 FROM part").fetchone() is None:
                database.execute("INSERT INTO part VALUES (?, ?, ?)", (part.key, part.body, json.dumps(part.jobs)))

    def settle(self, key: str, settled: list[Settled]) -> None:
        """Keeps what became of a part's jobs, and that it was answered."""
        with self.whole() as database:
            for one in settled:
                database.execute(
                    "INSERT INTO report (job_id, digest, state, name, reasons) VALUES (?, ?, ?, ?, ?) "
                    "ON CONFLICT (job_id) DO UPDATE SET digest = excluded.digest, state = excluded.state, "
                    "name = excluded.name, reasons = excluded.reasons",
                    (one.job_id, one.digest, one.state, one.name, one.reasons),
                )
            database.execute("DELETE FROM part WHERE key = ?", (key,))

    def forget_refused(self) -> None:
        """Lets refused jobs be reported once more."""
        with self.whole() as database:
            database.execute("DELETE FROM report WHERE state = 'refused'")

    def forget_place(self) -> None:
        """Lets following begin anew."""
        with self.whole() as database:
            database.execute("DELETE FROM place")

    def all_stale(self) -> None:
        """Has every worklist looked at once more."""
        with self.whole() as database:
            database.execute("UPDATE outside SET is_stale = 1")

    def cursor(self) -> str | None:
        """The place in the change feed; none before it was ever followed."""
        row = self._database.execute("SELECT cursor FROM place").fetchone()
        return row and row[0]

    def moved(self, cursor: str, found: list[str], gone: list[str], all_stale: bool) -> None:
        """Keeps the place together with what was learnt on the way to it."""
        with self.whole() as database:
            _learnt(database, cursor, found, gone)
            if all_stale:
                database.execute("UPDATE outside SET is_stale = 1")

    def begun_anew(self, cursor: str, found: list[str], on_record: set[str]) -> None:
        """Keeps a new place and what is on record there; a confirmation of what is not is forgotten."""
        with self.whole() as database:
            _learnt(database, cursor, found, [])
            confirmed = database.execute("SELECT job_id FROM report WHERE state = 'confirmed'").fetchall()
            lost = [(job_id,) for (job_id,) in confirmed if job_id not in on_record]
            database.executemany("DELETE FROM report WHERE job_id = ?", lost)
            database.execute("UPDATE outside SET is_stale = 1")

    def stale(self) -> list[str]:
        """Readings whose worklist is to be written."""
        rows = self._database.execute("SELECT reading FROM outside WHERE is_stale = 1 ORDER BY reading")
        return [reading for (reading,) in rows]

    def written(self, reading: str, worklist: str) -> None:
        """Keeps that a worklist is up to date. An earlier reading with the same one is in it."""
        with self.whole() as database:
            database.execute("UPDATE outside SET is_stale = 0, worklist = ? WHERE reading = ?", (worklist, reading))
            if worklist:
                database.execute("DELETE FROM outside WHERE worklist = ? AND reading < ?", (worklist, reading))

    def drop(self, reading: str) -> None:
        """Forgets a reading that no longer counts."""
        with self.whole() as database:
            database.execute("DELETE FROM outside WHERE reading = ?", (reading,))


def _learnt(database: sqlite3.Connection, cursor: str, found: list[str], gone: list[str]) -> None:
    database.execute(
        "INSERT INTO place VALUES (1, ?) ON CONFLICT (only) DO UPDATE SET cursor = excluded.cursor", (cursor,)
    )
    for reading in found:
        database.execute(
            "INSERT INTO outside (reading, is_stale) VALUES (?, 1) ON CONFLICT (reading) DO UPDATE SET is_stale = 1",
            (reading,),
        )
    for reading in gone:
        database.execute("DELETE FROM outside WHERE reading = ?", (reading,))
