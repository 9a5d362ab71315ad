"""What a heading can mean: its field, unit, taxon and life stage, by its words alone.

Whether the cells below agree is judged elsewhere (:mod:`flows.intake.evidence`). A
heading has several readings, each with a score between 0 and 1; words that mark a
computed column ("running total", "CPUE") take the score away.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, lru_cache

from flows.intake.cells import folded
from shared.fields import FIELDS, Field, Level
from shared.taxa import ALL_STAGES, STAGES, TAXA, UNSTAGED
from shared.units import UNITS, unit_named


@dataclass(frozen=True, slots=True)
class Reading:
    """One thing a heading may mean."""

    field: str
    score: float
    unit: str | None = None
    unit_from: str = ""
    taxon: str | None = None
    life_stage: str | None = None
    several_stages: bool = False
    """The heading names several stages at once, or a total of some kind."""


_CAMEL = re.compile(r"(?<=[a-z]{2})(?=[A-Z](?:[a-z]|$|_))")
_BRACKETS = re.compile(r"[\(\[\{]([^\(\)\[\]\{\}]*)[\)\]\}]")
_WORD = re.compile(r"[^\W_]+|[%#\u2030+]")
_SPINES = re.compile(r"\b(?:(three|four|nine)|([349]))[- ]?(?:sp|spines?|spined)\b")
_DAY_HOURS = re.compile(r"\b24[ -]?h(?:(?:ou)?rs?)?\b")
_SPINE_DIGITS = {"three": "3", "four": "4", "nine": "9"}

# Abbreviations and plurals, folded so that two ways of writing one heading agree.
_FOLD: dict[str, str] = {
    "temp": "temperature",
    "temps": "temperature",
    "temperatures": "temperature",
    "tmp": "temperature",
    "sal": "salinity",
    "cond": "conductivity",
    "conduct": "conductivity",
    "conductance": "conductivity",
    "spec": "specific",
    "sp": "specific",
    "precip": "precipitation",
    "no": "number",
    "num": "number",
    "nr": "number",
    "nbr": "number",
    "nos": "number",
    "#": "number",
    "qty": "number",
    "counts": "count",
    "ct": "count",
    "cnt": "count",
    "hrs": "hours",
    "hr": "hours",
    "hour": "hours",
    "h2o": "water",
    "wtr": "water",
    "turb": "turbidity",
    "dir": "direction",
    "mort": "dead",
    "morts": "dead",
    "mortality": "dead",
    "mortalities": "dead",
    "deaths": "dead",
    "died": "dead",
    "vols": "volunteers",
    "avg": "mean",
    "average": "mean",
    "len": "length",
    "lengths": "length",
    "wgt": "weight",
    "weights": "weight",
    "sat": "saturation",
    "percent": "%",
    "pct": "%",
    "obs": "observer",
    "subsampled": "subsample",
    "recorders": "recorder",
    "o2": "oxygen",
    "diss": "dissolved",
    "lat": "latitude",
    "lon": "longitude",
    "lng": "longitude",
    "long": "longitude",
    "sec": "secchi",
    "dates": "date",
    "times": "time",
    "cloudcover": "cloud",
    "clouds": "cloud",
    "ident": "id",
    "comments": "remarks",
    "comment": "remarks",
    "notes": "remarks",
    "note": "remarks",
    "remark": "remarks",
    "alive": "released",
    "live": "released",
    "retained": "kept",
    "tidal": "tide",
    "seined": "seine",
    "species": "species",
    "spp": "species",
    "lvl": "level",
    "lev": "level",
    "ht": "height",
}
_NEUTRAL = frozenset(
    {
        "the",
        "of",
        "at",
        "a",
        "an",
        "and",
        "per",
        "local",
        "field",
        "reading",
        "readings",
        "measured",
        "recorded",
        "observed",
        "approx",
        "our",
        "value",
        "last",
        "past",
        "24h",
        "on",
        "for",
        "from",
        "actual",
        "hand",
        "meter",
        "ysi",
        "probe",
        "handheld",
        "hhmm",
        "hh",
        "mm",
        "initial",
        "please",
        "estimated",
        "this",
        "is",
        "was",
        "in",
        "by",
        "today",
        "to",
        "creek",
        "brook",
        "stream",
        "river",
        "surface",
        "site",
        "total",
        "code",
        "current",
        "24",
        "hr",
        "clock",
        "military",
        "est",
        "edt",
        "adt",
        "ast",
        "utc",
        # The words of a question on a form: "How many elvers did you count?"
        "what",
        "did",
        "you",
        "how",
        "many",
        "any",
        "were",
        "there",
        "which",
        "your",
        "enter",
    }
)
"""Words that leave the meaning of the words beside them as it is."""
_NEVER_DROPPED = frozenset({"total", "in", "site", "by", "on", "code", "initial", "a"})
"""Neutral beside a longer heading, but meanings of their own when little else is there."""

COMPUTED: dict[str, str] = {
    "running": "a running total",
    "cumulative": "a running total",
    "cumul": "a running total",
    "cum": "a running total",
    "ytd": "a running total",
    "season": "a figure for the season",
    "seasonal": "a figure for the season",
    "cpue": "catch per effort, which is worked out anew",
    "weekly": "a figure for the week",
    "week": "a figure for the week",
    "wk": "a figure for the week",
    "monthly": "a figure for the month",
    "month": "a part of the date",
    "year": "a part of the date",
    "julian": "a day number",
    "doy": "a day number",
    "weekday": "a day of the week",
    "dow": "a day of the week",
    "max": "an extreme",
    "maximum": "an extreme",
    "min": "an extreme",
    "minimum": "an extreme",
    "mean": "a mean",
    "median": "a mean",
    "diff": "a difference",
    "difference": "a difference",
    "change": "a difference",
    "previous": "another day's value",
    "yesterday": "another day's value",
    "goal": "a goal",
    "target": "a goal",
    "expected": "a forecast",
    "forecast": "a forecast",
    "predicted": "a forecast",
    "index": "an index",
    "rank": "a rank",
    "std": "a spread",
    "stdev": "a spread",
    "ratio": "a ratio",
    "rate": "a rate",
    "timestamp": "when a form was sent in",
    "subtotal": "a subtotal",
    "grand": "a grand total",
    "sum": "a sum",
    "adjusted": "an adjusted figure",
    "corrected": "an adjusted figure",
    "log": "a transformed figure",
    "sunrise": "an almanac figure",
    "sunset": "an almanac figure",
    "moon": "an almanac figure",
    "predict": "a forecast",
    "bottom": "a second reading",
    "noaa": "another party's figure",
    "usgs": "another party's figure",
    "model": "a forecast",
}
_PHRASES: tuple[tuple[str, str], ...] = (
    ("to date", "a running total"),
    ("per hour", "catch per effort, which is worked out anew"),
    ("per hr", "catch per effort, which is worked out anew"),
    ("/hr", "a rate"),
    ("/h", "a rate"),
    ("per net", "catch per effort, which is worked out anew"),
    ("per haul", "a rate"),
    ("per night", "a rate"),
    ("so far", "a running total"),
    ("day no", "a day number"),
    ("day #", "a day number"),
    ("day number", "a day number"),
    ("day of week", "a day of the week"),
    ("day of year", "a day number"),
    ("day of season", "a day number"),
    ("prev yr", "another year's value"),
    ("last year", "another year's value"),
    ("all season", "a figure for the season"),
    ("entered by", "who typed the sheet, not who counted"),
    ("entry date", "when the sheet was typed"),
    ("date entered", "when the sheet was typed"),
    ("checked in", "when the sheet was typed"),
    ("high tide", "a tide table's figure"),
    ("low tide", "a tide table's figure"),
    ("high water", "a tide table's figure"),
    ("low water", "a tide table's figure"),
    ("tide height", "a tide table's figure"),
    ("next check", "a plan, not a record"),
    ("next set", "a plan, not a record"),
)


def computed_word(text: str) -> str:
    """What a heading's words say it was computed as; empty when they do not."""
    words = folded(text)
    for phrase, meaning in _PHRASES:
        if phrase in words:
            return meaning
    bare = _BRACKETS.sub(" ", words)
    for word in _WORD.findall(bare):
        if COMPUTED.get(word):
            return COMPUTED[word]
    return ""


