"""The moon's phase, computed: beside run timing, since springs follow new and full moon.

Meeus, Astronomical Algorithms (2nd edition, 1998): the mean elements of chapter 47 and the
short series for the phase angle of chapter 48 (equation 48.4), good to some tenths of a
degree. Terrestrial and universal time are not told apart: a minute moves the moon by 0.01
degree.
"""

from __future__ import annotations

import datetime as dt
import math

SYNODIC_DAYS = 29.530588861
_J2000 = dt.datetime(2000, 1, 1, 12, tzinfo=dt.UTC)


def elongation(moment: dt.datetime) -> float:
    """Degrees from new moon, 0 to 360: 90 first quarter, 180 full, 270 last quarter."""
    centuries = (moment - _J2000).total_seconds() / 86400 / 36525
    t = centuries
    d = 297.8501921 + 445267.1114034 * t - 0.0018819 * t * t
    m = math.radians(357.5291092 + 35999.0502909 * t - 0.0001536 * t * t)
    mm = math.radians(134.9633964 + 477198.8675055 * t + 0.0087414 * t * t)
    dd = math.radians(d)
    away = (
        d + 6.289 * math.sin(mm) - 2.100 * math.sin(m) + 1.274 * math.sin(2 * dd - mm)
        + 0.658 * math.sin(2 * dd) + 0.214 * math.sin(2 * mm) + 0.110 * math.sin(dd)
    )
    return away % 360


def illuminated(moment: dt.datetime) -> float:
    """Share of the disc that is lit, 0 to 1."""
    return (1 - math.cos(math.radians(elongation(moment)))) / 2


def age(moment: dt.datetime) -> float:
    """Days since new moon, by the elongation (the mean month for 360 degrees)."""
    return elongation(moment) / 360 * SYNODIC_DAYS


def phase_name(moment: dt.datetime) -> str:
    """The phase in words, eight of them."""
    names = ("new moon", "waxing crescent", "first quarter", "waxing gibbous", "full moon",
             "waning gibbous", "last quarter", "waning crescent")
    return names[int((elongation(moment) + 22.5) % 360 // 45)]


def days_from_syzygy(moment: dt.datetime) -> float:
    """Days to the nearest new or full moon."""
    away = elongation(moment) % 180
    return min(away, 180 - away) / 360 * SYNODIC_DAYS


def noon(date: dt.date) -> dt.datetime:
    """Noon UTC of ``date``: the moment a date's moon is told for."""
    return dt.datetime(date.year, date.month, date.day, 12, tzinfo=dt.UTC)


def tide_word(date: dt.date, spring_days: float) -> str:
    """``springs``, ``neaps`` or ``between``, by the moon's age alone: no tide was observed."""
    away = days_from_syzygy(noon(date))
    if away <= spring_days:
        return "springs"
    return "neaps" if away >= SYNODIC_DAYS / 4 - spring_days else "between"
