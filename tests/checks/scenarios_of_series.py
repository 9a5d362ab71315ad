"""Scenarios of the rules about rows one after another, other sites and earlier sheets."""

from __future__ import annotations

import datetime as dt
from typing import Any

from shared.fields import FIELDS
from shared.flags import Effect, Flag
from tests.checks.made_up_sheets import FIRST_DAY, STICKLEBACK, MadeUpSheet
from tests.checks.scenarios import Lay, Scenario, event

HOLD, QUERY, NOTE = Effect.HOLD, Effect.QUERY, Effect.NOTE

NEIGHBOURS_HERE: dict[dt.date, dict[str, float]] = {
    FIRST_DAY + dt.timedelta(days=day): {"water_temperature": 6.0, "air_temperature": 8.0}
    for day in range(40, 100)
}
"""What the other sites had on the days that these scenarios lay out beside them."""

_LOOK = "Look at the field sheet; if it is right, say so and it stays."
_CHANGED = "Look whether the probe, its unit or its place was changed; if it is right, say so."
_COPIED = "Write what was found each day, or leave blank what was not taken."
_PASTED = "Write what was found on the day, or strike the row."
_AGAIN = "Send the right sheet, or strike the rows that are not of these days."
_THERMOMETER = "Look at the field sheet, the unit and the thermometer; if it is right, say so."
_DIGIT = "Look for a digit too many; if it really was such a day, say so and it stays."
_OTHERS = "Send this site's own rows, or tell us that the other site's are not its own."


def _of(name: str, value: Any) -> dict[str, Any]:
    """One reading, as a row takes it."""
    return {name: value}


def _alone(name: str, usual: float, step: float, apart: int = 1) -> Lay:
    """A reading amid others that hardly change, ``apart`` days from each other."""

    def lay(sheet: MadeUpSheet, value: float | None) -> int:
        looked = 0
        for at in range(11):
            reading = value if at == 5 else usual + step * (at % 2)
            row = sheet.row(at * apart, **_of(name, reading))
            looked = row if at == 5 else looked
        return looked

    return lay


def _step(name: str, usual: float, step: float, apart: int = 1) -> Lay:
    """Readings that hardly change until they change for good."""

    def lay(sheet: MadeUpSheet, value: float | None) -> int:
        looked = 0
        for at in range(11):
            level = usual if at < 5 or value is None else value
            reading = None if value is None and at == 5 else level + step * ((at + 1) % 2)
            if at < 5:
                reading = usual + step * (at % 2)
            elif at == 5:
                reading = value
            row = sheet.row(at * apart, **_of(name, reading))
            looked = row if at == 5 else looked
        return looked

    return lay


def _run_of(name: str, value: float) -> Lay:
    """A run of one value after thirty readings of which no two are alike."""

    def lay(sheet: MadeUpSheet, rows: int | None) -> int:
        for day in range(30):
            sheet.row(day, **_of(name, 3.0 + day % 15 * 0.3 + day * 0.01))
        return [sheet.row(30 + day, **_of(name, value)) for day in range(rows or 1)][-1]

    return lay


def _count_run(sheet: MadeUpSheet, rows: int | None) -> int:
    for day in range(30):
        sheet.row(day, catches=[{"count": 20.0 + day * 7 % 30}])
    return [sheet.row(30 + day, catches=[{"count": 17.0}]) for day in range(rows or 1)][-1]


def _year(name: str, low: float, high: float) -> Lay:
    """One reading of this year beside two other seasons of the same weeks."""

    def lay(sheet: MadeUpSheet, value: float | None) -> int:
        for years in (2, 1):
            for day in range(8):
                sheet.row(day - 365 * years, **_of(name, low + (high - low) * (day % 2)))
        return sheet.row(3, **_of(name, value))

    return lay


_READINGS: dict[str, Any] = {"water_temperature": 5.1, "air_temperature": 3.3, "salinity": 8.8}


def _pasted(sheet: MadeUpSheet, same: bool | None) -> int:
    sheet.row(0, catches=[{"count": 31.0}], **_READINGS)
    other: dict[str, Any] = {} if same else {"water_temperature": 5.3}
    return sheet.row(1, catches=[{"count": 31.0}], **(_READINGS | other))


