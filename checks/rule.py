"""Rules as values.

A :class:`Rule` is one judgement of the trade: what it looks for, why, and what it
says. It expands into :class:`Probe` values, one for each field or protocol it
looks at. A probe's condition is SQL over a relation (see :class:`Over`); only rows
that meet it are ever seen by Python, where the rule words the message and may
offer a suggestion.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from dataclasses import field as attribute
from enum import StrEnum
from itertools import pairwise

from shared.fields import FIELDS, Level, Range
from shared.flags import EFFECT_FLAG, Effect, Flag
from shared.settings import Network
from shared.units import UNITS, convert


class Over(StrEnum):
    """What a probe's condition runs over, and the aliases its SQL may use.

    Each relation is scanned once for all probes over it.
    """

    EVENTS = "events"
    """``e``: the event's own columns."""
    CATCHES = "catches"
    """``c``: the catch's own columns."""
    KINDS = "kinds"
    """``c``: a catch that the ``guard`` of one of these probes lets through; ``e``: its event."""
    TALLIES = "tallies"
    """``e``: event; ``t``: sums over its catches of one taxon."""
    SHEETS = "sheets"
    """``e``: event; ``g``: the season of its sheet and of the rows above and below."""
    GONE = "gone"
    """``e``: an event that only earlier sheets have; ``v``: rows that are like it."""
    SERIES = "series"
    """``e``: event; ``s``: its twins, and its predecessor at the same gear unit."""
    BLANKS = "blanks"
    """``e``: event; ``c``: a target's catch with no count; ``b``: how its column is kept."""
    WATER = "water"
    """``e``: event; ``w``: what follows by the water's laws from its readings."""
    NEIGHBOURS = "neighbours"
    """``e``: event; ``n``: medians of the other sites on the same day."""
    ODDITIES = "oddities"
    """``o``: a cell that is not simply a value; ``e``: its event."""
    READINGS = "readings"
    """``e``: event; ``x``: one of its readings between those before and after."""
    COURSES = "courses"
    """``e``: event; ``c``: catch; ``x``: it between the catches before and after."""
    COPIES = "copies"
    """``e``: event; ``k``: another event that says just the same."""
    APART = "apart"
    """``e``: event; ``a``: one of its readings beside the other sites', and lately."""
    CHANGES = "changes"
    """``e``: event; ``h``: what an earlier sheet said of it."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """A number of a rule that a network may set in ``[thresholds.<rule>]``."""

    default: float
    unit: str
    about: str


@dataclass(frozen=True, slots=True)
class Case:
    """One row that met a probe, as the rule's words see it.

    ``value`` is the canonical value (None when missing), ``raw`` the cell's text,
    ``unit`` the unit its column is read in, ``facts`` what the probe's SQL brought.
    """

    field: str
    value: float | None
    raw: str
    unit: str | None
    facts: Mapping[str, str | float | None]

    def fact(self, name: str) -> float | None:
        """A fact as a number."""
        value = self.facts.get(name)
        return None if value is None else float(value)

    @property
    def written(self) -> float | None:
        """The value in the unit of its column: the number as the lead wrote it."""
        if self.value is None:
            return None
        canonical = FIELDS[self.field].unit
        if self.unit is None or canonical is None or self.unit == canonical:
            return self.value
        return convert(self.value, canonical, self.unit)


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A credible value: ``canonical`` in the field's unit, ``shown`` in the sheet's own."""

    canonical: str
    shown: str
    message: str | None = None
    """What is odd, told by this suggestion's own story; None: the rule's message fits it."""


@dataclass(frozen=True, slots=True)
class Outside:
    """A guard: ``column`` (with its alias) is less than ``low`` or more than ``high``.

    Bounds are numbers or SQL of constants; None is no bound. NULL is never outside.
    """

    column: str
    low: float | str | None
    high: float | str | None


