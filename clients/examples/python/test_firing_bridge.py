"""The bridge against a real server: killed, cut off, refused, sent away; and what must hold afterwards.

Needs nothing but `requests`. What it is to know comes as JSON on stdin: `server` (the command that serves), `database`,
`http` (host and port of its REST interface) and `token`. `tests/rest/example.rs` makes the laboratory and runs it.
"""

from __future__ import annotations

import csv
import http.server
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import unittest
from collections.abc import Callable
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import requests

HERE = Path(__file__).resolve().parent
BRIDGE = HERE / "firing_bridge"
PATIENCE_S = 30.0
WORLD: dict[str, Any] = {}

TABLES = """
CREATE TABLE job (job_id TEXT PRIMARY KEY, furnace TEXT NOT NULL, programme TEXT NOT NULL, started_at TEXT NOT NULL,
                  ended_at TEXT, outcome TEXT);
CREATE TABLE job_case (job_id TEXT NOT NULL, case_id TEXT NOT NULL, units INTEGER NOT NULL,
                       PRIMARY KEY (job_id, case_id));
"""


def eventually(words: str, holds: Callable[[], bool]) -> None:
    """Looks at a condition until it holds."""
    end = time.monotonic() + PATIENCE_S
    while not holds():
        if time.monotonic() > end:
            raise AssertionError(f"waited in vain: {words}")
        time.sleep(0.02)


