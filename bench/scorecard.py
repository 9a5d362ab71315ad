"""The detection scorecard: seeded slips of the pen found, and clean rows let through.

For every seed of the demo network three things are judged through the run's own stages
(receive, read, recognise, standardize, stage, lineage, judge with the other sites' evidence;
Prefect and loading left out):

- layouts in which some kinds of slip are seeded, so many of each kind;
- the realistic mixture that the demo lays out by itself;
- the same network without any slip, in which every finding is a false alarm.

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
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fixtures import KINDS, SeededError, lay_out
from fixtures.hand_errors import UNTRACEABLE
from fixtures.lantern_bay import CURRENT_SEASON
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
_SERIES = ("spike", "rate-of-change", "unlike-neighbours", "unlike-history")


@dataclass(frozen=True, slots=True)
class Expected:
    """What counts as finding one kind of slip.

    ``rules`` name it; ``also`` are accepted because they ask about the same cell for another
    reason. ``fields`` are those the finding may stand on. ``near``: the finding may stand on
    the same net's visit before or after, because the slip is a contradiction between two rows.
    """

    rules: tuple[str, ...]
    also: tuple[str, ...] = ()
    fields: tuple[str, ...] = ()
    near: bool = False
    target: bool = False
    """Whether the weekly run's own catalogue must catch it (recall of 0.95 at least)."""

    def accepts(self, rule: str, field_id: str) -> bool:
        """Whether a finding of ``rule`` on ``field_id`` is about this kind."""
        return rule in (*self.rules, *self.also) and field_id in self.fields


_OTHER_UNIT = Expected(
    ("temperature-unit",),
    ("out-of-range", "implausible", *_SERIES),
    ("water_temperature", "air_temperature"),
    target=True,
)
_RAIN = Expected(
    ("precipitation-unit",),
    ("out-of-range", "implausible", "unlike-neighbours"),
    ("precipitation",),
    target=True,
)

EXPECTED: dict[str, Expected] = {
    "fahrenheit-in-celsius": _OTHER_UNIT,
    "celsius-in-fahrenheit": _OTHER_UNIT,
    "temperature-column-switched": _OTHER_UNIT,
    "conductivity-thousandfold": Expected(
        ("conductivity-unit",),
        ("out-of-range", "implausible", "salinity-disagrees", *_SERIES),
        _SALTS,
        target=True,
    ),
    "precipitation-inches-as-mm": _RAIN,
    "precipitation-mm-as-inches": _RAIN,
    "count-negative": Expected(
        ("count-negative",), ("out-of-range", "sum-of-parts", "fish-accounting"), _COUNTS,
        target=True,
    ),
    "count-fractional": Expected(
        ("count-fractional",), ("sum-of-parts", "fish-accounting"), _COUNTS, target=True
    ),
    "subsample-wrong": Expected(
        ("subsample-expansion",),
        ("sum-of-parts", "fish-accounting"),
        (*_COUNTS, "subsample_count", "subsample_volume", "total_volume"),
        target=True,
    ),
    "total-not-sum": Expected(("sum-of-parts",), ("fish-accounting",), _COUNTS, target=True),
    "fish-unaccounted": Expected(("fish-accounting",), (), _COUNTS, target=True),
    "effort-blank": Expected(("effort-missing",), ("missing-required",), _EFFORT, target=True),
    "set-after-check": Expected(
        ("set-after-check",),
        ("effort-mismatch", "soak-overlap", "soak-too-long", "duplicate-event"),
        _EFFORT,
        near=True,
        target=True,
    ),
    "soak-too-long": Expected(
        ("soak-too-long",),
        ("out-of-range", "implausible", "soak-overlap", "effort-mismatch"),
        _EFFORT,
        target=True,
    ),
    "hours-disagree": Expected(
        ("effort-mismatch",), ("out-of-range", "implausible"), _EFFORT, target=True
    ),
    "soak-overlap": Expected(
        ("soak-overlap",), ("effort-mismatch", "soak-too-long"), _EFFORT, near=True, target=True
    ),
    "count-while-lifted": Expected(
        ("count-while-not-fishing",), ("effort-missing",), (*_COUNTS, *_EFFORT), target=True
    ),
    "date-wrong-year": Expected(
        ("date-out-of-season",),
        ("soak-too-long", "set-after-check", "duplicate-event", "effort-mismatch"),
        _EFFORT,
        target=True,
    ),
    "date-in-future": Expected(
        ("date-in-future",),
        ("date-out-of-season", "soak-too-long", "set-after-check"),
        _EFFORT,
        target=True,
    ),
    "date-unreadable": Expected(
        ("date-unreadable",), ("not-understood", "missing-required"), _DATES
    ),
    "row-duplicated": Expected(
        ("duplicate-event",), ("soak-overlap",), _EFFORT, target=True
    ),
    "row-duplicated-differing": Expected(
        ("duplicate-event",), ("soak-overlap",), _EFFORT, target=True
    ),
    "decimal-dropped": Expected(
        ("out-of-range", "implausible"),
        ("temperature-unit", "oxygen-unit", "oxygen-disagrees", *_SERIES),
        ("water_temperature", "ph", *_OXYGEN),
    ),
    "count-blank": Expected(("zero-or-blank",), ("missing-required",), ("count",)),
    "words-in-number": Expected(("not-understood",), (), ("count",)),
    "required-missing": Expected(("missing-required",), ("date-unreadable",), _DATES),
    "oxygen-percent-in-mg": Expected(
        ("oxygen-unit",), ("out-of-range", "implausible", "oxygen-disagrees"), _OXYGEN
    ),
    "digit-slip-count": Expected(
        ("unlike-history", "spike"), ("implausible", "unlike-neighbours"), ("count",)
    ),
    "copied-down": Expected(
        ("copied-down", "flat-line"), _SERIES, ("water_temperature",)
    ),
    "salinity-in-conductivity": Expected(
        ("salinity-disagrees",),
        ("conductivity-unit", "out-of-range", "implausible", *_SERIES),
        _SALTS,
    ),
}
"""Kind of slip -> what counts as finding it."""

