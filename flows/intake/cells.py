"""What one cell says: numbers, dates, times of day, durations and words of a list.

Pure functions of a cell and what is known of its column. They never guess: what can be
read in two ways, and what cannot be read at all, comes back as not understood.
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from shared.fields import Field
from shared.sheets import Cell
from shared.units import Unit, unit_named

MISSING_WORDS = frozenset(
    {
        "",
        "-",
        "--",
        "---",
        "\u2013",
        "\u2014",
        ".",
        "..",
        "...",
        "?",
        "??",
        "/",
        "\\",
        "n/a",
        "na",
        "n.a.",
        "n.a",
        "#n/a",
        "nd",
        "n.d.",
        "n/d",
        "no data",
        "not taken",
        "not recorded",
        "not measured",
        "nt",
        "n/t",
        "nr",
        "n/r",
        "nm",
        "missing",
        "null",
        "nan",
        "blank",
        "none taken",
        "not done",
        "no reading",
        "not available",
        "not checked",
        "not counted",
        "unknown",
        "unk",
        "tbd",
        "x",
        "broken meter",
        "meter broken",
        "no meter",
        "forgot",
        "lost",
    }
)
"""What people write where a value was not taken (folded by :func:`folded`)."""

ZERO_WORDS = frozenset({"zero", "nil", "none", "no eels", "none caught", "nothing", "no catch"})
"""Words for a count or a rainfall of nothing: a zero that somebody stated."""

_LIFTED = re.compile(
    r"^(?:the )?(?:nets? (?:was |were |is |are )?(?:lifted|out\b|pulled|up\b|removed|raised|"
    r"not (?:set|fish))"
    r"|lifted\b|not fish(?:ed|ing)\b|no net\b|not set\b|net not\b|n\.?f\.?$|pulled\b|out$|"
    r"out of water|raised$|removed$)"
)
_LIFTED_WITHIN = re.compile(
    r"\bnets? (?:was |were |is |are )?(?:lifted|out|pulled|up|removed|raised|not set|not fish\w+)\b"
    r"|\b(?:lifted for|not fishing|not fished|no net set|net not set)\b"
)

_DASHES = dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2212\ufe63\uff0d"), "-")
_DASHES |= dict.fromkeys(map(ord, "\u00a0\u2007\u2009\u202f\u3000"), " ")
_SPACES = re.compile(r"\s+")


@lru_cache(maxsize=65536)
def folded(text: str) -> str:
    """Lower case, plain dashes and single spaces: the form in which words are compared."""
    plain = unicodedata.normalize("NFKC", text).translate(_DASHES)
    return _SPACES.sub(" ", plain).strip().lower()


def is_missing(text: str) -> bool:
    """Whether a cell's text only says that there is no value."""
    return folded(text) in MISSING_WORDS


def says_lifted(text: str, anywhere: bool = False) -> bool:
    """Whether words in a cell say that the net was not fishing."""
    words = folded(text)
    return bool(_LIFTED.match(words) or (anywhere and _LIFTED_WITHIN.search(words)))


def number_of(cell: Cell) -> float | None:
    """The value of a cell typed as a number; None for text, dates and yes or no."""
    if isinstance(cell, float | int) and not isinstance(cell, bool):
        return float(cell)
    return None


# -- numbers ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Number:
    """A number read from text; ``unit`` where the text names one, ``mark`` what qualifies it."""

    value: float
    unit: Unit | None = None
    mark: str = ""


_BEFORE = (
    r"(?P<before>(?:~|\u2248|\u2245|>=|<=|=<|=>|>|<|\u2265|\u2264|\u00b1|approx(?:imately|\.)?|about|"
    r"around|circa|ca\.?|c\.|est(?:imated|\.)?|over|under|at least|more than|less than|"
    r"up to)\s*)?"
)
_CORE = r"(?P<core>[-+]?(?:\d[\d.,'\u2019 ]*\d|\d)(?:[eE][-+]?\d{1,2})?|[-+]?[.,]\d+)"
_NUMBER = re.compile(rf"^{_BEFORE}{_CORE}(?P<rest>.*)$", re.S | re.I)
_AFTER = re.compile(
    r"^(?:[+?*!~]+|\(?\s*(?:est(?:imated|\.)?|approx(?:\.|imately)?|ish|about|"
    r"or so|or more|plus|min(?:imum)?\.)\s*\)?)$",
    re.I,
)
_NOTE = re.compile(r"^[\(\[].*[\)\]]\.?$", re.S)
_DEGREE_SIGNS = frozenset({"\u00b0", "\u00ba", "\u02da", "deg", "deg.", "degrees"})
_DEGREES = frozenset({"degC", "degF"})
_GROUPS = {mark: re.compile(rf"^\d{{1,3}}(?:{re.escape(mark)}\d{{3}})+$") for mark in ",.'\u2019 "}


