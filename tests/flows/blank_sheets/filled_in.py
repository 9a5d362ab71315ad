"""A season of valid values, typed into an empty season sheet as a lead would type them."""

from __future__ import annotations

import datetime as dt
import io
import math
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import openpyxl

from flows.blank_sheets import write_season_sheet
from flows.blank_sheets.columns import BlankColumn, columns_of
from flows.blank_sheets.season_sheet import tab_name
from shared.fields import Kind
from shared.protocol import Protocol, protocols
from shared.settings import Network, Site
from shared.taxa import TAXA
from shared.units import convert

SEASON = 2026
Typed = str | int | float | dt.date | dt.time | None

_SHOWN = {Kind.DATE: "yyyy-mm-dd", Kind.TIME: "hh:mm"}
_LIFTED = (9, 10, 23)
"""Days on which the net is out of the water."""
_ANIMALS = {"count", "released", "mortality", "kept", "count_method", "subsample_count",
            "subsample_volume", "total_volume"}


def fill_in(
    path: Path, site: Site, network: Network, days: int = 45, leave: tuple[str, ...] = ()
) -> bytes:
    """The season sheet of ``site``, filled in for ``days`` days on every tab but ``leave``."""
    write_season_sheet(path, site, network, SEASON)
    book = openpyxl.load_workbook(path)
    for protocol_id in site.protocols:
        if protocol_id in leave:
            continue
        protocol = protocols()[protocol_id]
        sheet = book[tab_name(protocol)]
        columns = columns_of(site, protocol)
        for row, line in enumerate(season_lines(site, protocol, columns, days), start=2):
            for index, value in enumerate(line, start=1):
                if value is not None:
                    cell = sheet.cell(row, index)
                    shown = cell.number_format
                    cell.value = value
                    # openpyxl forgets the column's format; a spreadsheet program keeps it.
                    form = _SHOWN.get(columns[index - 1].entry.kind)
                    cell.number_format = form or shown
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def season_lines(
    site: Site, protocol: Protocol, columns: tuple[BlankColumn, ...], days: int
) -> list[list[Typed]]:
    """Lines of cells in the order of ``columns``: daily net checks, or a haul every fortnight."""
    draw = Random(f"{site.id}/{protocol.id}")
    step = 1 if protocol.effort_field == "hours_fished" else 14
    lines = []
    for day in range(0, days, step):
        for gear in site.gear_units(protocol):
            date = dt.date(SEASON, 3, 1) + dt.timedelta(days=day)
            lifted = step == 1 and day in _LIFTED
            values = _weather(day, draw)
            catch = {} if lifted else _catch(columns, day, draw)
            line: list[Typed] = []
            for column in columns:
                if column.field in _ANIMALS:
                    line.append(catch.get((column.animal, column.field)))
                elif lifted:
                    line.append({"local_date": date, "gear_unit": gear, "net_status": "lifted",
                                 "remarks": "flood"}.get(column.field))
                else:
                    own = _effort(site, date, day, gear)
                    line.append(own[column.field] if column.field in own
                                else _in_unit(column, values[column.field]))
            lines.append(line)
    return lines


def _effort(site: Site, date: dt.date, day: int, gear: str) -> dict[str, Typed]:
    first = day == 0 or day - 1 in _LIFTED
    # A net put back after a flood fished from that morning to the afternoon's check.
    start = dt.time(6, 30) if first else dt.time(8, 10)
    end = dt.time(15, 30) if first else dt.time(7, 45)
    begun = date if first else date - dt.timedelta(days=1)
    if not first and day >= 2 and day - 2 in _LIFTED:
        start = dt.time(15, 40)
    zone = ZoneInfo(site.zone)
    since = dt.datetime.combine(begun, start, zone).astimezone(dt.UTC)
    until = dt.datetime.combine(date, end, zone).astimezone(dt.UTC)
    hours = round((until - since).total_seconds() / 3600, 2)
    if day == 1:
        start, hours = dt.time(15, 40), hours - 7.5
    return {"local_date": date, "gear_unit": gear, "set_date": begun, "set_time": start,
            "check_time": end, "hours_fished": hours if day % 3 else None,
            "net_status": "fishing" if day % 5 else None, "hauls": 3, "haul_area": 180.0 + day,
            "recorder": "AB" if day % 2 else "CD", "remarks": "weed" if day % 11 == 3 else None}


def _weather(day: int, draw: Random) -> dict[str, float | str | None]:
    water = 3.0 + 0.13 * day + draw.uniform(-0.3, 0.3)
    salinity = draw.uniform(9.0, 13.0)
    # Specific conductance near 1,770 uS/cm a unit of salinity; oxygen near saturation in
    # brackish water (both good to some per cent, which is all the rules ask).
    fresh = 14.62 - 0.3943 * water + 0.007714 * water**2 - 0.0000646 * water**3
    saturated = fresh * (1 - 0.0062 * salinity)
    share = draw.uniform(92, 100)
    return {
        "water_temperature": water, "salinity": salinity,
        "specific_conductance": 1770.0 * salinity,
        "dissolved_oxygen": saturated * share / 100, "dissolved_oxygen_saturation": share,
        "ph": draw.uniform(7.1, 7.6), "turbidity": draw.uniform(2, 9),
        "secchi_depth": draw.uniform(60, 120), "water_level": draw.uniform(30, 90),
        "air_temperature": water + draw.uniform(-2, 5), "wind_speed": draw.uniform(1, 9),
        "precipitation": 0.0 if day % 3 else draw.uniform(1, 14),
        "cloud_cover": draw.choice((0.0, 25.0, 50.0, 87.5, 100.0) if day % 3 else (87.5, 100.0)),
        "tide_stage": draw.choice(("low", "flood", "high", "ebb")),
        "wind_direction": draw.choice(("N", "SW", "calm", "ENE")),
        "observers": float(draw.randint(2, 6)), "volunteer_hours": draw.randint(2, 12) / 2,
    }


def _in_unit(column: BlankColumn, value: float | str | None) -> Typed:
    if not isinstance(value, float):
        return value
    assert column.unit is not None and column.entry.unit is not None
    return round(convert(value, column.entry.unit, column.unit),
                 2 if column.sign == "in" else column.entry.decimals or 0)


def _catch(
    columns: tuple[BlankColumn, ...], day: int, draw: Random
) -> dict[tuple[str, str], Typed]:
    found: dict[tuple[str, str], Typed] = {}
    for column in columns:
        if column.field != "count":
            continue
        rising = 1 + 40 * math.exp(-(((day - 35) / 12) ** 2))
        # A protected animal in the catch would be noted, and rightly.
        protected = column.taxon is not None and TAXA[column.taxon].protected
        # Neither leaps nor days on end of rising counts: those would be asked about.
        near = rising if day % 3 else rising / 2
        number = 0 if day % 7 == 0 or protected else int(draw.uniform(0.5, 1.7) * near)
        dead = min(number, draw.choice((0, 0, 0, 1)))
        kept = min(number - dead, 2 if day % 14 == 4 else 0)
        if any(c.field == "subsample_count" and c.animal == column.animal for c in columns) \
                and day in (34, 36):
            part, volume, whole = day - 20, 50, 450
            number = round(part * whole / volume)
            found |= {(column.animal, "count_method"): "subsample by volume",
                      (column.animal, "subsample_count"): part,
                      (column.animal, "subsample_volume"): volume,
                      (column.animal, "total_volume"): whole}
        found |= {(column.animal, "count"): number, (column.animal, "mortality"): dead,
                  (column.animal, "kept"): kept,
                  (column.animal, "released"): number - dead - kept}
    return found
