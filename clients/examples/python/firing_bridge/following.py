"""Follows the change feed, and writes a worklist for every furnace that a reading finds outside tolerance."""

from __future__ import annotations

import csv
import io
import logging
import os
from datetime import datetime, timedelta, timezone, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from interface import Interface, Problem
from kept import Kept

log = logging.getLogger("firing_bridge")

TYPES = ["reading", "adjustment", "firing", "exposure"]
"""Changes after which an exposure may look different."""

LOOKED_BACK = timedelta(days=90)
"""How old readings may be that are looked at when following begins anew."""

WORTH_REVIEW = 0.05
"""Least probability of having been outside tolerance for a place on the worklist; Ringtrue's own limit for a review."""

JUDGEMENT = (
    "An estimate of the furnace's temperature; it says nothing of a restoration. The laboratory judges the work by the "
    "material maker's instructions (ISO 13485 7.6 and 8.3, ISO/IEC 17025 7.10) and records its decision in Ringtrue."
)

COLUMNS = [
    "look at",
    "firing",
    "cases",
    "furnace",
    "programme",
    "ended",
    "setpoint °C",
    "wanted true peak °C",
    "estimated true peak °C",
    "from °C (about 95 %)",
    "to °C (about 95 %)",
    "probability outside tolerance",
    "estimated true peak in the worst case °C",
    "tolerance ±°C",
    "decisions on record",
    "notices",
    "judgement",
]

QUEUES = {"EXPOSURE_QUEUE_REVIEW_FIRST": "first", "EXPOSURE_QUEUE_REVIEW": "then"}


def follow(interface: Interface, kept: Kept, site: str, outside_from: float) -> None:
    """Takes in what has changed since the last time; begins anew where the place is kept no longer."""
    cursor = kept.cursor()
    if cursor is None:
        log.info("looking at everything that is on record, then following the change feed")
        begin_anew(interface, kept, site, outside_from)
        return
    while True:
        try:
            page = interface.get(f"/v1/sites/{site}/changes", types=TYPES, after=cursor, pageSize=500)
        except Problem as problem:
            # Too old; or of a database that was set back, which may have lost what was confirmed here.
            if not (problem.has("CURSOR_EXPIRED") or problem.has("NOT_A_CURSOR")):
                raise
            log.warning("the change feed cannot be followed from here (%s); beginning anew", problem.detail)
            begin_anew(interface, kept, site, outside_from)
            return
        found, gone = [], []
        for change in page.get("changes", []):
            if change["type"] in ("reading.recorded", "reading.amended"):
                reading = interface.get(f"/v1/{change['name']}")
                if is_outside(reading, outside_from):
                    found.append(reading["name"])
                if reading.get("amends"):
                    gone.append(reading["amends"])
        cursor = page["cursor"]
        kept.moved(cursor, found, gone, all_stale=bool(page.get("changes")))
        if not page.get("hasMore"):
            return


def begin_anew(interface: Interface, kept: Kept, site: str, outside_from: float) -> None:
    """Keeps the end of the feed first and looks at everything then: what comes in between is told by the feed."""
    end = interface.get(f"/v1/sites/{site}/changes", types=TYPES, pageSize=1)["endCursor"]
    since = datetime.now(timezone.utc) - LOOKED_BACK
    found = []
    for reading in interface.pages(f"/v1/sites/{site}/furnaces/-/readings", "readings"):
        if is_outside(reading, outside_from) and datetime.fromisoformat(reading["fireTime"]) >= since:
            found.append(reading["name"])
    firings = interface.pages(f"/v1/sites/{site}/furnaces/-/firings", "firings", showAmended="true")
    kept.begun_anew(end, found, {firing["externalId"] for firing in firings})


def is_outside(reading: dict[str, Any], outside_from: float) -> bool:
    """Whether a reading that counts finds its furnace outside tolerance with at least this probability."""
    evaluation = reading.get("evaluation", {})
    counts = evaluation.get("evaluable") and not reading.get("amendedBy")
    if not counts or reading.get("purpose") == "READING_PURPOSE_PRACTICE":
        return False
    # A number that is left out is 0.
    return 1.0 - float(evaluation.get("conformanceProbability", 0.0)) >= outside_from