def _digits(core: str, decimal: str) -> float | None:
    """The number that digits with separators stand for, given the sheet's decimal mark."""
    sign = 1.0
    if core[0] in "+-":
        sign = -1.0 if core[0] == "-" else 1.0
        core = core[1:]
    exponent = ""
    match = re.search(r"[eE][-+]?\d+$", core)
    if match:
        exponent, core = match.group(), core[: match.start()]
    for mark in "'\u2019 ":
        if mark in core:
            whole, point, part = core, "", ""
            for candidate in (decimal, "," if decimal == "." else "."):
                if candidate in core:
                    whole, point, part = core.rpartition(candidate)
                    break
            if not _GROUPS[mark].match(whole) or (point and not part.isdecimal()):
                return None
            core = whole.replace(mark, "") + ("." + part if point else "")
            decimal = "."
    commas, points = core.count(","), core.count(".")
    if commas and points:
        point = "," if core.rfind(",") > core.rfind(".") else "."
        group = "." if point == "," else ","
        whole, _, part = core.rpartition(point)
        if not _GROUPS[group].match(whole) or not part.isdecimal():
            return None
        plain = whole.replace(group, "") + "." + part
    elif commas or points:
        mark = "," if commas else "."
        if commas + points > 1:
            if not _GROUPS[mark].match(core):
                return None
            plain = core.replace(mark, "")
        elif mark != decimal and _GROUPS[mark].match(core) and not core.startswith("0"):
            plain = core.replace(mark, "")
        else:
            plain = core.replace(mark, ".")
    else:
        plain = core
    try:
        value = float(plain + exponent)
    except ValueError:
        return None
    return sign * value


def parse_number(text: str, decimal: str = ".", accepted: tuple[str, ...] = ()) -> Number | None:
    """The number that ``text`` states, or None.

    ``decimal`` settles "1,204"; ``accepted`` are unit ids that may follow the number.
    "~200", "<1" and "12 (6 dead)" are read with what qualifies them in ``mark``; ranges
    ("10-12"), sums and words are not numbers.
    """
    plain = _SPACES.sub(" ", unicodedata.normalize("NFC", text).translate(_DASHES)).strip()
    match = _NUMBER.match(plain)
    if match is None:
        return None
    value = _digits(match.group("core"), decimal)
    if value is None:
        return None
    before = (match.group("before") or "").strip()
    rest = match.group("rest").strip()
    unit: Unit | None = None
    if not rest:
        return Number(value, None, before)
    if accepted and (unit := unit_named(rest, accepted)) is not None:
        return Number(value, unit, before)
    if rest in _DEGREE_SIGNS and not _DEGREES.isdisjoint(accepted):
        return Number(value, None, before)  # degrees of the column's own kind
    if _AFTER.match(rest) or _NOTE.match(rest):
        return Number(value, None, f"{before}{rest}")
    if accepted:
        head, _, tail = rest.partition(" ")
        if tail and (_AFTER.match(tail) or _NOTE.match(tail)):
            unit = unit_named(head, accepted)
            if unit is not None:
                return Number(value, unit, f"{before}{tail}")
        if rest[-1] in "?*+!" and (unit := unit_named(rest.rstrip("?*+!"), accepted)) is not None:
            return Number(value, unit, f"{before}{rest[-1]}")
    return None


_NOUN = re.compile(r"(?<=[\d)])\s*(?:eels?|fish|ind(?:iv(?:iduals?)?)?\.?|caught|counted)$")


def parse_count(text: str, decimal: str = ".", accepted: tuple[str, ...] = ()) -> Number | None:
    """As :func:`parse_number`, for a count: "12 eels" and "3 fish" say no more than 12 and 3."""
    return parse_number(text, decimal, accepted) or parse_number(
        _NOUN.sub("", folded(text)), decimal, accepted
    )


