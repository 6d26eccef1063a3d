"""What the laboratory's own system knows of its firings: read, never written.

The tables are invented for this example. A real system has others; change the two statements here and leave the rest.

    CREATE TABLE job (
        job_id     TEXT PRIMARY KEY,  -- known to nobody else, never used twice
        furnace    TEXT NOT NULL,     -- id in Ringtrue, such as k2
        programme  TEXT NOT NULL,     -- likewise
        started_at TEXT NOT NULL,     -- RFC 3339 with its offset: 2026-03-04T14:00:00+00:00
        ended_at   TEXT,              -- empty while it fires
        outcome    TEXT               -- completed, aborted or power_lost; empty for completed
    );
    CREATE TABLE job_case (
        job_id  TEXT NOT NULL,
        case_id TEXT NOT NULL,        -- opaque; never a patient's name
        units   INTEGER NOT NULL,
        PRIMARY KEY (job_id, case_id)
    );
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

JOBS = "SELECT job_id, furnace, programme, started_at, ended_at, outcome FROM job WHERE ended_at <> '' ORDER BY job_id"
CASES = "SELECT job_id, case_id, units FROM job_case ORDER BY job_id, case_id"

OUTCOMES = {
    "": "FIRING_OUTCOME_COMPLETED",
    "completed": "FIRING_OUTCOME_COMPLETED",
    "aborted": "FIRING_OUTCOME_ABORTED",
    "power_lost": "FIRING_OUTCOME_POWER_LOST",
}

LOOKED_AT_S = 10.0
"""Longest wait while the laboratory's system writes, s."""


class Unfit(ValueError):
    """A job that cannot be reported as it stands."""


@dataclass(frozen=True)
class Job:
    """A finished firing with its cases."""

    job_id: str
    furnace: str
    programme: str
    started_at: str
    ended_at: str
    outcome: str
    cases: tuple[tuple[str, str], ...]

    def digest(self) -> str:
        """Tells whether the laboratory changed something since."""
        return hashlib.sha256(repr(self).encode()).hexdigest()

    def firing(self, site: str) -> dict[str, Any]:
        """The firing as Ringtrue takes it.

        Raises:
            Unfit: with what to mend, for the laboratory.
        """
        if self.outcome not in OUTCOMES:
            raise Unfit(f"outcome `{self.outcome}` is not known; write {', '.join(filter(None, OUTCOMES))}")
        for name, part in (("furnace", self.furnace), ("programme", self.programme)):
            if not part or "/" in part:
                raise Unfit(f"{name} `{part}` is no id; write it as Ringtrue has it, such as k2")
        cases = []
        for case_id, units in self.cases:
            if not units.isdecimal():
                raise Unfit(f"units `{units}` of a case are no whole number; write 0 where nobody knows")
            cases.append({"caseId": case_id, "units": int(units)})
        return {
            "externalId": self.job_id,
            "programme": f"sites/{site}/furnaces/{self.furnace}/programmes/{self.programme}",
            "startTime": _moment("started_at", self.started_at),
            "endTime": _moment("ended_at", self.ended_at),
            "outcome": OUTCOMES[self.outcome],
            "cases": cases,
        }


def _moment(name: str, text: str) -> str:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise Unfit(f"{name} `{text}` is no moment; write one like 2026-03-04T14:00:00+00:00") from None
    if moment.tzinfo is None:
        # Guessing a zone would put a firing on the wrong side of a reading, twice a year without anybody noticing.
        raise Unfit(f"{name} `{text}` does not say its offset from UTC; write one like 2026-03-04T14:00:00+00:00")
    return moment.astimezone(timezone.utc).isoformat().replace("+00:00", "Z")


def finished(file: Path) -> Iterator[Job]:
    """Gives every finished job of the laboratory's file, which must be there; it is only read."""
    with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True, timeout=LOOKED_AT_S)) as database:
        # Both are read at one moment, or a case that is added in between would be missed.
        database.execute("BEGIN")
        cases: dict[str, list[tuple[str, str]]] = {}
        for job_id, case_id, units in database.execute(CASES):
            cases.setdefault(str(job_id), []).append((str(case_id), str(units)))
        for row in database.execute(JOBS):
            job_id, *rest = ("" if cell is None else str(cell) for cell in row)
            yield Job(job_id, *rest, tuple(cases.get(job_id, ())))


def as_body(firings: list[dict[str, Any]]) -> str:
    """A part as it is sent. Those that are in order are recorded, the others are told."""
    return json.dumps({"firings": firings, "keepGood": True}, separators=(",", ":"))
