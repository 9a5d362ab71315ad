"""The detection scorecard: seeded slips of the pen found, and clean rows let through.

For every seed of the demo network three things are judged through the run's own stages
(receive, read, recognise, standardize, stage, lineage, judge with the other sites' evidence;
Prefect and loading left out):

- layouts in which some kinds of slip are seeded, so many of each kind;
- sheets sent a second time, with what goes wrong between two mailings;
- a realistic mixture of all kinds that one sheet can hold;
- the same network without any slip, in which every finding is a false alarm;
- a season that is strange and true: record pulse, thaw, flood, a real 0, a warm outfall, a leap
  day, a clock change; there too every finding is a false alarm.

The injector never puts two slips on one row and keeps the visits before and after a slip of
date or effort free, so several kinds share a layout and are still scored apart. ``--alone``
gives every kind a layout of its own.

Run ``python -m bench.scorecard --help``.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import multiprocessing
import re
import shutil
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fixtures import KINDS, RESENT_KINDS, SeededError, lay_out
from fixtures.hand_errors import UNTRACEABLE
from fixtures.lantern_bay import CURRENT_SEASON
from fixtures.strange_but_true import CASES, Strange
from fixtures.traces import BY_LUCK, WITH_A_TRACE
from shared.findings import Finding
from shared.flags import GRAVITY, Effect

if TYPE_CHECKING:
    from flows.weekly import WeeklyRun

FIRST_SEED = 20260301
DOCUMENT = Path(__file__).resolve().parent.parent / "docs" / "scorecard.md"

HELD, ASKED = Effect.HOLD, (Effect.HOLD, Effect.MASK, Effect.QUERY)

# --- what finds what ---------------------------------------------------------------------------

_EFFORT = ("set_date", "set_time", "check_date", "check_time", "hours_fished", "local_date")
_DATES = ("local_date", "check_date", "set_date")
_COUNTS = ("count", "released", "mortality", "kept", "net_status")
_SALTS = ("conductivity", "specific_conductance", "salinity")
_OXYGEN = ("dissolved_oxygen", "dissolved_oxygen_saturation")
_WATER = ("water_temperature",)
_METER = (*_WATER, *_SALTS, *_OXYGEN, "ph", "turbidity")
_POSITION = ("latitude", "longitude")
_ANIMAL = ("taxon", "life_stage", "count", "length", "weight")
_UNITS = ("temperature-unit",)
_COURSE = ("spike", "rate-of-change", "unlike-neighbours", "climatology")


@dataclass(frozen=True, slots=True)
class Expected:
    """What counts as finding one kind of slip.

    A finding is about a slip when it asks, stands on the slip's row and on one of ``fields``
    (none named: any). ``rules`` are those made for it; found by another is found, not named.
    ``near``: the finding may stand on the same net's visit before or after, because the slip
    is a contradiction between two rows. ``notes``: the kind is a change to be told of, not a
    fault, so that a note will do. ``target``: the weekly run's first catalogue was to catch it.
    """

    rules: tuple[str, ...]
    fields: tuple[str, ...] = ()
    near: bool = False
    notes: bool = False
    target: bool = False

    def accepts(self, field_id: str) -> bool:
        """Whether a finding on ``field_id`` can be about this kind."""
        return not self.fields or field_id in self.fields


_OTHER_UNIT = Expected(_UNITS, ("water_temperature", "air_temperature"), target=True)
_RAIN = Expected(("precipitation-unit",), ("precipitation",), target=True)
_SIZE = Expected(("size-for-stage", "condition-outlier", "out-of-range"), ("length", "weight"))

EXPECTED: dict[str, Expected] = {
    "fahrenheit-in-celsius": _OTHER_UNIT,
    "celsius-in-fahrenheit": _OTHER_UNIT,
    "temperature-column-switched": _OTHER_UNIT,
    "conductivity-thousandfold": Expected(("conductivity-unit",), _SALTS, target=True),
    "precipitation-inches-as-mm": _RAIN,
    "precipitation-mm-as-inches": _RAIN,
    "count-negative": Expected(("count-negative",), _COUNTS, target=True),
    "count-fractional": Expected(("count-fractional",), _COUNTS, target=True),
    "subsample-wrong": Expected(
        ("subsample-expansion",),
        (*_COUNTS, "subsample_count", "subsample_volume", "total_volume"), target=True),
    "total-not-sum": Expected(("sum-of-parts",), _COUNTS, target=True),
    "fish-unaccounted": Expected(("fish-accounting",), _COUNTS, target=True),
    "effort-blank": Expected(("effort-missing",), _EFFORT, target=True),
    "set-after-check": Expected(("set-after-check",), _EFFORT, near=True, target=True),
    "soak-too-long": Expected(("soak-too-long",), _EFFORT, target=True),
    "hours-disagree": Expected(("effort-mismatch",), _EFFORT, target=True),
    "soak-overlap": Expected(("soak-overlap",), _EFFORT, near=True, target=True),
    "count-while-lifted": Expected(
        ("count-while-not-fishing",), (*_COUNTS, *_EFFORT), target=True),
    "date-wrong-year": Expected(("date-out-of-season",), _EFFORT, target=True),
    "date-in-future": Expected(("date-in-future",), _EFFORT, target=True),
    "date-unreadable": Expected(("date-unreadable",), _DATES),
    "row-duplicated": Expected(("duplicate-event",), _EFFORT, target=True),
    "row-duplicated-differing": Expected(
        ("duplicate-event",), (*_EFFORT, "count"), target=True),
    "decimal-dropped": Expected(
        ("out-of-range", "implausible"), ("water_temperature", "ph", *_OXYGEN)),
    "count-blank": Expected(("zero-or-blank",), ("count",)),
    "words-in-number": Expected(("not-understood",), ("count",)),
    "required-missing": Expected(("missing-required", "date-unreadable"), _DATES),
    "oxygen-percent-in-mg": Expected(("oxygen-unit",), _OXYGEN),
    "copied-down": Expected(("copied-down", "flat-line"), _WATER),
    "salinity-in-conductivity": Expected(("salinity-disagrees",), _SALTS),
    "reading-digits-swapped": Expected(("out-of-range", "implausible", *_COURSE), _METER),
    "reading-digit-doubled": Expected(("out-of-range", "implausible"), _METER),
    "temperature-digit-mistyped": Expected(_COURSE, (*_WATER, "air_temperature")),
    "oxygen-mg-in-percent": Expected(("oxygen-unit", "oxygen-disagrees"), _OXYGEN),
    "conductivity-in-salinity": Expected(("salinity-disagrees",), _SALTS),
    "conductance-mode": Expected(("salinity-disagrees", "conductance-disagrees"), _SALTS),
    "ph-oxygen-exchanged": Expected(
        ("implausible", "out-of-range", "oxygen-disagrees"), ("ph", *_OXYGEN)),
    "oxygen-digits-swapped": Expected(("oxygen-disagrees",), _OXYGEN),
    "air-water-exchanged": Expected(
        ("temperature-pair", *_COURSE), ("water_temperature", "air_temperature")),
    "ice-beside-warm-water": Expected(("ice-in-warm-water",), (*_WATER, "remarks")),
    "length-in-cm": _SIZE,
    "length-in-inches": _SIZE,
    "weight-in-mg": _SIZE,
    "pigment-out-of-scale": Expected(("pigment-stage",), ("pigment_stage",)),
    "coordinates-elsewhere": Expected(("position-off-site",), _POSITION),
    "percent-in-oktas": Expected(("out-of-range",), ("cloud_cover",)),
    "level-in-centimetres": Expected(("level-unit", "out-of-range", *_COURSE), ("water_level",)),
    "observers-digit-doubled": Expected(
        ("observer-count",), ("observers", "volunteer_hours")),
    "taxon-out-of-place": Expected(("taxon-unexpected", "not-in-list"), _ANIMAL),
    "stage-out-of-season": Expected(("stage-unexpected", "not-in-list"), _ANIMAL),
    "temperature-last-digit": Expected((), _WATER),
    "reading-copied-down": Expected(
        ("copied-down", "flat-line"), (*_METER, "air_temperature")),
    "count-copied-down": Expected(("copied-down",), ("count",)),
    "soak-copied-down": Expected(("copied-down",), _EFFORT),
    "row-pasted": Expected(("row-pasted",)),
    "sites-identical": Expected(("same-as-other-site",)),
    "running-total": Expected(("running-total",), ("count",)),
    "day-doubled": Expected(("day-skipped", "unlike-history"), ("count", *_EFFORT)),
    "probe-stuck": Expected(("flat-line", "copied-down"), _METER),
    "probe-drift": Expected(("probe-drifting", "salinity-disagrees"), _METER, near=True),
    "thermometer-offset": Expected(
        ("unlike-neighbours", "probe-drifting"), _METER, near=True),
    "watch-not-changed": Expected(("effort-mismatch",), _EFFORT, near=True),
    "digit-slip-count": Expected(("unlike-history",), ("count",)),
    "count-digit-mistyped": Expected((), ("count",)),
    "zero-for-lifted": Expected((), (*_COUNTS, *_EFFORT)),
    "fates-exchanged": Expected(("mostly-dead", "fish-accounting"), _COUNTS),
    "kept-counted-twice": Expected(("fish-accounting",), _COUNTS),
    "stage-columns-exchanged": Expected(
        ("stages-exchanged", "unlike-history", "stage-unexpected"), _ANIMAL),
    "subsample-volumes-exchanged": Expected(
        ("subsample-expansion",),
        (*_COUNTS, "subsample_count", "subsample_volume", "total_volume")),
    "soak-in-days": Expected(("effort-mismatch", "implausible"), _EFFORT),
    "day-month-exchanged": Expected(
        ("date-out-of-order", "date-out-of-season", "date-in-future", "duplicate-event",
         "set-after-check"), _EFFORT, near=True),
    "week-sum-as-row": Expected(("duplicate-event",), (*_EFFORT, "count")),
    "net-mislabelled": Expected(("duplicate-event",), (*_EFFORT, "gear_unit", "count")),
    "old-row-edited": Expected(("row-edited",), ("count",), notes=True),
    "rows-vanished": Expected(("vanished-row",)),
    "column-shifted-a-row": Expected(("rows-shifted",), ("count",)),
    "dates-retyped": Expected(("rows-redated",)),
    "last-years-sheet": Expected(("rows-sent-before", "vanished-row", "date-out-of-season")),
    "other-sites-sheet": Expected(("wrong-site", "same-as-other-site")),
}
"""Kind of slip -> what counts as finding it."""

# --- rows --------------------------------------------------------------------------------------

RowKey = tuple[str, str, int]
"""(file relative to the inbox, sheet, 1-based row); the sheet of a text file is empty."""


def row_key(file: str, sheet: str, row: int) -> RowKey:
    """One key for what the truth and the findings call a row."""
    name = file.removeprefix("inbox/")
    plain = name.removesuffix(EARLIER).lower()
    return name, "" if plain.endswith((".csv", ".txt", ".tsv")) else sheet, row


EARLIER = "|earlier"
"""Put behind the file of a row that stood in the sheet sent before and is in none that counts."""


def finding_row(finding: Finding) -> RowKey | None:
    """The row that a finding points at; its file is named within the site's inbox or from it."""
    if finding.row is None:
        return None
    inside = finding.file.removeprefix("inbox/").removeprefix(f"{finding.site}/")
    return row_key(f"{finding.site}/{inside}", finding.sheet, finding.row)