_CLOCK_DURATION = re.compile(r"^(\d{1,3}):([0-5]\d)(?::[0-5]\d)?$")
_WORD_DURATION = re.compile(
    r"^(?:(\d+(?:[.,]\d+)?)\s*d(?:ays?)?)?\s*(?:(\d+(?:[.,]\d+)?)\s*h(?:(?:ou)?rs?)?)?\s*"
    r"(?:(\d+)\s*(?:m(?:in(?:ute)?s?)?)?)?$"
)


def parse_hours(cell: Cell, epoch_1904: bool = False) -> float | None:
    """Hours that a duration stands for: ``24:15``, ``23h30``, an elapsed-time cell."""
    if isinstance(cell, dt.timedelta):
        return round(cell.total_seconds() / 3600, 9)
    if isinstance(cell, dt.time):
        return round(cell.hour + cell.minute / 60 + cell.second / 3600, 9)
    if isinstance(cell, dt.datetime) and cell.year <= 1905:
        # A duration of a day and more in a cell formatted as time of day.
        day_none = dt.date(1904, 1, 1) if cell.year >= 1904 else dt.date(1899, 12, 31)
        base = dt.datetime.combine(day_none, dt.time())
        return round((cell - base).total_seconds() / 3600, 9)
    if isinstance(cell, str):
        words = folded(cell)
        match = _CLOCK_DURATION.match(words)
        if match:
            return round(int(match[1]) + int(match[2]) / 60, 9)
        match = _WORD_DURATION.match(words)
        if match and (match[1] or match[2]) and not (match[3] and not match[2]):
            days, hours, minutes = (
                float((part or "0").replace(",", ".")) for part in match.groups()
            )
            return round(days * 24 + hours + minutes / 60, 9)
    return None


# -- dates ------------------------------------------------------------------------------

_MONTHS: dict[str, int] = {}
for _number, _names in enumerate(
    (
        "january jan janvier janv jän januar enero ene",
        "february feb febr février fevrier févr fev febrero",
        "march mar mars mär märz marzo",
        "april apr avril avr abril abr",
        "may mai mayo",
        "june jun juin juni junio",
        "july jul juillet juil juli julio",
        "august aug août aout agosto ago",
        "september sep sept septembre septiembre",
        "october oct octobre okt oktober octubre",
        "november nov novembre noviembre",
        "december dec décembre déc dez dezember diciembre dic",
    ),
    start=1,
):
    for _name in _names.split():
        _MONTHS[_name] = _number

_WEEKDAY = re.compile(
    r"^(?:mon|tue|tues|wed|wednes|thu|thur|thurs|fri|sat|satur|sun)(?:day)?\.?,?\s+"
)
_CLOCK_TAIL = re.compile(
    r"[ t,]+(?:at |@ ?)?(\d{1,2}[:.h]\d{2}(?::\d{2})?(?:\.\d+)?\s*(?:[ap]\.?m\.?)?"
    r"|\d{1,2}\s*[ap]\.?m\.?|\d{4}\s?h(?:rs?)?)z?$"
)
_YEAR_FIRST = re.compile(r"^(\d{4})\s?[-/. ]\s?(\d{1,2})\s?[-/. ]\s?(\d{1,2})\.?$")
_NUMERIC = re.compile(r"^(\d{1,2})\s?[-/. ]\s?(\d{1,2})\s?[-/. ]\s?(\d{4}|\d{2})\.?$")
_NO_YEAR = re.compile(r"^(\d{1,2})\s?[-/]\s?(\d{1,2})$")
_COMPACT = re.compile(r"^(20\d{2})(\d{2})(\d{2})$")
_DAY_WORD = re.compile(
    r"^(\d{1,2})(?:st|nd|rd|th|er)?(?: of)?[-/. ,]*([^\W\d_]+)\.?[-/. ,']*(\d{4}|\d{2})?$"
)
_WORD_DAY = re.compile(
    r"^([^\W\d_]+)\.?[-/. ,]*(\d{1,2})(?:st|nd|rd|th)?(?:[-/. ,']+(\d{4}|\d{2}))?$"
)
_YEAR_WORD = re.compile(r"^(\d{4})[-/. ]+([^\W\d_]+)\.?[-/. ]+(\d{1,2})$")

