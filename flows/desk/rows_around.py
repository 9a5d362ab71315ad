"""A cell as its lead knows it: the row it stands in, the rows around, the sheet's headings."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from flows.returns.wording import plain
from shared.sheets import column_index, column_letters

_CELL = re.compile(r"([A-Z]{1,3})([0-9]+)")
_BESIDE = 2
"""Rows shown above and below."""
_COLUMNS = 5
_LONGEST = 40

Cells = Callable[[int], Sequence[str]]
"""1-based row -> its texts; empty where there is no such row."""


@dataclass(frozen=True, slots=True)
class Around:
    """A few cells of a sheet. ``at`` is the place of the cell meant among ``letters``, or None."""

    letters: tuple[str, ...]
    headings: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    row: int
    at: int | None

    def as_dict(self) -> dict[str, Any]:
        """Plain values, fit for JSON and for a page."""
        return {"letters": list(self.letters), "headings": list(self.headings),
                "rows": [{"number": number, "cells": list(cells), "here": number == self.row}
                         for number, cells in self.rows],
                "at": self.at}


def rows_around(
    cells: Cells, header_row: int, row: int, cell: str, dates: Iterable[int]
) -> Around | None:
    """The surroundings of ``cell`` (such as F41; empty: the row as a whole) in 1-based ``row``.

    ``header_row`` is 1-based, ``dates`` are the 0-based columns that say the day. None where
    the row is empty.
    """
    here = list(cells(row))
    if not any(here):
        return None
    match = _CELL.fullmatch(cell)
    column = column_index(match[1]) if match and int(match[2]) == row else None
    width = max(len(here), len(cells(header_row)))
    shown = _chosen(column, sorted(set(dates)), width)
    numbers = [number for number in range(max(1, row - _BESIDE), row + _BESIDE + 1)
               if number > header_row and any(cells(number))]
    return Around(
        tuple(column_letters(index) for index in shown),
        tuple(_text(cells(header_row), index) for index in shown),
        tuple((number, tuple(_text(cells(number), index) for index in shown))
              for number in numbers),
        row, shown.index(column) if column in shown else None)


def _chosen(column: int | None, dates: Sequence[int], width: int) -> list[int]:
    """Columns to show: the day's first, then those next to the cell."""
    if column is None:
        return list(range(min(width, _COLUMNS)))
    chosen = {column, *dates[:1]}
    for step in range(1, width):
        for near in (column - step, column + step):
            if 0 <= near < width and len(chosen) < _COLUMNS:
                chosen.add(near)
    return sorted(chosen)


def _text(row: Sequence[str], index: int) -> str:
    return plain(row[index], _LONGEST) if index < len(row) else ""
