"""A second opinion on the alerts of an invented year.

Reads what the year's program wrote (--export): the moments at which it stood still, what the people did at each of
them, and every change of an alert. Works out from the words of the protocol (schedules.proto, care.proto, alerts.proto,
sites.proto) and of the rules' documentation what should have been alerted when, and compares change by change. Prints
JSON: counts of what was compared, and the first differences.

Recurrences are by python-dateutil, zones by zoneinfo. It asks every site anew on every local day, after every record and
at every moment at which something begins, and keeps no agenda: whatever the server's agenda overlooks shows here.
"""

import bisect
import heapq
import json
import multiprocessing
import sys
from datetime import date, datetime, timezone
from zoneinfo import ZoneInfo

from days import ONE, SECOND, Calendar, day_of_text, longest_gap, occurrences
from register import LEVELS, Register

HOUR = 3600 * SECOND

TASKS = ["calibration", "purge-firing", "element-regeneration", "bead-replacement", "tray-replacement"]

PLAIN = {
    "plan": "no_dates",
    "recurrence": None,
    "start_date": None,
    "after_firings": 0,
    "after_hours_hot": 0.0,
    "after_events": [],
    "busy_firings_per_day": 0.0,
    "busy_interval_days": 14,
    "shift": "before",
    "grace_days": None,
    "lead_days": None,
    "verify": False,
}

# What holds where no rule was set, as ListScheduleRules shows it.
BUILT_IN = {
    "calibration": PLAIN
    | {
        "plan": "site_interval",
        "after_events": [
            "heating elements replaced",
            "control thermocouple replaced",
            "controller changed",
            "furnace moved",
            "repair",
        ],
        "busy_firings_per_day": 2.0,
    },
    "purge-firing": PLAIN | {"plan": "since_last", "recurrence": "FREQ=WEEKLY;INTERVAL=4", "start_date": "2024-01-01"},
    "element-regeneration": PLAIN | {"after_events": ["heating elements replaced", "discoloured work"]},
    "bead-replacement": PLAIN | {"plan": "since_last", "recurrence": "FREQ=WEEKLY;INTERVAL=13", "start_date": "2024-01-01"},
    "tray-replacement": PLAIN | {"plan": "since_last", "recurrence": "FREQ=WEEKLY;INTERVAL=52", "start_date": "2024-01-01"},
    "gauge-check": PLAIN | {"plan": "site_interval", "lead_days": 14},
}


class Furnace:
    def __init__(self, name, created_at):
        self.name, self.created_at = name, created_at
        self.in_use = True
        self.readings, self.acts, self.events = [], [], []
        self.adjusted_at = None
        self.may_drift = False

    def calibrated_at(self):
        return max((reading["fired_at"] for reading in self.readings if reading["counts"]), default=None)

    def latest(self):
        """The reading of the latest firing; of two readings of one firing the one recorded last."""
        return max(reversed(self.readings), key=lambda reading: reading["fired_at"], default=None)

    def uses(self):
        return [act for act in self.acts if act["kind"] == "use_counted"]

    def ring_since(self):
        """When the ring was fired that waits to be measured: within half a day a reading is of the same firing."""
        fired = max((act["acted_at"] for act in self.acts if act["kind"] == "ring_fired"), default=None)
        latest = self.latest()
        if fired is None or (latest and fired - latest["fired_at"] <= 12 * HOUR):
            return None
        return fired


class Gauge:
    def __init__(self, name, created_at, interval):
        self.name, self.created_at, self.interval = name, created_at, interval
        self.checked_at = None


class Want:
    """A cause with the moments at which it becomes more pressing and rises."""

    def __init__(self, kind, due_on, stages, levels, urgent=False):
        self.kind, self.due_on, self.stages, self.levels, self.urgent = kind, due_on, stages, levels, urgent