def tokens_of(text: str) -> tuple[str, ...]:
    """The words of a heading, folded: abbreviations written out, plurals and marks gone."""
    if " " not in text and len(text) > 4:
        text = _CAMEL.sub(" ", text)
    words = folded(
        text.replace("_", " ").replace("\u00b5", "u").replace("d.o.", "do").replace("D.O.", "do")
    )
    words = _SPINES.sub(lambda m: (_SPINE_DIGITS.get(m[1] or "", m[2] or "")) + "sp", words)
    words = _DAY_HOURS.sub("24h", words)
    return tuple(_FOLD.get(word, word) for word in _WORD.findall(words))


@cache
def _any_unit(text: str) -> bool:
    return unit_named(text, tuple(UNITS)) is not None


_LEAD_IN = re.compile(r"^(?:in|as|units?:?)\s+")


def unit_like(text: str) -> str | None:
    """``text`` as a unit's spelling, or None: ``in °F`` and ``F`` both give ``f``."""
    words = _LEAD_IN.sub("", folded(text).strip(" .:,"))
    if words and _any_unit(words):
        return words
    return None


@lru_cache(maxsize=8192)
def dissect(text: str) -> tuple[tuple[tuple[str, ...], str | None, bool, bool], ...]:
    """Ways to cut a heading: (tokens, unit text, whether it was set off, whether whole).

    Not whole: a note in brackets was left out, as in "Temp (air)" read as "Temp".

    A unit in brackets or after a comma is set off; a trailing word that could be a unit
    ("Salinity ppt", "Time in") gives two ways.
    """
    units: list[str] = []
    inner: list[str] = []

    def bracket(match: re.Match[str]) -> str:
        piece = match.group(1)
        whole = unit_like(piece)
        if whole is not None:
            units.append(whole)
            return " "
        for part in re.split(r"[,;]", piece):
            unit = unit_like(part)
            if unit is not None:
                units.append(unit)
            elif part.strip():
                inner.append(part)
        return " "

    bare = " ".join(_BRACKETS.sub(bracket, text).split())
    found: list[tuple[tuple[str, ...], str | None, bool, bool]] = []
    notes = " ".join(inner)

    def add(words: str, unit: str | None, set_off: bool) -> None:
        for tokens, whole in (
            (tokens_of(words), not notes),
            *([(tokens_of(f"{words} {notes}"), True)] if notes else []),
        ):
            way = (tokens, unit, set_off, whole)
            if way not in found and (tokens or unit):
                found.append(way)

    unit = units[-1] if units else None
    add(bare, unit, bool(units))
    if unit is None:
        for mark in (",", ";", ":", " - ", " \u2013 ", "/", "_"):
            head, found_mark, tail = bare.rpartition(mark)
            if found_mark and head.strip():
                tail_unit = unit_like(tail)
                if tail_unit is not None:
                    add(head, tail_unit, True)
        chunks = _CAMEL.sub(" ", bare.replace("_", " ")).split()
        for size in (3, 2, 1):
            if len(chunks) > size:
                tail_unit = unit_like(" ".join(chunks[-size:]))
                if tail_unit is not None:
                    add(" ".join(chunks[:-size]), tail_unit, False)
    whole = unit_like(text)
    if whole is not None:
        found.append(((), whole, True, True))
    return tuple(found)


