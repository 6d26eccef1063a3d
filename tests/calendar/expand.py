"""A second and a third opinion on recurrence rules.

Reads a JSON list of questions from standard input: {"rule", "starts_on", "from", "until", "most", "zone", "wall",
"by_dateutil"}. Prints a JSON list of answers: the days by python-dateutil (unless it is not asked), the days by the
words of RFC 5545, and the moments of the latter at a wall time in a zone, as seconds since 1970.

The opinion "by the words" goes through whole periods day by day and asks of each day what the table of RFC 5545, 3.3.10
asks. It is slow and simple, and shares no code and no ancestor with the others: python-dateutil and the crate have one.
"""

import calendar
import json
import multiprocessing
import sys
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from dateutil.rrule import rrulestr

DAYS = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"]
ONE = timedelta(days=1)


def parts_of(rule):
    parts = dict(part.split("=") for part in rule.split(";"))
    numbers = lambda name: {int(value) for value in parts.get(name, "").split(",") if value}
    days = [(int(value[:-2] or 0), DAYS.index(value[-2:])) for value in parts.get("BYDAY", "").split(",") if value]
    return parts, numbers, days


def week_of(day, week_start):
    """Number of the day's week from the year's beginning and from its end, weeks starting on `week_start`."""
    first = day - timedelta(days=(day.weekday() - week_start) % 7)
    year = (first + 3 * ONE).year
    one = first_week(year, week_start)
    n_weeks = (first_week(year + 1, week_start) - one).days // 7
    number = (first - one).days // 7 + 1
    return number, number - n_weeks - 1


def first_week(year, week_start):
    """The first day of the first week that has at least four days in the year."""
    fourth = date(year, 1, 4)
    return fourth - timedelta(days=(fourth.weekday() - week_start) % 7)


def length_of_month(day):
    return calendar.monthrange(day.year, day.month)[1]


class Words:
    """A rule as RFC 5545 words it."""

    def __init__(self, rule, starts_on):
        parts, numbers, self.days = parts_of(rule)
        self.frequency = parts["FREQ"]
        self.interval = int(parts.get("INTERVAL", 1))
        self.count = int(parts["COUNT"]) if "COUNT" in parts else None
        self.until = datetime.strptime(parts["UNTIL"], "%Y%m%d").date() if "UNTIL" in parts else date.max
        self.months, self.weeks, self.year_days = numbers("BYMONTH"), numbers("BYWEEKNO"), numbers("BYYEARDAY")
        self.month_days, self.positions = numbers("BYMONTHDAY"), numbers("BYSETPOS")
        self.week_start = DAYS.index(parts.get("WKST", "MO"))
        self.starts_on = starts_on
        # "Information, not contained in the rule, ... is derived from DTSTART."
        if not (self.weeks or self.year_days or self.month_days or self.days):
            if self.frequency == "WEEKLY":
                self.days = [(0, starts_on.weekday())]
            if self.frequency in ("MONTHLY", "YEARLY"):
                self.month_days = {starts_on.day}
            if self.frequency == "YEARLY" and not self.months:
                self.months = {starts_on.month}

    def periods(self):
        """First day and length of each period, the one of the start included."""
        start = self.starts_on
        index = 0
        while True:
            if self.frequency == "DAILY":
                yield start + timedelta(days=index), 1
            elif self.frequency == "WEEKLY":
                monday = start - timedelta(days=(start.weekday() - self.week_start) % 7)
                yield monday + timedelta(days=7 * index), 7
            elif self.frequency == "MONTHLY":
                months = start.year * 12 + start.month - 1 + index
                first = date(months // 12, months % 12 + 1, 1)
                yield first, length_of_month(first)
            else:
                first = date(start.year + index, 1, 1)
                yield first, 366 if calendar.isleap(first.year) else 365
            index += self.interval

    def has(self, day):
        if self.months and day.month not in self.months:
            return False
        if self.month_days and not {day.day, day.day - length_of_month(day) - 1} & self.month_days:
            return False
        if self.weeks and not set(week_of(day, self.week_start)) & self.weeks:
            return False
        if self.year_days:
            in_year = day.timetuple().tm_yday
            if not {in_year, in_year - (366 if calendar.isleap(day.year) else 365) - 1} & self.year_days:
                return False
        return not self.days or any(self.is_nth(day, nth, weekday) for nth, weekday in self.days)

    def is_nth(self, day, nth, weekday):
        if day.weekday() != weekday or nth == 0:
            return day.weekday() == weekday
        if self.frequency == "MONTHLY" or self.months:
            place, length = day.day, length_of_month(day)
        else:
            place, length = day.timetuple().tm_yday, 366 if calendar.isleap(day.year) else 365
        return nth == (place - 1) // 7 + 1 if nth > 0 else nth == -((length - place) // 7 + 1)

    def until_day(self, last):
        """Every occurrence up to a day; the first counts only when it fits the rule."""
        counted = 0
        for first, length in self.periods():
            if first > min(last, self.until):
                return
            chosen = [day for day in (first + timedelta(days=index) for index in range(length)) if self.has(day)]
            if self.positions:
                places = {at - 1 if at > 0 else len(chosen) + at for at in self.positions}
                chosen = [day for index, day in enumerate(chosen) if index in places]
            for day in chosen:
                if day < self.starts_on:
                    continue
                if day > min(last, self.until) or counted == self.count:
                    return
                counted += 1
                yield day


def first_of(days, since, until, most):
    """The days from `since` to `until`, at most so many."""
    found = []
    for day in days:
        if day > until or len(found) == most:
            break
        if day >= since:
            found.append(day)
    return found


def answer(question):
    starts_on, since, until = (date.fromisoformat(question[name]) for name in ("starts_on", "from", "until"))
    rule, most = question["rule"], question["most"]
    words = first_of(Words(rule, starts_on).until_day(until), since, until, most)
    dateutil = None
    if question["by_dateutil"]:
        moments = rrulestr(rule, dtstart=datetime.combine(starts_on, time()))
        dateutil = [str(day) for day in first_of((moment.date() for moment in moments), since, until, most)]
    zone, wall = ZoneInfo(question["zone"]), time.fromisoformat(question["wall"])
    moments = [int(datetime.combine(day, wall, tzinfo=zone).timestamp()) for day in words]
    return {"words": [str(day) for day in words], "dateutil": dateutil, "moments": moments}


if __name__ == "__main__":
    questions = json.load(sys.stdin)
    with multiprocessing.Pool() as pool:
        json.dump(pool.map(answer, questions, chunksize=50), sys.stdout)