class Site:
    def __init__(self, name, n_steps, steps):
        self.name, self.steps, self.n_steps = name, steps, n_steps
        self.calendar = None
        self.rules = {}
        self.furnaces, self.gauges = {}, {}
        self.last_record_at = None
        self.rounds = {}

    def rule(self, place, task):
        for at in (place, self.name, ""):
            rule = self.rules.get((at, task))
            if rule is not None:
                return rule
        return BUILT_IN[task]

    # What people did.

    def apply(self, record, now):
        what = record["what"]
        if "refused" in record:
            return
        if what == "site":
            self.calendar = Calendar(record["details"])
            if self.last_record_at is None:
                self.last_record_at = now
        elif what == "rule":
            self.rules[(record["place"], record["task"])] = record["rule"]
        elif what == "furnace":
            furnace = self.furnaces.setdefault(record["furnace"], Furnace(record["furnace"], now))
            furnace.in_use = record["in_use"]
        elif what == "gauge":
            self.gauges[record["gauge"]] = Gauge(record["gauge"], now, record["check_interval_days"])
        elif what == "drift":
            self.furnaces[record["furnace"]].may_drift = record["may_drift"]
        else:
            self.last_record_at = now
            if what == "check":
                self.gauges[record["gauge"]].checked_at = record["checked_at"]
                return
            furnace = self.furnaces[record["furnace"]]
            if what == "act":
                furnace.acts.append(record)
            elif what == "event":
                furnace.events.append(record)
            elif what == "reading":
                furnace.readings.append(record)
            elif what == "adjusted":
                furnace.adjusted_at = max(furnace.adjusted_at or 0, record["adjusted_at"])

    # When tasks are due.

    def planned(self, rule, done_on, since):
        calendar, shift = self.calendar, rule["shift"]
        from_day = done_on or since
        if rule["plan"] == "site_interval":
            last = from_day + self.calendar.details["calibration_interval_days"] * ONE
            weekday = self.calendar.details["calibration_day"]
            fitting = [last - back * ONE for back in range(7)]
            fitting = [day for day in fitting if day.isoweekday() == weekday and day > from_day]
            return calendar.shifted(fitting[0] if fitting else last, shift, from_day)
        if rule["plan"] == "since_last":
            days = occurrences(rule["recurrence"], from_day, from_day + 800 * ONE)
            following = [day for day in days if day > from_day]
            return calendar.shifted(following[0], shift, from_day)
        if rule["plan"] == "fixed_dates":
            starts_on = day_of_text(rule["start_date"])
            days = occurrences(rule["recurrence"], starts_on, date(2025, 12, 31))
            if done_on is None:
                return calendar.shifted(days[bisect.bisect_left(days, since)], shift)
            # Done within half the time between two dates before a date, seven days at most, that date is served.
            at = max(0, bisect.bisect_left(days, done_on) - 12)
            for place in range(at, len(days)):
                due = calendar.shifted(days[place], shift)
                early = min(7, (days[place] - days[place - 1]).days // 2) if place > 0 else 7
                if due - early * ONE > done_on:
                    return due
        return None

    def interval(self, rule):
        if rule["plan"] == "site_interval":
            return self.calendar.details["calibration_interval_days"]
        if rule["recurrence"]:
            return longest_gap(rule["recurrence"], day_of_text(rule["start_date"]))
        return None

    @staticmethod
    def grace(rule, interval):
        if rule["grace_days"] is not None:
            return rule["grace_days"]
        for most, days in ((7, 1), (14, 2), (35, 3), (100, 6)):
            if interval is not None and interval <= most:
                return days
        return 3 if interval is None else 18

    @staticmethod
    def lead(rule, interval):
        if rule["lead_days"] is not None:
            return rule["lead_days"]
        return 7 if interval is None else min(7, interval // 2)

    def used_up(self, furnace, rule, since):
        firings = hours = 0
        for act in sorted(furnace.uses(), key=lambda act: act["until"]):
            if day_of_text(act["from"]) <= since:
                continue
            firings += act["firings"]
            hours += act["hours_hot"]
            if 0 < rule["after_firings"] <= firings or 0 < rule["after_hours_hot"] <= hours:
                return self.calendar.shifted(day_of_text(act["until"]), "after", since)
        return None

    def firings_per_day(self, furnace, today):
        uses = furnace.uses()
        if not uses or max(day_of_text(act["until"]) for act in uses) < today - 7 * ONE:
            return None
        lately = [act for act in uses if day_of_text(act["from"]) > today - 28 * ONE]
        days = sum((day_of_text(act["until"]) - day_of_text(act["from"])).days + 1 for act in lately)
        return sum(act["firings"] for act in lately) / days if days else None

    def due(self, furnace, task, today):
        """Day by which a task is due, day from which it is soon, last day of grace, and when it was done last."""
        calendar, rule = self.calendar, self.rule(furnace.name, task)
        if not furnace.in_use or rule["plan"] == "off":
            return None
        is_calibration = task == "calibration"
        if is_calibration:
            done_at = furnace.calibrated_at()
        else:
            kinds = ("done", "skipped")
            acts = [act for act in furnace.acts if act["task"] == task]
            done_at = max((act["acted_at"] for act in acts if act["kind"] in kinds), default=None)
        created_on = calendar.day(furnace.created_at)
        done_on = None if done_at is None else calendar.day(done_at)
        interval = self.interval(rule)
        if is_calibration and done_on is None:
            days = [calendar.shifted(created_on, "after")]
        else:
            days = [self.planned(rule, done_on, created_on)]
            since_at = furnace.created_at if done_at is None else done_at
            happened = [
                event["happened_at"]
                for event in furnace.events
                if event["kind"] in rule["after_events"] and event["happened_at"] > since_at
            ]
            if happened:
                days.append(calendar.shifted(calendar.day(min(happened)), "after"))
            days.append(self.used_up(furnace, rule, calendar.day(since_at)))
            if is_calibration:
                if furnace.may_drift:
                    days.append(calendar.shifted(done_on + 7 * ONE, "before", done_on))
                latest = furnace.latest()
                if latest["advice"] == "fire_again":
                    days.append(calendar.next_open(calendar.day(latest["measured_at"])))
                often = self.firings_per_day(furnace, today)
                if rule["busy_firings_per_day"] > 0 and often is not None and often >= rule["busy_firings_per_day"]:
                    days.append(calendar.shifted(done_on + rule["busy_interval_days"] * ONE, "before", done_on))
        days = [day for day in days if day is not None]
        if not days:
            return None
        due_on = min(days)
        if not is_calibration:
            deferrals = [act for act in acts if act["kind"] == "deferred"]
            deferrals = [act for act in deferrals if done_at is None or act["acted_at"] > done_at]
            if deferrals:
                last = max(deferrals, key=lambda act: act["acted_at"])
                due_on = max(due_on, day_of_text(last["until"]))
        grace_ends_on = due_on + self.grace(rule, interval) * ONE
        fired_at = furnace.ring_since() if is_calibration else None
        if fired_at is not None:
            fired_on = calendar.day(fired_at)
            measure_by = calendar.next_open(fired_on)
            # A ring fired in time is to be measured on the next working day; one never measured is given up.
            if fired_on <= due_on and today <= measure_by + 7 * ONE:
                due_on, grace_ends_on = max(due_on, measure_by), max(grace_ends_on, measure_by)
        return due_on, due_on - self.lead(rule, interval) * ONE, grace_ends_on, done_at

    # What asks for an alert.

    def levels(self, day):
        details, start = self.calendar.details, self.calendar.start
        return [
            ("manager", start(day + details["manager_after_days"] * ONE)),
            ("quality", start(day + details["quality_after_days"] * ONE)),
        ]

    def dated(self, kind, due_on, soon_on, grace_ends_on=None):
        start = self.calendar.start
        stages = [("soon", start(min(soon_on, due_on))), ("due", start(due_on)), ("overdue", start(due_on + ONE))]
        if grace_ends_on is not None:
            stages.append(("lapsed", self.calendar.end(grace_ends_on)))
        return Want(kind, due_on, stages, self.levels(due_on))

    def waiting(self, kind, day, since):
        stages = [("due", since), ("overdue", max(since, self.calendar.end(day)))]
        return Want(kind, day, stages, self.levels(day))

    def wants(self, now):
        calendar = self.calendar
        today = calendar.day(now)
        wants = {}
        for furnace in self.furnaces.values():
            for task in TASKS:
                due = self.due(furnace, task, today)
                if due is None:
                    continue
                due_on, soon_on, grace_ends_on, done_at = due
                cause = f"{task}/{furnace.name}/{(done_at or 0) // SECOND}"
                if task == "calibration":
                    wants[cause] = self.dated("calibration_due", due_on, soon_on, grace_ends_on)
                    self.rounds.setdefault(cause, set()).add(due_on)
                else:
                    wants[cause] = self.dated("care_due", due_on, soon_on)
            if furnace.in_use:
                self.furnace_waits(furnace, wants)
        for gauge in self.gauges.values():
            rule = self.rule(self.name, "gauge-check")
            since = calendar.day(gauge.created_at if gauge.checked_at is None else gauge.checked_at)
            last = since + (7 if gauge.checked_at is None else gauge.interval) * ONE
            due_on = calendar.shifted(last, rule["shift"], since)
            soon_on = due_on - self.lead(rule, gauge.interval) * ONE
            cause = f"gauge-check/{gauge.name}/{(gauge.checked_at or 0) // SECOND}"
            wants[cause] = self.dated("gauge_check_due", due_on, soon_on)
        if any(furnace.in_use for furnace in self.furnaces.values()):
            silent = calendar.day(self.last_record_at) + calendar.details["silent_after_days"] * ONE
            since = calendar.start(silent)
            quality = calendar.start(silent + calendar.details["quality_after_days"] * ONE)
            cause = f"silent/{self.name}/{self.last_record_at // SECOND}"
            levels = [("manager", since), ("quality", quality)]
            wants[cause] = Want("site_silent", None, [("overdue", since)], levels)
        return wants

    def furnace_waits(self, furnace, wants):
        calendar, latest = self.calendar, furnace.latest()
        fired_at = furnace.ring_since()
        if fired_at is not None:
            measure_by = calendar.next_open(calendar.day(fired_at))
            want = self.waiting("ring_waiting", measure_by, calendar.start(measure_by))
            wants[f"ring/{furnace.name}/{fired_at // SECOND}"] = want
        entered = latest and furnace.adjusted_at is not None and furnace.adjusted_at >= latest["fired_at"]
        if latest and latest["advice"] == "adjust" and not entered:
            measured_at = latest["measured_at"]
            want = self.waiting("setpoint_waiting", calendar.day(measured_at), measured_at)
            wants[f"setpoint/{latest['name']}"] = want
        calibrated_at = furnace.calibrated_at()
        if self.rule(furnace.name, "calibration")["verify"] and furnace.adjusted_at is not None:
            if calibrated_at is None or calibrated_at <= furnace.adjusted_at:
                verify_by = calendar.next_open(calendar.day(furnace.adjusted_at))
                want = self.waiting("verification_waiting", verify_by, furnace.adjusted_at)
                wants[f"verify/{furnace.name}/{furnace.adjusted_at // SECOND}"] = want
        if latest and latest["counts"] and latest["conformance"] is not None and latest["conformance"] < 0.05:
            if not entered and latest["advice"] != "fire_again":
                measured_at = latest["measured_at"]
                want = Want("out_of_tolerance", None, [("overdue", measured_at)], [("quality", measured_at)], True)
                wants[f"outside/{latest['name']}"] = want


def played(task):
    """A site's year: what its register should say, and its calibration rounds."""
    name, steps, records = task
    site, register = Site(name, len(steps), steps), Register()
    wakes = []

    def wake(step):
        if step < len(steps) and step not in woken:
            woken.add(step)
            heapq.heappush(wakes, step)

    woken = set()
    for step in records:
        wake(step)
    n_looks = 0
    while wakes:
        step = heapq.heappop(wakes)
        now = steps[step]
        for record in records.get(step, []):
            if record["what"] != "said":
                site.apply(record, now)
        if site.calendar is None:
            continue
        ahead = register.look(site.wants(now), site.calendar, step, now)
        n_looks += 1
        for record in records.get(step, []):
            if record["what"] == "said" and "refused" not in record:
                register.said(record, step)
                if record["until"] is not None:
                    ahead.append(record["until"])
        tomorrow = site.calendar.end(site.calendar.day(now))
        # What begins later is found on that day.
        for moment in [tomorrow] + [moment for moment in ahead if moment < tomorrow]:
            wake(bisect.bisect_left(steps, moment))
    rounds = {cause: sorted(map(str, days)) for cause, days in site.rounds.items()}
    return name, register.log, rounds, n_looks


def site_of(record):
    """The site's name; empty for a rule of the network."""
    for key in ("furnace", "gauge", "place"):
        if record.get(key):
            return "/".join(record[key].split("/")[:2])
    site = record.get("site")
    return f"sites/{site}" if site else ""


def merged(entries):
    """Without changes that leave stage, level, state and date as they were: those of words alone."""
    kept = []
    for entry in entries:
        if not kept or kept[-1][1:] != entry[1:]:
            kept.append(entry)
    return kept


def clock_changes(zone, steps):
    """Moments at which the offset of a zone changes."""
    changes, zone = [], ZoneInfo(zone)
    first, last = steps[0] // SECOND, steps[-1] // SECOND
    offset = None
    for second in range(first, last, 900):
        now = datetime.fromtimestamp(second, tz=zone).utcoffset()
        if offset is not None and now != offset:
            changes.append(second * SECOND)
        offset = now
    return changes


def main():
    given = json.load(sys.stdin)
    steps, journal = given["steps"], given["journal"]
    number_of = {moment: number for number, moment in enumerate(steps)}
    by_site, shared, zones = {}, [], {}
    for step, line in enumerate(journal):
        for record in line["records"]:
            site = site_of(record)
            if site:
                by_site.setdefault(site, {}).setdefault(step, []).append(record)
            else:
                shared.append((step, record))
            if record["what"] == "site":
                zones[site] = record["details"]["time_zone"]
    for step, record in shared:
        for records in by_site.values():
            records.setdefault(step, []).insert(0, record)
    tasks = [(site, steps, records) for site, records in sorted(by_site.items())]
    with multiprocessing.Pool() as pool:
        expected = pool.map(played, tasks, chunksize=4)

    found, ids, kinds, raised = {}, {}, {}, {}
    differences = []
    for change in given["changes"]:
        cause = change["cause"]
        entry = (number_of.get(change["at"]), change["stage"], change["level"], change["state"], change["due_on"])
        found.setdefault(f"sites/{change['site']}", {}).setdefault(cause, []).append(entry)
        ids.setdefault(cause, set()).add(change["id"])
        kinds[cause] = change["kind"]
        raised[cause] = raised.get(cause, 0) + (change["change"] == "raised")
    twice = [cause for cause in ids if len(ids[cause]) != 1 or raised[cause] != 1]

    changes_of = {zone: clock_changes(zone, steps) for zone in set(zones.values())}
    counts = {
        "sites": len(tasks),
        "zones": len(set(zones.values())),
        "rounds": 0,
        "due_dates": 0,
        "rounds_alerted": 0,
        "alerts": 0,
        "changes": 0,
        "stages": 0,
        "rises": 0,
        "closings": 0,
        "near_clock_changes": 0,
        "looks": 0,
        "by_kind": {},
    }
    for site, log, rounds, n_looks in expected:
        counts["looks"] += n_looks
        counts["rounds"] += len(rounds)
        counts["due_dates"] += sum(len(days) for days in rounds.values())
        own = found.get(site, {})
        for cause in sorted(set(log) | set(own)):
            wanted, is_so = merged(log.get(cause, [])), merged(own.get(cause, []))
            counts["alerts"] += 1
            counts["rounds_alerted"] += cause in rounds
            kind = kinds.get(cause, "missing")
            counts["by_kind"][kind] = counts["by_kind"].get(kind, 0) + 1
            if wanted != is_so:
                at = next((n for n, (one, other) in enumerate(zip(wanted, is_so)) if one != other), None)
                at = min(len(wanted), len(is_so)) if at is None else at
                moment = lambda entry: entry and [str(datetime.fromtimestamp(steps[entry[0]] / SECOND, timezone.utc)), *entry]
                pick = lambda entries: moment(entries[at]) if at < len(entries) else None
                differences.append({"cause": cause, "zone": zones[site], "wanted": pick(wanted), "found": pick(is_so)})
            before = None
            for entry in wanted:
                step, stage, level, state, _ = entry
                counts["changes"] += 1
                counts["closings"] += state == "closed"
                counts["stages"] += before is None or before[1] != stage
                counts["rises"] += before is not None and LEVELS.index(level) > LEVELS.index(before[2])
                near = any(abs(steps[step] - change) <= 24 * HOUR for change in changes_of[zones[site]])
                counts["near_clock_changes"] += near
                before = entry
    json.dump({"counts": counts, "twice": twice, "n_differences": len(differences), "differences": differences[:20]}, sys.stdout)


if __name__ == "__main__":
    main()