# -- the dictionary's headings ------------------------------------------------------------


@cache
def _headings() -> tuple[dict[tuple[str, ...], list[str]], dict[tuple[str, ...], list[str]]]:
    exact: dict[tuple[str, ...], list[str]] = defaultdict(list)
    sorted_: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for entry in FIELDS.values():
        for heading in (*entry.headings, entry.title.lower(), entry.id.replace("_", " ")):
            words = tokens_of(heading)
            for table, key in ((exact, words), (sorted_, tuple(sorted(words)))):
                if words and entry.id not in table[key]:
                    table[key].append(entry.id)
    return dict(exact), dict(sorted_)


@lru_cache(maxsize=8192)
def _named_fields(tokens: tuple[str, ...]) -> tuple[tuple[str, float], ...]:
    """Fields that the words name, with the score of the match; the best of each."""
    if not tokens:
        return ()
    exact, by_words = _headings()
    best: dict[str, float] = {}

    def note(fields: list[str], score: float) -> None:
        for field_id in fields:
            best[field_id] = max(best.get(field_id, 0.0), score)

    note(exact.get(tokens, []), 1.0)
    note(by_words.get(tuple(sorted(tokens)), []), 0.97)
    joined = set(tokens)
    if joined & {"conductivity", "ec"} and joined & {"25", "25c", "specific"}:
        note(["specific_conductance"], 0.97)
        best.pop("conductivity", None)
    kept = tuple(sorted(t for t in tokens if t not in _NEUTRAL))
    if kept and len(kept) < len(tokens):
        dropped = joined & _NEVER_DROPPED
        # "Time in" is the set time; that "time" alone is the check time must not count.
        note(by_words.get(kept, []), (0.4 if best else 0.8) if dropped else 0.92)
    if not best or max(best.values()) < 0.9:
        _note_near(tokens, exact, note)
        for words, fields in by_words.items():
            shared = set(words) & joined
            if len(shared) == len(words) and len(words) < len(tokens):
                rest = [t for t in tokens if t not in words and t not in _NEUTRAL]
                share = sum(map(len, words)) / (sum(map(len, words)) + sum(map(len, rest)))
                note(fields, 0.7 * share)
    return tuple(sorted(best.items(), key=lambda item: -item[1]))