SERIAL_SPAN = (25_569.0, 73_050.0)
"""Day numbers that a date column may hold: 1970 to 2099 in the 1900 system."""


_SERIAL_TEXT = re.compile(r"[1-9]\d{4}(?:[.,]\d{1,12})?")


def serial_text(text: str) -> float | None:
    """The spreadsheet day number that a text cell holds, or None."""
    plain = text.strip()
    if not _SERIAL_TEXT.fullmatch(plain):
        return None
    number = float(plain.replace(",", "."))
    return number if SERIAL_SPAN[0] <= number <= SERIAL_SPAN[1] else None


@dataclass(frozen=True, slots=True)
class Dated:
    """A date as text gives it.

    ``date`` is set where only one reading exists; else ``first``, ``second`` and ``year``
    are the numbers as written. ``year`` 0: the text names none; -1: it names none, and
    ``first`` is certainly the day. ``short``: the last number has two digits, so that the
    first could be the year.
    """

    date: dt.date | None
    first: int = 0
    second: int = 0
    year: int = 0
    time: dt.time | None = None
    short: bool = False

    @property
    def numeric(self) -> bool:
        """Whether the numbers alone do not say which is the day."""
        return self.first > 0 and self.year != -1


def _full_year(text: str | None) -> int:
    if not text:
        return 0
    number = int(text)
    if len(text) == 4:
        return number
    return number + (2000 if number < 70 else 1900)


