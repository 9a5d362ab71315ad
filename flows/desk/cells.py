"""Cells of a CSV file that a spreadsheet program will open: none of them may be a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from shared.sheets import harmless


def as_csv(columns: Sequence[str], rows: Iterable[Sequence[str | None]]) -> str:
    """A CSV file of harmless cells, its names among them."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([harmless(name) for name in columns])
    for row in rows:
        writer.writerow(["" if cell is None else harmless(cell) for cell in row])
    return out.getvalue()
