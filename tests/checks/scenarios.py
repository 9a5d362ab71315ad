"""One scenario a rule and field: how to lay it, what is fine, what is odd, where it tips.

``tests/checks/test_scenarios.py`` runs every scenario through the same questions. A rule of
the catalogue without a scenario, or a threshold that none changes, fails there.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from dataclasses import field as attribute
from typing import Any

from shared.flags import Effect, Flag
from tests.checks.made_up_sheets import EEL, FIRST_DAY, STICKLEBACK, MadeUpSheet

HOLD, MASK, QUERY, NOTE = Effect.HOLD, Effect.MASK, Effect.QUERY, Effect.NOTE

Lay = Callable[[MadeUpSheet, Any], int]
"""Lays rows in which ``value`` is what the scenario is about; gives the row looked at."""


@dataclass(frozen=True)
class Scenario:
    """``edge``: the last value that is fine and the first that is not."""

    rule: str
    lay: Lay
    odd: Any
    message: str
    field: str
    effect: Effect
    flag: Flag
    fine: tuple[Any, ...] = ()
    edge: tuple[Any, Any] | None = None
    suggestion: str = ""
    limits: Mapping[str, float] = attribute(default_factory=dict)
    """Thresholds under which ``odd`` is fine."""
    offers: Mapping[str, float] = attribute(default_factory=dict)
    """Thresholds under which ``odd`` is found as ever, and nothing is suggested."""
    blank: Any = None
    """The value missing; ``...``: that it is missing is what the rule finds."""
    cell: str | None = ""
    """Field whose column the finding points at: ""(its own), None (the sheet has none)."""
    stage: str | None = None
    units: Mapping[str, str] = attribute(default_factory=dict)
    without: tuple[str, ...] = ()
    protocol: str = "fyke"
    raw: Mapping[str, str] = attribute(default_factory=dict)
    name: str = ""

    @property
    def id(self) -> str:
        return f"{self.rule}-{self.field}{'-' + self.name if self.name else ''}"

    def sheet(self, value: Any) -> tuple[MadeUpSheet, int]:
        """A sheet with ``value`` in it, and the row that is looked at."""
        laid = MadeUpSheet(self.units, self.without, self.protocol, self.raw)
        return laid, self.lay(laid, value)


def event(name: str, **more: Any) -> Lay:
    """A single row in which the event field ``name`` has the value."""
    return lambda sheet, value: sheet.row(**more, **{name: value})


def catch(name: str, **more: Any) -> Lay:
    """A single row whose catch has the value in ``name``."""
    return lambda sheet, value: sheet.row(catches=[more | {name: value}])


def unread(field_id: str, kind: str = "not-understood", **more: Any) -> Lay:
    """A row with a cell that says ``value`` and could not be taken as one; None: no such cell."""

    def lay(sheet: MadeUpSheet, value: Any) -> int:
        odd = [] if value is None else [{"field": field_id, "raw": value, "kind": kind} | more]
        blank: dict[str, Any] = {} if "catch" in more else {field_id: None}
        return sheet.row(oddities=odd, **blank)

    return lay


def clock(text: str) -> dt.time:
    """A time of day from ``HH:MM``."""
    return dt.time.fromisoformat(text)


def _soak(sheet: MadeUpSheet, hours: float | None) -> int:
    if hours is None:
        return sheet.row(hours_fished=None, set_date=None, set_time=None)
    start = dt.datetime.combine(FIRST_DAY, clock("07:00")) - dt.timedelta(hours=hours)
    return sheet.row(hours_fished=None, set_date=start.date(), set_time=start.time())


def _overlapping(sheet: MadeUpSheet, minutes: int | None) -> int:
    """A second row set ``minutes`` before the check of the first."""
    sheet.row()
    if minutes is None:
        return sheet.row(1, set_date=None, set_time=None, hours_fished=None)
    start = dt.datetime.combine(FIRST_DAY, clock("07:00")) - dt.timedelta(minutes=minutes)
    soak = dt.datetime.combine(FIRST_DAY + dt.timedelta(1), clock("07:00")) - start
    return sheet.row(1, set_date=start.date(), set_time=start.time(),
                     hours_fished=soak.total_seconds() / 3600)


def _overlapping_hours(sheet: MadeUpSheet, hours: float | None) -> int:
    sheet.row(set_date=None, set_time=None)
    return sheet.row(1, set_date=None, set_time=None, hours_fished=hours)


def _second_check(sheet: MadeUpSheet, minutes: int | None) -> int:
    """The same net checked again ``minutes`` after 07:00."""
    sheet.row()
    if minutes is None:
        return sheet.row(1)
    again = (dt.datetime.combine(FIRST_DAY, clock("07:00"))
             + dt.timedelta(minutes=minutes)).time()
    return sheet.row(check_time=again, set_date=FIRST_DAY, set_time=clock("07:00"),
                     hours_fished=minutes / 60)


def _twice(sheet: MadeUpSheet, content: str | None) -> int:
    """The same event again, with the same content or another."""
    sheet.row(content="one")
    if content is None:
        return sheet.row(1, content="one")
    return sheet.row(content=content)


def _vanished(sheet: MadeUpSheet, gone: bool | None) -> int:
    return sheet.row(vanished=bool(gone))


def _vanished_beside(sheet: MadeUpSheet, alike: int | None) -> int:
    """A row that is gone, and as many that look like it: one beside, one in another tab."""
    row = sheet.row(vanished=True)
    places = [(row, sheet.name, 41, dt.date(2026, 3, 14)), (row, "April", 7, dt.date(2026, 4, 2))]
    sheet.alike = places[: alike or 0]
    return row


def _conductance(sheet: MadeUpSheet, value: float | None) -> int:
    """A reading after nine of 12,000 uS/cm."""
    for day in range(9):
        sheet.row(day, specific_conductance=12_000.0)
    return sheet.row(9, specific_conductance=value)


def _brook(sheet: MadeUpSheet, value: float | None) -> int:
    """A reading after nine of 100 uS/cm: water so fresh that sea water would be a slip."""
    for day in range(9):
        sheet.row(day, specific_conductance=100.0)
    return sheet.row(9, specific_conductance=value)


def _year(sheet: MadeUpSheet, year: int | None) -> int:
    """A row whose date is of ``year`` amid rows of 2026."""
    for day in range(3):
        sheet.row(day)
    date = None if year is None else dt.date(year, 3, 13)
    row = sheet.row(local_date=date, check_date=date, set_date=None, set_time=None)
    sheet.row(4)
    return row


def _month_of_hauls(sheet: MadeUpSheet, first: dt.date | None) -> int:
    """Monthly hauls of 2026, the first of them on ``first``."""
    row = sheet.row(local_date=first)
    for month in range(2, 7):
        sheet.row(local_date=dt.date(2026, month, 14))
    return row


def _oxygen(sheet: MadeUpSheet, value: float | None, usual: float, salinity: float | None) -> int:
    """A reading after six of ``usual`` mg/l in water of 10 degC."""
    water = {"water_temperature": 10.0, "salinity": salinity}
    for day in range(6):
        sheet.row(day, dissolved_oxygen=usual, **water)
    return sheet.row(6, dissolved_oxygen=value, **water)


def _in_percent(sheet: MadeUpSheet, value: float | None) -> int:
    return _oxygen(sheet, value, usual=10.0, salinity=8.0)


def _without_point(sheet: MadeUpSheet, value: float | None) -> int:
    return _oxygen(sheet, value, usual=9.2, salinity=8.0)


def _percent_in_unknown_salt(sheet: MadeUpSheet, value: float | None) -> int:
    return _oxygen(sheet, value, usual=10.0, salinity=None)


def _set_on(sheet: MadeUpSheet, start: dt.datetime | None) -> int:
    """Set at ``start``, in a sheet that dates the set."""
    if start is None:
        return sheet.row(set_date=None, set_time=None)
    return sheet.row(set_date=start.date(), set_time=start.time(), hours_fished=None)


def _set_on_for_a_day(sheet: MadeUpSheet, start: dt.datetime | None) -> int:
    """Set at ``start``, in a sheet that says that it was for a day."""
    if start is None:
        return sheet.row(set_date=None, set_time=None)
    return sheet.row(set_date=start.date(), set_time=start.time(), hours_fished=24.2)


def _set_undated(sheet: MadeUpSheet, time: dt.time | None) -> int:
    """Set on the day of the check, in a sheet that has no set date of its own."""
    start = None if time is None else dt.datetime.combine(FIRST_DAY, time)
    return sheet.row(set_date=None, set_time=time, set_at=start)


def _haul_column(sheet: MadeUpSheet, filled: int | None) -> int:
    """Ten hauls whose sticklebacks are counted in ``filled``; the last is blank."""
    blank: dict[str, Any] = {"taxon": STICKLEBACK, "life_stage": "unspecified", "count": None}
    for day in range(9):
        count = 5.0 if filled is not None and day < filled else None
        sheet.row(day, catches=[blank | {"count": count}])
    return sheet.row(9, catches=[blank | {"count": 5.0 if filled is None else None}])


def _stages(sheet: MadeUpSheet, total: float | None) -> int:
    return sheet.row(catches=[
        {"count": 100.0}, {"life_stage": "elver", "count": 45.0},
        {"life_stage": "all", "count": total}])


def _accounted_beside(sheet: MadeUpSheet, released: float | None) -> int:
    """Elvers were counted too, but the columns of what became of them stand by glass eels."""
    return sheet.row(catches=[
        {"count": 100.0, "released": released, "mortality": 1.0},
        {"life_stage": "elver", "count": 5.0}])


def _accounted(sheet: MadeUpSheet, released: float | None) -> int:
    return sheet.row(catches=[
        {"count": 120.0, "released": released, "mortality": 1.0, "kept": None}])


def _subsampled(sheet: MadeUpSheet, count: float | None) -> int:
    return sheet.row(catches=[{"count": count, "subsample_count": 310.0,
                               "subsample_volume": 50.0, "total_volume": 850.0}])


def _subsample_of(sheet: MadeUpSheet, volume: float | None) -> int:
    return sheet.row(catches=[{"count": 310.0, "subsample_count": 310.0,
                               "subsample_volume": volume, "total_volume": 50.0}])


def _lifted(sheet: MadeUpSheet, count: float | None) -> int:
    return sheet.row(net_status="lifted", catches=[{"count": count}])


def _no_hours(sheet: MadeUpSheet, count: float | None) -> int:
    return sheet.row(hours_fished=None, set_date=None, set_time=None, catches=[{"count": count}])


def _column_of_counts(sheet: MadeUpSheet, filled: int | None) -> int:
    """Ten rows whose glass eels are counted in ``filled``; the last is blank, elvers counted."""
    for day in range(9):
        sheet.row(day, catches=[
            {"count": 5.0 if filled is not None and day < filled else None},
            {"life_stage": "elver", "count": 1.0}])
    return sheet.row(9, catches=[{"count": 5.0 if filled is None else None},
                                 {"life_stage": "elver", "count": 1.0}])


def _at(day: int, name: str) -> Lay:
    """A reading on a day of which the other sites' medians are known (NEIGHBOURS)."""
    return lambda sheet, value: sheet.row(day, **{name: value})


