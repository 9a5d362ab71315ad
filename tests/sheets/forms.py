"""Which sheets of the corpus show which form of a sheet: form -> names of sheets.

    python -m tests.sheets.forms

prints the table. A form is what a lead may do to a sheet (a file type, a layout, a way of
writing a cell); each is to be met in two sheets at least, beside other forms each time.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

MADE = Path(__file__).parent / "made"

_LAYOUTS: dict[str, tuple[str, ...]] = {
    "titles": ("title rows", "a blank first column", "notes below"),
    "totals": ("totals and means at the end",),
    "weeks": ("totals in the middle", "headings repeated every page", "blank separator rows"),
    "groups": ("two rows of headings", "merged headings", "title rows"),
    "units-row": ("a units row",),
    "three-rows": ("three rows of headings", "merged headings"),
    "months": ("one tab a month",),
    "days-only": ("one tab a month", "the day of the month only"),
    "nets": ("one tab a net",),
    "water-tab": ("water quality on its own tab",),
    "across": ("dates across",),
    "long": ("long species rows",),
    "long-once": ("long species rows", "the date written once a check"),
    "side-by-side": ("several tables on one sheet",),
    "nets-across": ("several nets in one row",),
    "date-parts": ("year, month and day apart",),
    "hidden": ("hidden rows and columns",),
    "below": ("several tables on one sheet",),
    "yoy": ("a heading that its values belie",),
    "seine": ("superscripts",),
    "steady": ("day and month told by the order of rows",),
    "in-season": ("day and month told by the season",),
    "quoted": ("line breaks within cells",),
}
_WRITERS: dict[str, tuple[str, ...]] = {
    "xlsx-1904": ("the 1904 date system",),
    "soffice-xls": ("re-saved by LibreOffice",),
    "soffice-ods": ("re-saved by LibreOffice",),
    "soffice-xlsx": ("re-saved by LibreOffice",),
    "csv-utf8": ("UTF-8", "commas"),
    "csv-bom-semicolon": ("UTF-8 with BOM", "semicolons and decimal commas"),
    "csv-cp1252-semicolon": ("cp1252", "semicolons and decimal commas"),
    "csv-mac": ("mac-roman", "commas"),
    "tsv-utf16": ("UTF-16", "tabs"),
    "tsv": ("cp1252", "tabs"),
}
_HEADINGS: dict[str, str] = {
    "taxon and stage: glass eels": "glass eels",
    "taxon and stage: elvers >65 mm": "elvers >65 mm",
    "taxon and stage: A. rostrata YOY": "a. rostrata yoy",
    "a misspelt heading": "disolved",
    "a degree sign": "°",
    "a non-breaking space": "\xa0",
}
_CELLS = (
    "~200", ">500", "<1", "12 (6 dead)", "1,204", "1.204,5", "1,204.5", "tr", "trace", "ND", "-",
    "n/a", "none", "net out", "lots", "10-12", "#REF!", "41F", "5,2 C", "5.4°", "7.0?",
    "17:00 prev day", "yesterday 4 pm", "meter broken",
)  # fmt: skip


def forms_of(plan: dict[str, Any]) -> Iterator[str]:
    """The forms that one sheet shows, by its plan."""
    forms = plan["forms"]
    yield f"file: {Path(plan['file']).suffix}"
    yield f"writer: {forms['writer']}"
    yield f"dates: {forms['dates']}"
    yield f"units: {forms['units']}"
    yield from _LAYOUTS.get(forms["layout"], ())
    yield from _WRITERS.get(forms["writer"], ())
    columns = [column for table in plan["tables"] for column in table["columns"].values()]
    fields = {column["field"] for column in columns}
    if fields & {"check_time", "set_time"}:
        yield f"times: {forms['times']}"
    if {"check_time", "set_time"} <= fields and "set_date" not in fields:
        yield "set time on the day before"
    if sum(column["field"] == "count" and column["taxon"] is not None for column in columns) > 2:
        yield "wide species columns"
    if None in fields:
        yield "a column that means nothing here"
    headings = [str(column["heading"]).lower() for column in columns]
    for form, words in _HEADINGS.items():
        if any(words in heading for heading in headings):
            yield form
    written = {str(cell) for table in plan["tables"] for cell in table["written"]}
    for cell in _CELLS:
        if cell in written:
            yield f"cell: {cell}"


EVERY_FORM: frozenset[str] = frozenset(
    {
        *(form for forms in (*_LAYOUTS.values(), *_WRITERS.values()) for form in forms),
        *_HEADINGS,
        *(f"cell: {cell}" for cell in _CELLS),
        *(f"file: .{kind}" for kind in ("xlsx", "xlsm", "xls", "xlsb", "ods")),
        *(f"file: .{kind}" for kind in ("csv", "tsv", "txt", "zip")),
        "set time on the day before",
        "wide species columns",
        "a column that means nothing here",
    }
)


def sheets_by_form() -> dict[str, list[str]]:
    """Form -> sheets that show it."""
    found: dict[str, list[str]] = {form: [] for form in sorted(EVERY_FORM)}
    for path in sorted(MADE.glob("*.json")):
        for form in dict.fromkeys(forms_of(json.loads(path.read_text(encoding="utf-8")))):
            found.setdefault(form, []).append(path.stem)
    return found


if __name__ == "__main__":
    for form, sheets in sheets_by_form().items():
        print(f"{form:45} {len(sheets):4}  {', '.join(sheets[:3])}")