def error_row(error: SeededError) -> RowKey:
    """The row that a slip was seeded on."""
    name, sheet, row = row_key(error.file, error.sheet, error.row)
    return (name + EARLIER if error.earlier else name), sheet, row


def mate_row(error: SeededError) -> RowKey | None:
    """The row entered first, for a row entered twice."""
    if error.mate_row is None:
        return None
    return row_key(error.file, error.sheet, error.mate_row)


@dataclass(frozen=True, slots=True)
class Row:
    """What became of a row of a sheet: the event it is part of, or why it was passed over."""

    row_id: int | None
    skipped: str | None = None


@dataclass(slots=True)
class Judged:
    """Everything one judged network gave.

    ``near``: row -> the rows of the same net's visits before and after (from the truth).
    ``places``: (file, sheet, column letter) -> (field, unit, taxon, life stage).
    ``staged``: row -> staged values of the event and catches, for the rows with slips only.
    """

    errors: list[SeededError]
    findings: list[Finding]
    rows: dict[RowKey, Row]
    near: dict[RowKey, set[RowKey]] = field(default_factory=dict)
    places: dict[tuple[str, str, str], tuple[str | None, str | None]] = field(
        default_factory=dict
    )
    staged: dict[RowKey, list[dict[str, Any]]] = field(default_factory=dict)
    troubles: list[str] = field(default_factory=list)
    label: str = ""
    """Put before every example, so that it can be laid out again."""
    lost: list[RowKey] = field(default_factory=list)
    """Rows that hold a record and became none."""
    decoys: list[tuple[RowKey, str]] = field(default_factory=list)
    """Titles, totals and the like that were taken for a record."""
    seconds: dict[str, float] = field(default_factory=dict)
    refused: set[str] = field(default_factory=set)
    """Files that were not taken in."""
    cases: dict[RowKey, list[str]] = field(default_factory=dict)
    """Row -> the strange but true cases that it belongs to."""

    def rows_of_events(self) -> dict[int, set[RowKey]]:
        """Event -> every row of a sheet that is part of it."""
        held: dict[int, set[RowKey]] = defaultdict(set)
        for key, row in self.rows.items():
            if row.row_id is not None:
                held[row.row_id].add(key)
        return held


def places_of_finding(
    finding: Finding, rows_of_events: Mapping[int, set[RowKey]]
) -> set[RowKey]:
    """Rows a finding speaks of: its own, and for an event's finding all rows of the event."""
    at = finding_row(finding)
    own = set() if at is None else {at}
    if finding.catch_id is None and finding.row_id is not None:
        own |= rows_of_events.get(finding.row_id, set())
    return own


def current(key: RowKey) -> bool:
    """Whether a row is of the season under way; older sheets hold no slips."""
    return str(CURRENT_SEASON) in key[0]


# --- arithmetic --------------------------------------------------------------------------------

_Z95 = 1.959963984540054


def wilson(found: int, of: int) -> tuple[float, float]:
    """95 % score interval of a share (Wilson 1927, J. Am. Stat. Assoc. 22, 209-212).

    Nothing tried says nothing: (0, 1).
    """
    if of == 0:
        return 0.0, 1.0
    share, z2 = found / of, _Z95**2
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = _Z95 / (1 + z2 / of) * math.sqrt(share * (1 - share) / of + z2 / (4 * of * of))
    # Rounding must not leave a share of 0 or 1 outside its own interval.
    low = 0.0 if found == 0 else max(0.0, middle - half)
    return low, 1.0 if found == of else min(1.0, middle + half)