def on(day: int) -> dt.date:
    """The date of a row laid ``day`` days after the first."""
    return FIRST_DAY + dt.timedelta(days=day)


def moment(day: int, text: str) -> dt.datetime:
    """``HH:MM`` on the day ``day`` days after the first."""
    return dt.datetime.combine(on(day), clock(text))


NEIGHBOURS: dict[dt.date, dict[str, float]] = {
    on(30): {"air_temperature": -1.0},
    on(31): {"air_temperature": 19.0},
    on(32): {"precipitation": 24.0},
    on(33): {"precipitation": 1.0},
    on(35): {"air_temperature": -1.0, "sites": 2, "air_temperature_least": -2.5,
             "air_temperature_most": 0.5},
    on(36): {"precipitation": 30.0, "sites": 2, "precipitation_least": 20.0,
             "precipitation_most": 40.0},
}
"""What the other sites had on the days that scenarios about neighbours use."""

_MEND_UNIT = "Write it in the column's unit, or tell us which unit the column is in."
_FIELD_SHEET = ("Look at the field sheet for a slipped decimal point or a value in the wrong "
                "column.")
_SAY_SO = "Check it against the field sheet; if it is right, say so and it stays."
_OTHER_COLUMN = "Move it to the column of its unit, or write what this column asks for."
_AS_PERCENT = f"It fits only as % of saturation; did you mean that? {_OTHER_COLUMN}"
_MEND_TIME = "Mend the date or time that is wrong (12-hour times often are)."
_FROM_METER = "Write what each instrument showed, or leave blank what was not read."
_NO_EFFORT = "Fill in the effort, or the times the net was set and checked."

