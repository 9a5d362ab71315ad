"""A report as a PDF to print: the same blocks, text that can be selected, vector figures."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Literal

from flows.blank_sheets.ruled_page import printable
from flows.season.document import Block, Document, Heading, Paragraph, Picture, Points, Table
from flows.season.drawing import GRID, INK, MUTED, PAPER, draw_on

if TYPE_CHECKING:
    from fpdf import FPDF

_SIDE, _TOP, _BOTTOM = 16.0, 16.0, 18.0
_BODY = 10.0
_STEP = 4.9


def as_pdf(
    document: Document, as_of: dt.date, paper: Literal["A4", "Letter"] = "A4", *,
    one_page: bool = False,
) -> bytes:
    """The report as a PDF. ``as_of`` is the only clock in it. ``one_page``: set tighter, and
    in smaller type until it fits one page."""
    scale = 1.0
    while True:
        pdf = _set(document, as_of, paper, scale, numbered=not one_page)
        if not one_page or pdf.pages_count == 1 or scale < 0.7:
            return bytes(pdf.output())
        scale *= 0.95


def _set(
    document: Document, as_of: dt.date, paper: str, scale: float, *, numbered: bool
) -> FPDF:
    from fpdf import FPDF

    class Page(FPDF):
        """Numbers its pages at the foot."""

        def footer(self) -> None:
            """One line: title, stamp, page."""
            self.set_y(-11)
            self.set_font("Helvetica", "", 8)
            self.set_text_color(MUTED)
            self.cell(0, 4, printable(f"{document.title}. {document.stamp}")[:130])
            if numbered:
                self.set_y(-11)
                self.cell(0, 4, f"{self.page_no()}", align="R")
            self.set_text_color(INK)

    pdf = Page(orientation="portrait", unit="mm", format=paper)
    pdf.set_margins(_SIDE, _TOP, _SIDE)
    pdf.set_auto_page_break(True, _BOTTOM)
    pdf.set_title(printable(document.title))
    pdf.set_lang("en")
    pdf.set_creation_date(dt.datetime(as_of.year, as_of.month, as_of.day, tzinfo=dt.UTC))
    pdf.add_page()
    pdf.set_text_color(INK)
    pdf.set_font("Helvetica", "B", 19 * scale)
    pdf.multi_cell(0, 8 * scale, printable(document.title), align="L", new_x="LMARGIN",
                   new_y="NEXT")
    pdf.set_font("Helvetica", "", 12 * scale)
    pdf.multi_cell(0, 6 * scale, printable(document.lead), align="L", new_x="LMARGIN",
                   new_y="NEXT")
    pdf.set_text_color(MUTED)
    pdf.set_font("Helvetica", "", 9 * scale)
    pdf.multi_cell(0, 5 * scale, printable(document.stamp), align="L", new_x="LMARGIN",
                   new_y="NEXT")
    pdf.set_text_color(INK)
    for block, following in zip(document.blocks, (*document.blocks[1:], None), strict=True):
        if isinstance(block, Heading):
            _heading(pdf, block, following, scale)
        elif isinstance(block, Paragraph):
            _paragraph(pdf, block, scale)
        elif isinstance(block, Points):
            pdf.ln(1.5 * scale)
            pdf.set_font("Helvetica", "", _BODY * scale)
            for item in block.items:
                pdf.set_x(_SIDE)
                pdf.cell(4, _STEP * scale, "-")
                pdf.multi_cell(0, _STEP * scale, printable(item), align="L", new_x="LMARGIN",
                   new_y="NEXT")
        elif isinstance(block, Picture):
            _picture(pdf, block, scale)
        else:
            _table(pdf, block, scale)
    return pdf


def _room(pdf: FPDF) -> float:
    return float(pdf.h - _BOTTOM - pdf.get_y())


def _heading(pdf: FPDF, block: Heading, following: Block | None, scale: float) -> None:
    # A heading never stands alone at the foot of a page.
    need = 45.0
    if isinstance(following, Picture):
        need = 15 * scale + _picture_size(pdf, following)[1] + 18 * scale
    if _room(pdf) < need:
        pdf.add_page()
    pdf.ln((5 if block.level == 2 else 3) * scale)
    if block.level == 2:
        pdf.start_section(printable(block.text), level=0)
    pdf.set_font("Helvetica", "B", (14 if block.level == 2 else 11.5) * scale)
    pdf.multi_cell(0, 7 * scale, printable(block.text), align="L", new_x="LMARGIN",
                   new_y="NEXT")


def _paragraph(pdf: FPDF, block: Paragraph, scale: float) -> None:
    pdf.ln(1.5 * scale)
    pdf.set_font("Helvetica", "", _BODY * scale)
    if not block.note:
        pdf.multi_cell(0, _STEP * scale, printable(block.text), align="L", new_x="LMARGIN",
                   new_y="NEXT")
        return
    measured = pdf.multi_cell(pdf.epw - 5, _STEP * scale, printable(block.text), dry_run=True,
                              output="HEIGHT")
    assert isinstance(measured, float)
    height = measured
    if height > _room(pdf):
        pdf.add_page()
    top = pdf.get_y()
    pdf.set_fill_color("#eef3f4")
    pdf.rect(_SIDE, top, pdf.epw, height + 2, style="F")
    pdf.set_fill_color("#1f4e5f")
    pdf.rect(_SIDE, top, 1.2, height + 2, style="F")
    pdf.set_xy(_SIDE + 4, top + 1)
    pdf.multi_cell(pdf.epw - 5, _STEP * scale, printable(block.text), new_x="LMARGIN",
                   new_y="NEXT")
    pdf.ln(1)


def _picture_size(pdf: FPDF, block: Picture) -> tuple[float, float]:
    """Width and height on the page: as wide as the text, unless that is too tall."""
    width = float(pdf.epw)
    height = width * block.figure.height / block.figure.width
    most = float(pdf.h) - _TOP - _BOTTOM - 40
    return (width, height) if height <= most else (width * most / height, most)


def _picture(pdf: FPDF, block: Picture, scale: float) -> None:
    figure = block.figure
    width, height = _picture_size(pdf, block)
    if _room(pdf) < height + 18 * scale:
        pdf.add_page()
    pdf.ln(2 * scale)
    pdf.set_font("Helvetica", "B", _BODY * scale)
    pdf.multi_cell(0, _STEP * scale, printable(figure.title), align="L", new_x="LMARGIN",
                   new_y="NEXT")
    top = pdf.get_y() + 1.5
    height = draw_on(pdf, figure, _SIDE, top, width)
    pdf.set_xy(_SIDE, top + height + 1)
    pdf.set_font("Helvetica", "", 8.5 * scale)
    pdf.set_text_color(MUTED)
    pdf.multi_cell(0, 4.2 * scale, printable(block.caption), align="L", new_x="LMARGIN",
                   new_y="NEXT")
    pdf.set_text_color(INK)


def _table(pdf: FPDF, block: Table, scale: float) -> None:
    from fpdf.enums import TableBordersLayout
    from fpdf.fonts import FontFace

    size = (7.6 if len(block.header) > 6 else 8.4) * scale
    if _room(pdf) < 34:
        pdf.add_page()
    pdf.ln(2.5 * scale)
    pdf.set_font("Helvetica", "B", 9.2 * scale)
    pdf.multi_cell(0, 4.8 * scale, printable(block.caption), align="L", new_x="LMARGIN",
                   new_y="NEXT")
    pdf.set_font("Helvetica", "", size)
    pdf.set_draw_color(GRID)
    pdf.set_fill_color(PAPER)
    pdf.set_line_width(0.2)
    with pdf.table(
        col_widths=_widths(pdf, block), text_align=tuple(
            "LEFT" if place in block.left else "RIGHT" for place in range(len(block.header))),
        line_height=size * 0.46, padding=(0.5, 0.9),
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        headings_style=FontFace(emphasis="BOLD", fill_color="#eef3f4"), width=pdf.epw,
    ) as grid:
        for line in (block.header, *block.rows):
            row = grid.row()
            for cell in line:
                row.cell(printable(cell))
    pdf.ln(1)


def _widths(pdf: FPDF, block: Table) -> tuple[float, ...]:
    """Shares of the page: room for the longest word, and for long texts by their length."""
    out = []
    for place, head in enumerate(block.header):
        cells = [printable(head), *(printable(row[place]) for row in block.rows)]
        word = max(pdf.get_string_width(part) for cell in cells
                   for part in (cell.split() or [""]))
        whole = sorted(pdf.get_string_width(cell) for cell in cells[1:] or [""])
        typical = whole[int(len(whole) * 0.9)] if whole else 0.0
        most = 70.0 if place in block.left else 34.0
        out.append(max(word * 1.12 + 2.4, min(typical + 2.4, most)))
    return tuple(out)
