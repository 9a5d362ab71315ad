"""The field form: paper for the clipboard, a page a day or a page a week.

Drawn from the same columns as the season sheet. Boxes are sized for a pencil in a wet
glove, the effort stands first, and the top of the page is left free for the clip.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import Literal

from flows.blank_sheets.columns import BlankColumn, Section, columns_of
from flows.blank_sheets.ruled_page import Band, Box, Look, Page, Row, draw_page, printable
from flows.blank_sheets.season_sheet import season_dates
from flows.returns import wording
from shared.fields import Kind
from shared.protocol import Protocol, protocols
from shared.settings import Network, Site

_TIP = "Pencil writes in the rain. 0 = looked for, none there. Empty = not counted."
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MOST_TICKS = 6
"""Closed sets of more than these are written in, not ticked."""
_FATES = ("count", "released", "mortality", "kept")
_WEEK_NAME = 2.5
"""Width of a row's name on a week's page, in days."""
_WEEK_SIZE = 7.8
_OTHERS = 2
"""Lines for animals that have none of their own."""


def write_field_form(
    path: Path, site: Site, network: Network, season: int,
    per_page: Literal["day", "week"] = "day", paper: Literal["A4", "Letter"] = "A4",
) -> None:
    """Write the field form of ``site`` to ``path`` (.pdf).

    ``day``: one page a protocol, to be printed as often as needed. ``week``: for each net
    one page for each week of ``season`` with its dates, and one undated page for protocols
    that run all year. The same arguments give the same bytes. Raises ``OSError`` when
    ``path`` cannot be written.
    """
    from fpdf import FPDF

    pdf = FPDF(orientation="portrait", unit="mm", format=paper)
    pdf.set_auto_page_break(False)
    pdf.set_title(printable(f"{wording.plain(site.name, 80)}: field form, season {season}"))
    pdf.set_author(printable(wording.plain(network.name, 80)))
    # The only clock in the file; the wall clock would change the bytes.
    pdf.set_creation_date(dt.datetime(season, 1, 1, tzinfo=dt.UTC))
    known = protocols()
    for protocol_id in site.protocols:
        protocol = known[protocol_id]
        make = _day_pages if per_page == "day" else _week_pages
        for page in make(site, network, protocol, season):
            draw_page(pdf, page)
    content = io.BytesIO()
    pdf.output(content)
    path.write_bytes(content.getvalue())


def _cautions(network: Network, protocol: Protocol) -> tuple[str, ...]:
    note = wording.plain(network.permit_note, 400)
    return (
        protocol.caution, *([note] if note else []),
        "Read your own permit before the season and keep a copy with the gear. "
        "Permit no. ____________________",
    )


def _sections(columns: Sequence[BlankColumn]) -> Iterator[tuple[Section, list[BlankColumn]]]:
    asked = [c for c in columns if c.field != "local_date"]  # the date stands at the top
    for section, members in groupby(asked, key=lambda column: column.section):
        yield section, list(members)


def _pieces(columns: Sequence[BlankColumn], most: int) -> list[list[BlankColumn]]:
    """``columns`` cut into rows of at most ``most``, as even as they come."""
    rows = -(-len(columns) // most)
    size, over = divmod(len(columns), max(rows, 1))
    found, start = [], 0
    for number in range(rows):
        end = start + size + (number < over)
        found.append(list(columns[start:end]))
        start = end
    return found


def _label(column: BlankColumn) -> str:
    how = {Kind.DATE: "", Kind.TIME: "24 h"}.get(column.entry.kind, column.sign)
    return f"{column.label} ({how})" if how else column.label


def _ticked(column: BlankColumn) -> bool:
    return 0 < len(column.choices) <= _MOST_TICKS


# -- a page a day ------------------------------------------------------------------------------


def _day_pages(
    site: Site, network: Network, protocol: Protocol, season: int
) -> Iterator[Page]:
    columns = columns_of(site, protocol)
    first, last = season_dates(network, protocol, season)
    # A season over New Year leaves the year to the pencil.
    year = str(season) if first.year == last.year else ""
    yield Page(
        wording.plain(site.name, 60), f"{protocol.title}, season {season}", _TIP,
        (Box(0.13, columns[0].label, given=year) if year else Box(0.13, "Year"),
         Box(0.12, "Month"), Box(0.12, "Day")),
        tuple(_day_band(section, members) for section, members in _sections(columns)),
        _cautions(network, protocol),
    )


def _day_band(section: Section, members: Sequence[BlankColumn]) -> Band:
    plain = [column for column in members if not column.animal]
    first = [column for column in plain if column.field == "gear_unit" and _ticked(column)]
    last = [column for column in plain if _ticked(column) and column not in first]
    tall = [column for column in plain if column.field == "remarks"]
    boxes = [column for column in plain if column not in (*first, *last, *tall)]
    rows = [_tick_row(column) for column in first]
    rows += [Row(13, tuple(Box(1, _label(column)) for column in piece))
             for piece in _pieces(boxes, 5)]
    rows += [_tick_row(column) for column in last]
    rows += _catch_rows([column for column in members if column.animal], section)
    rows += [Row(18, (Box(1, column.label),)) for column in tall]
    return Band(section.value, tuple(rows))


def _tick_row(column: BlankColumn) -> Row:
    label = column.label if not column.animal else f"{column.animal}: {column.label}"
    return Row(8.5, (Box(1, label, Look.TICK, column.choices),))


def _catch_rows(columns: Sequence[BlankColumn], section: Section) -> list[Row]:
    """A table of animals by what became of them, then the parts of a large catch."""
    if not columns:
        return []
    animals = _by_animal(columns)
    fates = {name: [c for c in group if c.field in _FATES] for name, group in animals.items()}
    widest = max(fates.values(), key=len)
    beside = 2 if len(widest) <= 2 else 1
    share = 1.6 if beside == 2 else 1.1
    head = (Box(share, "", Look.HEAD),
            *(Box(1, column.label.capitalize(), Look.HEAD) for column in widest))
    groups = [(Box(share, name, Look.NAME), *(Box(1) for _ in widest)) for name in fates]
    if section is Section.BYCATCH or beside == 2:
        spare = _OTHERS + (len(groups) + _OTHERS) % beside
        groups += [(Box(share, "Other, which?"), *(Box(1) for _ in widest))] * spare
    rows = [Row(4.8, head * beside, fixed=True)]
    rows += [
        Row(10 if beside == 2 else 12.5,
            tuple(box for group in groups[start:start + beside] for box in group))
        for start in range(0, len(groups), beside)
    ]
    for name, group in animals.items():
        rest = [column for column in group if column.field not in _FATES]
        rows += [_tick_row(column) for column in rest if _ticked(column)]
        written = [column for column in rest if not _ticked(column)]
        if written:
            rows.append(Row(12, (
                Box(1.1, f"{name}: if there are too many to count", Look.NAME),
                *(Box(1, _label(column).capitalize()) for column in written))))
    return rows


def _by_animal(columns: Sequence[BlankColumn]) -> dict[str, list[BlankColumn]]:
    found: dict[str, list[BlankColumn]] = {}
    for column in columns:
        found.setdefault(column.animal, []).append(column)
    return found


# -- a page a week -----------------------------------------------------------------------------


def _week_pages(
    site: Site, network: Network, protocol: Protocol, season: int
) -> Iterator[Page]:
    columns = columns_of(site, protocol)
    several = any(column.field == "gear_unit" for column in columns)
    first, last = season_dates(network, protocol, season)
    weeks: list[dt.date | None] = [None]
    if not protocol.year_round:
        monday = first - dt.timedelta(days=first.weekday())
        weeks = [monday + dt.timedelta(weeks=n) for n in range((last - monday).days // 7 + 1)]
    bands = tuple(
        _week_band(section, [c for c in members if c.field != "gear_unit"])
        for section, members in _sections(columns))
    kind = "Net" if protocol.gear_from == "nets" else "Gear"
    for unit in site.gear_units(protocol):
        for week in weeks:
            named = f"{kind} {wording.plain(unit, 20)}, " if several else ""
            when = f"week of {wording.day(week)}" if week else f"season {season}"
            days = tuple(
                Box(1, f"{_DAYS[n]} {_short(week + dt.timedelta(days=n))}", Look.HEAD)
                if week else Box(1, "Date") for n in range(7))
            dates = Row(6 if week else 9, (
                Box(_WEEK_NAME, columns[0].label, Look.NAME, size=_WEEK_SIZE), *days), fixed=True)
            yield Page(
                wording.plain(site.name, 60), f"{protocol.title}, {named}{when}", _TIP, (),
                (Band(bands[0].name, (dates, *bands[0].rows)), *bands[1:]),
                _cautions(network, protocol))


def _short(date: dt.date) -> str:
    """``2 Feb``."""
    return wording.day(date).rpartition(" ")[0]


def _week_band(section: Section, members: Sequence[BlankColumn]) -> Band:
    rows = []
    for animal, group in _by_animal(members).items():
        alone = [c for c in group if c.field in ("remarks", "net_status")]
        pairs = _pieces([c for c in group if c not in alone], 2) + [[c] for c in alone]
        for piece in pairs:
            # The left half's label stands above the right half's, unless both are short.
            labels = [_label(column) for column in piece]
            short = " | ".join(labels)
            name = " |\n".join(labels)
            if animal:
                name = f"{animal}:\n{short}" if len(short) < 24 else f"{animal}: {name}"
            if len(piece) == 1 and _ticked(piece[0]):
                name += ": " + ", ".join(piece[0].choices)
            boxes = tuple(Box(1, parts=len(piece)) for _ in range(7))
            tall = piece[0].field == "remarks"
            rows.append(Row(16 if tall else 9, (
                Box(_WEEK_NAME, name, Look.NAME, size=_WEEK_SIZE), *boxes)))
    return Band(section.value, tuple(rows))