def write_worklists(interface: Interface, kept: Kept, folder: Path) -> list[Path]:
    """Writes the worklists that are not up to date, and gives those that changed."""
    changed = []
    for reading in kept.stale():
        try:
            summary, firings = exposure(interface, reading)
        except Problem as problem:
            if problem.status != 404:
                raise
            kept.drop(reading)
            continue
        log.info("%s %s", summary["statement"], summary["nextStep"])
        file = folder / worklist_name(summary)
        if firings or file.exists():
            if replaced(file, drawn(summary, firings)):
                changed.append(file)
                log.warning("worklist for the quality lead: %s", file)
            kept.written(reading, file.name)
        else:
            kept.written(reading, "")
    return changed


def exposure(interface: Interface, reading: str) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The whole exposure that a reading tells of, the most probable firings first."""
    furnace = reading.split("/readings/")[0]
    path = f"/v1/{furnace}:assessExposure"
    firings: list[dict[str, Any]] = []
    token = ""
    while True:
        more = {"pageToken": token} if token else {}
        page = interface.get(path, reading=reading, leastProbability=WORTH_REVIEW, pageSize=500, **more)
        firings += page.get("firings", [])
        token = page.get("nextPageToken", "")
        if not token:
            firings.sort(key=lambda one: (-one.get("outsideProbability", 1.0), one["endTime"]))
            return page["summary"], firings


def worklist_name(summary: dict[str, Any]) -> str:
    """Named after furnace and begin: later readings of the same trouble lengthen the same list."""
    furnace = summary["furnace"].rsplit("/", 1)[1]
    if summary.get("startReason") == "SPAN_BOUND_FIRST_FIRING":
        # The first firing on record moves when an earlier one is reported.
        return f"worklist-{furnace}-from-first-firing.csv"
    start = datetime.fromisoformat(summary["startTime"]).astimezone(timezone.utc)
    return f"worklist-{furnace}-from-{start:%Y%m%dT%H%M%SZ}.csv"


def drawn(summary: dict[str, Any], firings: list[dict[str, Any]]) -> str:
    """The worklist as CSV (RFC 4180)."""
    text = io.StringIO(newline="")
    table = csv.writer(text)
    table.writerow(COLUMNS)
    zone = _zone(summary.get("timeZone", ""))
    for one in firings:
        ended = datetime.fromisoformat(one["endTime"]).astimezone(zone)
        row = [
            QUEUES.get(one.get("queue", ""), "last"),
            one["externalId"],
            " ".join(one.get("caseIds", [])),
            summary["furnace"].rsplit("/", 1)[1],
            one["programme"].rsplit("/", 1)[1],
            ended.strftime("%Y-%m-%d %H:%M %z"),
            _degrees(one["setpointC"]),
            _degrees(one["targetC"]),
            *_estimate(one),
            _degrees(summary["toleranceC"]),
            " ".join(name.rsplit("/", 1)[1] for name in one.get("decisions", [])),
            " ".join(one.get("notices", [])),
            JUDGEMENT,
        ]
        table.writerow(_plain(cell) for cell in row)
    return text.getvalue()


def _estimate(one: dict[str, Any]) -> list[str]:
    """Peak, interval, probability and worst case; empty without any reading of the furnace, since nobody knows."""
    if "temperatureC" not in one:
        return [""] * 5
    peak, spread = one["temperatureC"], one.get("expandedUncertaintyC", 0.0)
    worst = one.get("worstTemperatureC")
    return [
        _degrees(peak),
        _degrees(peak - spread),
        _degrees(peak + spread),
        f"{one.get('outsideProbability', 0.0):.2f}",
        "" if worst is None else _degrees(worst),
    ]


def _degrees(value: float) -> str:
    return f"{value:.1f}"


def _plain(cell: str) -> str:
    """A text that a spreadsheet would take for a formula is marked as text."""
    return f"'{cell}" if cell.startswith(("=", "+", "-", "@", "\t", "\r")) else cell


def _zone(name: str) -> tzinfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return timezone.utc


def replaced(file: Path, text: str) -> bool:
    """Puts a text in place of a file, whole or not at all; says whether it is another one than before."""
    # The mark at the beginning tells spreadsheets that it is UTF-8.
    content = text.encode("utf-8-sig")
    if file.exists() and file.read_bytes() == content:
        return False
    new = file.with_name(f".{file.name}.new")
    with new.open("wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    new.replace(file)
    return True