@dataclass(frozen=True, slots=True)
class Probe:
    """One rule looking at one field: a condition, and what to bring along for the words.

    ``facts``: name -> SQL expression over the same aliases, computed for hits only.
    ``keep``: a last look with the column's unit in hand; False drops the hit.
    """

    over: Over
    field: str
    effect: Effect
    when: str
    facts: Mapping[str, str] = attribute(default_factory=dict)
    flag: Flag | None = None
    keep: Callable[[Case], bool] | None = None
    message: str | None = None
    """Overrides the rule's message for this probe."""
    rows: str | None = None
    """Over.TALLIES, WATER: a query of the ``row_id`` that ``when`` can hit at all; catches of
    other rows are then not summed, nor their water reckoned. None: any row may be hit."""
    guard: Outside | str | None = None
    """Over.EVENTS, CATCHES, KINDS, NEIGHBOURS: a cheap condition on the row's own columns that
    holds wherever ``when`` does. Probes whose guards read the same columns share one scan, and
    their ``when`` sees only what it lets through. In it ``{least n.x}`` and ``{most y.x}`` stand
    for the extremes of a column of those aliases. None: ``when`` scans for itself."""

    @property
    def stands_for(self) -> Flag:
        """The flag the value gets."""
        return self.flag if self.flag is not None else EFFECT_FLAG[self.effect]


Limits = Mapping[str, float]
Expand = Callable[[Limits, Network], Iterable[Probe]]


@dataclass(frozen=True, slots=True)
class Rule:
    """One entry of the catalogue.

    ``message`` is a template over ``{field} {raw} {written} {unit} {value}``, the
    rule's thresholds and its probe's facts. ``yields_to`` names rules whose finding on
    the same field of the same row makes this one a mere consequence.
    """

    id: str
    title: str
    about: str
    source: str
    effect: Effect
    message: str
    remedy: str
    probes: Expand
    thresholds: Mapping[str, Threshold] = attribute(default_factory=dict)
    suggest: Callable[[Case], Suggestion | None] | None = None
    yields_to: tuple[str, ...] = ()
    of_row: bool = False
    """Whether it is about the whole row: what yields to it then does so in any field."""
    groups: bool = True
    """Whether several of its findings in one column may be one cause with one answer."""
    reads: tuple[str, ...] = ()
    """Other fields that its disagreement is reckoned from: where a rule it yields to has found
    one of these wrong, there is nothing left to say."""
    pairs: bool = False
    """Whether its findings in one row doubt values that disagree: one question, one answer."""
    example: Mapping[str, object] = attribute(default_factory=dict)
    """Values that fill the message's template, for the catalogue page."""
    version: int = 1

    def limits(self, network: Network) -> dict[str, float]:
        """Thresholds in force for ``network``."""
        own = network.thresholds.get(self.id, {})
        return {name: own.get(name, spec.default) for name, spec in self.thresholds.items()}


def outside(column: str, span: Range, low: bool = True) -> str:
    """SQL: the value of ``column`` lies outside ``span``; NULL never does."""
    parts = []
    if low and span.low is not None:
        parts.append(f"{column} < {span.low!r}")
    if span.high is not None:
        parts.append(f"{column} > {span.high!r}")
    return " OR ".join(parts)


def unusual(field_id: str) -> Outside | None:
    """A guard for what is odd about a number itself: outside the narrower of its ranges."""
    entry = FIELDS[field_id]
    span = entry.plausible or entry.possible
    alias = "e" if entry.level is Level.EVENT else "c"
    return None if span is None else Outside(f"{alias}.{field_id}", span.low, span.high)


def shown(value: float, field_id: str, unit: str | None) -> str:
    """A number as a person writes it in ``unit``, with the field's decimals and the unit."""
    entry = FIELDS[field_id]
    decimals = entry.decimals if entry.decimals is not None else 1
    if unit is not None and entry.unit is not None and unit != entry.unit:
        ratio = abs(convert(1.0, entry.unit, unit) - convert(0.0, entry.unit, unit))
        # A unit a thousand times larger needs its decimals back.
        while ratio < 0.5 and decimals < 4:
            ratio, decimals = ratio * 10, decimals + 1
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".") or "0"
    if text == "-0":
        text = "0"
    label = "" if unit is None or UNITS[unit].quantity in ("number", "angle") else f" {unit}"
    return text + label


