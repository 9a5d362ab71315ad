"""A figure as a list of marks, drawn alike as SVG and on a PDF page.

Lengths are in points, y runs downwards. Colours differ in lightness as well as in hue, and
every series has its own mark or dash, so that grey print and colour-blind readers lose
nothing. Nothing is drawn half transparent and no figure has two y axes.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any

from flows.blank_sheets.ruled_page import printable
from shared.sheets import harmless

if TYPE_CHECKING:
    from fpdf import FPDF

INK, PAPER, MUTED, GRID = "#1d2b33", "#ffffff", "#4a5a62", "#d9dfe1"
DEEP, WARM, MIST, SAND = "#1f4e5f", "#e08e0b", "#b9cdd6", "#f6e3b4"
"""Dark blue-green, mid orange, light blue-grey, light sand: 30, 64, 80, 90 % lightness."""

WIDTH = 640.0
"""Of every figure, in points."""

_FACE = "Helvetica, Arial, 'Liberation Sans', sans-serif"
_AVERAGE = 0.53
"""Mean width of a letter of the typeface over its size, on the wide side."""


@dataclass(frozen=True, slots=True)
class Line:
    """Straight pieces through ``points``; ``dash`` in points, empty: solid."""

    points: tuple[tuple[float, float], ...]
    colour: str = INK
    width: float = 1.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Area:
    """A filled polygon; ``edge`` empty: no outline."""

    points: tuple[tuple[float, float], ...]
    fill: str
    edge: str = ""
    width: float = 0.6


@dataclass(frozen=True, slots=True)
class Disc:
    """A filled circle about (x, y)."""

    x: float
    y: float
    radius: float
    fill: str = INK
    edge: str = ""
    width: float = 1.0


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text with its baseline at y. ``anchor``: start, middle or end."""

    x: float
    y: float
    text: str
    size: float = 9.0
    anchor: str = "start"
    bold: bool = False
    colour: str = INK


Mark = Line | Area | Disc | Words


@dataclass(slots=True)
class Figure:
    """A drawing with what it says in words, and the numbers behind it as a table."""

    name: str
    title: str
    description: str
    width: float
    height: float
    header: tuple[str, ...]
    rows: list[tuple[Any, ...]]
    marks: list[Mark] = field(default_factory=list)

    def add(self, *marks: Mark) -> None:
        """Draw over what is there."""
        self.marks.extend(marks)

    def as_csv(self) -> str:
        """The numbers behind the figure."""
        return as_csv(self.header, self.rows)


def as_csv(header: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    """A CSV text (comma, line feed); floats to six significant digits, NaN and None empty."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_plain(value) for value in row])
    return out.getvalue()


def _plain(value: Any) -> Any:
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.6g}"
    if isinstance(value, str):
        return value if value == "-" else harmless(value)  # a dash stands for nothing
    return "" if value is None else value


_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August",
           "September", "October", "November", "December")
"""strftime would follow the machine's language."""


def day_name(date: dt.date) -> str:
    """``4 April``."""
    return f"{date.day} {_MONTHS[date.month - 1]}"


def wide(text: str, size: float) -> float:
    """About how wide ``text`` is, in points."""
    return len(text) * size * _AVERAGE


def box(x: float, y: float, width: float, height: float, fill: str, edge: str = "") -> Area:
    """A filled rectangle with its upper left corner at (x, y)."""
    return Area(((x, y), (x + width, y), (x + width, y + height), (x, y + height)), fill, edge)


def diamond(x: float, y: float, reach: float, fill: str, edge: str = INK) -> Area:
    """A diamond about (x, y)."""
    return Area(((x, y - reach), (x + reach, y), (x, y + reach), (x - reach, y)), fill, edge, 1.0)


# -- SVG ------------------------------------------------------------------------------------


def as_svg(figure: Figure, *, alone: bool) -> str:
    """The figure as an SVG element with its title and description; ``alone``: as a file."""
    ids = f"{figure.name}-title {figure.name}-description"
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(figure.width)} '
        f'{_n(figure.height)}" role="img" aria-labelledby="{ids}" font-family="{_FACE}">'
        f'<title id="{figure.name}-title">{escape(figure.title)}</title>'
        f'<desc id="{figure.name}-description">{escape(figure.description)}</desc>')
    body = "".join(_svg(mark) for mark in figure.marks)
    start = '<?xml version="1.0" encoding="UTF-8"?>\n' if alone else ""
    return f"{start}{head}{body}</svg>\n"