_NUMBER = re.compile(r"[-+]?\d[\d ]*(?:[.,]\d+)?|[-+]?[.,]\d+")


def first_number(text: str) -> tuple[float, float] | None:
    """The first number in ``text`` and half a unit of its last digit, or None."""
    found = _NUMBER.search(text)
    if found is None:
        return None
    plain = found.group().replace(" ", "").replace(",", ".")
    decimals = len(plain.partition(".")[2])
    return float(plain), 0.5 * 10.0**-decimals



def suggestion_right(error: SeededError, finding: Finding) -> bool:
    """Whether what was suggested is what was true, within the rounding of all three numbers.

    A value converted from a rounded one carries that rounding, times the conversion's
    factor. Hours are compared to the quarter hour to which sheets round them.
    """
    true, event_date = error.true_value, error.event_date
    if error.field in _DATES:
        offered = finding.suggested or finding.suggestion
        if error.kind.startswith("date-") and offered == event_date:
            return True
        return true is not None and _same_day(true, offered)
    if true is None:
        return False
    truth, offered_number = first_number(true), first_number(finding.suggestion)
    if truth is None or offered_number is None:
        return False
    slack = truth[1] + offered_number[1]
    written = first_number(error.written_value or "")
    if written is not None and error.field != "count":
        # A staff is read to the whole centimetre, whatever the column shows.
        half = 0.5 if error.kind == "level-in-centimetres" else written[1]
        slack += half * _factor(error, truth[0], written[0])
    if error.field == "count":
        # A subsample's expansion is right to the eel, give or take its own rounding.
        slack = max(1.0, 0.01 * abs(truth[0])) if error.kind == "subsample-wrong" else 0.0
    if error.field == "hours_fished":
        slack = max(slack, 0.25)
    return abs(truth[0] - offered_number[0]) <= slack + 1e-9


def _same_day(true: str, offered: str) -> bool:
    """Whether ``offered`` (ISO) is the day that the sheet would write as ``true``.

    The order of day and month is the sheet's; a day offered in the other order is another
    day unless both read alike, which no slip seeded here makes so.
    """
    if true == offered:
        return True
    year, month, day = (int(part) for part in offered.split("-"))
    numbers = [int(part) for part in re.findall(r"\d+", true)]
    if len(numbers) != 3:
        return False
    return sorted(numbers) in (sorted((year, month, day)), sorted((year % 100, month, day)))


def _factor(error: SeededError, true: float, written: float) -> float:
    """How far a change of one in what was written moves what it is converted to."""
    if EXPECTED[error.kind] is _OTHER_UNIT:
        return 1.8 if error.unit == "degF" else 5 / 9
    return abs(true / written) if written else 1.0


def about(
    error: SeededError,
    finding: Finding,
    rows_of_events: Mapping[int, set[RowKey]],
    near: Mapping[RowKey, set[RowKey]],
) -> bool:
    """Whether ``finding`` is about the seeded ``error``."""
    expected = EXPECTED[error.kind]
    if finding.effect not in ASKED and not (expected.notes and finding.rule in expected.rules):
        return False
    if not expected.accepts(finding.field):
        return False
    return bool(rows_touched(error, near) & places_of_finding(finding, rows_of_events))


def rows_touched(error: SeededError, near: Mapping[RowKey, set[RowKey]]) -> set[RowKey]:
    """Rows on which a finding about ``error`` may stand."""
    touched = {error_row(error)}
    mate = mate_row(error)
    if mate is not None:
        touched.add(mate)
    if error.first_row:
        file, sheet, _ = error_row(error)
        touched |= {(file, sheet, row) for row in range(error.first_row, error.last_row + 1)}
    if EXPECTED[error.kind].near:
        touched |= near.get(error_row(error), set())
    if error.kind in RESENT_KINDS and not error.earlier:
        file, sheet, row = error_row(error)
        touched.add((file + EARLIER, sheet, row))
    return touched