def _pasted_readings(sheet: MadeUpSheet, same: bool | None) -> int:
    readings = _READINGS | {"ph": 7.2}
    sheet.row(0, catches=[{"count": 31.0}], **readings)
    return sheet.row(1, catches=[{"count": 14.0}], **(readings if same else {"ph": 7.1}))


def _pasted_with_few_readings(sheet: MadeUpSheet, same: bool | None) -> int:
    catches = ({"count": 31.0}, {"life_stage": "elver", "count": 3.0})
    readings: dict[str, Any] = {"water_temperature": 5.1, "air_temperature": 3.3}
    sheet.row(0, catches=catches, **readings)
    other: dict[str, Any] = {} if same else {"water_temperature": 5.3}
    return sheet.row(1, catches=catches, **(readings | other))


def _last_year(sheet: MadeUpSheet, rows: int | None) -> int:
    looked = 0
    for years in (1, 0):
        for day in range(5):
            slip = 0.0 if years or day < (rows or 0) else 0.2
            readings = {name: value + day / 10 + slip for name, value in _READINGS.items()}
            row = sheet.row(day - 365 * years, catches=[{"count": 31.0 + day}], **readings)
            looked = row if not years and day == (rows or 1) - 1 else looked
    return looked


_DAILY = (10, 12, 9, 14, 7, 14, 14, 11)


def _summed(sheet: MadeUpSheet, checks: int | None) -> int:
    looked, total = 0, 0.0
    for at, count in enumerate((12, 8, 15, 9, 11, *_DAILY[:checks or 0], 12, 7, 13, 10)):
        inside = 5 <= at < 5 + (checks or 0)
        total = total + count if inside else 0.0
        row = sheet.row(at, catches=[{"count": total if inside else float(count)}])
        looked = row if at == 4 + (checks or 1) else looked
    return looked


def _guessed(sheet: MadeUpSheet, round_ones: int | None) -> int:
    return [sheet.row(day, catches=[{"count": 25.0 + 5 * (day % 7) + (day >= (round_ones or 0))}])
            for day in range(16)][-1]


def _beside(name: str, usual: float) -> Lay:
    """A reading, days after others that are nearly those of the other sites."""

    def lay(sheet: MadeUpSheet, value: float | None) -> int:
        for day in range(40, 50):
            sheet.row(day, **_of(name, usual + 0.1 + 0.2 * (day % 2)))
        return sheet.row(56, **_of(name, value))

    return lay


def _drift(sheet: MadeUpSheet, by: float | None) -> int:
    looked = 0
    for day in range(40, 98):
        off = by or 0.0 if day >= 83 else 0.0
        looked = sheet.row(day, water_temperature=6.1 + 0.2 * (day % 2) + off)
    return looked


def _of_far_brook(sheet: MadeUpSheet, rows: int | None) -> int:
    own = len(sheet.site) + int(sheet.site.removeprefix("creek-")) / 1000
    laid = [sheet.row(day, water_temperature=own + day / 10, ph=7.3, catches=[{"count": 31.0}])
            for day in range(4)]
    sheet.elsewhere = laid[:rows or 0]
    return laid[0]


def _leap(sheet: MadeUpSheet, count: float | None) -> int:
    looked = 0
    for day in range(11):
        row = sheet.row(day, catches=[{"count": count if day == 5 else 30.0 - day % 2}])
        looked = row if day == 5 else looked
    return looked


def _leap_beside_another(sheet: MadeUpSheet, count: float | None) -> int:
    looked = 0
    for day in range(11):
        other = 310.0 if day == 7 else 30.0
        row = sheet.row(day, catches=[{"count": count if day == 5 else other}])
        looked = row if day == 5 else looked
    return looked


def _out_of_order(sheet: MadeUpSheet, date: dt.date | None) -> int:
    looked = 0
    for day in (22, 23, 24, 25, 26, 27):
        odd = day == 24 and date is not None
        given: dict[str, Any] = {"local_date": date, "check_date": date,
                 "set_date": date - dt.timedelta(days=1)} if odd and date else {}
        row = sheet.row(day, **given)
        looked = row if day == 24 else looked
    return looked


def _dead(sheet: MadeUpSheet, dead: float | None) -> int:
    return sheet.row(0, catches=[
        {"count": 20.0, "released": 20.0 - (dead or 0.0), "mortality": dead}])