def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _svg(mark: Mark) -> str:
    if isinstance(mark, Line):
        dash = f' stroke-dasharray="{" ".join(_n(d) for d in mark.dash)}"' if mark.dash else ""
        return (f'<polyline points="{_points(mark.points)}" fill="none" stroke="{mark.colour}" '
                f'stroke-width="{_n(mark.width)}"{dash} stroke-linejoin="round"/>')
    if isinstance(mark, Area):
        edge = (f' stroke="{mark.edge}" stroke-width="{_n(mark.width)}"' if mark.edge else "")
        return f'<polygon points="{_points(mark.points)}" fill="{mark.fill}"{edge}/>'
    if isinstance(mark, Disc):
        edge = (f' stroke="{mark.edge}" stroke-width="{_n(mark.width)}"' if mark.edge else "")
        return (f'<circle cx="{_n(mark.x)}" cy="{_n(mark.y)}" r="{_n(mark.radius)}" '
                f'fill="{mark.fill}"{edge}/>')
    anchor = "" if mark.anchor == "start" else f' text-anchor="{mark.anchor}"'
    weight = ' font-weight="bold"' if mark.bold else ""
    return (f'<text x="{_n(mark.x)}" y="{_n(mark.y)}" font-size="{_n(mark.size)}"{anchor}{weight} '
            f'fill="{mark.colour}">{escape(mark.text)}</text>')