def _note_near(
    tokens: tuple[str, ...],
    exact: dict[tuple[str, ...], list[str]],
    note: Callable[[list[str], float], None],
) -> None:
    """Headings that differ from ``tokens`` by a slip of the keyboard within a longer word."""
    from rapidfuzz.distance import OSA

    for words, fields in exact.items():
        if len(words) != len(tokens):
            continue
        slips = 0
        for mine, theirs in zip(tokens, words, strict=True):
            if mine == theirs:
                continue
            room = 0 if min(len(mine), len(theirs)) < 5 else 1 if len(theirs) < 9 else 2
            if mine[0] != theirs[0]:
                room = min(room, 1)  # two slips, one of them in the first letter: another word
            distance = OSA.distance(mine, theirs, score_cutoff=room)
            if room == 0 or distance > room:
                slips = -1
                break
            slips += distance
        if slips > 0:
            note(fields, 0.9 - 0.03 * slips)


def nearest_fields(text: str) -> tuple[tuple[str, float], ...]:
    """Fields whose headings look most like ``text``, as guesses for a person to pick from.

    Scores stay under any line at which a column is taken: likeness alone never decides.
    """
    from rapidfuzz import fuzz, process

    exact, _ = _headings()
    mine = " ".join(tokens_of(text))
    names = {" ".join(words): fields for words, fields in exact.items() if len(words[0]) > 3}
    best: dict[str, float] = {}
    for name, ratio, _ in process.extract(
        mine, names.keys(), scorer=fuzz.ratio, limit=8, score_cutoff=60
    ):
        for field_id in names[name]:
            best[field_id] = max(best.get(field_id, 0.0), 0.6 * ratio / 100)
    return tuple(sorted(best.items(), key=lambda item: -item[1]))


def unit_in(
    parts: tuple[str, ...], units: str, accepted: tuple[str, ...]
) -> tuple[str | None, str]:
    """The unit that a heading or its units row names for a field already known, and where."""
    if units and (found := unit_named(folded(units), accepted)) is not None:
        return found.id, "units row"
    for part in reversed(parts):
        for _, text, _, _ in dissect(part):
            if text is not None and (found := unit_named(text, accepted)) is not None:
                return found.id, "heading"
    return None, ""


# -- taxa and stages ----------------------------------------------------------------------

_PLURAL = re.compile(r"(?<=[a-z]{2})(?<!s)s$")


def _singular(token: str) -> str:
    return _PLURAL.sub("", token)


@cache
def _taxon_names() -> dict[tuple[str, ...], tuple[str, str | None]]:
    names: dict[tuple[str, ...], tuple[str, str | None]] = {}
    for taxon in TAXA.values():
        for spelling in (*taxon.spellings, taxon.vernacular, taxon.scientific_name, taxon.id):
            names.setdefault(_name_key(spelling), (taxon.id, None))
    for taxon in TAXA.values():
        for spelling, stage in taxon.staged_names:
            names[_name_key(spelling)] = (taxon.id, stage)
    names[("3sp",)] = names[_name_key("3-spine stickleback")]
    names[("4sp",)] = names[_name_key("4-spine stickleback")]
    names[("9sp",)] = names[_name_key("9-spine stickleback")]
    return names


def _name_key(text: str) -> tuple[str, ...]:
    return tuple(_singular(token) for token in tokens_of(text))