def _date(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


@lru_cache(maxsize=65536)
def parse_date_text(text: str) -> Dated | None:
    """What a text says as a date, before the order of day and month is settled."""
    words = _WEEKDAY.sub("", folded(text).strip("'"))
    time: dt.time | None = None
    tail = _CLOCK_TAIL.search(words)
    if tail:
        time = parse_time_text(tail.group(1))
        if time is not None:
            words = words[: tail.start()].strip(" ,")
    if match := _YEAR_FIRST.match(words):
        year, month, day = (int(part) for part in match.groups())
        found = _date(year, month, day)
        return Dated(found, time=time) if found else None
    if match := _COMPACT.match(words):
        found = _date(*(int(part) for part in match.groups()))
        return Dated(found, time=time) if found else None
    if match := _NUMERIC.match(words):
        return Dated(
            None, int(match[1]), int(match[2]), _full_year(match[3]), time, len(match[3]) == 2
        )
    if match := _DAY_WORD.match(words):
        return _named(match[2], int(match[1]), match[3], time)
    if match := _YEAR_WORD.match(words):
        return _named(match[2], int(match[3]), match[1], time)
    if match := _WORD_DAY.match(words):
        return _named(match[1], int(match[2]), match[3], time)
    if match := _NO_YEAR.match(words):
        return Dated(None, int(match[1]), int(match[2]), 0, time)
    return None


def _named(month: str, day: int, year: str | None, time: dt.time | None) -> Dated | None:
    number = _MONTHS.get(month)
    if number is None or not 1 <= day <= 31:
        return None
    whole = _full_year(year)
    if not whole:
        # Kept as day, month: the order is certain, only the year is wanting.
        return Dated(None, day, number, -1, time)
    found = _date(whole, number, day)
    return Dated(found, time=time) if found else None


def month_named(word: str) -> int | None:
    """Number of the month that a lower-case word names, or None."""
    return _MONTHS.get(word)


_ORDINAL = re.compile(r"^(\d{1,2})(?:st|nd|rd|th|\.)?$")


def date_part(cell: Cell, part: str) -> int | None:
    """The ``year``, ``month`` or ``day`` that a cell of its own gives, or None."""
    if isinstance(cell, bool) or cell is None:
        return None
    number: float | None = None
    if isinstance(cell, float | int):
        number = float(cell)
    elif isinstance(cell, str):
        words = folded(cell).rstrip(".")
        if part == "month" and words in _MONTHS:
            return _MONTHS[words]
        if part == "year" and re.fullmatch(r"\d{4}|'?\d{2}", words):
            return _full_year(words.strip("'"))
        match = _ORDINAL.match(words)
        number = float(match[1]) if match else None
    if number is None or not number.is_integer():
        return None
    whole = int(number)
    if part == "year":
        whole += 2000 if 0 < whole < 70 else 0
        return whole if 1980 <= whole <= 2100 else None
    return whole if 1 <= whole <= (12 if part == "month" else 31) else None


def settle(dated: Dated, order: str, year: int | None = None) -> dt.date | None:
    """The date of ``dated`` once the sheet's order and (for dates without one) year are known.

    A day above 12 settles its own order. None where it stays open or is no date.
    """
    if dated.date is not None:
        return dated.date
    first, second, whole = dated.first, dated.second, dated.year
    if order == "ymd" and dated.short:
        return _date(2000 + first, second, whole % 100)
    if whole <= 0:
        if year is None:
            return None
        if whole == -1:
            return _date(year, second, first)
        whole = year
    if first > 12 and second <= 12:
        return _date(whole, second, first)
    if second > 12 and first <= 12:
        return _date(whole, first, second)
    if first == second:
        return _date(whole, first, second)
    if order == "dmy":
        return _date(whole, second, first)
    if order == "mdy":
        return _date(whole, first, second)
    return None


def serial_date(number: float, epoch_1904: bool = False) -> dt.datetime | None:
    """Date and time of a spreadsheet's day number, in the 1900 or the 1904 system.

    Both systems count days; the 1900 one also counts a 29 February 1900 that never was,
    which the base of 30 December 1899 allows for from March 1900 on.
    """
    shifted = number + (1462 if epoch_1904 else 0)
    if not SERIAL_SPAN[0] <= shifted <= SERIAL_SPAN[1]:
        return None
    seconds = round(shifted * 86400)
    return dt.datetime.combine(dt.date(1899, 12, 30), dt.time()) + dt.timedelta(seconds=seconds)


# -- times of day -----------------------------------------------------------------------

_CLOCK = re.compile(
    r"^(?P<h>\d{1,2})\s?(?:[:;.,hH]\s?(?P<m>\d{2})(?:[:.]\d{2}(?:\.\d+)?)?|[hH](?:rs?|ours?)?)?"
    r"\s*(?:hrs?|hours?|h|uhr)?\s*(?P<half>[ap]\.?\s?m?\.?)?$"
)
_BARE = re.compile(
    r"^(?P<h>\d{1,2})(?P<m>[0-5]\d)\s*(?:h|hrs?|hours?)?\s*(?P<half>[ap]\.?\s?m?\.?)?$"
)
_NAMED_TIMES = {
    "noon": dt.time(12),
    "midday": dt.time(12),
    "12 noon": dt.time(12),
    "midnight": dt.time(0),
    "12 midnight": dt.time(0),
}


@lru_cache(maxsize=65536)
def parse_time_text(text: str) -> dt.time | None:
    """Time of day that ``text`` says: 3:15, 1515, 3.15 pm, 7:15 AM, 15h30, noon."""
    words = folded(text)
    if words in _NAMED_TIMES:
        return _NAMED_TIMES[words]
    match = _CLOCK.match(words) or _BARE.match(words)
    if match is None:
        return None
    hour, minute = int(match["h"]), int(match["m"] or 0)
    half = (match["half"] or "")[:1]
    if not half and match["m"] is None and "h" not in words:
        return None  # a bare "7" in text may be anything
    if half and hour <= 12:
        if hour == 0:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    elif half == "a":
        return None
    if hour > 23 or minute > 59:
        return None
    return dt.time(hour, minute)


_DAY_BEFORE = re.compile(
    r"[\s,;(\[]*(?:(?:on |the )*prev(?:ious)?\.? (?:day|night|evening)|last night|"
    r"(?:the )?(?:day|night|evening) before|yesterday|y'?day|\bprev\.?(?!\w)|"
    r"[-\u2212]\s?1\s?d(?:ay)?)[)\]]?[\s,;:]*"
)


def without_day_before(text: str) -> str | None:
    """The rest of a text that says "the day before" ("17:00 prev day"); None where none does."""
    words = folded(text)
    rest = _DAY_BEFORE.sub(" ", words, count=1)
    if rest == words:
        return None
    return re.sub(r"^(?:set|in|at|set at)\s+", "", rest.strip())


_CLOCK_FIRST = re.compile(
    r"^(\d{1,2}[:.h]\d{2}(?::\d{2})?\s*(?:[ap]\.?m\.?)?|\d{1,2}\s*[ap]\.?m\.?)"
    r"(?:\s*,\s*|\s+)(?:on )?(?=\S*\d)(.{3,})$"
)


def date_first(text: str) -> str:
    """``17:00 3/3/2026`` as ``3/3/2026 17:00``; other texts as they are."""
    match = _CLOCK_FIRST.match(folded(text))
    return f"{match[2]} {match[1]}" if match else text


def parse_time(cell: Cell) -> dt.time | None:
    """Time of day that a cell of a time column says, to the minute; None where unclear."""
    if isinstance(cell, dt.datetime):
        return _minute(cell.hour * 3600 + cell.minute * 60 + cell.second)
    if isinstance(cell, dt.time):
        return _minute(cell.hour * 3600 + cell.minute * 60 + cell.second)
    if isinstance(cell, dt.timedelta):
        seconds = cell.total_seconds()
        return _minute(seconds) if 0 <= seconds < 86400 else None
    if isinstance(cell, bool) or cell is None:
        return None
    if isinstance(cell, (int, float)):
        number = float(cell)
        if 0 <= number < 1:
            return _minute(number * 86400)
        if SERIAL_SPAN[0] <= number <= SERIAL_SPAN[1] and not number.is_integer():
            return _minute(number % 1 * 86400)
        if number.is_integer():
            whole = int(number)
            if 0 <= whole < 24:
                return dt.time(whole)
            if 100 <= whole <= 2359 and whole % 100 < 60:
                return dt.time(whole // 100, whole % 100)
        return None
    if isinstance(cell, str):
        found = parse_time_text(cell)
        if found is None:
            dated = parse_date_text(cell)
            found = dated.time if dated else None
        if found is None and re.fullmatch(r"0?[.,]\d{3,}", cell.strip()):
            return _minute(float(cell.strip().replace(",", ".")) * 86400)
        return found
    return None


def _minute(seconds: float) -> dt.time | None:
    minutes = round(seconds / 60)
    if minutes >= 1440:
        minutes = 1439
    return dt.time(minutes // 60, minutes % 60)


# -- words of a list ---------------------------------------------------------------------

_POINTS = (
    "N",
    "NNE",
    "NE",
    "ENE",
    "E",
    "ESE",
    "SE",
    "SSE",
    "S",
    "SSW",
    "SW",
    "WSW",
    "W",
    "WNW",
    "NW",
    "NNW",
)


def choice_of(cell: Cell, entry: Field) -> str | None:
    """Id of the choice of ``entry`` that the cell means, or None."""
    if isinstance(cell, bool):
        cell = "yes" if cell else "no"
    if isinstance(cell, (int, float)):
        if entry.id == "wind_direction" and 0 <= cell <= 360:
            return _POINTS[int((float(cell) + 11.25) // 22.5) % 16]
        cell = str(int(cell)) if float(cell).is_integer() else str(cell)
    if not isinstance(cell, str):
        return None
    return _choice_of_text(folded(cell), entry.id)


@lru_cache(maxsize=16384)
def _choice_of_text(words: str, field_id: str) -> str | None:
    from shared.fields import FIELDS

    choices = FIELDS[field_id].choices
    bare = words.strip(" .,;:!?*()").replace("-", " ").replace("  ", " ")
    for form in (words, bare, re.sub(r"\s*\(.*\)$", "", words)):
        for choice in choices:
            if form == choice.id.lower() or form in choice.spellings:
                return choice.id
    own = {
        "tide_stage": (" tide", " water"),
        "life_stage": (" eel", " eels", " stage"),
        "net_status": (" ok", " net"),
    }.get(field_id, ())
    for ending in own:
        if bare.endswith(ending):
            trimmed = bare.removesuffix(ending)
            for choice in choices:
                if trimmed == choice.id.lower() or trimmed in choice.spellings:
                    return choice.id
    if len(bare) >= 5:
        from rapidfuzz.distance import OSA

        near = {
            choice.id
            for choice in choices
            for spelling in (choice.id.lower(), *choice.spellings)
            if len(spelling) >= 5 and OSA.distance(bare, spelling, score_cutoff=1) <= 1
        }
        if len(near) == 1:
            return near.pop()
    return None


def texts_of(cells: Iterable[Cell]) -> list[str]:
    """The non-blank texts among ``cells``."""
    return [cell for cell in cells if type(cell) is str]
