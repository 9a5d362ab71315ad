"""When something is due: crontab lines of five fields, in the civil time of a zone.

Kept here, beside the settings that hold such lines, so that ``status`` and ``health`` can say
when the next run is without asking the scheduler. A test holds it to Prefect's own reading.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from zoneinfo import ZoneInfo

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_DAYS = ("sun", "mon", "tue", "wed", "thu", "fri", "sat")
_FIELDS: tuple[tuple[str, int, int, tuple[str, ...]], ...] = (
    ("minute", 0, 59, ()), ("hour", 0, 23, ()), ("day of the month", 1, 31, ()),
    ("month", 1, 12, _MONTHS), ("day of the week", 0, 7, _DAYS))
_FARTHEST = dt.timedelta(days=8 * 366)
"""29 February comes again within eight years, or never."""


@dataclass(frozen=True)
class Cron:
    """One crontab line in a zone. Moments are aware; answers come in ``zone``.

    A time that the clock change skips is due as if the clock had not moved; one that it
    repeats is due once, the first time.
    """

    line: str
    zone: str

    @classmethod
    def parse(cls, line: str, zone: str) -> Cron:
        """A line checked. Raises :class:`ValueError` whose text says which field is wrong."""
        cron = cls(" ".join(line.split()), zone)
        if cron.next_after(dt.datetime(2024, 1, 1, tzinfo=dt.UTC)) is None:
            raise ValueError("it names a day that never comes")
        return cron

    @cached_property
    def _sets(self) -> tuple[frozenset[int], ...]:
        parts = self.line.lower().split()
        if len(parts) != len(_FIELDS):
            raise ValueError(f"it has {len(parts)} fields and needs 5")
        return tuple(_field(part, *spec) for part, spec in zip(parts, _FIELDS, strict=True))

    def _due_on(self, day: dt.date) -> bool:
        _, _, days, months, weekdays = self._sets
        if day.month not in months:
            return False
        _, _, in_month, _, in_week = self.line.split()
        by_month = day.day in days
        by_week = day.isoweekday() % 7 in {number % 7 for number in weekdays}
        # As cron has always read it: with both days named, either will do.
        if in_month.startswith("*") or in_week.startswith("*"):
            return by_month and by_week
        return by_month or by_week

    def _moments(self, day: dt.date) -> list[dt.datetime]:
        if not self._due_on(day):
            return []
        minutes, hours = sorted(self._sets[0]), sorted(self._sets[1])
        return [dt.datetime.combine(day, dt.time(hour, minute), ZoneInfo(self.zone))
                for hour in hours for minute in minutes]

    def next_after(self, moment: dt.datetime) -> dt.datetime | None:
        """The first time due later than ``moment``; None when it never comes."""
        return self._search(moment, 1)

    def last_until(self, moment: dt.datetime) -> dt.datetime | None:
        """The latest time due at or before ``moment``; None when there was none."""
        return self._search(moment, -1)

    def _search(self, moment: dt.datetime, step: int) -> dt.datetime | None:
        here = moment.astimezone(ZoneInfo(self.zone)).date()
        # A day too early or late on each side: a zone's clock may be moved past midnight.
        for offset in range(-1, _FARTHEST.days):
            day = here + step * dt.timedelta(days=offset)
            # Aware times of one zone compare by their faces; instants are what is meant.
            due = [at for at in self._moments(day)
                   if (at.timestamp() > moment.timestamp()) == (step > 0)]
            if due:
                return (min if step > 0 else max)(due, key=lambda at: at.timestamp())
        return None


def _field(text: str, what: str, low: int, high: int, names: tuple[str, ...]) -> frozenset[int]:
    found: set[int] = set()
    for part in text.split(","):
        span, slash, step = part.partition("/")
        if slash and not (step.isdecimal() and int(step)):
            raise ValueError(f'the {what} "{text}" has a step that is no number')
        first, dash, last = span.partition("-")
        if span == "*":
            start, end = low, high
        else:
            start = _number(first, text, what, low, high, names)
            end = _number(last, text, what, low, high, names) if dash else start
            if slash and not dash:
                end = high
        if start > end:
            raise ValueError(f'the {what} "{text}" runs backwards')
        found.update(range(start, end + 1, int(step) if slash else 1))
    return frozenset(found)


def _number(
    word: str, text: str, what: str, low: int, high: int, names: tuple[str, ...]
) -> int:
    if word in names:
        return names.index(word) + low
    if not word.isdecimal() or not low <= int(word) <= high:
        raise ValueError(f'the {what} "{text}" is not between {low} and {high}')
    return int(word)
