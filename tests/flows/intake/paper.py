"""Sheets for the tests of the intake, written as a site lead would keep them."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Mapping, Sequence
from typing import Any

import xlsxwriter

from flows.intake.recognising import recognise
from flows.intake.standardizing import standardize
from shared.settings import Network, Profile, Site
from shared.sheets import Column, Recognised, Sheet, Table, Workbook
from shared.staging import Staged

SHA = "0123456789abcdef" * 4


def site(**changes: Any) -> Site:
    """A site with one fyke net, in a zone whose clock goes forward on 8 March 2026."""
    given: dict[str, Any] = {"zone": "EST5EDT", "protocols": ("fyke", "seine")} | changes
    return Site("alder-creek", "Alder Creek", **given)


def network(**changes: Any) -> Network:
    """A network whose season runs from February to mid June."""
    given: dict[str, Any] = {
        "season_start": (2, 1),
        "season_end": (6, 15),
        "sites": {"alder-creek": site()},
    } | changes
    return Network(
        id="n", name="N", licence="", coordinator="", permit_note="", thresholds={}, **given
    )


def book(*rows: Sequence[Any], name: str = "Log", **more: Any) -> Workbook:
    """A workbook of one sheet."""
    return Workbook("log.xlsx", "xlsx", [Sheet(name, [list(row) for row in rows], **more)])


def understood(workbook: Workbook, at: Site | None = None) -> Recognised:
    """What is recognised of a workbook sent by ``at``."""
    return recognise(workbook, at or site(), network())


def staged(workbook: Workbook, at: Site | None = None) -> Staged:
    """The staged rows of a workbook sent by ``at``."""
    here = at or site()
    return standardize(workbook, recognise(workbook, here, network()), here, network(), SHA)


def fields(table: Table) -> dict[str, str | None]:
    """Heading -> field (with taxon and stage where the column has them)."""

    def shown(column: Column) -> str | None:
        if column.field is None or column.taxon is None:
            return column.field
        return f"{column.field}:{column.taxon}:{column.life_stage}"

    return {column.heading: shown(column) for column in table.columns}


def column(table: Table, heading: str) -> Column:
    """The column under a heading."""
    return next(c for c in table.columns if c.heading == heading)


def days(count: int, first: dt.date = dt.date(2026, 3, 3)) -> list[dt.date]:
    """Consecutive dates."""
    return [first + dt.timedelta(days=number) for number in range(count)]


def xlsx(cells: Mapping[str, Any], name: str = "Log", **options: Any) -> bytes:
    """A workbook with these cells by address; dates and times are formatted as such."""
    held = io.BytesIO()
    made = xlsxwriter.Workbook(held, options)
    sheet = made.add_worksheet(name)
    date = made.add_format({"num_format": "yyyy-mm-dd"})
    moment = made.add_format({"num_format": "yyyy-mm-dd hh:mm"})
    clock = made.add_format({"num_format": "h:mm"})
    elapsed = made.add_format({"num_format": "[h]:mm"})
    for address, value in cells.items():
        if isinstance(value, dt.datetime):
            sheet.write_datetime(address, value, moment)
        elif isinstance(value, dt.date):
            sheet.write_datetime(address, value, date)
        elif isinstance(value, dt.time):
            sheet.write_datetime(address, value, clock)
        elif isinstance(value, dt.timedelta):
            sheet.write_datetime(address, value, elapsed)
        else:
            sheet.write(address, value)
    made.close()
    return held.getvalue()


def profile(**changes: Any) -> Profile:
    """A site's profile."""
    return Profile(**changes)