@cache
def _stage_names() -> dict[tuple[str, ...], str]:
    return {
        _name_key(spelling): stage.id
        for stage in STAGES.values()
        if stage.id not in (ALL_STAGES, UNSTAGED)
        for spelling in (stage.id, *stage.spellings)
    }


@cache
def _longest_first() -> list[tuple[tuple[str, ...], tuple[str, str | None]]]:
    return sorted(_taxon_names().items(), key=lambda item: -len(item[0]))


@cache
def _stages_longest_first() -> list[tuple[tuple[str, ...], str]]:
    return sorted(_stage_names().items(), key=lambda item: -len(item[0]))


@dataclass(frozen=True, slots=True)
class Named:
    """Taxa and stages that words name, and the words left over."""

    taxon: str | None
    stages: tuple[str, ...]
    rest: tuple[str, ...]


def _cut(tokens: tuple[str, ...], key: tuple[str, ...]) -> tuple[str, ...] | None:
    """``tokens`` without the run ``key``, or None where it does not occur."""
    size = len(key)
    for start in range(len(tokens) - size + 1):
        if tuple(_singular(t) for t in tokens[start : start + size]) == key:
            return (*tokens[:start], *tokens[start + size :])
    return None


@lru_cache(maxsize=8192)
def named_animals(tokens: tuple[str, ...]) -> Named:
    """The taxon and stages named by ``tokens``: the longest names first."""
    taxon: str | None = None
    stages: list[str] = []
    rest = tokens
    have = {_singular(token) for token in tokens}
    for key, (taxon_id, stage) in _longest_first():
        if (taxon is not None and taxon_id != taxon) or not have.issuperset(key):
            continue
        left = _cut(rest, key)
        if left is not None:
            if (
                len(key) == 1
                and key[0] in ("fish", "bycatch")
                and len(tokens) > 1
                and taxon is None
            ):
                continue  # too wide a word to decide a longer heading
            rest, taxon = left, taxon_id
            if stage is not None and stage not in stages:
                stages.append(stage)
    for words, stage_id in _stages_longest_first():
        left = _cut(rest, words) if have.issuperset(words) else None
        if left is not None:
            rest = left
            if stage_id not in stages:
                stages.append(stage_id)
    return Named(taxon, tuple(stages), rest)


@lru_cache(maxsize=16384)
def taxon_of_cell(text: str) -> tuple[str, str | None] | None:
    """Taxon id (and stage, where the name says one) that a cell names; None if unknown."""
    tokens = tokens_of(_BRACKETS.sub(" ", text)) or tokens_of(text)
    key = tuple(_singular(token) for token in tokens)
    found = _taxon_names().get(key)
    if found is not None:
        return found
    named = named_animals(tokens)
    left = [t for t in named.rest if t not in ("specific", "species", "and", "the")]
    if named.taxon is not None and not left and len(named.stages) <= 1:
        return named.taxon, named.stages[0] if named.stages else None
    if len(text) >= 6:
        from rapidfuzz.distance import OSA

        joined = " ".join(key)
        near = {
            value
            for words, value in _taxon_names().items()
            if len(name := " ".join(words)) >= 6
            and OSA.distance(joined, name, score_cutoff=2) <= (1 if len(name) < 9 else 2)
        }
        if len(near) == 1:
            return near.pop()
    return None


@cache
def _vocabulary() -> tuple[frozenset[str], frozenset[str]]:
    """Every word of the dictionary's headings, animals, stages and units; their beginnings."""
    words = {word for heading in _headings()[0] for word in heading}
    words |= {word for name in (*_taxon_names(), *_stage_names()) for word in name}
    words |= {
        word for unit in UNITS.values() for text in unit.spellings for word in tokens_of(text)
    }
    words |= {"%", "weather", "25", "25c", "ec"}
    return frozenset(words), frozenset(word[:3] for word in words if len(word) >= 4)


@lru_cache(maxsize=65536)
def _known_word(token: str) -> bool:
    words, beginnings = _vocabulary()
    if token in words or _singular(token) in words:
        return True
    if len(token) < 4 or token.isdigit():
        return False
    if token[:3] in beginnings:
        return True
    if len(token) < 5:
        return False
    from rapidfuzz.distance import OSA
    from rapidfuzz.process import extractOne

    slips = 1 if len(token) < 8 else 2
    return extractOne(token, words, scorer=OSA.distance, score_cutoff=slips) is not None