@dataclass(slots=True)
class Tally:
    """How one kind fared. A mistake is one slip, or one group of cells slipped together."""

    cells: int = 0
    cells_found: int = 0
    mistakes: int = 0
    found: int = 0
    named: int = 0
    """Mistakes found by a rule that names them."""
    at_cell: int = 0
    """Cells found by a finding that points at that very cell."""
    offered: int = 0
    right: int = 0
    one_cause: int = 0
    """Mistakes found that ask one question: all findings about them share a cause, and that
    cause holds no finding about a mistake of another kind."""
    about: int = 0
    """Findings about a mistake of the kind."""
    beside: int = 0
    """Findings on its rows that are about something else."""
    lost: Counter[str] = field(default_factory=Counter)
    """Cells missed, by the stage that lost them."""
    misses: list[str] = field(default_factory=list)
    bad_offers: list[str] = field(default_factory=list)
    split: list[str] = field(default_factory=list)
    """Mistakes that ask more than one question, with the questions."""
    stray: list[str] = field(default_factory=list)
    """Findings beside a mistake."""

    def add(self, other: Tally) -> None:
        """Add another network's tally."""
        for name in ("cells", "cells_found", "mistakes", "found", "named", "at_cell",
                     "offered", "right", "one_cause", "about", "beside"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.lost.update(other.lost)
        for name in ("misses", "bad_offers", "split", "stray"):
            getattr(self, name).extend(getattr(other, name))


@dataclass(slots=True)
class Alarm:
    """Findings of one rule and effect that nothing seeded explains."""

    count: int = 0
    examples: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Score:
    """A judged network against its truth."""

    kinds: dict[str, Tally] = field(default_factory=dict)
    rules: dict[str, Counter[str]] = field(default_factory=dict)
    """Rule -> findings: about a slip, beside one (its row has another), false."""
    rows: int = 0
    """Rows of the current season that are part of an event."""
    clean_rows: int = 0
    flagged_rows: int = 0
    """Rows of the current season with a finding that holds, masks or asks."""
    flagged_right: int = 0
    wrong_holds: int = 0
    wrong_queries: int = 0
    """Clean rows asked about or with a value withheld, and not held."""
    history_rows: int = 0
    history_held: int = 0
    history_asked: int = 0
    cases: dict[str, Counter[str]] = field(default_factory=dict)
    """Strange but true case -> rows, held, asked."""
    drawn_again: Counter[str] = field(default_factory=Counter)
    """Kind -> places passed over, where an observer who knew the truth could not have told it."""
    alarms: dict[tuple[str, str], Alarm] = field(default_factory=dict)
    """(rule, effect) -> findings on rows that no slip touches."""
    notes: int = 0
    troubles: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    decoys: list[str] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)
    networks: int = 1

    def add(self, other: Score) -> None:
        """Add another network's score."""
        for kind, tally in other.kinds.items():
            self.kinds.setdefault(kind, Tally()).add(tally)
        for rule, counts in other.rules.items():
            self.rules.setdefault(rule, Counter()).update(counts)
        for case, counts in other.cases.items():
            self.cases.setdefault(case, Counter()).update(counts)
        self.drawn_again.update(other.drawn_again)
        for name in ("rows", "clean_rows", "flagged_rows", "flagged_right", "wrong_holds",
                     "wrong_queries", "history_rows", "history_held", "history_asked", "notes",
                     "networks"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for key, alarm in other.alarms.items():
            mine = self.alarms.setdefault(key, Alarm())
            mine.count += alarm.count
            mine.examples += alarm.examples
        self.troubles += other.troubles
        self.lost += other.lost
        self.decoys += other.decoys
        for stage, spent in other.seconds.items():
            self.seconds[stage] = self.seconds.get(stage, 0.0) + spent


def score(judged: Judged) -> Score:
    """Compare what was found with what was seeded."""
    of_event = judged.rows_of_events()
    asked = [finding for finding in judged.findings if finding.effect in ASKED]
    standing: dict[RowKey, list[Finding]] = defaultdict(list)
    for finding in judged.findings:
        for key in places_of_finding(finding, of_event):
            standing[key].append(finding)
    result = Score(troubles=list(judged.troubles), seconds=dict(judged.seconds))
    result.notes = len(judged.findings) - len(asked)
    label = judged.label
    result.lost = [label + _where(key) for key in judged.lost]
    result.decoys = [f"{label}{_where(key)} ({why})" for key, why in judged.decoys]

    answered: set[int] = set()
    touched: set[RowKey] = set()
    groups: dict[tuple[str, str], list[SeededError]] = defaultdict(list)
    for at, error in enumerate(judged.errors):
        groups[error.kind, error.group or f"#{at}"].append(error)
    answers: dict[tuple[str, str], list[Finding]] = {}
    for (kind, name), members in groups.items():
        tally = result.kinds.setdefault(kind, Tally())
        tally.mistakes += 1
        found = named = False
        whole: dict[int, Finding] = {}
        around: dict[int, Finding] = {}
        for error in members:
            rows = rows_touched(error, judged.near)
            touched |= rows
            here = {id(f): f for key in rows for f in standing[key]}
            mine = [f for f in here.values() if about(error, f, of_event, judged.near)]
            whole |= {id(finding): finding for finding in mine}
            own = {error_row(error), mate_row(error)}
            around |= {i: f for i, f in here.items()
                       if f.effect in ASKED and own & places_of_finding(f, of_event)}
            refused = error.file.removeprefix("inbox/") in judged.refused
            tally.cells += 1
            tally.cells_found += bool(mine) or refused
            tally.at_cell += any(_at_cell(error, finding) for finding in mine)
            found |= bool(mine) or refused
            named |= refused or any(f.rule in EXPECTED[kind].rules for f in mine)
            # Of several findings on one cell the first that offers something is what is seen.
            offers = [f for f in mine if f.suggestion and _for_its_value(error, f)]
            if offers:
                tally.offered += 1
                right = any(suggestion_right(error, finding) for finding in offers)
                tally.right += right
                if not right:
                    tally.bad_offers.append(
                        f"{label}{_slip(error)}; {offers[0].rule} suggests {offers[0].suggestion}"
                    )
            if not mine and not refused:
                stage, detail = diagnose(error, judged)
                tally.lost[stage] += 1
                beside = sorted({f.rule for f in standing[error_row(error)]})
                others = f"; found beside it: {', '.join(beside)}" if beside else ""
                tally.misses.append(
                    f"{label}{_slip(error)} -> {stage}: {detail}{others}"
                )
        for finding in whole.values():
            # To take up a suggestion for a value that was right would spoil it.
            if finding.suggestion and not any(_for_its_value(e, finding) for e in members):
                tally.offered += 1
                tally.bad_offers.append(
                    f"{label}{_slip(members[0])}; {finding.rule} suggests {finding.suggestion} "
                    f"for {finding.field} in {finding.cell or finding.row}, which was right"
                )
        answered |= set(whole)
        answers[kind, name] = list(whole.values())
        stray = [f for i, f in around.items() if i not in whole]
        tally.about += len(whole)
        tally.beside += len(stray)
        tally.stray += [f"{label}{_slip(members[0])}; beside it {f.rule}: {f.message}"
                        for f in stray]
        tally.one_cause += found and not whole
        tally.found += found
        tally.named += named
    _score_causes(result, answers, label)
    _score_rows(result, judged, standing, touched, of_event)
    _score_findings(result, asked, answered, touched, of_event, label)
    return result


def _score_causes(
    result: Score, answers: Mapping[tuple[str, str], Sequence[Finding]], label: str
) -> None:
    """Whether each mistake asks one question, and each question is about one kind of mistake."""
    kinds_of: dict[str, set[str]] = defaultdict(set)
    for (kind, _), findings in answers.items():
        for finding in findings:
            kinds_of[finding.cause or finding.id].add(kind)
    for (kind, name), findings in answers.items():
        causes = {f.cause or f.id for f in findings}
        if len(causes) == 1 and kinds_of[next(iter(causes))] == {kind}:
            result.kinds[kind].one_cause += 1
        elif causes:
            rules = Counter(
                f"{f.rule} on {f.field}" for f in {f.cause or f.id: f for f in findings}.values())
            told = ", ".join(f"{n} x {rule}" if n > 1 else rule for rule, n in rules.items())
            mixed = set.union(*(kinds_of[cause] for cause in causes)) - {kind}
            told += f"; asked together with {', '.join(sorted(mixed))}" if mixed else ""
            first = findings[0]
            place = f"{first.site} | {first.file} | {first.sheet} | row {first.row}"
            result.kinds[kind].split.append(f"{label}{place} ({name}): {told}")


def _score_rows(
    result: Score,
    judged: Judged,
    standing: Mapping[RowKey, list[Finding]],
    touched: set[RowKey],
    of_event: Mapping[int, set[RowKey]],
) -> None:
    by_event: dict[int, set[Effect]] = defaultdict(set)
    for findings in standing.values():
        for finding in findings:
            if finding.row_id is not None:
                by_event[finding.row_id].add(finding.effect)
    for key, row in judged.rows.items():
        if row.row_id is None:
            continue
        effects = by_event.get(row.row_id, set())
        worst = next((effect for effect in GRAVITY if effect in effects), None)
        for case in judged.cases.get(key, ()):
            counts = result.cases.setdefault(case, Counter())
            counts["rows"] += 1
            counts["held"] += worst is HELD
            counts["asked"] += worst in ASKED and worst is not HELD
        if not current(key):
            result.history_rows += 1
            result.history_held += worst is HELD
            result.history_asked += worst in ASKED and worst is not HELD
            continue
        result.rows += 1
        slipped = bool(touched & of_event[row.row_id]) or key in touched
        result.flagged_rows += worst in ASKED
        result.flagged_right += worst in ASKED and slipped
        if not slipped:
            result.clean_rows += 1
            result.wrong_holds += worst is HELD
            result.wrong_queries += worst in ASKED and worst is not HELD


def _score_findings(
    result: Score,
    asked: Sequence[Finding],
    answered: set[int],
    touched: set[RowKey],
    of_event: Mapping[int, set[RowKey]],
    label: str,
) -> None:
    for finding in asked:
        counts = result.rules.setdefault(finding.rule, Counter())
        if id(finding) in answered:
            counts["about"] += 1
        elif touched & (places_of_finding(finding, of_event)
                        | of_event.get(finding.row_id or 0, set())):
            counts["beside"] += 1
        else:
            counts["false"] += 1
            alarm = result.alarms.setdefault((finding.rule, finding.effect.value), Alarm())
            alarm.count += 1
            alarm.examples.append(
                f"{label}{finding.site} | {finding.file} | {finding.sheet} | row {finding.row} | "
                f"{finding.cell or '-'} | {finding.field} | {finding.value or '(blank)'} | "
                f"{finding.message}"
            )


def _for_its_value(error: SeededError, finding: Finding) -> bool:
    """Whether a suggestion is for the value that was mistaken, not for one beside it."""
    if finding_row(finding) != error_row(error):
        return False
    if error.field == "count":
        return finding.field == "count" and finding.cell in ("", error.cell)
    return finding.field == error.field or {finding.field, error.field} <= set(_DATES)


def _at_cell(error: SeededError, finding: Finding) -> bool:
    return finding.cell == error.cell and finding_row(finding) == error_row(error)


def _where(key: RowKey) -> str:
    return f"{key[0]}{' / ' + key[1] if key[1] else ''}, row {key[2]}"


def _slip(error: SeededError) -> str:
    unit = f" {error.unit}" if error.unit else ""
    return (
        f"{_where(error_row(error))}, {error.cell} {error.field}: "
        f"{error.true_value!r} written as {error.written_value!r}{unit}"
    )


STAGES_LOST = ("file", "row", "column", "unit", "value", "rule")


def diagnose(error: SeededError, judged: Judged) -> tuple[str, str]:
    """Which stage lost a slip that was not found, and what it made of the cell.

    ``file``: the file or sheet gave no rows; ``row``: its row is no record; ``column``: its
    column was taken for another field or none; ``unit``: it was read in another unit;
    ``value``: a number was written and none was read; ``rule``: all of that is right and
    no rule asked.
    """
    key = error_row(error)
    if not any(other[:2] == key[:2] and row.row_id for other, row in judged.rows.items()):
        return "file", "no row of this sheet became a record"
    row = judged.rows.get(key)
    if row is None:
        return "row", "the row is not accounted for"
    if row.row_id is None:
        return "row", f"passed over: {row.skipped}"
    letters = error.cell.rstrip("0123456789")
    place = judged.places.get((key[0], key[1], letters))
    if place is None or place[0] is None:
        return "column", "the column was not recognised"
    read_as, unit = place
    if read_as != error.field and not {read_as, error.field} <= {"local_date", "check_date"}:
        return "column", f"the column was taken for {read_as}"
    if error.unit and unit is not None and unit != error.unit:
        return "unit", f"the column was read in {unit}, not {error.unit}"
    values = [v for staged in judged.staged.get(key, []) if (v := staged.get(error.field))
              is not None]
    seen = ", ".join(str(value) for value in values[:6]) or "nothing"
    if error.written_value is not None and not values:
        return "value", "nothing was read from the cell"
    return "rule", f"staged as {seen}"


# --- judging a network -------------------------------------------------------------------------


def take_in(network_dir: Path, as_of: date) -> None:
    """Receive and read whatever stands in the inbox and was not read yet."""
    from flows.network_folder import load_network
    from flows.weekly import WeeklyRun, receive_and_read
    from warehouse.store import Warehouse

    network = load_network(network_dir)
    with Warehouse.open(network_dir) as warehouse:
        receive_and_read(WeeklyRun(network_dir, network, warehouse, as_of))


def judge_network(
    network_dir: Path, as_of: date, errors: Iterable[SeededError], strange: Strange | None = None
) -> Judged:
    """Take in and judge every site of the network in ``network_dir``, loading nothing."""
    from flows.network_folder import load_network
    from flows.weekly import WeeklyRun, receive_and_read
    from warehouse.store import Warehouse

    network = load_network(network_dir)
    judged = Judged(list(errors), [], {})
    wanted = {error_row(error) for error in judged.errors}
    with Warehouse.open(network_dir) as warehouse:
        run = WeeklyRun(network_dir, network, warehouse, as_of)
        receive_and_read(run)
        run.compare_sites()
        for site in network.sites:
            with warehouse.transaction() as con, run.timed("judge"):
                findings, _ = run.judge_again(site)
                gone = {row for (row,) in con.execute(
                    "SELECT row_id FROM judged_events WHERE vanished").fetchall()}
                judged.findings += [
                    replace(f, file=f.file + EARLIER) if f.row_id in gone else f
                    for f in findings]
                _keep_rows(run, judged, wanted)
            judged.troubles += [
                f"{site}: {where} {what}" for where, what in warehouse.connection.execute(
                    "SELECT where_, what FROM file_troubles WHERE site = ?", [site]).fetchall()
            ]
            judged.refused |= {path for (path,) in warehouse.connection.execute(
                "SELECT path FROM receipts JOIN file_troubles USING (sha256) "
                "WHERE receipts.site = ? AND file_troubles.site = ?", [site, site]).fetchall()}
            judged.troubles += [
                f"{site}: {trouble.sentence()}" for trouble in run.outcome.sites[site].troubles
            ]
        judged.seconds.update(run.outcome.seconds)
    _compare_rows(network_dir, judged, strange)
    return judged


def _keep_rows(run: WeeklyRun, judged: Judged, wanted: set[RowKey]) -> None:
    con = run.warehouse.connection
    path_of = dict(con.execute("SELECT sha256, path FROM judged_files").fetchall())
    keys: dict[int, list[RowKey]] = defaultdict(list)
    for sha, sheet, row, row_id, skipped, vanished in con.execute(
        "SELECT file_sha256, sheet, sheet_row, row_id, skipped, vanished FROM judged_rows"
    ).fetchall():
        key = row_key(path_of[sha] + (EARLIER if vanished else ""), sheet, row)
        judged.rows[key] = Row(row_id, skipped)
        if key in wanted and row_id is not None:
            keys[row_id].append(key)
    from shared.sheets import column_letters

    for sha, sheet, index, field_id, unit in con.execute(
        "SELECT file_sha256, sheet, column_index, field, unit FROM judged_places"
    ).fetchall():
        file, name, _ = row_key(path_of[sha], sheet, 0)
        judged.places[file, name, column_letters(index)] = (field_id, unit)
    for table in ("judged_events", "judged_catches"):
        if not keys:
            break
        rows = con.execute(f"SELECT * FROM {table} WHERE row_id IN ({_listed(keys)})")
        names = [column[0] for column in rows.description]
        for values in rows.fetchall():
            record = dict(zip(names, values, strict=True))
            for key in keys[record["row_id"]]:
                judged.staged.setdefault(key, []).append(record)


def _listed(numbers: Collection[int]) -> str:
    return ", ".join(map(str, numbers))


def _compare_rows(network_dir: Path, judged: Judged, strange: Strange | None) -> None:
    """Which visits are neighbours, which records were lost, which decoys were read."""
    truth = network_dir / "truth"
    visits: dict[tuple[str, ...], dict[str, set[RowKey]]] = defaultdict(dict)
    records: set[RowKey] = set()
    for row in _table(truth / "events.csv"):
        key = row_key(row["file"], row["sheet"], int(row["row"]))
        records.add(key)
        if strange is not None:
            day = date.fromisoformat(row["local_date"])
            judged.cases[key] = strange.case_of(row["site"], day)
        if row["season"] == str(CURRENT_SEASON):
            net = (row["site"], row["protocol"], row["gear_unit"])
            visits[net].setdefault(row["local_date"], set()).add(key)
    for row in _table(truth / "catches.csv"):
        records.add(row_key(row["file"], row["sheet"], int(row["row"])))
    for days in visits.values():
        in_order = [days[day] for day in sorted(days)]
        for at, keys in enumerate(in_order):
            around = in_order[max(0, at - 1) : at] + in_order[at + 1 : at + 2]
            for key in keys:
                judged.near.setdefault(key, set()).update(*around)
    became = {key for key, row in judged.rows.items() if row.row_id is not None}
    judged.lost = sorted(records - became)
    for row in _table(truth / "rows.csv"):
        for at, why in json.loads(row["decoy_rows"]):
            key = row_key(row["file"], row["sheet"], int(at))
            if key in became:
                judged.decoys.append((key, str(why)))


def _table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as held:
        return list(csv.DictReader(held))


# --- the runs ----------------------------------------------------------------------------------

SEEDED, RESENT, MIXTURE, CLEAN, STRANGE = "seeded", "resent", "mixture", "clean", "strange"
SENT_BEFORE = 2
"""Weeks between a sheet and the one sent before it, where that matters."""
RESENT_AT = 14
"""Weeks laid out at most when sheets are sent again: later there is little left to add."""


@dataclass(frozen=True, slots=True)
class Task:
    """One network to lay out and judge, beginning from a copy of its seed's history."""

    what: str
    seed: int
    weeks: int
    history: str
    each: Mapping[str, int] = field(default_factory=dict)


def lay_history(folder: str, seed: int, weeks: int) -> str:
    """A network of one seed whose older seasons are read; returns its folder."""
    directory = Path(folder) / f"history-{seed}"
    layout = lay_out(directory, seed=seed, weeks=weeks, errors=False)
    kept_aside = [
        path for path in (directory / "inbox").rglob("*")
        if path.is_file() and str(CURRENT_SEASON) in path.name
    ]
    for path in kept_aside:
        path.unlink()
    take_in(directory, layout.as_of)
    return str(directory)


def perform(task: Task) -> tuple[str, Score]:
    """Lay out and judge one network, and score it."""
    with tempfile.TemporaryDirectory(prefix="scorecard-") as folder:
        directory = Path(folder) / "network"
        if task.what != STRANGE:
            # An outfall is warm in every season, so a strange network has its own history;
            # the others begin from one that is written and read once a seed.
            shutil.copytree(task.history, directory)
        weeks, started = task.weeks, time.perf_counter()
        if task.what == SEEDED:
            layout = lay_out(directory, seed=task.seed, weeks=weeks, error_kinds=task.each,
                             history=False)
        elif task.what == RESENT:
            weeks = min(weeks, RESENT_AT)
            before = weeks - SENT_BEFORE
            first = lay_out(directory, seed=task.seed, weeks=before, errors=False, history=False)
            take_in(directory, first.as_of)
            layout = lay_out(directory, seed=task.seed, weeks=weeks, sent_weeks=before,
                             error_kinds=task.each, history=False)
        elif task.what == MIXTURE:
            layout = lay_out(directory, seed=task.seed, weeks=weeks, mixture=tuple(KINDS),
                             history=False)
        else:
            layout = lay_out(directory, seed=task.seed, weeks=weeks, errors=False,
                             strange=task.what == STRANGE)
        laid = time.perf_counter() - started
        judged = judge_network(directory, layout.as_of, layout.errors,
                               layout.strange if task.what == STRANGE else None)
        judged.label = f"seed {task.seed}: "
        result = score(judged)
        result.drawn_again.update(layout.drawn_again)
        result.seconds["lay out"] = laid
    return task.what, result


def batches(kinds: Sequence[str], layouts: int) -> list[list[str]]:
    """``kinds`` dealt over so many layouts; like kinds, which stand together, fall apart."""
    return [list(kinds[at::layouts]) for at in range(min(layouts, len(kinds)))]


def run_all(
    seeds: Sequence[int],
    weeks: int,
    kinds: Sequence[str],
    each: int,
    layouts: int,
    processes: int,
    progress: Callable[[str], None],
) -> dict[str, Score]:
    """Scores of the seeded, the mixed and the clean networks over all seeds."""
    totals = {
        what: Score(networks=0) for what in (SEEDED, RESENT, MIXTURE, CLEAN, STRANGE)}
    in_one = [kind for kind in kinds if kind in KINDS]
    resent = [kind for kind in kinds if kind in RESENT_KINDS]
    context = multiprocessing.get_context("spawn")
    with (
        tempfile.TemporaryDirectory(prefix="scorecard-") as folder,
        ProcessPoolExecutor(processes, mp_context=context) as pool,
    ):
        histories = dict(
            zip(
                seeds,
                pool.map(lay_history, [folder] * len(seeds), seeds, [weeks] * len(seeds)),
                strict=True,
            )
        )
        progress(f"{len(seeds)} histories read")
        tasks = [
            Task(what, seed, weeks, histories[seed],
                 dict.fromkeys(batch, 1 if what == RESENT else each))
            for seed in seeds
            for what, batch in (
                *((SEEDED, batch) for batch in batches(in_one, layouts)),
                *([(RESENT, resent)] if resent else []),
                (MIXTURE, []),
                (CLEAN, []),
                (STRANGE, []),
            )
        ]
        for done, (what, result) in enumerate(pool.map(perform, tasks), start=1):
            totals[what].add(result)
            progress(f"{done} of {len(tasks)} networks judged")
    return totals


# --- the page ----------------------------------------------------------------------------------


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> list[str]:
    """A Markdown table whose columns line up; first column left, others right."""
    texts = [[str(cell) for cell in row] for row in rows]
    widths = [max(len(row[at]) for row in [list(head), *texts]) for at in range(len(head))]

    def line(cells: Sequence[str]) -> str:
        padded = [
            cell.ljust(width) if at == 0 else cell.rjust(width)
            for at, (cell, width) in enumerate(zip(cells, widths, strict=True))
        ]
        return f"| {' | '.join(padded)} |"

    rule = ["-" * widths[0], *("-" * (width - 1) + ":" for width in widths[1:])]
    return [line(list(head)), line(rule), *map(line, texts)]


def share(part: int, of: int) -> str:
    """A share with three decimals; a dash where nothing was tried."""
    return f"{part / of:.3f}" if of else "-"


def interval(part: int, of: int) -> str:
    """A share and its 95 % interval."""
    low, high = wilson(part, of)
    return f"{share(part, of)} [{low:.3f}, {high:.3f}]"


def one_in(part: int, of: int) -> str:
    """"1 in X", the way a promise about wrong holds is made."""
    return f"1 in {of / part:.0f}" if part else f"none in {of}"


def _kind_rows(kinds: Mapping[str, Tally], which: Iterable[str]) -> list[list[object]]:
    rows: list[list[object]] = []
    for kind in which:
        tally = kinds[kind]
        traced = kind not in UNTRACEABLE
        short = traced and tally.mistakes and tally.found / tally.mistakes < LEAST_RECALL
        standing = tally.about + tally.beside
        rows.append([
            kind + (" (short)" if short else ""), tally.mistakes,
            interval(tally.found, tally.mistakes), share(tally.named, tally.found),
            interval(tally.about, standing) if standing else "-",
            f"{tally.right}/{tally.offered} " + interval(tally.right, tally.offered)
            if tally.offered else "-",
            interval(tally.one_cause, tally.found) if tally.found else "-",
            f"{tally.cells_found}/{tally.cells}",
        ])
    return rows


def _drawn_again(*scores: Score) -> list[str]:
    """The criterion of a trace, its reason, and how often it had a slip seeded elsewhere."""
    again: Counter[str] = Counter()
    for scored in scores:
        again.update(scored.drawn_again)
    counted = ", ".join(f"{kind} {again[kind]}" for kind in sorted(WITH_A_TRACE))
    return [
        "A running total is seeded only where an observer who knows the season's truth, how many "
        "eels each night was to bring and how widely nights scatter, would find the numbers "
        f"{1 / BY_LUCK:,.0f} times likelier as sums of such nights than as their counts, and a "
        "digit too many only where such a night brings as many less than once in "
        f"{1 / BY_LUCK:,.0f} and none of the three checks before and after has more than a fifth "
        "of it. What that "
        "observer cannot tell from luck no record shows, and to count it would measure the luck "
        "of the draw; the criterion follows from how the season is drawn and from no rule.",
        "",
        f"Drawn again at another place for want of a trace: {counted}.",
    ]


LEAST_RECALL = 0.90
"""Every kind that leaves a trace is to be found this often at least."""

_KIND_HEAD = ("kind", "seeded", "recall [95 %]", "by its rule", "precision [95 %]",
              "suggestion right [95 %]", "one cause [95 %]", "cells found")


def _totals(scored: Score) -> list[str]:
    tried = [t for kind, t in scored.kinds.items() if kind not in UNTRACEABLE]
    mistakes, found = sum(t.mistakes for t in tried), sum(t.found for t in tried)
    findings = sum((counts for counts in scored.rules.values()), Counter[str]())
    every = sum(findings.values())
    offered, right, one_cause = (
        sum(getattr(t, n) for t in tried) for n in ("offered", "right", "one_cause"))
    wrong = (scored.wrong_holds, scored.clean_rows)
    return [
        f"- traceable mistakes found: {found} of {mistakes}, {interval(found, mistakes)}",
        f"- findings about a slip: {findings['about']} of {every}, "
        f"{interval(findings['about'], every)}; beside one on its row {findings['beside']}; "
        f"false {findings['false']}",
        f"- flagged rows that carry a slip: {scored.flagged_right} of {scored.flagged_rows}, "
        f"{interval(scored.flagged_right, scored.flagged_rows)}",
        f"- clean rows wrongly held: {scored.wrong_holds} of {scored.clean_rows}, "
        f"{one_in(*wrong)} (95 %: 1 in {_inverse(wilson(*wrong)[1])} at worst)",
        f"- clean rows wrongly asked about or masked: {scored.wrong_queries} of "
        f"{scored.clean_rows}, {one_in(scored.wrong_queries, scored.clean_rows)}",
        f"- rows of older seasons held: {scored.history_held}, asked about: "
        f"{scored.history_asked}, of {scored.history_rows}",
        f"- suggestions right: {right} of {offered}, {interval(right, offered)}",
        f"- mistakes that ask one question: {one_cause} of {found}, {interval(one_cause, found)}",
    ]


def _inverse(part: float) -> str:
    return f"{1 / part:.0f}" if part else "any"


def _listing(title: str, entries: Sequence[str], limit: int) -> list[str]:
    if not entries:
        return []
    more = [f"- ... and {len(entries) - limit} more"] if len(entries) > limit else []
    return ["", f"{title} ({len(entries)}):", "", *(f"- {e}" for e in entries[:limit]), *more]


def _faults(scored: Score, examples: int) -> list[str]:
    """Slips missed, by stage; wrong suggestions; false alarms; all with examples."""
    lines: list[str] = []
    missed = {k: t for k, t in scored.kinds.items() if t.lost}
    if missed:
        lines += ["", "Cells missed, by the stage that lost them:", ""]
        lines += table(
            ("kind", *STAGES_LOST),
            [[kind, *(tally.lost[stage] or "" for stage in STAGES_LOST)]
             for kind, tally in missed.items()],
        )
        for kind, tally in missed.items():
            lines += _listing(f"Missed {kind}", tally.misses, examples)
    for kind, tally in scored.kinds.items():
        lines += _listing(f"Wrong suggestions for {kind}", tally.bad_offers, examples)
        lines += _listing(f"Not one question of its own: {kind}", tally.split, examples)
        lines += _listing(f"Asked beside {kind}", tally.stray, examples)
    return lines


def _alarms(scored: Score, examples: int) -> list[str]:
    rows = scored.rows + scored.history_rows
    ranked = sorted(scored.alarms.items(), key=lambda item: -item[1].count)
    if not ranked:
        return ["", "No false alarm."]
    lines = ["", *table(
        ("rule", "effect", "false alarms", "per 1000 rows"),
        [[rule, effect, alarm.count, f"{1000 * alarm.count / rows:.2f}"]
         for (rule, effect), alarm in ranked],
    )]
    for (rule, effect), alarm in ranked:
        lines += _listing(f"{rule} ({effect})", alarm.examples, examples)
    return lines


def page(
    totals: Mapping[str, Score], command: str, seeds: Sequence[int], weeks: int, examples: int
) -> str:
    """The scorecard as Markdown."""
    seeded, resent, mixture, clean, strange = (
        totals[what] for what in (SEEDED, RESENT, MIXTURE, CLEAN, STRANGE))
    known = [kind for kind in (*KINDS, *RESENT_KINDS) if kind not in UNTRACEABLE]
    lines = [
        "# Detection scorecard",
        "",
        "Slips of the pen seeded in the Lantern Bay demo network, and what the weekly run's "
        "rules made of them. The slips are drawn without knowledge of the rules; their truth is "
        "kept beside them. Made by:",
        "",
        f"    {command}",
        "",
        f"{len(seeds)} seeds ({seeds[0]} to {seeds[-1]}), {weeks} weeks of the current season, "
        f"{sum(scored.networks for scored in totals.values())} networks judged. A mistake is one "
        "slip, or one run of cells slipped together. It is found when a finding that holds, masks "
        "or asks stands on its row (or on its twin's) and on a field that makes sense for it; "
        "*by its rule* is the share found by a rule made for it. *Precision*: of what is asked "
        "on the mistake's rows, the share that is about it. *One cause*: the mistakes found that "
        "ask one question, in a cause that is about no mistake of another kind. Intervals are "
        f"Wilson's. Kinds found less often than {LEAST_RECALL:.2f} are marked (short).",
        "",
        "## The targets",
        "",
        *_targets(totals),
        "",
        f"## One kind at a time ({seeded.networks + resent.networks} networks)",
        "",
    ]
    alone = Score(networks=0)
    for part in (seeded, resent):
        alone.add(part)
    lines += table(_KIND_HEAD, _kind_rows(alone.kinds, [k for k in known if k in alone.kinds]))
    unseen = [kind for kind in UNTRACEABLE if kind in alone.kinds]
    if unseen:
        lines += ["", "### No trace in the record, left out of the totals", ""]
        lines += [f"- {kind}: {UNTRACEABLE[kind]}" for kind in unseen] + [""]
        lines += table(_KIND_HEAD, _kind_rows(alone.kinds, unseen))
    lines += ["", *_drawn_again(seeded, mixture)]
    lines += ["", "### Totals: one sheet", "", *_totals(seeded)]
    if resent.networks:
        lines += ["", "### Totals: a sheet sent again", "", *_totals(resent)]
    lines += ["", "### What went wrong", *_faults(alone, examples)]
    lines += ["", "### False alarms beside the slips", *_alarms(alone, examples)]
    lines += ["", f"## The realistic mixture ({mixture.networks} networks)", ""]
    lines += table(_KIND_HEAD, _kind_rows(mixture.kinds, [k for k in KINDS if k in mixture.kinds]))
    lines += ["", *_totals(mixture), *_faults(mixture, examples)]
    lines += ["", "### False alarms beside the slips", *_alarms(mixture, examples)]
    lines += ["", "## Findings a rule", ""]
    lines += table(
        ("rule", "about a slip", "beside one", "false", "precision [95 %]"),
        [[rule, counts["about"], counts["beside"], counts["false"],
          interval(counts["about"], sum(counts.values()))]
         for rule, counts in sorted(seeded_and(mixture, seeded, resent).items())],
    )
    lines += [
        "",
        f"## The clean network ({clean.networks} networks)",
        "",
        f"{clean.rows} rows of the current season and {clean.history_rows} of older ones, no "
        "slip in any: every finding is a false alarm.",
        "",
        *_all_false(clean, examples),
        *_listing("Files not taken in", clean.troubles, examples),
        *_listing("Records not read", clean.lost, examples),
        *_listing("Decoys read as records", clean.decoys, examples),
        "",
        f"## Strange but true ({strange.networks} networks)",
        "",
        f"{strange.rows} rows of the current season and {strange.history_rows} of older ones; "
        "all of it happened, so every finding is a false alarm.",
        "",
        *table(
            ("case", "what happened", "rows", "held", "asked about or masked"),
            [[case, CASES[case], counts["rows"], counts["held"], counts["asked"]]
             for case in CASES if (counts := strange.cases.get(case))],
        ),
        "",
        *_all_false(strange, examples),
    ]
    return "\n".join(lines) + "\n"


def _all_false(scored: Score, examples: int) -> list[str]:
    rows = scored.rows + scored.history_rows
    held = scored.wrong_holds + scored.history_held
    asked = scored.wrong_queries + scored.history_asked
    return [
        f"- clean rows held: {held} of {rows}, {one_in(held, rows)}",
        f"- clean rows asked about or masked: {asked} of {rows}, {one_in(asked, rows)}",
        f"- notes: {scored.notes}",
        *_alarms(scored, examples),
    ]


def _targets(totals: Mapping[str, Score]) -> list[str]:
    """What was promised beside what was measured."""
    alone = Score(networks=0)
    for what in (SEEDED, RESENT):
        alone.add(totals[what])
    every = Score(networks=0)
    for what in (SEEDED, RESENT, MIXTURE):
        every.add(totals[what])
    traced = {kind: t for kind, t in alone.kinds.items() if kind not in UNTRACEABLE}
    mistakes, found = (sum(getattr(t, n) for t in traced.values()) for n in ("mistakes", "found"))
    short = [k for k, t in traced.items() if t.mistakes and t.found / t.mistakes < LEAST_RECALL]
    offered, right = (
        sum(getattr(t, n) for t in every.kinds.values()) for n in ("offered", "right"))
    clean, strange = totals[CLEAN], totals[STRANGE]
    rows = every.clean_rows + clean.rows + clean.history_rows
    held = every.wrong_holds + clean.wrong_holds + clean.history_held
    asked = every.wrong_queries + clean.wrong_queries + clean.history_asked
    strange_held = strange.wrong_holds + strange.history_held

    def verdict(holds: bool) -> str:
        return "yes" if holds else "no"

    def no_more_than(part: int, of: int, least: int) -> str:
        return verdict(part * least <= of)

    return table(
        ("target", "measured", "holds"),
        [
            ["at least 40 kinds", f"{len(alone.kinds)}, of which {len(traced)} leave a trace",
             verdict(len(alone.kinds) >= 40)],
            ["recall of traceable mistakes at least 0.97", interval(found, mistakes),
             verdict(found >= 0.97 * mistakes)],
            [f"recall of every traceable kind at least {LEAST_RECALL:.2f}",
             f"{len(traced) - len(short)} of {len(traced)} kinds", verdict(not short)],
            ["wrong holds at most 1 in 1,000 clean rows", f"{held} of {rows}, "
             f"{one_in(held, rows)}", no_more_than(held, rows, 1000)],
            ["wrong queries at most 1 in 100 clean rows", f"{asked} of {rows}, "
             f"{one_in(asked, rows)}", no_more_than(asked, rows, 100)],
            ["suggestions right at least 0.98 when offered", interval(right, offered),
             verdict(right >= 0.98 * offered)],
            ["strange but true: at most 1 wrong hold", str(strange_held),
             verdict(strange_held <= 1)],
        ],
    ) + (["", f"Short of it: {', '.join(short)}."] if short else [])


def seeded_and(*scores: Score) -> dict[str, Counter[str]]:
    """Findings a rule over several scores."""
    out: dict[str, Counter[str]] = {}
    for scored in scores:
        for rule, counts in scored.rules.items():
            out.setdefault(rule, Counter()).update(counts)
    return out


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the scorecard and print it."""
    parser = argparse.ArgumentParser(
        prog="python -m bench.scorecard",
        description="Scores the rules against seeded slips of the pen and a clean network.",
    )
    parser.add_argument("--seeds", type=int, default=20, help="how many seeds (default: 20)")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED, metavar="SEED",
                        help="the first seed; rules are tuned on others than the documented ones "
                        f"(default: {FIRST_SEED})")
    parser.add_argument("--weeks", type=int, default=16, help="weeks laid out (default: 16)")
    every = [*KINDS, *RESENT_KINDS]
    parser.add_argument("--kinds", nargs="+", choices=every, default=every,
                        metavar="KIND", help="only these kinds of slip")
    parser.add_argument("--each", type=int, default=3,
                        help="mistakes of each kind in a layout (default: 3)")
    parser.add_argument("--layouts", type=int, default=3,
                        help="layouts over which the kinds are dealt, a seed (default: 3)")
    parser.add_argument("--alone", action="store_true", help="every kind in its own layout")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--examples", type=int, default=3,
                        help="examples printed of each fault (default: 3)")
    parser.add_argument("--write", action="store_true", help=f"write docs/{DOCUMENT.name}")
    given = list(sys.argv[1:] if arguments is None else arguments)
    options = parser.parse_args(given)
    seeds = range(options.first_seed, options.first_seed + options.seeds)
    started = time.perf_counter()

    def progress(text: str) -> None:
        print(f"{time.perf_counter() - started:6.1f} s  {text}", file=sys.stderr, flush=True)

    totals = run_all(
        seeds, options.weeks, options.kinds, options.each,
        len(options.kinds) if options.alone else options.layouts, options.processes, progress,
    )
    command = " ".join(["python -m bench.scorecard", *given])
    made = page(totals, command, seeds, options.weeks, options.examples)
    print(made)
    whole = Score(networks=0)
    for scored in totals.values():
        whole.add(scored)
    print("Seconds, summed over processes: "
          + ", ".join(f"{stage} {seconds:.1f}" for stage, seconds in whole.seconds.items()))
    if options.write:
        DOCUMENT.parent.mkdir(exist_ok=True)
        DOCUMENT.write_text(made, encoding="utf-8", newline="\n")
        print(f"Wrote {DOCUMENT}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