# --- rows --------------------------------------------------------------------------------------

RowKey = tuple[str, str, int]
"""(file relative to the inbox, sheet, 1-based row); the sheet of a text file is empty."""


def row_key(file: str, sheet: str, row: int) -> RowKey:
    """One key for what the truth and the findings call a row."""
    name = file.removeprefix("inbox/")
    return name, "" if name.lower().endswith((".csv", ".txt", ".tsv")) else sheet, row


def finding_row(finding: Finding) -> RowKey | None:
    """The row that a finding points at; its file is named within the site's inbox or from it."""
    if finding.row is None:
        return None
    inside = finding.file.removeprefix("inbox/").removeprefix(f"{finding.site}/")
    return row_key(f"{finding.site}/{inside}", finding.sheet, finding.row)


def error_row(error: SeededError) -> RowKey:
    """The row that a slip was seeded on."""
    return row_key(error.file, error.sheet, error.row)


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
        slack += written[1] * _factor(error, truth[0], written[0])
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
    if finding.effect not in ASKED or not expected.accepts(finding.rule, finding.field):
        return False
    return bool(rows_touched(error, near) & places_of_finding(finding, rows_of_events))


def rows_touched(error: SeededError, near: Mapping[RowKey, set[RowKey]]) -> set[RowKey]:
    """Rows on which a finding about ``error`` may stand."""
    touched = {error_row(error)}
    mate = mate_row(error)
    if mate is not None:
        touched.add(mate)
    if EXPECTED[error.kind].near:
        touched |= near.get(error_row(error), set())
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
    lost: Counter[str] = field(default_factory=Counter)
    """Cells missed, by the stage that lost them."""
    misses: list[str] = field(default_factory=list)
    bad_offers: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Add another network's tally."""
        for name in ("cells", "cells_found", "mistakes", "found", "named", "at_cell",
                     "offered", "right"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.lost.update(other.lost)
        self.misses += other.misses
        self.bad_offers += other.bad_offers


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
    for finding in asked:
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
    for (kind, _), members in groups.items():
        tally = result.kinds.setdefault(kind, Tally())
        tally.mistakes += 1
        found = named = False
        for error in members:
            rows = rows_touched(error, judged.near)
            touched |= rows
            mine = [
                finding
                for finding in {id(f): f for key in rows for f in standing[key]}.values()
                if about(error, finding, of_event, judged.near)
            ]
            answered |= {id(finding) for finding in mine}
            tally.cells += 1
            tally.cells_found += bool(mine)
            tally.at_cell += any(_at_cell(error, finding) for finding in mine)
            found |= bool(mine)
            named |= any(finding.rule in EXPECTED[kind].rules for finding in mine)
            # Of several findings on one cell the first that offers something is what is seen.
            offers = [f for f in mine if f.suggestion and _same_value(error, f)]
            if offers:
                tally.offered += 1
                right = any(suggestion_right(error, finding) for finding in offers)
                tally.right += right
                if not right:
                    tally.bad_offers.append(
                        f"{label}{_slip(error)}; {offers[0].rule} suggests {offers[0].suggestion}"
                    )
            if not mine:
                stage, detail = diagnose(error, judged)
                tally.lost[stage] += 1
                beside = sorted({f.rule for f in standing[error_row(error)]})
                others = f"; found beside it: {', '.join(beside)}" if beside else ""
                tally.misses.append(
                    f"{label}{_slip(error)} -> {stage}: {detail}{others}"
                )
        tally.found += found
        tally.named += named
    _score_rows(result, judged, standing, touched, of_event)
    _score_findings(result, asked, answered, touched, of_event, label)
    return result


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


def _same_value(error: SeededError, finding: Finding) -> bool:
    """Whether a suggestion is for the value that was mistaken, not for one beside it."""
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
    from flows.weekly import WeeklyRun
    from warehouse.store import Warehouse

    network = load_network(network_dir)
    with Warehouse.open(network_dir) as warehouse:
        run = WeeklyRun(network_dir, network, warehouse, as_of)
        for site in network.sites:
            run.receive(site)
            run.take_in(site)


def judge_network(network_dir: Path, as_of: date, errors: Iterable[SeededError]) -> Judged:
    """Take in and judge every site of the network in ``network_dir``, loading nothing."""
    from checks.neighbours import neighbour_evidence
    from flows.network_folder import load_network
    from flows.weekly import WeeklyRun
    from warehouse import lineage
    from warehouse.store import Warehouse

    network = load_network(network_dir)
    judged = Judged(list(errors), [], {})
    wanted = {error_row(error) for error in judged.errors}
    with Warehouse.open(network_dir) as warehouse:
        run = WeeklyRun(network_dir, network, warehouse, as_of)
        for site in network.sites:
            run.receive(site)
            run.take_in(site)
        run.compare_sites()
        for site in network.sites:
            with warehouse.transaction() as con, run.timed("judge"):
                neighbour_evidence(con, site)
                lineage.lay_out(warehouse, site)
                judged.findings += _judged(run, site)
                _keep_rows(run, judged, wanted)
            judged.troubles += [
                f"{site}: {where} {what}" for where, what in warehouse.connection.execute(
                    "SELECT where_, what FROM file_troubles WHERE site = ?", [site]).fetchall()
            ]
            judged.troubles += [
                f"{site}: {trouble.sentence()}" for trouble in run.outcome.sites[site].troubles
            ]
        judged.seconds.update(run.outcome.seconds)
    _compare_rows(network_dir, judged)
    return judged


def _judged(run: WeeklyRun, site: str) -> list[Finding]:
    # The run judges and loads in one step; the scorecard wants the findings alone.
    return run._judge(site)


def _keep_rows(run: WeeklyRun, judged: Judged, wanted: set[RowKey]) -> None:
    con = run.warehouse.connection
    path_of = dict(con.execute("SELECT sha256, path FROM judged_files").fetchall())
    keys: dict[int, list[RowKey]] = defaultdict(list)
    for sha, sheet, row, row_id, skipped in con.execute(
        "SELECT file_sha256, sheet, sheet_row, row_id, skipped FROM judged_rows"
    ).fetchall():
        key = row_key(path_of[sha], sheet, row)
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


def _compare_rows(network_dir: Path, judged: Judged) -> None:
    """Which visits are neighbours, which records were lost, which decoys were read."""
    truth = network_dir / "truth"
    visits: dict[tuple[str, ...], dict[str, set[RowKey]]] = defaultdict(dict)
    records: set[RowKey] = set()
    for row in _table(truth / "events.csv"):
        key = row_key(row["file"], row["sheet"], int(row["row"]))
        records.add(key)
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

SEEDED, MIXTURE, CLEAN = "seeded", "mixture", "clean"


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
        shutil.copytree(task.history, directory)
        started = time.perf_counter()
        if task.what == SEEDED:
            layout = lay_out(
                directory, seed=task.seed, weeks=task.weeks, error_kinds=task.each
            )
        else:
            layout = lay_out(
                directory, seed=task.seed, weeks=task.weeks, errors=task.what == MIXTURE
            )
        laid = time.perf_counter() - started
        judged = judge_network(directory, layout.as_of, layout.errors)
        judged.label = f"seed {task.seed}: "
        result = score(judged)
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
    totals = {what: Score(networks=0) for what in (SEEDED, MIXTURE, CLEAN)}
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
            Task(what, seed, weeks, histories[seed], dict.fromkeys(batch, each))
            for seed in seeds
            for what, batch in (
                *((SEEDED, batch) for batch in batches(kinds, layouts)),
                (MIXTURE, []),
                (CLEAN, []),
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
        short = EXPECTED[kind].target and tally.mistakes and tally.found / tally.mistakes < 0.95
        name = kind + (" *" if EXPECTED[kind].target else "") + (" (short)" if short else "")
        rows.append([
            name, tally.mistakes, tally.found, interval(tally.found, tally.mistakes),
            share(tally.named, tally.found), f"{tally.cells_found}/{tally.cells}",
            share(tally.at_cell, tally.cells_found), f"{tally.right}/{tally.offered}",
        ])
    return rows


_KIND_HEAD = ("kind", "seeded", "found", "recall [95 %]", "by its rule", "cells", "at the cell",
              "suggestion right")


def _totals(scored: Score) -> list[str]:
    tried = [t for kind, t in scored.kinds.items() if kind not in UNTRACEABLE]
    mistakes, found = sum(t.mistakes for t in tried), sum(t.found for t in tried)
    findings = sum((counts for counts in scored.rules.values()), Counter[str]())
    every = sum(findings.values())
    offered, right = (sum(getattr(t, n) for t in tried) for n in ("offered", "right"))
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
    seeded, mixture, clean = totals[SEEDED], totals[MIXTURE], totals[CLEAN]
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
        f"{seeded.networks + mixture.networks + clean.networks} networks judged. A mistake is "
        "found when a finding that holds, masks or asks stands on its row (or on its twin's) and "
        "on a field that makes sense for it; *by its rule* is the share found by the rule made "
        "for it, *at the cell* the share whose finding names the very cell. Kinds marked * are "
        "to be found in 95 of 100 at least.",
        "",
        f"## One kind at a time ({seeded.networks} networks)",
        "",
    ]
    order = [kind for kind in KINDS if kind in seeded.kinds]
    caught = [k for k in order if seeded.kinds[k].found and k not in UNTRACEABLE]
    lines += table(_KIND_HEAD, _kind_rows(seeded.kinds, caught))
    silent = [k for k in order if not seeded.kinds[k].found and k not in UNTRACEABLE]
    if silent:
        lines += ["", "### Not caught yet", ""]
        lines += table(_KIND_HEAD, _kind_rows(seeded.kinds, silent))
    unseen = [k for k in order if k in UNTRACEABLE]
    if unseen:
        lines += ["", "### Not traceable from the record, left out of the totals", ""]
        lines += table(_KIND_HEAD, _kind_rows(seeded.kinds, unseen))
    lines += ["", "### Totals", "", *_totals(seeded), *_faults(seeded, examples)]
    lines += ["", f"## The realistic mixture ({mixture.networks} networks)", ""]
    lines += table(_KIND_HEAD, _kind_rows(mixture.kinds, [k for k in KINDS if k in mixture.kinds]))
    lines += ["", *_totals(mixture), *_faults(mixture, examples)]
    lines += ["", "### Findings a rule", ""]
    lines += table(
        ("rule", "about a slip", "beside one", "false"),
        [[rule, counts["about"], counts["beside"], counts["false"]]
         for rule, counts in sorted((seeded_and(mixture, seeded)).items())],
    )
    lines += ["", "### False alarms beside the slips", *_alarms(mixture, examples)]
    lines += [
        "",
        f"## The clean network ({clean.networks} networks)",
        "",
        f"{clean.rows} rows of the current season and {clean.history_rows} of older ones, no "
        "slip in any: every finding is a false alarm.",
        "",
        f"- clean rows held: {clean.wrong_holds + clean.history_held} of "
        f"{clean.rows + clean.history_rows}, "
        f"{one_in(clean.wrong_holds + clean.history_held, clean.rows + clean.history_rows)}",
        f"- clean rows asked about or masked: {clean.wrong_queries + clean.history_asked} of "
        f"{clean.rows + clean.history_rows}, "
        f"{one_in(clean.wrong_queries + clean.history_asked, clean.rows + clean.history_rows)}",
        f"- notes: {clean.notes}",
        *_alarms(clean, examples),
        *_listing("Files not taken in", clean.troubles, examples),
        *_listing("Records not read", clean.lost, examples),
        *_listing("Decoys read as records", clean.decoys, examples),
    ]
    return "\n".join(lines) + "\n"


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
    parser.add_argument("--seeds", type=int, default=5, help="how many seeds (default: 5)")
    parser.add_argument("--weeks", type=int, default=16, help="weeks laid out (default: 16)")
    parser.add_argument("--kinds", nargs="+", choices=list(KINDS), default=list(KINDS),
                        metavar="KIND", help="only these kinds of slip")
    parser.add_argument("--each", type=int, default=10,
                        help="mistakes of each kind in a layout (default: 10)")
    parser.add_argument("--layouts", type=int, default=4,
                        help="layouts over which the kinds are dealt, a seed (default: 4)")
    parser.add_argument("--alone", action="store_true", help="every kind in its own layout")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--examples", type=int, default=3,
                        help="examples printed of each fault (default: 3)")
    parser.add_argument("--write", action="store_true", help=f"write docs/{DOCUMENT.name}")
    given = list(sys.argv[1:] if arguments is None else arguments)
    options = parser.parse_args(given)
    seeds = range(FIRST_SEED, FIRST_SEED + options.seeds)
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
