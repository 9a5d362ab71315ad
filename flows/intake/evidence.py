"""What the cells of a column say about the meaning their heading gives them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from flows.intake.cells import (
    SERIAL_SPAN,
    ZERO_WORDS,
    choice_of,
    date_first,
    folded,
    is_missing,
    number_of,
    parse_count,
    parse_date_text,
    parse_hours,
    parse_number,
    parse_time,
    says_lifted,
    serial_text,
    settle,
    without_day_before,
)
from flows.intake.headings import taxon_of_cell
from flows.intake.reading import cell_text
from shared.fields import FIELDS, NUMERIC_KINDS, Field, Group, Kind
from shared.settings import Network
from shared.sheets import Cell
from shared.units import UNITS

SAMPLE = 240


@dataclass(frozen=True, slots=True)
class Fit:
    """How many cells were looked at, how many fit, and some that do not."""

    cells: int
    good: float
    misfits: tuple[str, ...] = ()

    def share(self, prior: float) -> float:
        """Share that fits, with two cells' worth of trust in the heading.

        A single bad cell then does not overturn a plain heading; five do.
        """
        return (self.good + 2 * prior) / (self.cells + 2)


def sample_of(cells: Sequence[Cell]) -> list[Cell]:
    """At most :data:`SAMPLE` non-blank cells, spread over the column."""
    filled: list[Cell] = [cell for cell in cells if cell is not None]
    if len(filled) <= SAMPLE:
        return filled
    step = len(filled) / SAMPLE
    return [filled[int(place * step)] for place in range(SAMPLE)]


def fit(cells: Sequence[Cell], entry: Field, unit: str | None = None, decimal: str = ".") -> Fit:
    """How the sampled cells agree with a field. Cells that say "no value" are left out."""
    good = 0.0
    seen = 0
    misfits: list[str] = []
    shares: dict[tuple[type, Cell], float] = {}
    for cell in cells:
        if type(cell) is str and entry.id != "gear_unit" and is_missing(cell):
            continue
        seen += 1
        key = (type(cell), cell)
        known = shares.get(key)
        if known is None:
            known = shares[key] = _one(cell, entry, unit, decimal)
        share = known
        good += share
        if share < 0.5 and len(misfits) < 3:
            text = " ".join(cell_text(cell).split())[:24]
            if text not in misfits:
                misfits.append(text)
    return Fit(seen, good, tuple(misfits))


def _one(cell: Cell, entry: Field, unit: str | None, decimal: str) -> float:
    if entry.kind in NUMERIC_KINDS:
        return _number(cell, entry, unit, decimal)
    if entry.kind is Kind.DATE:
        if isinstance(cell, dt.date):
            return 1.0 if 1980 <= cell.year <= 2100 else 0.0
        if isinstance(cell, float | int) and not isinstance(cell, bool):
            return (
                0.8
                if SERIAL_SPAN[0] <= cell <= SERIAL_SPAN[1] or (20_000_101 <= cell <= 21_001_231)
                else 0.0
            )
        if type(cell) is str:
            found = parse_date_text(cell)
            if found is None:
                return 0.8 if serial_text(cell) is not None else 0.0
            if found.date or found.year or found.first:
                return 1.0
        return 0.0
    if entry.kind is Kind.TIME:
        if isinstance(cell, dt.datetime) and cell.year > 1905:
            return 0.5
        if parse_time(date_first(cell) if type(cell) is str else cell) is None:
            bare = without_day_before(cell) if type(cell) is str else None
            return 1.0 if entry.id == "set_time" and bare and parse_time(bare) else 0.0
        number = number_of(cell)
        if number is not None and 1 <= number < 24 and number.is_integer():
            return 0.4  # a bare hour, or a count of something
        return 1.0
    if entry.kind is Kind.CHOICE:
        return 1.0 if choice_of(cell, entry) is not None else 0.0
    if entry.kind is Kind.TAXON:
        if type(cell) is not str:
            return 0.0
        return 1.0 if taxon_of_cell(cell) is not None else 0.45
    return _text(cell, entry)


def _number(cell: Cell, entry: Field, unit: str | None, decimal: str) -> float:
    value: float
    if isinstance(cell, bool):
        return 0.0
    if isinstance(cell, float | int):
        value = float(cell)
    elif type(cell) is str:
        if entry.id == "count" and says_lifted(cell):
            return 1.0
        if entry.id in ("count", "precipitation") and folded(cell) in ZERO_WORDS:
            return 1.0
        if entry.id == "precipitation" and folded(cell) in ("trace", "tr", "t"):
            return 1.0
        read = parse_count if entry.group is Group.COUNT else parse_number
        parsed = read(cell, decimal, entry.accepted)
        if parsed is None:
            if entry.unit == "h" and parse_hours(cell) is not None:
                return 1.0
            return 0.0
        value = parsed.value
    elif entry.unit == "h":
        return 1.0 if parse_hours(cell) is not None else 0.0
    else:
        return 0.0
    if entry.bounds is not None and not entry.bounds[0] <= value <= entry.bounds[1]:
        return 0.0
    if entry.kind is Kind.WHOLE and not value.is_integer():
        return 0.0
    usual = entry.plausible
    if (
        entry.unit == "1"
        and entry.kind is Kind.NUMBER
        and usual is not None
        and usual.low is not None
        and usual.high is not None
    ):
        # A number without a unit has no other unit to blame: far off, it is another thing.
        room = (usual.high - usual.low) / 2
        if not usual.low - room <= value <= usual.high + room:
            return 0.0
    if unit is not None and entry.possible is not None and unit != entry.unit:
        low, high = entry.possible.low, entry.possible.high
        canonical = UNITS[unit].to_canonical(value)
        if UNITS[unit].quantity == UNITS[entry.unit or unit].quantity and (
            (high is not None and canonical > high * 20)
            or (low is not None and canonical < low - 400)
        ):
            return 0.0
    return 1.0


def _text(cell: Cell, entry: Field) -> float:
    if entry.id == "gear_unit":
        if type(cell) is str:
            words = cell.strip()
            if len(words) > 1 and choice_of(words, FIELDS["net_status"]) is not None:
                return 0.2  # "fishing", "out": the state of the net, not its name
            return 1.0 if len(words) <= 24 else 0.0
        number = number_of(cell)
        return 0.9 if number is not None and 0 < number < 100 else 0.0
    if entry.id == "pigment_stage":
        return 1.0 if type(cell) is str or type(cell) in (float, int) else 0.0
    if type(cell) is str:
        if parse_number(cell) is not None:
            return 0.3
        return 1.0
    return 0.3 if entry.id == "remarks" else 0.2


# -- the order of day and month -----------------------------------------------------------


def date_order(cells: Sequence[Cell], network: Network) -> tuple[str, str]:
    """Order of day, month and year among text dates, and how it is known.

    Tried in turn: days above 12, the sequence of the rows, the network's season. Empty
    when all dates are unmistakable or nothing tells.
    """
    numeric = [
        found
        for cell in cells
        if type(cell) is str and (found := parse_date_text(cell)) is not None and found.numeric
    ]
    if not numeric:
        return "", ""
    days = sum(1 for d in numeric if d.first > 12 >= d.second)
    months = sum(1 for d in numeric if d.second > 12 >= d.first)
    short = [d for d in numeric if d.short]
    if len(short) == len(numeric) >= 3:
        as_year = {d.first for d in numeric}
        if len(as_year) == 1 and min(as_year) > 12 and len({d.year for d in numeric}) > 2:
            return "ymd", "the year stands first"
    if days and not months:
        return "dmy", "days above 12 stand first"
    if months and not days:
        return "mdy", "days above 12 stand second"
    if days and months:
        if days >= 9 * months:
            return "dmy", "most days above 12 stand first"
        if months >= 9 * days:
            return "mdy", "most days above 12 stand second"
        return "", "days above 12 stand first in some rows and second in others"
    known = [d for d in numeric if d.year > 0]
    if all(d.first == d.second for d in numeric):
        return "", ""
    scores: dict[str, tuple[float, float]] = {}
    for order in ("dmy", "mdy"):
        dates = [day for d in known if (day := settle(d, order)) is not None]
        if not dates:
            return "", "nothing tells day from month"
        season = sum(network.in_season(day) for day in dates) / len(dates)
        scores[order] = (_unsteadiness(dates), season)
    (dmy_steps, dmy_season), (mdy_steps, mdy_season) = scores["dmy"], scores["mdy"]
    if (
        len(known) >= 4
        and min(dmy_steps, mdy_steps) * 2 <= max(dmy_steps, mdy_steps)
        and (max(dmy_steps, mdy_steps) > 3)
    ):
        return ("dmy" if dmy_steps < mdy_steps else "mdy"), "the rows follow one another"
    if abs(dmy_season - mdy_season) >= 0.4 and len(known) >= 3:
        return ("dmy" if dmy_season > mdy_season else "mdy"), "the season"
    return "", "nothing tells day from month"


def _unsteadiness(dates: list[dt.date]) -> float:
    """Mean distance in days between a row's date and the next, backward steps doubled."""
    if len(dates) < 2:
        return 0.0
    whole = 0.0
    for before, after in pairwise(dates):
        step = (after - before).days
        whole += step if step >= 0 else -2 * step
    return whole / (len(dates) - 1)