@lru_cache(maxsize=32768)
def familiar(text: str) -> bool:
    """Whether any word of ``text`` is, or nearly is, one that headings are made of.

    A cheap look before the thorough one: tables of other things hold thousands of texts.
    """
    return any(map(_known_word, tokens_of(text))) or unit_like(text) is not None


_COUNT_WORDS = frozenset(
    {
        "count",
        "number",
        "total",
        "caught",
        "catch",
        "captured",
        "counted",
        "tally",
        "n",
        "all",
        "daily",
        "ind",
        "indiv",
        "individual",
        "individuals",
        "fish",
        "abundance",
        "seen",
        "taken",
        "net",
        "combined",
        "mixed",
        "both",
        "from",
        "of",
        "the",
        "in",
        "and",
        "+",
        "or",
        "yoy",
        "for",
        "per",
        "day",
        "check",
        "today",
        "new",
        "expanded",
        "estimate",
        "estimated",
        "other",
        "each",
        "specific",
        "species",
        "mm",
        "bycatch",
        "eel",
        "eels",
        "how",
        "many",
        "did",
        "you",
        "were",
        "there",
        "what",
        "was",
        "is",
    }
)
_TOTAL_WORDS = frozenset({"total", "all", "combined", "both", "mixed"})


def _animal_readings(tokens: tuple[str, ...], unit: str | None) -> list[Reading]:
    named = named_animals(tokens)
    if named.taxon is None and (slip := _slip(tokens, unit)):
        return slip
    if named.taxon is None and not named.stages:
        return []
    rest = tuple(t for t in named.rest if not t.isdigit())
    stage: str | None = named.stages[0] if len(named.stages) == 1 else None
    total = bool(_TOTAL_WORDS & set(rest)) or len(named.stages) > 1
    score = 0.97 if named.taxon else 0.88
    readings: list[Reading] = []
    if all(t in _COUNT_WORDS for t in rest):
        if stage is None and named.taxon is not None and total:
            stage = ALL_STAGES
        plain = all(t in ("count", "number", "total", "caught", "all") for t in rest)
        readings.append(
            Reading(
                "count",
                score if plain else score - 0.05,
                unit,
                "",
                named.taxon,
                stage,
                total and stage in (None, ALL_STAGES),
            )
        )
        if not rest and named.taxon == "teleostei":
            readings.append(Reading("taxon", 0.9))
    for field_id, base in _named_fields(rest):
        entry = FIELDS[field_id]
        if entry.level is Level.CATCH and field_id not in ("taxon", "life_stage", "count"):
            readings.append(Reading(field_id, min(base, score), unit, "", named.taxon, stage))
    return readings or _slip(tokens, unit)


def _slip(tokens: tuple[str, ...], unit: str | None) -> list[Reading]:
    """A count of the animal whose name the heading misspells."""
    name = " ".join(t for t in tokens if t not in ("number", "count", "total"))
    found = taxon_of_cell(name) if len(name) >= 6 else None
    return [Reading("count", 0.85, unit, "", *found)] if found is not None else []


def _with_unit(
    entry: Field, score: float, unit_text: str | None, set_off: bool
) -> tuple[float, str | None]:
    """Score and unit id once the unit that stands in the heading is held against the field."""
    if unit_text is None:
        return score, None
    unit = unit_named(unit_text, entry.accepted) if entry.accepted else None
    if unit is not None:
        return min(1.0, score + 0.02), unit.id
    if not set_off:
        return score * 0.3, None
    return score * (0.4 if entry.accepted else 0.8), None