def _points(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{_n(x)},{_n(y)}" for x, y in points)


# -- PDF ------------------------------------------------------------------------------------


def draw_on(pdf: FPDF, figure: Figure, left: float, top: float, width: float) -> float:
    """Draw ``figure`` on the current page, ``width`` wide (the page's unit); returns its height."""
    scale = width / figure.width
    point = 72 / 25.4 * scale  # a figure's point, in type size on the page (mm pages)

    def at(x: float, y: float) -> tuple[float, float]:
        return left + x * scale, top + y * scale

    for mark in figure.marks:
        if isinstance(mark, Words):
            pdf.set_font("Helvetica", "B" if mark.bold else "", mark.size * point)
            pdf.set_text_color(mark.colour)
            words = printable(mark.text)
            x, y = at(mark.x, mark.y)
            back = {"start": 0.0, "middle": 0.5, "end": 1.0}[mark.anchor]
            pdf.text(x - back * pdf.get_string_width(words), y, words)
        elif isinstance(mark, Disc):
            _pen(pdf, mark.edge, mark.width * scale)
            pdf.set_fill_color(mark.fill)
            x, y = at(mark.x, mark.y)
            pdf.circle(x, y, mark.radius * scale, style="DF" if mark.edge else "F")
        elif isinstance(mark, Area):
            _pen(pdf, mark.edge, mark.width * scale)
            pdf.set_fill_color(mark.fill)
            pdf.polygon([at(x, y) for x, y in mark.points], style="DF" if mark.edge else "F")
        else:
            _pen(pdf, mark.colour, mark.width * scale)
            if mark.dash:
                pdf.set_dash_pattern(dash=mark.dash[0] * scale, gap=mark.dash[-1] * scale)
            pdf.polyline([at(x, y) for x, y in mark.points])
            if mark.dash:
                pdf.set_dash_pattern()
    pdf.set_text_color(INK)
    return figure.height * scale


def _pen(pdf: FPDF, colour: str, width: float) -> None:
    pdf.set_draw_color(colour or PAPER)
    pdf.set_line_width(max(width, 0.05))


# -- axes -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Panel:
    """A rectangle with an x and a y scale."""

    left: float
    top: float
    width: float
    height: float
    x_from: float
    x_to: float
    y_from: float
    y_to: float

    def x(self, value: float) -> float:
        """Place of ``value`` along x."""
        return self.left + (value - self.x_from) / ((self.x_to - self.x_from) or 1) * self.width

    def y(self, value: float) -> float:
        """Place of ``value`` along y, upwards."""
        share = (value - self.y_from) / ((self.y_to - self.y_from) or 1)
        return self.top + self.height - share * self.height

    @property
    def bottom(self) -> float:
        """The y of the lower edge."""
        return self.top + self.height


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round numbers from ``low`` to ``high``, about so many."""
    span = (high - low) or 1.0
    step: float = 10.0 ** math.floor(math.log10(span / about))
    for factor in (1, 2, 5, 10):
        if span / (step * factor) <= about + 0.5:
            step *= factor
            break
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def number(value: float) -> str:
    """A tick or table number: thousands apart, no more decimals than it needs."""
    if math.isnan(value):
        return "-"
    if abs(value) >= 100 or value == int(value):
        return f"{value:,.0f}"
    return f"{value:.1f}" if abs(value) >= 1 else f"{value:.2g}"


def y_axis(figure: Figure, panel: Panel, about: int = 4, size: float = 8.0,
           say: Callable[[float], str] = number) -> None:
    """Grid lines and numbers at the left."""
    for value in ticks(panel.y_from, panel.y_to, about):
        y = panel.y(value)
        figure.add(Line(((panel.left, y), (panel.left + panel.width, y)), GRID, 0.6),
                   Words(panel.left - 4, y + size * 0.35, say(value), size, "end", colour=MUTED))


def x_axis(figure: Figure, panel: Panel, about: int = 6, size: float = 8.0,
           say: Callable[[float], str] = number) -> None:
    """Grid lines and numbers below."""
    for value in ticks(panel.x_from, panel.x_to, about):
        x = panel.x(value)
        figure.add(Line(((x, panel.top), (x, panel.bottom)), GRID, 0.6),
                   Words(x, panel.bottom + size + 3, say(value), size, "middle", colour=MUTED))


def date_axis(figure: Figure, panel: Panel, first: dt.date, size: float = 8.0,
              names: bool = True) -> None:
    """Lines at the first of each month (x is days since ``first``), the month's name in it."""
    last = first + dt.timedelta(days=int(panel.x_to))
    month = dt.date(first.year, first.month, 1)
    while month <= last:
        following = dt.date(month.year + month.month // 12, month.month % 12 + 1, 1)
        begin = max((month - first).days, panel.x_from)
        end = min((following - first).days, panel.x_to)
        if begin > panel.x_from:
            x = panel.x(begin)
            figure.add(Line(((x, panel.top), (x, panel.bottom)), GRID, 0.6))
        name = _MONTHS[month.month - 1][:3]
        if names and panel.x(end) - panel.x(begin) > wide(name, size) + 2:
            figure.add(Words((panel.x(begin) + panel.x(end)) / 2, panel.bottom + size + 3,
                             name, size, "middle", colour=MUTED))
        month = following
    figure.add(Line(((panel.left, panel.bottom), (panel.left + panel.width, panel.bottom)),
                    MUTED, 0.8))


def legend(figure: Figure, x: float, y: float,
           entries: Sequence[tuple[Any, str]], size: float = 8.5) -> None:
    """Entries side by side, wrapped at the figure's edge: a mark drawer and its words."""
    left = x
    for draw, text in entries:
        need = 20 + wide(text, size) + 12
        if left > x and left + need > figure.width:
            left, y = x, y + size + 5
        figure.add(*draw(left, y - size * 0.35), Words(left + 20, y, text, size))
        left += need