def _level(sheet: MadeUpSheet, level: float | None) -> int:
    for day in range(8):
        sheet.row(day, water_level=50.0 + day % 3)
    return sheet.row(8, water_level=level)


def _in_days(sheet: MadeUpSheet, hours: float | None) -> int:
    untimed: dict[str, Any] = {"set_date": None, "set_time": None}
    for day in range(8):
        sheet.row(day, hours_fished=24.0, **untimed)
    return sheet.row(8, hours_fished=24.0 if hours is None else hours, **untimed)


def _after_a_gap(sheet: MadeUpSheet, count: float | None) -> int:
    looked = 0
    for day in (0, 1, 2, 3, 4, 6, 7, 8, 9, 10):
        row = sheet.row(day, catches=[{"count": count if day == 6 else 30.0 - day % 2}])
        looked = row if day == 6 else looked
    return looked


def _a_column_too_far(sheet: MadeUpSheet, elvers: float | None) -> int:
    looked = 0
    for day in range(11):
        odd = day == 5
        row = sheet.row(day, catches=[
            {"count": 0.0 if odd else 30.0 - day % 2},
            {"life_stage": "elver", "count": elvers if odd else 0.0}])
        looked = row if odd else looked
    return looked


def _good_year(sheet: MadeUpSheet, count: float | None) -> int:
    """A leap among catches that the same weeks of two other seasons had many times over."""
    for years in (2, 1):
        for day in range(11):
            sheet.row(day - 365 * years, catches=[{"count": 200.0 + 9 * day}])
    return _leap(sheet, count)


def _school(sheet: MadeUpSheet, count: float | None) -> int:
    looked = 0
    for day in range(11):
        row = sheet.row(day, catches=[{
            "taxon": STICKLEBACK, "life_stage": "unspecified",
            "count": count if day == 5 else 30.0 - day % 2}])
        looked = row if day == 5 else looked
    return looked


def _cold(sheet: MadeUpSheet, count: float | None) -> int:
    return sheet.row(0, water_temperature=1.0, catches=[{"count": count}])


def _sent_before(sheet: MadeUpSheet) -> MadeUpSheet:
    earlier = MadeUpSheet()
    earlier.site, sheet.earlier = sheet.site, earlier
    return earlier


def _edited(sheet: MadeUpSheet, value: float | None) -> int:
    _sent_before(sheet).row(0, water_temperature=5.2, content="as it was")
    return sheet.row(0, water_temperature=value, content="as it is")


def _count_edited(sheet: MadeUpSheet, value: float | None) -> int:
    _sent_before(sheet).row(0, catches=[{"count": 12.0}], content="as it was")
    return sheet.row(0, catches=[{"count": value}], content="as it is")


def _shifted(sheet: MadeUpSheet, rows: int | None) -> int:
    """The column stands a row lower from the third row on, for so many rows."""
    earlier, looked = _sent_before(sheet), 0
    values = [5.0 + day * 0.3 for day in range(12)]
    for day, value in enumerate(values):
        earlier.row(day, water_temperature=value, content=f"was {day}")
        moved = 2 <= day < 2 + (rows or 0)
        row = sheet.row(day, water_temperature=values[day - 1] if moved else value,
                        content=f"is {day}" if moved else f"was {day}")
        looked = row if day == 2 else looked
    return looked


def _redated(sheet: MadeUpSheet, rows: int | None) -> int:
    earlier, looked = _sent_before(sheet), 0
    for at in range(5):
        moved = at < (rows or 0)
        earlier.row(at, content=f"row {at} says so")
        row = sheet.row(at + (20 if moved else 0), content=f"row {at} says so")
        looked = row if at == 0 else looked
    return looked


_SPIKES: dict[str, tuple[float, float, float, tuple[float, float], str, str]] = {
    "water_temperature": (5.0, 0.1, 14.0, (8.0, 8.1), "14 degC", "5 degC"),
    "salinity": (12.0, 0.1, 25.0, (18.0, 18.2), "25", "12"),
    "conductivity": (20_000.0, 50.0, 45_000.0, (32_000.0, 32_100.0), "45000 uS/cm", "20000 uS/cm"),
    "specific_conductance": (12_000.0, 50.0, 30_000.0, (19_200.0, 19_300.0), "30000 uS/cm",
                             "12000 uS/cm"),
    "dissolved_oxygen": (11.0, 0.1, 5.0, (8.0, 7.9), "5 mg/l", "11 mg/l"),
    "dissolved_oxygen_saturation": (100.0, 1.0, 60.0, (70.0, 69.0), "60 %", "100 %"),
    "ph": (7.0, 0.1, 8.5, (8.1, 8.3), "8.5", "7"),
}
"""Field -> usual reading, its step, the odd one, last fine and first odd, and how both read."""


