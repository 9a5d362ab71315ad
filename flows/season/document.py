"""What a report is made of, whether it becomes a web page or a printed one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from flows.season.drawing import Figure


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; ``level`` 2 or 3 (1 is the title)."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text. ``note``: set apart, as a caution or a limit is."""

    text: str
    note: bool = False


@dataclass(frozen=True, slots=True)
class Points:
    """A short list."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under column names; the first column names the row, ``left`` are texts.

    ``rows`` hold what is shown; ``name`` is that of the CSV beside the report.
    """

    name: str
    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left: frozenset[int] = frozenset({0})


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure with what to look for in it."""

    figure: Figure
    caption: str


Block = Heading | Paragraph | Points | Table | Picture


@dataclass(frozen=True, slots=True)
class Document:
    """A report. ``lead`` is one line under the title; ``stamp`` says what it was made from."""

    title: str
    lead: str
    stamp: str
    blocks: tuple[Block, ...]

    @property
    def figures(self) -> list[Figure]:
        """Every figure, in order."""
        return [block.figure for block in self.blocks if isinstance(block, Picture)]

    @property
    def tables(self) -> list[Table]:
        """Every table, in order."""
        return [block for block in self.blocks if isinstance(block, Table)]


def table(name: str, caption: str, header: Sequence[str], rows: Sequence[Sequence[Any]],
          left: Sequence[int] = (0,)) -> Table:
    """A table of texts."""
    return Table(name, caption, tuple(header), tuple(tuple(str(v) for v in row) for row in rows),
                 frozenset(left))
