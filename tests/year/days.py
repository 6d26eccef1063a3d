"""Days of recurrences by python-dateutil, and a site's days and hours by zoneinfo, for the second opinion beside."""

import functools
from datetime import date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo

from dateutil.rrule import rrulestr

ONE = timedelta(days=1)
# Moments are microseconds since 1970.
SECOND = 1_000_000


def day_of_text(text):
    return date.fromisoformat(text)


@functools.lru_cache(maxsize=None)
def occurrences(rule, starts_on, until):
    """The days of a recurrence from its first day on."""
    moments = rrulestr(rule, dtstart=datetime.combine(starts_on, time()))
    days = []
    for moment in moments:
        if moment.date() > until:
            break
        days.append(moment.date())
    return days


@functools.lru_cache(maxsize=None)
def longest_gap(rule, starts_on):
    """The longest time between two neighbouring days of a recurrence in eight years."""
    days = occurrences(rule, starts_on, starts_on.replace(year=starts_on.year + 8))
    return max((later - earlier).days for earlier, later in zip(days, days[1:]))


class Calendar:
    """A site's days and hours."""

    def __init__(self, details):
        self.details = details
        self.zone = ZoneInfo(details["time_zone"])
        self.closed = set(details["closed_days"])
        for first, last in details["closures"]:
            day = day_of_text(first)
            while day <= day_of_text(last):
                self.closed.add(day)
                day += ONE
        self.quiet_from = time.fromisoformat(details["quiet_from"])
        self.quiet_until = time.fromisoformat(details["quiet_until"])

    def local(self, moment):
        return datetime.fromtimestamp(moment // SECOND, tz=timezone.utc).astimezone(self.zone)

    @functools.cache
    def day(self, moment):
        return self.local(moment).date()

    def at(self, day, wall):
        """A wall time that clocks skip is as much later, one that they show twice is the first."""
        return int(datetime.combine(day, wall, tzinfo=self.zone).timestamp()) * SECOND

    @functools.cache
    def start(self, day):
        return self.at(day, time())

    def end(self, day):
        return self.start(day + ONE)

    @functools.cache
    def is_open(self, day):
        return day not in self.closed and day.isoweekday() not in self.closed

    @functools.cache
    def shifted(self, day, shift, after=None):
        """To the nearest working day; never to a day up to `after`."""

        def search(step):
            other = day
            for _ in range(71):
                if after is not None and other <= after and step < 0:
                    return None
                if (after is None or other > after) and self.is_open(other):
                    return other
                other += step * ONE
            return None

        first, second = (-1, 1) if shift == "before" else (1, -1)
        return search(first) or search(second) or day

    def next_open(self, day):
        return self.shifted(day + ONE, "after", day)

    def is_quiet(self, moment):
        local = self.local(moment)
        if not self.is_open(local.date()):
            return True
        wall = local.time()
        if self.quiet_from <= self.quiet_until:
            return self.quiet_from <= wall < self.quiet_until
        return wall >= self.quiet_from or wall < self.quiet_until

    @functools.cache
    def loud(self, moment):
        """When an alert of this moment comes: on the first open hour, on the fourth morning after at the latest."""
        if not self.is_quiet(moment):
            return moment
        day = self.day(moment)
        for ahead in range(4):
            wakes = {self.start(day + ahead * ONE), self.at(day + ahead * ONE, self.quiet_until)}
            for wake in sorted(wakes):
                if wake >= moment and not self.is_quiet(wake):
                    return wake
        return max(moment, self.at(day + 4 * ONE, self.quiet_until))