def _spikes() -> list[Scenario]:
    out = []
    for name, (usual, step, odd, edge, written, beside) in _SPIKES.items():
        title = FIELDS[name].title
        out.append(Scenario(
            "spike", _alone(name, usual, step), odd, f"{title} {written} stands alone: the days "
            f"beside it have {beside} and {beside}. {_LOOK}", name, QUERY, Flag.SUSPECT,
            fine=(usual, usual + 2 * step), edge=edge, limits={name: 99_000.0}))
        # The first row of the new level stands a step above the last of the old.
        out.append(Scenario(
            "rate-of-change", _step(name, usual, step), odd, f"{title} goes from {beside} to "
            f"{written} from one check to the next. {_CHANGED}", name, QUERY, Flag.SUSPECT,
            # Ten of its steps are more than the least for a pH that wanders by 0.1 a day.
            fine=(usual, usual + 2 * step), edge=(8.4, 8.5) if name == "ph" else edge,
            limits={name: 99_000.0}))
    return out


_TEMPERATURE = "water_temperature"

SCENARIOS: tuple[Scenario, ...] = (
    *_spikes(),
    Scenario(
        "spike", _alone(_TEMPERATURE, 5.0, 0.1), 14.0, "Water temperature 14 degC "
        f"stands alone: the days beside it have 5 degC and 5 degC. {_LOOK}", _TEMPERATURE, QUERY,
        Flag.SUSPECT, limits={"deviations": 100.0}, name="of-this-site"),
    Scenario(
        "spike", _alone(_TEMPERATURE, 5.0, 0.1, apart=2), 14.0, "Water temperature 14 degC stands "
        f"alone: the days beside it have 5 degC and 5 degC. {_LOOK}", _TEMPERATURE, QUERY,
        Flag.SUSPECT, limits={"days": 1.0}, name="days-left-out"),
    Scenario(
        "spike", _alone("ph", 7.1, 0.1), 5.7, "pH 5.7 stands alone: the days beside it have "
        f"7.1 and 7.1. {_LOOK}", "ph", QUERY, Flag.SUSPECT,
        # 7.5 with its digits swapped, or 7.7 with one mistyped: neither is offered.
        limits={"deviations": 90.0}, name="digits-swapped"),
    Scenario(
        "rate-of-change", _step(_TEMPERATURE, 5.0, 0.1), 14.0, "Water temperature goes from 5 "
        f"degC to 14 degC from one check to the next. {_CHANGED}", _TEMPERATURE, QUERY,
        Flag.SUSPECT, limits={"deviations": 100.0}, name="of-this-site"),
    Scenario(
        "rate-of-change", _step(_TEMPERATURE, 5.0, 0.1, apart=2), 14.0, "Water temperature goes "
        f"from 5 degC to 14 degC from one check to the next. {_CHANGED}", _TEMPERATURE, QUERY,
        Flag.SUSPECT, limits={"days": 1.0}, name="days-left-out"),
    *(Scenario(
        "flat-line", _run_of("salinity", 12.4), 6, "Salinity says 12.4 in 6 rows one after "
        "another (rows 34 to 39). Write what was measured each day, or leave blank what was not.",
        "salinity", QUERY, Flag.SUSPECT, fine=(1, 2), edge=(3, 4), limits=limits, name=name)
      for name, limits in (("short", {"rows": 9.0}), ("chance", {"one_in": 1e12}))),
    *(Scenario(
        "climatology", _year(field, low, high), odd, f"{FIELDS[field].title} {written} is more "
        f"than ever in 2 other seasons: at this time of year they had {span}. Check it against "
        "the field sheet; if the year is really so, say so once.", field, QUERY, Flag.SUSPECT,
        fine=(low, high), edge=edge, limits=limits, name=next(iter(limits)))
      for field, low, high, odd, edge, written, span, limits in (
        (_TEMPERATURE, 4.0, 6.0, 14.0, (10.0, 10.1), "14 degC", "between 4 and 6 degC",
         {"water_temperature": 9.0}),
        ("salinity", 10.0, 12.0, 22.0, (20.0, 20.1), "22", "between 10 and 12",
         {"salinity": 11.0}),
        ("dissolved_oxygen", 10.0, 11.0, 15.0, (14.0, 14.1), "15 mg/l", "between 10 and 11 mg/l",
         {"dissolved_oxygen": 5.0}),
        ("ph", 7.0, 7.5, 9.0, (8.5, 8.6), "9", "between 7 and 7.5", {"ph": 2.0}),
        (_TEMPERATURE, 4.0, 6.0, 14.0, (10.0, 10.1), "14 degC", "between 4 and 6 degC",
         {"share": 5.0}),
        (_TEMPERATURE, 4.0, 6.0, 14.0, (10.0, 10.1), "14 degC", "between 4 and 6 degC",
         {"seasons": 3.0}),
      )),
    *(Scenario(
        "copied-down", _run_of(_TEMPERATURE, 5.27), 6, "Water temperature says 5.27 in 6 rows one "
        f"after another (rows 34 to 39): it looks copied down. {_COPIED}", _TEMPERATURE, QUERY,
        Flag.SUSPECT, fine=(1, 2), edge=(3, 4), limits=limits, name=name)
      for name, limits in (("short", {"rows": 9.0}), ("chance", {"one_in": 1e12}))),
    *(Scenario(
        "copied-down", _count_run, 6, "Count says 17 in 6 rows one after another (rows 34 to 39): "
        f"it looks copied down. {_COPIED}", "count", QUERY, Flag.SUSPECT, fine=(1, 2),
        edge=(2, 5), limits=limits, stage="glass eel", name=next(iter(limits)))
      for limits in ({"counts": 9.0}, {"counts_one_in": 1e12}, {"few": 17.0})),
    Scenario(
        "row-pasted", _pasted, True, "The row of 11 Mar 2026 says just what the row of 10 Mar 2026 "
        f"says (row 4). {_PASTED}", "local_date", HOLD, Flag.FAIL, fine=(False,),
        limits={"readings": 4.0}),
    Scenario(
        "row-pasted", _pasted_with_few_readings, True, "Catch and readings of 11 Mar 2026 are all "
        f"the same as those of 10 Mar 2026 (row 4). {_PASTED}", "local_date", QUERY, Flag.SUSPECT,
        fine=(False,), limits={"animals": 40.0}, name="few-readings"),
    Scenario(
        "row-pasted", _pasted_readings, True, "The readings of 11 Mar 2026 are all the same as "
        f"those of 10 Mar 2026 (row 4). {_PASTED}", "local_date", QUERY, Flag.SUSPECT,
        fine=(False,), limits={"readings": 4.0}, name="readings-alone"),
    *(Scenario(
        "rows-sent-before", _last_year, 4, "The row of 13 Mar 2026 says just what the row of 13 "
        f"Mar 2025 says (row 7); 4 rows of this sheet are so. {_AGAIN}", "local_date", HOLD,
        Flag.FAIL, limits=limits, name=next(iter(limits)))
      for limits in ({"readings": 4.0}, {"rows": 5.0})),
    Scenario(
        "rows-sent-before", _last_year, 1, "The row of 10 Mar 2026 says just what the row of 10 "
        f"Mar 2025 says (row 4); 1 rows of this sheet are so. {_AGAIN}", "local_date", QUERY,
        Flag.SUSPECT, name="a-row"),
    *(Scenario(
        "running-total", _summed, 8, "The counts never fall over 8 checks (rows 9 to 16); it looks "
        "like a running total. Write each day's own count.", "count", QUERY,
        Flag.SUSPECT, fine=(0, 3), edge=(5, 6), suggestion="11", limits=limits,
        name=next(iter(limits)), stage="glass eel")
      for limits in ({"rises": 20.0}, {"animals": 500.0}, {"times": 50.0}, {"odds": 1e30})),
    *(Scenario(
        "round-counts", _guessed, 16, "16 of 16 counts of 20 and more end in 0 or 5; one in five "
        "would be usual. Nothing to mend; if catches are estimated, say so in a column for the "
        "method.", "count", NOTE, Flag.PASS, fine=(3,), edge=(11, 12), limits=limits,
        name=next(iter(limits)), stage="glass eel")
      for limits in ({"counts": 20.0}, {"deviations": 9.0})),
    *(Scenario(
        "unlike-neighbours", _beside(field, usual), odd, f"{FIELDS[field].title} {odd:g} degC is "
        f"far from what 5 other sites of the day point to, about {usual + 0.2:g} degC. "
        f"{_THERMOMETER}", field, QUERY, Flag.SUSPECT, fine=(usual, usual + 3), edge=edge,
        limits=limits, name=next(iter(limits)))
      for field, usual, odd, edge, limits in (
        (_TEMPERATURE, 6.0, 13.0, (11.1, 11.3), {"water_temperature": 8.0}),
        (_TEMPERATURE, 6.0, 13.0, (11.1, 11.3), {"deviations": 100.0}),
        ("air_temperature", 8.0, 22.0, (18.1, 18.3), {"air_temperature": 15.0}))),
    *(Scenario(
        "probe-drifting", _drift, 2.5, "Over the last 14 checks Water temperature is 2.5 degC "
        "warmer beside the other sites than is usual here. Check the probe in ice water and beside "
        "another; tell us from when it is wrong.", _TEMPERATURE, QUERY, Flag.SUSPECT,
        fine=(0.0, 1.0), edge=(1.7, 1.9), limits=limits, name=next(iter(limits)))
      for limits in ({"checks": 15.0}, {"degrees": 3.0})),
    *(Scenario(
        "same-as-other-site", _of_far_brook, 4, "The row of 10 Mar 2026 says just what far-brook "
        f"has for the day; 4 rows of this sheet are so. {_OTHERS}", "local_date", QUERY,
        Flag.SUSPECT, fine=(0,), edge=(1, 2), limits=limits, name=next(iter(limits)))
      for limits in ({"animals": 125.0}, {"rows": 5.0})),
    *(Scenario(
        "date-out-of-order", _out_of_order, dt.date(2026, 3, 4), "The row is dated 4 Mar 2026, "
        "between rows of 2 Apr 2026 and 4 Apr 2026. Mend the date, or tell us that it is right.",
        "local_date", QUERY, Flag.SUSPECT, fine=(dt.date(2026, 4, 3),),
        edge=(dt.date(2026, 3, 23), dt.date(2026, 3, 22)), suggestion="2026-04-03",
        limits=limits, name=next(iter(limits)))
      for limits in ({"near": 1.0}, {"days": 40.0})),
    *(Scenario(
        "mostly-dead", _dead, 16.0, "16 of 20 are written as dead, and 4 as released. Look whether "
        "the two changed columns; if so many died, say so and what of.", "mortality", QUERY,
        Flag.SUSPECT, fine=(0.0, 7.0), edge=(10.0, 11.0), limits=limits, name=next(iter(limits)))
      for limits in ({"animals": 17.0}, {"share": 0.9})),
    Scenario(
        "level-unit", _level, 1524.0, "Water level 50 was read as ft, where this site has about "
        "1.67 ft. It fits in another unit; did you mean that? Write it in the column's unit, or "
        "tell us which unit the staff has.", "water_level", Effect.MASK, Flag.SUSPECT,
        fine=(50.0, 120.0), suggestion="1.64 ft", limits={"times": 40.0},
        units={"water_level": "ft"}),
    Scenario(
        "effort-mismatch", _in_days, 1.1, "Hours fished says 1.1, where this net fishes about 24: "
        "are these days? Mend whichever is wrong.", "hours_fished", QUERY, Flag.SUSPECT,
        fine=(24.0, 6.0), edge=(1.35, 1.25), suggestion="26.4 h", limits={"share": 0.05},
        name="days"),
    Scenario(
        "effort-mismatch", event("hours_fished"), 25.0, "Hours fished says 25, but from 9 Mar "
        "07:00 to 10 Mar 07:00 is 24.0 h, an hour apart: was a watch not changed with the clocks? "
        "Mend whichever is wrong.", "hours_fished", QUERY, Flag.SUSPECT, fine=(24.0,),
        name="an-hour"),
    *(Scenario(
        "day-skipped", _after_a_gap, 80.0, "80 American eel (glass eel) after a day without a row "
        "(15 Mar 2026), where the checks before and after had about 30 and the hours say 24. If it "
        "is two days' catch, give the hours of both; if not, say what 15 Mar 2026 had.", "count",
        QUERY, Flag.SUSPECT, fine=(0.0, 45.0), edge=(59.0, 60.0), limits=limits,
        name=next(iter(limits)), stage="glass eel")
      for limits in ({"animals": 90.0}, {"times": 3.0}, {"hours": 20.0})),
    *(Scenario(
        "stages-exchanged", _a_column_too_far, 40.0, "40 American eel (elver), where the checks "
        "before and after had about 0, and 0 of the other stage, where they had about 30. Look "
        "whether the two changed columns; if it is right, say so and it stays.", "count", QUERY,
        Flag.SUSPECT, fine=(0.0, 11.0), edge=(11.0, 12.0), limits=limits, name=next(iter(limits)),
        stage="elver")
      for limits in ({"animals": 50.0}, {"times": 1.0}, {"odds": 1e60})),
    *(Scenario(
        "unlike-history", _leap, 400.0, "400 American eel (glass eel): the checks before and after "
        f"had about 30. {_DIGIT}", "count", QUERY, Flag.SUSPECT, fine=(0.0, 90.0),
        edge=(147.0, 151.0), suggestion="40", limits=limits, name=next(iter(limits)),
        stage="glass eel")
      for limits in ({"times": 20.0}, {"animals": 500.0}, {"checks": 9.0, "all_checks": 9.0})),
    *(Scenario(
        "unlike-history", _good_year, 400.0, "400 American eel (glass eel): the checks before and "
        f"after had about 30. {_DIGIT}", "count", QUERY, Flag.SUSPECT, fine=(90.0,),
        edge=(150.0, 151.0), suggestion="40", limits=limits, name="dwarfs-all", stage="glass eel")
      for limits in ({"all_checks": 9.0},)),
    Scenario(
        "unlike-history", _leap_beside_another, 400.0, "400 American eel (glass eel): the checks "
        f"before and after had about 30. {_DIGIT}", "count", QUERY, Flag.SUSPECT, fine=(0.0, 90.0),
        edge=(150.0, 151.0), suggestion="40", limits={"times": 20.0}, name="two-near-each-other",
        stage="glass eel"),
    Scenario(
        "unlike-history", _school, 700.0, "700 Threespine stickleback (unspecified): the checks "
        f"before and after had about 30. {_DIGIT}", "count", QUERY, Flag.SUSPECT,
        fine=(0.0, 400.0), edge=(590.0, 610.0), suggestion="", limits={"school_times": 40.0},
        name="schools", stage="unspecified"),
    *(Scenario(
        "unlike-history", _cold, 60.0, "60 American eel (glass eel) in water so cold that they "
        f"hardly move. {_DIGIT}", "count", QUERY, Flag.SUSPECT, fine=(0.0, 12.0),
        edge=(49.0, 50.0), limits=limits, name=next(iter(limits)), stage="glass eel")
      for limits in ({"cold_degrees": 0.5}, {"cold_animals": 100.0})),
    Scenario(
        "row-edited", _edited, 5.4, "Water temperature says 5.4; the sheet of 1 Mar 2026 had 5.2 "
        "degC. Nothing to do if that was meant.", _TEMPERATURE, NOTE, Flag.PASS, fine=(5.2,)),
    Scenario(
        "row-edited", _count_edited, 14.0, "Count says 14; the sheet of 1 Mar 2026 had 12. Nothing "
        "to do if that was meant.", "count", NOTE, Flag.PASS, fine=(12.0,), stage="glass eel"),
    Scenario(
        "rows-shifted", _shifted, 8, "Water temperature has slipped down by a row in 8 rows: the "
        "sheet of 1 Mar 2026 had 5.6 degC here. Move the column back, or tell us that it is right "
        "now and was wrong before.", _TEMPERATURE, QUERY, Flag.SUSPECT, fine=(0, 1), edge=(3, 4),
        suggestion="5.6 degC", limits={"rows": 9.0}),
    Scenario(
        "rows-redated", _redated, 4, "The row of 30 Mar 2026 was dated 10 Mar 2026 in the sheet of "
        "1 Mar 2026; 4 rows have changed their dates. Tell us which dates are right.",
        "local_date", QUERY, Flag.SUSPECT, fine=(0,), edge=(2, 3), suggestion="2026-03-10",
        limits={"rows": 5.0}),
)