@lru_cache(maxsize=32768)
def readings_of(parts: tuple[str, ...], units: str = "") -> tuple[Reading, ...]:
    """What a heading may mean, best first.

    ``parts`` are the texts above the column from top to bottom, the column's own name
    last; ``units`` is the text of the units row, where there is one.
    """
    if not any(map(familiar, parts)):
        return ()
    own = parts[-1]
    groups = [part for part in parts[:-1] if part and folded(part) != folded(own)]
    animal = named_animals(tokens_of(own)).taxon is not None
    if animal:
        # "Bycatch" over "Stickleback": the column's own name is the narrower one.
        groups = [g for g in groups if named_animals(tokens_of(g)).taxon is None]
    variants: list[tuple[str, bool]] = [(own, not groups)]
    for group in groups[::-1]:
        variants += [(f"{group} {own}", True), (f"{own} {group}", True)]
        if unit_like(own) is not None:
            variants.append((f"{group} ({own})", True))
        if "weather" in folded(group):
            variants.append((f"air {own}", True))
    if len(groups) > 1:
        variants.append((" ".join((*groups, own)), True))
    found: list[tuple[Reading, bool]] = []
    ways = [(text, complete, False) for text, complete in variants]
    if units:
        # "Fished" over "hrs": the units row may hold half of the name.
        ways += [(f"{text} {units}", complete, True) for text, complete in variants]
    for text, complete, from_row in ways:
        for tokens, unit_text, set_off, unabridged in dissect(text):
            whole = complete and unabridged
            if unit_text is None and units and not from_row:
                unit_text, set_off = unit_like(units), True
                from_units = True
            else:
                from_units = from_row
            source = "units row" if from_units else "heading"
            for reading in _animal_readings(tokens, None):
                score, unit = _with_unit(FIELDS[reading.field], reading.score, unit_text, set_off)
                found.append(
                    (
                        replace(reading, score=score, unit=unit, unit_from=source if unit else ""),
                        whole,
                    )
                )
            for field_id, base in _named_fields(tokens):
                score, unit = _with_unit(FIELDS[field_id], base, unit_text, set_off)
                found.append((Reading(field_id, score, unit, source if unit else ""), whole))
            if unit_text is not None and tokens and unit_named(unit_text, ("degC", "degF")):
                # "Water (deg F)" speaks of the water's temperature.
                for field_id, base in _named_fields((*tokens, "temperature")):
                    score, unit = _with_unit(FIELDS[field_id], base, unit_text, True)
                    found.append((Reading(field_id, score * 0.98, unit, source), whole))
            if unit_text is not None and unit_text.startswith("%"):
                # "DO" with "%" names another field than "DO" does.
                for field_id, base in _named_fields((*tokens, "%")):
                    if FIELDS[field_id].unit == "%":
                        found.append((Reading(field_id, base, "%", source), whole))
    return _best_of(found)


def _best_of(found: list[tuple[Reading, bool]]) -> tuple[Reading, ...]:
    """The best of each meaning; what ignores a part of the heading yields to what does not."""
    complete = max((r for r, whole in found if whole), key=_rank, default=None)
    best: dict[tuple[str, str | None, str | None], Reading] = {}
    for reading, whole in found:
        if complete is not None and complete.score >= 0.85 and not whole:
            same = (reading.field, reading.taxon, reading.life_stage) == (
                complete.field,
                complete.taxon,
                complete.life_stage,
            )
            if not same:
                reading = replace(reading, score=reading.score * 0.5)
        key = (reading.field, reading.taxon, reading.life_stage)
        known = best.get(key)
        if (
            known is None
            or _rank(reading) > _rank(known)
            or (reading.score > known.score - 0.03 and reading.unit and not known.unit)
        ):
            best[key] = reading
    specific = best.get(("specific_conductance", None, None))
    plain = best.get(("conductivity", None, None))
    if specific is not None and plain is not None and specific.score >= 0.9:
        best["conductivity", None, None] = replace(plain, score=plain.score * 0.5)
    return tuple(sorted(best.values(), key=_rank, reverse=True))


def _rank(reading: Reading) -> tuple[float, int]:
    return reading.score, (reading.taxon is not None) + (reading.life_stage is not None)


_ORDERS = (
    (re.compile(r"\b(?:d{1,2})[-/. ]?m{1,3}\b|\bday[/ ]month\b"), "dmy"),
    (re.compile(r"\b(?:m{1,2})[-/. ]?d{1,2}\b|\bmonth[/ ]day\b"), "mdy"),
    (re.compile(r"\by{2,4}[-/. ]?m{1,2}[-/. ]?d{1,2}\b"), "ymd"),
)


def order_in(text: str) -> str | None:
    """Order of day, month and year that a heading or units row spells out (dd/mm/yyyy)."""
    words = folded(text)
    for pattern, order in reversed(_ORDERS):
        if pattern.search(words):
            return order
    return None