class Server:
    """The real server, which can be stopped and started again at the same address."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Starts it and waits until it answers."""
        self._process = subprocess.Popen(WORLD["server"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        eventually("the server answers", self._answers)

    def _answers(self) -> bool:
        try:
            return requests.get(f"http://{WORLD['http']}/openapi.json", timeout=5).status_code == 200
        except requests.ConnectionError:
            return False

    def stop(self) -> None:
        """Stops it and waits until it has ended."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(PATIENCE_S)
            self._process = None


SERVER = Server()


class Way(http.server.ThreadingHTTPServer):
    """The way to the server: passes everything on, and does to reports and changes what a test wants."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Passing)
        self.keys: list[str] = []
        self.at: list[float] = []
        self.before: Callable[[int], tuple[int, dict[str, str], bytes] | None] = lambda _: None
        self.after: Callable[[int], None] = lambda _: None
        self.of_changes: Callable[[str], tuple[int, dict[str, str], bytes] | None] = lambda _: None
        threading.Thread(target=self.serve_forever, daemon=True).start()

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}"

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A bridge that was killed hangs up; nobody needs to read of it."""


class Passing(http.server.BaseHTTPRequestHandler):
    """Passes a request on."""

    server: Way
    protocol_version = "HTTP/1.1"

    def log_message(self, format: str, *args: Any) -> None:
        """Says nothing."""

    def do_GET(self) -> None:
        made = self.server.of_changes(self.path) if "/changes" in self.path else None
        self._answer(*(made or self._passed(None)))

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        number = len(self.server.keys)
        self.server.keys.append(self.headers["Idempotency-Key"])
        self.server.at.append(time.monotonic())
        made = self.server.before(number)
        if made is None:
            made = self._passed(body)
            self.server.after(number)
        self._answer(*made)

    def _passed(self, body: bytes | None) -> tuple[int, dict[str, str], bytes]:
        headers = {
            name: self.headers[name]
            for name in ("Authorization", "Content-Type", "Idempotency-Key")
            if name in self.headers
        }
        answer = requests.request(
            self.command, f"http://{WORLD['http']}{self.path}", data=body, headers=headers, timeout=30
        )
        return answer.status_code, {"Content-Type": answer.headers["Content-Type"]}, answer.content

    def _answer(self, status: int, headers: dict[str, str], body: bytes) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)


def problem(status: int, reason: str, **headers: str) -> tuple[int, dict[str, str], bytes]:
    """A failure as the server tells it."""
    body = json.dumps({"status": status, "reason": reason, "detail": "Invented by the test."}).encode()
    return status, {"Content-Type": "application/problem+json", **headers}, body


class Laboratory:
    """A laboratory with a furnace of its own, its system's file and its bridge."""

    def __init__(self, test: unittest.TestCase, furnace: str) -> None:
        self.test = test
        self.furnace = furnace
        folder = tempfile.TemporaryDirectory()
        test.addCleanup(folder.cleanup)
        self.folder = Path(folder.name)
        self.jobs = self.folder / "laboratory.db"
        self.kept = self.folder / "kept.db"
        self.lists = self.folder / "worklists"
        self.lists.mkdir()
        self.base = f"http://{WORLD['http']}"
        with sqlite3.connect(self.jobs) as database:
            database.executescript(TABLES)

    def fires(self, first: int, count: int) -> list[str]:
        """Adds finished jobs, one each day before yesterday, and gives their ids."""
        ids = []
        with sqlite3.connect(self.jobs) as database:
            for number in range(first, first + count):
                job_id = f"{self.furnace}-{number:04}"
                ended = datetime.now(timezone.utc).replace(microsecond=0) - timedelta(days=2 + number)
                # The laboratory's clock is Lisbon's in summer; the offset says so.
                lisbon = timezone(timedelta(hours=1))
                row = [moment.astimezone(lisbon).isoformat() for moment in (ended - timedelta(hours=7), ended)]
                database.execute("INSERT INTO job VALUES (?, ?, 'p1', ?, ?, NULL)", (job_id, self.furnace, *row))
                database.execute("INSERT INTO job_case VALUES (?, ?, 2)", (job_id, f"C-{number}"))
                ids.append(job_id)
        return ids

    def change(self, statement: str, *values: str) -> None:
        """Changes the laboratory's file, as its own system would."""
        with sqlite3.connect(self.jobs) as database:
            database.execute(statement, values)

    def start(self, *more: str, base: str | None = None) -> subprocess.Popen[str]:
        """Starts the bridge."""
        command = [sys.executable, str(BRIDGE), "--base", base or self.base, "--site", "north"]
        command += ["--jobs", str(self.jobs), "--kept", str(self.kept), "--worklists", str(self.lists), *more]
        environment = {**os.environ, "RINGTRUE_TOKEN": WORLD["token"]}
        return subprocess.Popen(
            command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )

    def ended(self, process: subprocess.Popen[str]) -> tuple[int, str]:
        """Waits for the bridge's end; gives its exit code and what it said, in which no token may be."""
        said, _ = process.communicate(timeout=PATIENCE_S)
        self.test.assertNotIn(WORLD["token"], said)
        return process.returncode, said

    def ran(self, *more: str, base: str | None = None) -> tuple[int, str]:
        """Runs the bridge once."""
        return self.ended(self.start("--once", *more, base=base))

    def on_record(self) -> list[str]:
        """Ids of the furnace's firings on record, every version of each."""
        answer = requests.get(
            f"http://{WORLD['http']}/v1/sites/north/furnaces/{self.furnace}/firings",
            params={"pageSize": 1000, "showAmended": "true"},
            headers={"Authorization": f"Bearer {WORLD['token']}"},
            timeout=30,
        )
        return sorted(one["externalId"] for one in answer.json().get("firings", []))

    def rows(self, statement: str) -> list[tuple[Any, ...]]:
        """Looks into the bridge's own file."""
        with sqlite3.connect(self.kept) as database:
            return database.execute(statement).fetchall()


class FiringBridge(unittest.TestCase):
    """What holds whatever happens on the way."""

    @classmethod
    def setUpClass(cls) -> None:
        SERVER.start()

    @classmethod
    def tearDownClass(cls) -> None:
        SERVER.stop()

    def way(self) -> Way:
        way = Way()
        self.addCleanup(way.server_close)
        self.addCleanup(way.shutdown)
        return way

    def test_killed_at_any_point_nothing_is_doubled_and_nothing_missing(self) -> None:
        for furnace, moment in [("k1", "before"), ("k2", "after")]:
            with self.subTest(moment):
                laboratory, way = Laboratory(self, furnace), self.way()
                ids = laboratory.fires(0, 12)
                running: list[subprocess.Popen[str]] = []

                def kill(number: int) -> tuple[int, dict[str, str], bytes] | None:
                    """Ends the bridge while its second part is on the way, or done and not heard of."""
                    if number != 1:
                        return None
                    running[0].kill()
                    running[0].wait()
                    return problem(503, "BUSY")

                if moment == "before":
                    way.before = kill
                else:
                    way.after = lambda number: kill(number) and None
                started = threading.Event()
                first = way.before

                def once_started(number: int) -> tuple[int, dict[str, str], bytes] | None:
                    started.wait(PATIENCE_S)
                    return first(number)

                way.before = once_started
                running.append(laboratory.start("--once", "--part", "5", base=way.base))
                started.set()
                code, said = laboratory.ended(running[0])
                self.assertEqual(code, -signal.SIGKILL, said)
                self.assertEqual(len(laboratory.rows("SELECT * FROM report")), 5)
                self.assertEqual(len(laboratory.on_record()), 5 if moment == "before" else 10)

                code, said = laboratory.ran("--part", "5", base=way.base)
                self.assertEqual(code, 0, said)
                self.assertEqual(laboratory.on_record(), ids)
                self.assertEqual(way.keys[1], way.keys[2], "the same part goes out under the same key")
                self.assertEqual(len(set(way.keys)), 3)

                code, said = laboratory.ran(base=way.base)
                self.assertEqual((code, len(way.keys)), (0, 4), f"a rerun has nothing to report\n{said}")
                self.assertEqual(laboratory.on_record(), ids)

    def test_a_server_that_is_down_is_waited_for_and_found_again(self) -> None:
        laboratory = Laboratory(self, "k3")
        ids = laboratory.fires(0, 3)
        SERVER.stop()
        try:
            code, said = laboratory.ran("--tries", "2")
            self.assertEqual(code, 8, said)
            self.assertIn("no answer after 2 tries", said)
            lasting = laboratory.start("--every", "1", "--tries", "1")
        finally:
            SERVER.start()
        eventually("the firings are on record", lambda: laboratory.on_record() == ids)
        ids += laboratory.fires(3, 2)
        eventually("later ones too", lambda: laboratory.on_record() == ids)
        lasting.send_signal(signal.SIGINT)
        code, said = laboratory.ended(lasting)
        self.assertEqual(code, 0, said)

    def test_a_refused_firing_is_kept_with_its_reasons_until_it_is_mended(self) -> None:
        laboratory = Laboratory(self, "k4")
        ids = laboratory.fires(0, 5)
        laboratory.change("UPDATE job_case SET units = 'many' WHERE job_id = ?", ids[4])
        laboratory.change("UPDATE job SET ended_at = started_at WHERE job_id = ?", ids[0])
        laboratory.change("UPDATE job_case SET case_id = 'Anybody' WHERE job_id = ?", ids[1])
        laboratory.change("UPDATE job SET started_at = '2026-03-04 14:00' WHERE job_id = ?", ids[2])
        code, said = laboratory.ran()
        self.assertEqual(code, 3, said)
        self.assertNotIn("Anybody", said)
        self.assertEqual(laboratory.on_record(), [ids[3]])
        refused = dict(laboratory.rows("SELECT job_id, reasons FROM report WHERE state = 'refused'"))
        self.assertIn("ENDS_BEFORE_IT_STARTS", refused[ids[0]])
        self.assertIn("may be a name", refused[ids[1]])
        self.assertIn("does not say its offset", refused[ids[2]])
        self.assertIn("no whole number", refused[ids[4]])
        # Nothing is sent again while nothing is mended; what is mended is.
        way = self.way()
        code, said = laboratory.ran(base=way.base)
        self.assertEqual((code, way.keys), (3, []), said)
        laboratory.change("UPDATE job_case SET case_id = 'C-1' WHERE job_id = ?", ids[1])
        laboratory.change("DELETE FROM job WHERE job_id = ?", ids[0])
        code, said = laboratory.ran(base=way.base)
        self.assertEqual((code, len(way.keys)), (3, 1), said)
        self.assertEqual(laboratory.on_record(), [ids[1], ids[3]])
        # What was confirmed and changes later is for a person to correct.
        laboratory.change("UPDATE job_case SET units = 9 WHERE job_id = ?", ids[3])
        laboratory.ran()
        reasons = laboratory.rows(f"SELECT reasons FROM report WHERE job_id = '{ids[3]}'")[0][0]
        self.assertIn("ON_RECORD_WITH_OTHER_CONTENT", reasons)

    def test_a_busy_server_is_asked_again_no_sooner_than_it_says(self) -> None:
        laboratory, way = Laboratory(self, "k5"), self.way()
        ids = laboratory.fires(0, 2)
        answers = {0: problem(429, "TOO_OFTEN", **{"Retry-After": "2"}), 1: problem(503, "BUSY")}
        way.before = answers.get
        code, said = laboratory.ran(base=way.base)
        self.assertEqual(code, 0, said)
        self.assertEqual(laboratory.on_record(), ids)
        self.assertEqual(len(way.keys), 3)
        self.assertEqual(len(set(way.keys)), 1)
        self.assertGreaterEqual(way.at[1] - way.at[0], 2.0)
        # What can never succeed is not tried again.
        laboratory.fires(2, 1)
        way.before = lambda _: problem(403, "DENIED")
        code, said = laboratory.ran(base=way.base)
        self.assertEqual((code, len(way.keys)), (7, 4), said)

    def test_a_furnace_outside_tolerance_gets_a_worklist(self) -> None:
        laboratory = Laboratory(self, "k0")
        ids = laboratory.fires(0, 3)
        code, said = laboratory.ran()
        self.assertEqual(code, 0, said)
        (file,) = laboratory.lists.glob("worklist-k0-from-*.csv")
        with file.open(encoding="utf-8-sig", newline="") as text:
            rows = list(csv.DictReader(text))
        self.assertEqual(sorted(row["firing"] for row in rows), ids)
        for row in rows:
            low, peak, high = (
                float(row[name])
                for name in ("from °C (about 95 %)", "estimated true peak °C", "to °C (about 95 %)")
            )
            self.assertTrue(1500 < low < peak < high, row)
            self.assertTrue(0.5 < float(row["probability outside tolerance"]) <= 1, row)
            self.assertEqual((row["look at"], row["wanted true peak °C"]), ("first", "1500.0"))
            self.assertIn("The laboratory judges the work", row["judgement"])
            self.assertIn("ISO 13485 7.6 and 8.3, ISO/IEC 17025 7.10", row["judgement"])
        for word in ["unsafe", " safe", "defective", "recall"]:
            self.assertNotIn(word, f"{file.read_text(encoding='utf-8')} {said}".lower())
        before = file.stat().st_mtime_ns
        laboratory.ran()
        self.assertEqual(file.stat().st_mtime_ns, before, "nothing changed, so nothing is written")
        # A firing that is reported later comes onto the same list.
        laboratory.fires(3, 1)
        laboratory.ran()
        (again,) = laboratory.lists.glob("*")
        self.assertEqual(again, file)
        self.assertEqual(len(file.read_text(encoding="utf-8").splitlines()), 5)

    def test_an_expired_cursor_begins_anew(self) -> None:
        laboratory, way = Laboratory(self, "k6"), self.way()
        laboratory.fires(0, 1)
        self.assertEqual(laboratory.ran(base=way.base)[0], 0)
        asked = []

        def expired(path: str) -> tuple[int, dict[str, str], bytes] | None:
            if "after=" not in path:
                return None
            asked.append(path)
            return problem(400, "CURSOR_EXPIRED") if len(asked) == 1 else None

        way.of_changes = expired
        code, said = laboratory.ran(base=way.base)
        self.assertEqual(code, 0, said)
        self.assertIn("beginning anew", said)
        code, said = laboratory.ran(base=way.base)
        self.assertEqual((code, len(asked)), (0, 2), said)
        self.assertNotIn("beginning anew", said)

    def test_what_a_database_that_was_set_back_has_lost_is_reported_again(self) -> None:
        laboratory = Laboratory(self, "k7")
        ids = laboratory.fires(0, 2)
        self.assertEqual(laboratory.ran()[0], 0)
        SERVER.stop()
        backup = laboratory.folder / "backup.db"
        shutil.copy(WORLD["database"], backup)
        SERVER.start()
        ids += laboratory.fires(2, 2)
        self.assertEqual(laboratory.ran()[0], 0)
        self.assertEqual(laboratory.on_record(), ids)
        # The feed tells of them a moment after they were recorded.
        place = "SELECT cursor FROM place"
        before = laboratory.rows(place)
        eventually("the place moved", lambda: laboratory.ran()[0] == 0 and laboratory.rows(place) != before)
        SERVER.stop()
        shutil.copy(backup, WORLD["database"])
        for end in ("-wal", "-shm"):
            Path(WORLD["database"] + end).unlink(missing_ok=True)
        SERVER.start()
        self.assertEqual(laboratory.on_record(), ids[:2])
        code, said = laboratory.ran()
        self.assertEqual(code, 0, said)
        self.assertIn("beginning anew", said)
        self.assertEqual(laboratory.on_record(), ids)
        # Asked to compare everything, it finds nothing to add.
        code, said = laboratory.ran("--anew")
        self.assertEqual(code, 0, said)
        self.assertNotIn("confirmed", said)

    def test_a_command_line_that_would_show_the_token_is_refused(self) -> None:
        laboratory = Laboratory(self, "k8")
        code, said = laboratory.ran(base="http://ringtrue.example.org")
        self.assertEqual(code, 2, said)
        self.assertIn("https://", said)
        file = laboratory.folder / "token"
        file.write_text(WORLD["token"], encoding="ascii")
        file.chmod(0o644)
        code, said = laboratory.ran("--token-file", str(file))
        self.assertEqual(code, 2, said)
        self.assertIn("chmod 600", said)
        file.chmod(0o600)
        self.assertEqual(laboratory.ran("--token-file", str(file))[0], 0)
        file.write_text("rt1.nobody", encoding="ascii")
        code, said = laboratory.ran("--token-file", str(file))
        self.assertEqual(code, 7, said)
        self.assertNotIn("rt1.nobody", said)


if __name__ == "__main__":
    WORLD.update(json.load(sys.stdin))
    unittest.main(argv=sys.argv[:1], verbosity=2)
