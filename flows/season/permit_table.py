"""The permit table: catch, released, mortality, kept and bycatch by site, taxon and gear."""

from __future__ import annotations

import datetime as dt
import io
from typing import Any

from flows.season.drawing import as_csv
from flows.season.figures import animal_name, site_name
from warehouse.season.account import SeasonAccount

HEADER = ("site", "gear", "kind", "scientific_name", "animal", "life_stage", "events_with_effort",
          "effort", "effort_unit", "catch", "released", "mortality", "kept", "fate_not_written")
_TITLES = ("Site", "Gear", "Kind", "Scientific name", "Animal", "Life stage", "Events with effort",
           "Effort", "Unit of effort", "Catch", "Released", "Mortality", "Kept",
           "Fate not written")
_WIDTHS = (22, 8, 9, 26, 24, 14, 11, 11, 12, 9, 10, 10, 8, 11)


def permit_rows(account: SeasonAccount) -> list[tuple[Any, ...]]:
    """Rows under :data:`HEADER`, by site and gear, what the protocol is after first."""
    return [
        (site_name(account, line.site_id), line.protocol, "target" if line.target else "bycatch",
         line.scientific_name, animal_name(line.taxon_id, "unspecified"), line.life_stage,
         line.events, None if line.effort is None else round(line.effort, 1), line.effort_unit,
         line.catch, line.released, line.mortality, line.kept, line.unsaid)
        for line in account.permit]


def permit_csv(account: SeasonAccount) -> str:
    """The table as CSV."""
    return as_csv(HEADER, permit_rows(account))


def permit_workbook(account: SeasonAccount) -> bytes:
    """The table as a workbook: the same bytes for the same account."""
    import xlsxwriter

    content = io.BytesIO()
    book = xlsxwriter.Workbook(content, {
        "in_memory": True, "strings_to_formulas": False, "strings_to_urls": False,
        "strings_to_numbers": False})
    book.set_properties({
        "title": f"Permit table, season {account.season}", "author": account.network.name,
        # The only clock in the file; the wall clock would change the bytes.
        "created": dt.datetime(account.as_of.year, account.as_of.month, account.as_of.day)})
    head = book.add_format({"bold": True, "text_wrap": True, "valign": "vcenter", "border": 1,
                            "bg_color": "#EEF3F4"})
    title = book.add_format({"bold": True, "font_size": 14})
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    text, whole = book.add_format({"border": 1}), book.add_format({"border": 1,
                                                                   "num_format": "#,##0"})
    tenth = book.add_format({"border": 1, "num_format": "#,##0.0"})
    rows = permit_rows(account)
    sheet = book.add_worksheet("Permit table")
    sheet.write_string(0, 0, f"{account.network.name}: animals handled in season "
                             f"{account.season}", title)
    sheet.merge_range(1, 0, 1, len(HEADER) - 1, _said(account), wrap)
    sheet.set_row(1, 48)
    for place, name in enumerate(_TITLES):
        sheet.write_string(3, place, name, head)
        sheet.set_column(place, place, _WIDTHS[place])
    sheet.set_row(3, 32)
    for number, row in enumerate(rows, start=4):
        for place, value in enumerate(row):
            if value is None:
                sheet.write_blank(number, place, None, text)
            elif isinstance(value, str):
                sheet.write_string(number, place, value, text)
            else:
                sheet.write_number(number, place, value,
                                   tenth if HEADER[place] == "effort" else whole)
    last = 3 + len(rows)
    sheet.autofilter(3, 0, max(last, 4), len(HEADER) - 1)
    sheet.freeze_panes(4, 1)
    sheet.repeat_rows(3)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    book.close()
    return content.getvalue()


def _said(account: SeasonAccount) -> str:
    return (f"From release {account.version}. Animals are those of rows that passed the network's "
            "rules; rows still waiting for an answer are not in it. An animal whose fate was not "
            "written is under \"Fate not written\", never under \"Released\". Effort is that of "
            f"all the site's events with the gear. {account.network.permit_note}").strip()
