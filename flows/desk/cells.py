"""Cells of a CSV file that a spreadsheet program will open: none of them may be a formula."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

from shared.sheets import FORMULA_STARTS

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


def harmless(text: str) -> str:
    """``text`` as a spreadsheet shows it and never as one it calculates; numbers as they are."""
    risky = text.startswith(FORMULA_STARTS) or text.lstrip().startswith(FORMULA_STARTS)
    return f"'{text}" if risky and not _NUMBER.fullmatch(text) else text


def as_csv(columns: Sequence[str], rows: Iterable[Sequence[str | None]]) -> str:
    """A CSV file of harmless cells, its names among them."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([harmless(name) for name in columns])
    for row in rows:
        writer.writerow(["" if cell is None else harmless(cell) for cell in row])
    return out.getvalue()