SCENARIOS: tuple[Scenario, ...] = (
    # -- what the dictionary implies -----------------------------------------------------
    Scenario(
        "missing-required", event("local_date", check_date=None), None, "Date is blank. Fill it "
        "in, or strike the row if it is not a record.", "local_date", HOLD, Flag.MISSING,
        fine=(FIRST_DAY,), blank=...),
    Scenario(
        "missing-required", catch("taxon"), None, "Taxon is blank. Fill it in, or strike the row "
        "if it is not a record.", "taxon", HOLD, Flag.MISSING, fine=(EEL, STICKLEBACK), blank=...),
    Scenario(
        "not-understood", unread("water_temperature"), "brr", 'Water temperature says "brr", '
        "which we cannot read as a number. Write it plainly, or leave the cell blank if it was "
        "not taken.", "water_temperature", MASK, Flag.FAIL),
    Scenario(
        "not-understood", unread("set_time"), "dawn", 'Set time says "dawn", which we cannot '
        "read as a time of day. Write it plainly, or leave the cell blank if it was not taken.",
        "set_time", QUERY, Flag.FAIL),
    Scenario(
        "not-understood", unread("count", catch=0), "lots", 'Count says "lots", which we cannot '
        "read as a whole number. Write it plainly, or leave the cell blank if it was not taken.",
        "count", HOLD, Flag.FAIL),
    Scenario(
        "not-in-list", unread("tide_stage", "not-in-list"), "sideways", 'Tide says "sideways", '
        "which is not a word we know there (known: low, flood, high, ebb). Use one of the known "
        "words, or tell us what this one means.", "tide_stage", QUERY, Flag.FAIL),
    Scenario(
        "not-in-list", unread("taxon", "not-in-list", catch=0), "sea monkey", 'Taxon says "sea '
        'monkey", which is not a word we know there. Use one of the known words, or tell us what '
        "this one means.", "taxon", HOLD, Flag.FAIL),
    Scenario(
        "value-qualified", unread("count", "qualifier", catch=0, detail="~"), "~12", 'Count '
        'is written "~12"; it is used as 12 and marked. Nothing to do unless the exact number is '
        "known.", "count", NOTE, Flag.PASS),
    Scenario(
        "column-unread", unread("ph", "column-unread", detail="its cells are not that"), "pH",
        'The column "pH" was not read: its cells are not that. Mend the heading or the cells, or '
        "tell us what the column holds.", "ph", QUERY, Flag.NOT_EVALUATED),
    Scenario(
        "no-value", unread("salinity", "no-value", detail="nd"), "ND", 'Salinity says "ND": no '
        "value, which is no zero either. Nothing to do; write 0 if there really was none.",
        "salinity", NOTE, Flag.MISSING),
    Scenario(
        "out-of-range", event("ph"), 72.0, f"pH 72 cannot be right: it lies between 0 and 14. "
        f"{_FIELD_SHEET}", "ph", MASK, Flag.FAIL, fine=(7.2, 6.0), edge=(14.0, 14.001),
        suggestion="7.2"),
    Scenario(
        "out-of-range", event("turbidity"), -1.0, f"Turbidity -1 NTU cannot be right: it lies "
        f"between 0 and 4000 NTU. {_FIELD_SHEET}", "turbidity", MASK, Flag.FAIL,
        fine=(3.0,), edge=(0.0, -0.001)),
    Scenario(
        "out-of-range", event("secchi_depth"), 4500.0, "Secchi depth 45 m cannot be right: it "
        f"lies between 0 and 40 m. {_FIELD_SHEET}", "secchi_depth", MASK, Flag.FAIL,
        fine=(120.0,), edge=(4000.0, 4000.1), units={"secchi_depth": "m"}, name="in-metres"),
    Scenario(
        "out-of-range", event("hauls"), 0.0, "Hauls 0 cannot be right: it lies between 1 and 60. "
        f"{_FIELD_SHEET}", "hauls", HOLD, Flag.FAIL, fine=(3.0,), edge=(60.0, 61.0),
        protocol="seine"),
    Scenario(
        "out-of-range", catch("count"), 2_500_000.0, "Count 2500000 cannot be right: it lies "
        f"between 0 and 2000000. {_FIELD_SHEET}", "count", HOLD, Flag.FAIL,
        edge=(2_000_000.0, 2_000_001.0)),
    Scenario(
        "out-of-range", catch("weight"), 0.001, "Weight 0 g cannot be right: it lies between 0.01 "
        f"and 30000 g. {_FIELD_SHEET}", "weight", MASK, Flag.FAIL, fine=(0.2,),
        edge=(0.005, 0.0049)),
    Scenario(
        "out-of-range", event("water_temperature"), 201.111, "Water temperature 394 degF cannot "
        f"be right: it lies between 28.4 and 104 degF. {_FIELD_SHEET}", "water_temperature", MASK,
        Flag.FAIL, fine=(4.0,), suggestion="39.4 degF", units={"water_temperature": "degF"},
        name="in-fahrenheit"),
    Scenario(
        # 20.1 and 2 degC are both fine air: which decimal was lost is not told.
        "out-of-range", event("air_temperature"), 201.0, "Air temperature 201 degC cannot be "
        f"right: it lies between -40 and 50 degC. {_FIELD_SHEET}", "air_temperature", MASK,
        Flag.FAIL, fine=(4.0,), name="two-decimals-fit"),
    Scenario(
        "implausible", event("dissolved_oxygen"), 18.0, "Dissolved oxygen 18 mg/l would be "
        f"unusual: most are between 3 and 16 mg/l. {_SAY_SO}", "dissolved_oxygen", QUERY,
        Flag.SUSPECT, fine=(9.5,), edge=(16.0, 16.01)),
    Scenario(
        "implausible", event("ph"), 5.0, f"pH 5 would be unusual: most are between 5.5 and 9.3. "
        f"{_SAY_SO}", "ph", QUERY, Flag.SUSPECT, fine=(7.0,), edge=(5.5, 5.49)),
    Scenario(
        "implausible", catch("count"), 45_000.0, "Count 45000 would be unusual: most are between "
        f"0 and 20000. {_SAY_SO}", "count", QUERY, Flag.SUSPECT, fine=(0.0, 900.0),
        edge=(20_000.0, 20_001.0)),
    Scenario(
        "zero-or-blank", _column_of_counts, 9, "The net was checked, but the count of American "
        "eel (glass eel) is blank. Write 0 if there were none; if the net was not fishing or "
        "nobody counted, say so.", "count", QUERY, Flag.MISSING, edge=(7, 8), stage="glass eel",
        limits={"share_filled": 0.95}),
    Scenario(
        "zero-or-blank", _haul_column, 9, "The net was checked, but the count of Threespine "
        "stickleback (unspecified) is blank. Write 0 if there were none; if the net was not "
        "fishing or nobody counted, say so.", "count", QUERY, Flag.MISSING, edge=(7, 8),
        stage="unspecified", limits={"share_filled": 0.95}, protocol="seine", name="hauls"),
    # -- units -----------------------------------------------------------------------------
    Scenario(
        "temperature-unit", event("water_temperature"), 48.0, "Water temperature 48 was read as "
        f"degC. It fits only as degF; did you mean that? {_MEND_UNIT}", "water_temperature", MASK,
        Flag.SUSPECT,
        fine=(9.0,), edge=(28.0, 30.3), suggestion="8.9 degC", name="warm"),
    Scenario(
        "temperature-unit", event("water_temperature"), -11.0, "Water temperature 12.2 was read "
        f"as degF. It fits only as degC; did you mean that? {_MEND_UNIT}", "water_temperature",
        MASK, Flag.SUSPECT,
        fine=(9.0,), edge=(-1.0, -2.3), suggestion="54 degF", units={"water_temperature": "degF"},
        raw={"water_temperature": "12.2"}, name="cold"),
    Scenario(
        "temperature-unit", event("air_temperature"), 60.0, "Air temperature 60 was read as "
        f"degC. It fits only as degF; did you mean that? {_MEND_UNIT}", "air_temperature", MASK,
        Flag.SUSPECT,
        fine=(12.0,), edge=(35.0, 35.1), suggestion="15.6 degC"),
    Scenario(
        "temperature-unit", _at(30, "air_temperature"), 30.0, "Air temperature 30 was read as "
        f"degC. It fits only as degF; did you mean that? {_MEND_UNIT}", "air_temperature", MASK,
        Flag.SUSPECT,
        fine=(-1.0, 8.0), edge=(21.0, 21.3), suggestion="-1.1 degC", name="neighbours-warm",
        limits={"neighbour_distance": 16.0}),
    Scenario(
        "temperature-unit", _at(31, "air_temperature"), -6.667, "Air temperature 20 was read as "
        f"degF. It fits only as degC; did you mean that? {_MEND_UNIT}", "air_temperature", MASK,
        Flag.SUSPECT,
        fine=(19.0,), suggestion="68 degF", units={"air_temperature": "degF"},
        raw={"air_temperature": "20"}, name="neighbours-cold",
        limits={"neighbour_distance": 16.0}),
    Scenario(
        "temperature-unit", _at(35, "air_temperature"), 30.0, "Air temperature 30 was read as "
        f"degC. It fits only as degF; did you mean that? {_MEND_UNIT}", "air_temperature", MASK,
        Flag.SUSPECT,
        fine=(-1.0, 8.0), suggestion="-1.1 degC", name="two-neighbours",
        limits={"neighbour_distance": 16.0}),
    Scenario(
        "conductivity-unit", _conductance, 12.4, "Specific conductance 12.4 was read as uS/cm. "
        "It fits only as mS/cm; did you mean that? Write it in the column's unit, or tell us "
        "which unit the meter "
        "showed.", "specific_conductance", MASK, Flag.SUSPECT, fine=(11_800.0,),
        suggestion="12400 uS/cm"),
    Scenario(
        "conductivity-unit", event("specific_conductance"), 12.4, "Specific conductance 12.4 was "
        "read as uS/cm. It fits only as mS/cm; did you mean that? Write it in the column's unit, "
        "or tell us which "
        "unit the meter showed.", "specific_conductance", MASK, Flag.SUSPECT, fine=(11_800.0,),
        edge=(20.0, 19.9), suggestion="12400 uS/cm", name="nothing-usual"),
    Scenario(
        "conductivity-unit", _conductance, 12_400_000.0, "Specific conductance 12400 was read as "
        "mS/cm. It fits only as uS/cm; did you mean that? Write it in the column's unit, or tell "
        "us which unit the "
        "meter showed.", "specific_conductance", MASK, Flag.SUSPECT, fine=(12_000.0,),
        suggestion="12.4 mS/cm", units={"specific_conductance": "mS/cm"}, name="thousandfold"),
    Scenario(
        "conductivity-unit", _brook, 50_000.0, "Specific conductance 50 was read as mS/cm. It "
        "fits only as uS/cm; did you mean that? Write it in the column's unit, or tell us which "
        "unit the meter "
        "showed.", "specific_conductance", MASK, Flag.SUSPECT, fine=(140.0,),
        edge=(12_499.0, 12_500.0), suggestion="0.05 mS/cm",
        units={"specific_conductance": "mS/cm"}, name="thousandfold-in-range"),
    Scenario(
        "conductivity-unit", _conductance, 85.0, "Specific conductance 85 was read as uS/cm. It "
        "fits only as mS/cm; did you mean that? Write it in the column's unit, or tell us which "
        "unit the meter "
        "showed.", "specific_conductance", MASK, Flag.SUSPECT, fine=(12_000.0, 130.0),
        edge=(96.1, 96.0), limits={"within_factor": 4.0},
        name="usual"),
    Scenario(
        "precipitation-unit", event("precipitation"), 635.0, "Precipitation 25 was read as in. It "
        "fits only as mm; did you mean that? Write it in the column's unit, or tell us which "
        "unit the gauge has.",
        "precipitation", MASK, Flag.SUSPECT, fine=(12.7,), edge=(150.0, 150.1),
        suggestion="0.984 in", units={"precipitation": "in"}),
    Scenario(
        "precipitation-unit", _at(32, "precipitation"), 0.9, "Precipitation 0.9 was read as mm. "
        "It fits only as in; did you mean that? Write it in the column's unit, or tell us which "
        "unit the gauge has.",
        "precipitation", MASK, Flag.SUSPECT, fine=(20.0, 0.0), edge=(3.0, 2.8),
        suggestion="22.9 mm", limits={"heavy_mm": 25.0}, name="inches"),
    Scenario(
        "precipitation-unit", _at(32, "precipitation"), 0.4, "Precipitation 0.4 was read as mm. "
        "It fits only as in; did you mean that? Write it in the column's unit, or tell us which "
        "unit the gauge has.",
        "precipitation", MASK, Flag.SUSPECT, fine=(20.0,), edge=(0.3, 0.32),
        suggestion="10.2 mm", limits={"within_factor": 2.0}, name="inches-near"),
    Scenario(
        "precipitation-unit", _at(33, "precipitation"), 50.8, "Precipitation 2 was read as in. It "
        "fits only as mm; did you mean that? Write it in the column's unit, or tell us which "
        "unit the gauge has.",
        "precipitation", MASK, Flag.SUSPECT, fine=(2.5,), edge=(25.3, 25.4),
        suggestion="0.079 in", limits={"apart_factor": 60.0}, units={"precipitation": "in"},
        name="millimetres"),
    Scenario(
        "precipitation-unit", _at(36, "precipitation"), 1.2, "Precipitation 1.2 was read as mm. "
        "It fits only as in; did you mean that? Write it in the column's unit, or tell us which "
        "unit the gauge has.",
        "precipitation", MASK, Flag.SUSPECT, fine=(28.0,), suggestion="30.5 mm",
        limits={"heavy_mm": 31.0}, name="two-gauges"),
    Scenario(
        "oxygen-unit", _in_percent, 92.0, f"Dissolved oxygen 92 was read as mg/l. {_AS_PERCENT}",
        "dissolved_oxygen", MASK, Flag.SUSPECT, fine=(10.4,), edge=(24.9, 25.0),
        suggestion="9.9 mg/l", limits={"from_mg_l": 95.0, "to_percent": 200.0}),
    Scenario(
        "oxygen-unit", _without_point, 92.0, "Dissolved oxygen 92 is far from the days around it; "
        "a lost decimal point would explain it. Mend it, or tell us that it is right.",
        "dissolved_oxygen", MASK, Flag.SUSPECT, fine=(9.4,), suggestion="9.2 mg/l",
        name="lost-point"),
    Scenario(
        "oxygen-unit", _percent_in_unknown_salt, 92.0, "Dissolved oxygen 92 was read as mg/l. "
        + _AS_PERCENT, "dissolved_oxygen", MASK, Flag.SUSPECT, fine=(10.4,),
        name="salinity-unknown"),
    Scenario(
        "oxygen-unit", event("dissolved_oxygen"), 180.0, "Dissolved oxygen 180 was read as mg/l. "
        + _AS_PERCENT,
        "dissolved_oxygen", MASK, Flag.SUSPECT, edge=(200.1, 200.0),
        limits={"from_mg_l": 25.0, "to_percent": 150.0}, name="not-percent-either"),
    Scenario(
        "salinity-disagrees", event("conductivity", salinity=16.3), 16.3, "Conductivity says "
        f"16.3, the same number as the salinity (16.3). {_FROM_METER}", "conductivity", MASK,
        Flag.SUSPECT, fine=(25_000.0,), edge=(16.36, 16.35)),
    Scenario(
        "salinity-disagrees", event("salinity", specific_conductance=1.2), 1.2, "Specific "
        f"conductance says 1.2, the same number as the salinity (1.2). {_FROM_METER}",
        "specific_conductance", MASK, Flag.SUSPECT, fine=(0.6, 3.0), name="specific"),
    Scenario(
        "salinity-disagrees", event("conductivity", salinity=42.0), 42.0, "Conductivity says "
        f"42, the same number as the salinity (42). {_FROM_METER}", "conductivity", MASK,
        Flag.SUSPECT, fine=(42_000.0,), name="saltiest"),
    # -- when -------------------------------------------------------------------------------
    Scenario(
        "date-unreadable", unread("check_date"), "32/03/2026", 'Check date says "32/03/2026", '
        "which is not a day we can read. Write the date again, with the month as a word if in "
        "doubt (14 Mar 2026).", "check_date", HOLD, Flag.FAIL),
    Scenario(
        "date-in-future", event("local_date"), dt.date(2062, 3, 14), "The row is dated 14 Mar "
        "2062, which has not come yet. Mend the date.", "local_date", HOLD, Flag.FAIL,
        fine=(FIRST_DAY,), edge=(dt.date(2026, 7, 1), dt.date(2026, 7, 2))),
    Scenario(
        "date-out-of-season", _year, 2025, "The row is dated 13 Mar 2025, of another year than "
        "the rows around it. Mend the date, or tell us that it is right.", "local_date", HOLD,
        Flag.FAIL, fine=(2026,), suggestion="2026-03-13"),
    Scenario(
        "date-out-of-season", _month_of_hauls, dt.date(2025, 1, 14), "The row is dated 14 Jan "
        "2025, of another year than the rows around it. Mend the date, or tell us that it is "
        "right.", "local_date", HOLD, Flag.FAIL,
        fine=(dt.date(2026, 1, 14), dt.date(2025, 12, 14)),
        edge=(dt.date(2025, 8, 15), dt.date(2025, 8, 14)), suggestion="2026-01-14",
        protocol="seine", name="hauls"),
    # -- effort -----------------------------------------------------------------------------
    Scenario(
        "effort-missing", _no_hours, 12.0, "There is a count, but nothing says how long the net "
        f"fished (Hours fished is blank). {_NO_EFFORT}", "hours_fished", HOLD, Flag.MISSING),
    Scenario(
        "effort-missing", event("hours_fished", set_date=None, set_time=None), 0.0, "Hours fished "
        f"is 0, yet there is a count. {_NO_EFFORT}", "hours_fished", HOLD, Flag.FAIL,
        fine=(24.0,), edge=(0.1, 0.0), blank=..., name="none"),
    Scenario(
        "effort-missing", event("hauls"), None, "There is a count, but nothing says how long the "
        f"net fished (Hauls is blank). {_NO_EFFORT}", "hauls", HOLD, Flag.MISSING, fine=(1.0,),
        protocol="seine", blank=...),
    Scenario(
        "set-after-check", _set_on, moment(0, "17:30"), "The net is written as set 10 Mar 17:30, "
        f"after the check of 10 Mar 07:00. {_MEND_TIME}", "set_date", HOLD, Flag.FAIL,
        fine=(moment(-1, "17:30"),), edge=(moment(0, "06:59"), moment(0, "07:00")),
        suggestion="2026-03-09", offers={"most_hours": 13.0}, name="same-day"),
    Scenario(
        # A day earlier gives six hours at 01:00 and less from 01:01.
        "set-after-check", _set_on, moment(1, "01:00"), "The net is written as set 11 Mar 01:00, "
        f"after the check of 10 Mar 07:00. {_MEND_TIME}", "set_date", HOLD, Flag.FAIL,
        suggestion="2026-03-10", offers={"least_hours": 6.1}, name="next-day"),
    Scenario(
        "set-after-check", _set_on, moment(1, "01:01"), "The net is written as set 11 Mar 01:01, "
        f"after the check of 10 Mar 07:00. {_MEND_TIME}", "set_date", HOLD, Flag.FAIL,
        name="too-short-a-day-earlier"),
    Scenario(
        "set-after-check", _set_on, moment(1, "09:00"), "The net is written as set 11 Mar 09:00, "
        f"after the check of 10 Mar 07:00; the two dates look exchanged. {_MEND_TIME}",
        "set_date", HOLD, Flag.FAIL, suggestion="2026-03-10", offers={"most_hours": 21.0},
        name="exchanged"),
    Scenario(
        # Where they are not thought exchanged, the set date alone is asked about.
        "set-after-check", _set_on, moment(1, "09:00"), "The net is written as set 11 Mar 09:00, "
        f"after the check of 10 Mar 07:00; the two dates look exchanged. {_MEND_TIME}",
        "local_date", HOLD, Flag.FAIL, suggestion="2026-03-11", limits={"most_hours": 21.0},
        name="exchanged"),
    Scenario(
        # Tomorrow's date for yesterday's would say the same: nothing is offered.
        "set-after-check", _set_on_for_a_day, moment(1, "06:50"), "The net is written as set "
        "11 Mar 06:50, after the check of 10 Mar 07:00; the two dates look exchanged. "
        f"{_MEND_TIME}",
        "set_date", HOLD, Flag.FAIL, name="exchanged-or-tomorrow"),
    Scenario(
        "set-after-check", _set_undated, clock("17:30"), "The net is written as set 10 Mar 17:30, "
        f"after the check of 10 Mar 07:00. {_MEND_TIME}", "set_time", HOLD,
        Flag.FAIL, fine=(clock("05:00"),), edge=(clock("06:59"), clock("07:00"))),
    Scenario(
        "set-after-check", event("set_date", set_time=None), dt.date(2026, 3, 19), "The net is "
        "written as set 19 Mar 2026, after the check of 10 Mar 2026. Mend the date or time that "
        "is wrong (12-hour times often are).", "set_date", HOLD, Flag.FAIL,
        fine=(dt.date(2026, 3, 9),), edge=(dt.date(2026, 3, 10), dt.date(2026, 3, 11))),
    Scenario(
        "soak-too-long", _soak, 72.0, "The net would have fished 72 h, longer than the usual limit "
        "of 54 h. Check the set date and the hours; if the net really was left, say so.",
        "set_date", QUERY, Flag.SUSPECT, fine=(24.0, 48.0), edge=(54.0, 54.1),
        limits={"query_hours": 80.0}),
    Scenario(
        "soak-too-long", _soak, 240.0, "The net would have fished 240 h, longer than the usual "
        "limit of 54 h. Check the set date and the hours; if the net really was left, say so.",
        "set_date", HOLD, Flag.FAIL, fine=(24.0,), edge=None, name="a-week",
        limits={"query_hours": 250.0, "hold_hours": 300.0}),
    Scenario(
        "soak-too-long", event("hours_fished", set_date=None, set_time=None), 120.0, "The net "
        "would have fished 120 h, longer than the usual limit of 54 h. Check the set date and the "
        "hours; if the net really was left, say so.", "hours_fished", QUERY, Flag.SUSPECT,
        fine=(24.0,), edge=(54.0, 54.1), limits={"query_hours": 130.0}),
    Scenario(
        "effort-mismatch", event("hours_fished"), 34.0, "Hours fished says 34, but from 9 Mar "
        "07:00 to 10 Mar 07:00 is 24.0 h. Mend whichever is wrong.", "hours_fished", QUERY,
        Flag.SUSPECT, fine=(24.0,), edge=(24.75, 24.8), suggestion="24 h", limits={"hours": 11.0}),
    Scenario(
        "soak-overlap", _overlapping, 180, "This soak starts 10 Mar 04:00, before the previous "
        "check of the same net (10 Mar 07:00). Check the set date and time; or tell us if there "
        "were two nets.", "set_time", QUERY, Flag.SUSPECT, fine=(0, -60), edge=(45, 46),
        limits={"slack_hours": 3.5}),
    Scenario(
        "soak-overlap", _overlapping_hours, 30.0, "Hours fished 30 h reaches back before the "
        "previous check of this net (10 Mar 07:00). Check the set date and time; or tell us if "
        "there were two nets.", "hours_fished", QUERY, Flag.SUSPECT, fine=(24.0, 12.0),
        edge=(24.75, 24.76), limits={"slack_hours": 6.5}),
    Scenario(
        "count-while-not-fishing", _lifted, 41.0, "The net is marked as not fishing, yet 41 "
        "animals are counted. Mend the status, or move the count to the day it belongs to.",
        "net_status", HOLD, Flag.FAIL, fine=(0.0,), edge=(0.0, 1.0)),
    # -- counts -----------------------------------------------------------------------------
    Scenario(
        "count-negative", catch("count"), -12.0, "The count is -12, below zero. Write the number "
        "that was counted.", "count", HOLD, Flag.FAIL, fine=(12.0,), edge=(0.0, -1.0),
        suggestion="12"),
    Scenario(
        "count-fractional", catch("count"), 12.5, "The count is 12.5, not a whole number. Write "
        "the number counted; if it comes from a subsample, give its parts.", "count", HOLD,
        Flag.FAIL, fine=(12.0, 0.0)),
    Scenario(
        "subsample-expansion", _subsampled, 2570.0, "310 in 50 ml of 850 ml gives 5270, but the "
        "count says 2570. Mend the count or the part that is wrong.", "count", QUERY, Flag.SUSPECT,
        fine=(5270.0,), edge=(5375.0, 5376.0), suggestion="5270", limits={"share": 0.6}),
    Scenario(
        "subsample-expansion", _subsample_of, 60.0, "The subsample (60 ml) is larger than the "
        "whole catch (50 ml). Mend the count or the part that is wrong.", "subsample_volume",
        QUERY, Flag.SUSPECT, edge=(50.0, 50.5)),
    Scenario(
        "sum-of-parts", _stages, 154.0, "The total says 154, but the stages add up to 145. Mend "
        "the total or the stage that is wrong.", "count", QUERY, Flag.SUSPECT, fine=(145.0,),
        edge=(145.0, 146.0), stage="all"),
    Scenario(
        "fish-accounting", _accounted, 110.0, "All stages together, 120 were counted, but 110 "
        "released, 1 dead and 0 kept do not make that number. Mend whichever is wrong; the permit "
        "asks for every fish.",
        "released", QUERY, Flag.SUSPECT, fine=(119.0,), edge=(119.0, 120.0)),
    Scenario(
        "fish-accounting", _accounted_beside, 102.0, "All stages together, 105 were counted, but "
        "102 released, 1 dead "
        "and 0 kept do not make that number. Mend whichever is wrong; the permit asks for every "
        "fish.", "released", QUERY, Flag.SUSPECT, fine=(99.0, 104.0), name="beside-one-stage"),
    # -- twice, or no longer ------------------------------------------------------------------
    Scenario(
        "duplicate-event", _twice, "one", "The row for 10 Mar 2026 stands twice: it is the same as "
        "row 4. Strike the one that is wrong, or give each its own time.", "local_date", HOLD,
        Flag.FAIL, name="copy"),
    Scenario(
        "duplicate-event", _twice, "another", "There are two different rows for this net on 10 Mar "
        "2026 (see row 4). Strike the one that is wrong, or give each its own time.",
        "local_date", HOLD, Flag.FAIL, name="differing"),
    Scenario(
        "duplicate-event", _second_check, 90, "There are two different rows for this net on 10 Mar "
        "2026 (see row 4). Strike the one that is wrong, or give each its own time.",
        "local_date", HOLD, Flag.FAIL, fine=(600,), edge=(120, 119), limits={"hours_apart": 1.0},
        name="soon-after"),
    Scenario(
        "vanished-row", _vanished, True, "Your earlier sheet had a row for 10 Mar 2026; the newest "
        "one has none. Tell us whether it was moved or struck on purpose, or put it back.",
        "local_date",
        QUERY, Flag.SUSPECT, fine=(False,)),
    Scenario(
        "vanished-row", _vanished_beside, 1, "Your earlier sheet had a row for 10 Mar 2026; the "
        "newest one has none. Row 41 (14 Mar 2026) of the new sheet looks like it: is it the same "
        "net check? Tell us whether it was moved or struck on purpose, or put it back.",
        "local_date", QUERY, Flag.SUSPECT, blank=..., name="looks-like-one"),
    Scenario(
        "vanished-row", _vanished_beside, 2, "Your earlier sheet had a row for 10 Mar 2026; the "
        "newest one has none. Rows 41 (14 Mar 2026) and 7 of tab April (2 Apr 2026) of the new "
        "sheet look like it: is one of them the same net check? Tell us whether it was moved or "
        "struck on purpose, or put it back.",
        "local_date", QUERY, Flag.SUSPECT, blank=..., name="looks-like-two"),
)
