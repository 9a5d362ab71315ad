"""How a corrected value is quoted: as if it stood in the sheet, in the column's own unit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from checks.judging import Place
from shared.fields import FIELDS, NUMERIC_KINDS, Level
from shared.units import convert
from warehouse.decisions import Overlay
from warehouse.store import Warehouse

Cell = tuple[str, str, int, int]
"""File, sheet, 1-based row, 0-based column."""


def corrected_texts(
    warehouse: Warehouse, overlay: Overlay, places: Sequence[Place]
) -> dict[Cell, str]:
    """Cell -> the text that a decision puts in its place, for rows laid out."""
    corrected = overlay.corrections()
    if not corrected:
        return {}
    con = warehouse.connection
    ids = sorted({item.row_id for item in corrected})
    at = {row[0]: row[1:] for row in con.execute(
        "SELECT row_id, file_sha256, sheet, sheet_row, water_sheet, water_row "
        "FROM staged_events WHERE list_contains(?, row_id)", [ids]).fetchall()}
    rows = {row[0]: row[1] for row in con.execute(
        "SELECT catch_id, sheet_row FROM staged_catches WHERE list_contains(?, catch_id)",
        [[item.catch_id for item in corrected if item.catch_id is not None]]).fetchall()}
    index: dict[tuple[str, str, str], list[Place]] = defaultdict(list)
    for place in places:
        index[place.file_sha256, place.sheet, place.field].append(place)
    out: dict[Cell, str] = {}
    for item in corrected:
        decision = item.decision
        if item.row_id not in at:
            continue
        sha, sheet, row, water_sheet, water_row = at[item.row_id]
        if FIELDS[decision.field].level is Level.CATCH:
            row = rows.get(item.catch_id, row)
        for at_sheet, at_row in ((sheet, row), (water_sheet, water_row)):
            fitting = [place for place in index.get((sha, at_sheet, decision.field), ())
                       if place.taxon in (None, decision.taxon or None)
                       and place.life_stage in (None, decision.life_stage or None)]
            if at_row is not None and fitting:
                out[sha, at_sheet, at_row, fitting[0].column_index] = in_unit(
                    decision.new, decision.field, fitting[0].unit)
                break
    return out


def in_unit(text: str, field_id: str, unit: str | None) -> str:
    """Canonical ``text`` of a field as it would be written in ``unit``."""
    entry = FIELDS[field_id]
    if not text or entry.kind not in NUMERIC_KINDS or unit in (None, entry.unit):
        return text
    return f"{round(convert(float(text), entry.unit or '', unit or ''), 4):g}"
