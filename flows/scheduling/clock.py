"""The time: the machine's, or in a rehearsal one that runs faster from a day of choice."""

from __future__ import annotations

import datetime as dt
import os
import time

VARIABLE = "TALLYWEIR_REHEARSAL"
"""``<start, ISO, UTC>|<speed>|<unix time at which it began>``; inherited by every process."""


def utc_now() -> dt.datetime:
    """Now, as naive UTC."""
    rehearsal = os.environ.get(VARIABLE)
    if not rehearsal:
        return dt.datetime.now(dt.UTC).replace(tzinfo=None)
    start, speed, began = rehearsal.split("|")
    return dt.datetime.fromisoformat(start) + dt.timedelta(
        seconds=(time.time() - float(began)) * float(speed))


def rehearse(start: dt.datetime, speed: float) -> None:
    """From now on, here and in every process started from here, it is ``start`` (naive UTC)."""
    os.environ[VARIABLE] = f"{start.isoformat()}|{speed}|{time.time()}"


def rehearsing() -> bool:
    """Whether the time is a rehearsal's."""
    return bool(os.environ.get(VARIABLE))


def aware(moment: dt.datetime) -> dt.datetime:
    """A naive UTC moment with its zone."""
    return moment.replace(tzinfo=dt.UTC)


def naive(moment: dt.datetime) -> dt.datetime:
    """An aware moment as naive UTC."""
    return moment.astimezone(dt.UTC).replace(tzinfo=None)
