"""Reads a calendar file (RFC 5545) from standard input with the icalendar library, and prints what it says as JSON."""

import json
import sys
from datetime import timezone

import icalendar

raw = sys.stdin.buffer.read()
calendar = icalendar.Calendar.from_ical(raw)
events = []
for event in calendar.walk("VEVENT"):
    alarms = [alarm.get("TRIGGER").dt.total_seconds() for alarm in event.walk("VALARM")]
    events.append(
        {
            "uid": str(event["UID"]),
            "starts": event.decoded("DTSTART").astimezone(timezone.utc).isoformat(),
            "ends": event.decoded("DTEND").astimezone(timezone.utc).isoformat(),
            "stamp": event.decoded("DTSTAMP").astimezone(timezone.utc).isoformat(),
            "summary": str(event["SUMMARY"]),
            "description": str(event["DESCRIPTION"]),
            "location": str(event["LOCATION"]),
            "status": str(event["STATUS"]),
            "sequence": int(event["SEQUENCE"]),
            "categories": [str(category) for category in event["CATEGORIES"].cats],
            "alarms_s": alarms,
        }
    )
print(
    json.dumps(
        {
            "name": str(calendar["NAME"]),
            "version": str(calendar["VERSION"]),
            "writer": str(calendar["PRODID"]),
            "errors": [str(error) for part in calendar.walk() for error in part.errors],
            "longest_line": max(len(line) for line in raw.split(b"\r\n")),
            "bare_line_feeds": raw.replace(b"\r\n", b"").count(b"\n"),
            "events": events,
        }
    )
)
