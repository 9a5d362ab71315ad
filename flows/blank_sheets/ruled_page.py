"""Drawing one page of boxes: bands of rows of cells, stretched to fill the paper.

Knows nothing of what is asked. Lengths are in millimetres, type sizes in points.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fpdf import FPDF

_TOP, _SIDE, _BOTTOM = 17.0, 11.0, 8.0
"""The top is the clip's, the sides are the printer's."""
_GUTTER = 7.0
"""Width of the strip at the left that names a band."""
_GAP = 1.8
_MOST = 1.45
"""Boxes are not stretched further than this, however empty the page."""
_FACE = "Helvetica"
_POINT = 25.4 / 72
_TICK = 4.6
_PLAINER = str.maketrans({"–": "-", "—": "-", "’": "'", "‘": "'", "“": '"', "”": '"', "…": "...",
                          "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ı": "i", "œ": "oe"})


class Look(StrEnum):
    """How a cell is drawn."""

    WRITE = "box to write in, its label small in the corner"
    TICK = "label, and a square to tick for each option"
    NAME = "what the row is about"
    HEAD = "what the boxes below are about"


@dataclass(frozen=True, slots=True)
class Box:
    """One cell. ``share``: of the row's width; ``parts``: a writing box cut in so many.

    ``given`` is printed in a writing box under its label; ``size`` is a name's type size.
    """

    share: float
    text: str = ""
    look: Look = Look.WRITE
    options: tuple[str, ...] = ()
    parts: int = 1
    given: str = ""
    size: float = 9.0


@dataclass(frozen=True, slots=True)
class Row:
    """Cells beside each other; ``height`` in mm, before stretching unless ``fixed``."""

    height: float
    boxes: tuple[Box, ...]
    fixed: bool = False


@dataclass(frozen=True, slots=True)
class Band:
    """Rows under one name."""

    name: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """One page. ``head`` is the row of boxes at the top right, beside the title."""

    title: str
    subtitle: str
    tip: str
    head: tuple[Box, ...]
    bands: tuple[Band, ...]
    cautions: tuple[str, ...]


def printable(text: str) -> str:
    """``text`` in the letters that the built-in typeface has (Latin-1); others lose accents."""
    out = []
    for letter in text.translate(_PLAINER):
        try:
            letter.encode("latin-1")
            out.append(letter)
        except UnicodeEncodeError:
            bare = unicodedata.normalize("NFKD", letter).encode("ascii", "ignore").decode("ascii")
            # A lone accent leaves nothing, which is right; a letter of another script a mark.
            out.append(bare or ("" if unicodedata.combining(letter) else "?"))
    return "".join(out)


def draw_page(pdf: FPDF, page: Page) -> None:
    """Add ``page`` to ``pdf``. All of it fits, whatever the paper."""
    pdf.add_page()
    pdf.set_text_color(0)
    pdf.set_draw_color(0)
    width = pdf.w - 2 * _SIDE
    top = _draw_head(pdf, page, width)
    caution_height = _caution_height(pdf, page.cautions, width)
    room = pdf.h - _BOTTOM - caution_height - top - _GAP * (len(page.bands) + 1)
    rows = [row for band in page.bands for row in band.rows]
    fixed = sum(row.height for row in rows if row.fixed)
    wanted = sum(row.height for row in rows if not row.fixed)
    stretch = min(_MOST, max(room - fixed, 0.0) / wanted) if wanted else 1.0
    y = top + _GAP
    for band in page.bands:
        heights = [row.height * (1.0 if row.fixed else stretch) for row in band.rows]
        height = sum(heights)
        _band_name(pdf, band.name, y, height)
        place = y
        for row, high in zip(band.rows, heights, strict=True):
            _draw_row(pdf, row, _SIDE + _GUTTER, place, width - _GUTTER, high)
            place += high
        pdf.set_line_width(0.6)
        pdf.rect(_SIDE, y, width, height)
        y += height + _GAP
    _draw_cautions(pdf, page.cautions, pdf.h - _BOTTOM - caution_height, width, caution_height)


def _text(
    pdf: FPDF, x: float, y: float, text: str, size: float, width: float, *, bold: bool = False,
    least: float = 5.5,
) -> None:
    """One line with its baseline at ``y``, smaller where ``width`` is short."""
    words = printable(text)
    pdf.set_font(_FACE, "B" if bold else "", size)
    found = pdf.get_string_width(words)
    if found > width:
        pdf.set_font_size(max(least, size * width / found))
        while words and pdf.get_string_width(words) > width + 0.1:
            words = words[:-1]
    if words:
        pdf.text(x, y, words)


def _lines(pdf: FPDF, text: str, width: float) -> list[str]:
    """``text`` broken at its own line ends, and between words to ``width`` (current font)."""
    lines: list[str] = []
    for part in printable(text).split("\n"):
        lines += _wrapped(pdf, part, width)
    return lines


def _wrapped(pdf: FPDF, text: str, width: float) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        if lines and pdf.get_string_width(f"{lines[-1]} {word}") <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _draw_head(pdf: FPDF, page: Page, width: float) -> float:
    """Title, tip and the boxes beside them; returns where the bands begin."""
    share = sum(box.share for box in page.head)
    boxes = width * share
    room = width - boxes - (3 if page.head else 0)
    _text(pdf, _SIDE, _TOP + 5.2, page.title, 17, room, bold=True, least=9)
    _text(pdf, _SIDE, _TOP + 10.0, page.subtitle, 10.5, room, least=7)
    _text(pdf, _SIDE, _TOP + 14.2, page.tip, 8.2, room, least=6)
    if page.head:
        _draw_row(pdf, Row(14.5, page.head), _SIDE + width - boxes, _TOP, boxes, 14.5)
    return _TOP + 14.5


def _band_name(pdf: FPDF, name: str, y: float, height: float) -> None:
    words = printable(name).upper()
    size = 8.5
    pdf.set_font(_FACE, "B", size)
    long = pdf.get_string_width(words)
    if long > height - 1.5:
        size = max(5.0, size * (height - 1.5) / long)
        pdf.set_font_size(size)
        long = pdf.get_string_width(words)
    pdf.set_fill_color(228)
    pdf.rect(_SIDE, y, _GUTTER, height, style="F")
    x = _SIDE + _GUTTER / 2 + size * _POINT * 0.35
    middle = y + height / 2 + long / 2
    with pdf.rotation(90, x, middle):
        pdf.text(x, middle, words)


def _draw_row(
    pdf: FPDF, row: Row, x: float, y: float, width: float, height: float
) -> None:
    whole = sum(box.share for box in row.boxes) or 1.0
    for box in row.boxes:
        wide = width * box.share / whole
        _draw_box(pdf, box, x, y, wide, height)
        pdf.set_line_width(0.3)
        pdf.rect(x, y, wide, height)
        x += wide


def _draw_box(pdf: FPDF, box: Box, x: float, y: float, wide: float, height: float) -> None:
    inner = wide - 2
    if box.look is Look.WRITE:
        if box.text:
            _text(pdf, x + 1, y + 3.0, box.text, 7.6, inner)
        if box.given:
            _text(pdf, x + 1, y + height - 3.2, box.given, 14, inner, bold=True)
        if box.parts > 1:
            pdf.set_line_width(0.2)
            pdf.set_dash_pattern(dash=0.9, gap=0.9)
            for part in range(1, box.parts):
                cut = x + wide * part / box.parts
                pdf.line(cut, y, cut, y + height)
            pdf.set_dash_pattern()
    elif box.look is Look.TICK:
        _draw_ticks(pdf, box, x, y, wide, height)
    elif box.look is Look.HEAD:
        _text(pdf, x + 1, y + height / 2 + 1.1, box.text, 8.2, inner, bold=True)
    else:
        size = box.size
        pdf.set_font(_FACE, "B", size)
        lines = _lines(pdf, box.text, inner)
        while size > 5 and (
            len(lines) * size * _POINT * 1.15 > height - 0.8
            or any(pdf.get_string_width(line) > inner for line in lines)
        ):
            size -= 0.5
            pdf.set_font_size(size)
            lines = _lines(pdf, box.text, inner)
        step = size * _POINT * 1.15
        start = y + height / 2 - (len(lines) - 1) * step / 2 + size * _POINT * 0.35
        for number, line in enumerate(lines):
            _text(pdf, x + 1, start + number * step, line, size, inner, bold=True)


def _draw_ticks(pdf: FPDF, box: Box, x: float, y: float, wide: float, height: float) -> None:
    pdf.set_font(_FACE, "B", 8.5)
    label = printable(box.text)
    lead = min(max(pdf.get_string_width(label) + 3, wide * 0.12), wide * 0.3)
    base = y + height / 2 + 1.1
    _text(pdf, x + 1, base, box.text, 8.5, lead - 1.5, bold=True)
    side = min(_TICK, height - 1.6)
    # Room by the length of the words, so that a long option does not push the next square.
    pdf.set_font(_FACE, "", 9.5)
    needs = [side + 4 + pdf.get_string_width(printable(option)) for option in box.options]
    stretch = (wide - lead) / (sum(needs) or 1)
    left = x + lead
    for option, need in zip(box.options, needs, strict=True):
        each = need * stretch
        pdf.set_line_width(0.45)
        pdf.rect(left, y + (height - side) / 2, side, side)
        _text(pdf, left + side + 1.2, base, option, 9.5, each - side - 2)
        left += each


_CAUTION_SIZE = 8.2
_CAUTION_STEP = 3.7


def _caution_height(pdf: FPDF, cautions: Sequence[str], width: float) -> float:
    if not cautions:
        return 0.0
    pdf.set_font(_FACE, "B", _CAUTION_SIZE)
    lines = sum(len(_lines(pdf, text, width - 4)) for text in cautions)
    return lines * _CAUTION_STEP + 3.0


def _draw_cautions(
    pdf: FPDF, cautions: Sequence[str], y: float, width: float, height: float
) -> None:
    if not cautions:
        return
    pdf.set_line_width(0.9)
    pdf.rect(_SIDE, y, width, height)
    base = y + 4.2
    for number, text in enumerate(cautions):
        pdf.set_font(_FACE, "B" if number == 0 else "", _CAUTION_SIZE)
        for line in _lines(pdf, text, width - 4):
            pdf.set_font(_FACE, "B" if number == 0 else "", _CAUTION_SIZE)
            pdf.text(_SIDE + 2, base, line)
            base += _CAUTION_STEP