def suggest_number(case: Case, canonical: float) -> Suggestion:
    """A suggestion of ``canonical``, shown in the unit of the case's column."""
    home = FIELDS[case.field].unit
    unit = case.unit or home
    value = canonical if home is None or unit is None else convert(canonical, home, unit)
    decimals = FIELDS[case.field].decimals
    kept = round(canonical, (decimals if decimals is not None else 1) + 2)
    return Suggestion(
        canonical=f"{kept:g}" if abs(kept) < 1e6 else f"{kept:.0f}",
        shown=shown(value, case.field, unit),
    )


def slip_of_the_pen(case: Case, low: float, high: float) -> Suggestion | None:
    """The number as written with two digits swapped or its point moved, where that mends it.

    ``low`` and ``high`` (canonical) are where the value would fit everything else; None where
    no slip, or more than one, brings it there.
    """
    fitting = [value for value in slips_of(case) if low <= value <= high]
    return suggest_number(case, fitting[0]) if len(fitting) == 1 else None


def slips_of(case: Case) -> set[float]:
    """What the number may have been before one slip of the pen, in the field's unit.

    Its point lost or moved, two digits swapped, or one key pressed twice.
    """
    home, written = FIELDS[case.field].unit, case.written
    if home is None or written is None:
        return set()
    moved = {round(convert(written * by, case.unit or home, home), 9)
             for by in (0.01, 0.1, 10.0, 100.0)}
    return moved | slips_of_digits(case)


def slips_of_digits(case: Case) -> set[float]:
    """As :func:`slips_of`, the point where it is."""
    home, written = FIELDS[case.field].unit, case.written
    if home is None or written is None:
        return set()
    text = case.raw.strip().replace(",", ".")
    if not text.replace(".", "", 1).isdigit():
        text = f"{written:g}"
    slips = undoubled(text) | {float("".join(swapped)) for swapped in _with_digits_swapped(text)}
    return {round(convert(slip, case.unit or home, home), 9) for slip in slips}


def mistyped(case: Case) -> set[float]:
    """What the number may have been before one digit of it was typed as another, in the field's
    unit: so many that none is offered, and any of them makes another slip a guess."""
    home, written = FIELDS[case.field].unit, case.written
    if home is None or written is None:
        return set()
    text = f"{abs(written):g}"
    return {
        round(convert(float(text[:at] + digit + text[at + 1:]), case.unit or home, home), 9)
        for at, was in enumerate(text) if was.isdigit()
        for digit in "0123456789" if digit != was and (at or digit != "0")}


def nearest(values: Iterable[float], expected: float, near: float) -> float | None:
    """That of ``values`` which alone is near what is expected: none other within thrice as far."""
    ranked = sorted(set(values), key=lambda value: abs(value - expected))
    if not ranked or abs(ranked[0] - expected) > near:
        return None
    if len(ranked) > 1 and abs(ranked[1] - expected) < 3 * abs(ranked[0] - expected) + near / 4:
        return None
    return ranked[0]


def undoubled(text: str) -> set[float]:
    """The numbers that ``text`` is with one of two equal neighbouring digits left out."""
    return {float(text[:at] + text[at + 1:]) for at in range(len(text) - 1)
            if text[at].isdigit() and text[at] == text[at + 1]}


def _with_digits_swapped(text: str) -> Iterable[list[str]]:
    """``text`` with each two neighbouring digits that differ changed about; the point stays."""
    digits = [place for place, char in enumerate(text) if char.isdigit()]
    for first, second in pairwise(digits):
        if text[first] != text[second]:
            swapped = list(text)
            swapped[first], swapped[second] = swapped[second], swapped[first]
            yield swapped
