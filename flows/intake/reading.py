"""Reading: the bytes of a file become sheets of cells, each as the file types it.

Nothing is interpreted here beyond what the file itself says. What a reader would hand on
as blank though something stands there (an error value, a formula never calculated) is
put back as text, because a blank and an error are different things to the site lead.
"""

from __future__ import annotations

import datetime as dt
import gc
import io
import re
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from flows.intake.archives import members_of
from flows.intake.binary_books import measure_xls, measure_xlsb
from flows.intake.containers import (
    SAVE_AS,
    Limits,
    Measured,
    check_unpacked,
    kind_of,
    measure_ods,
    measure_xlsx,
    too_many_cells,
    without_spaces_between,
)
from flows.intake.delimited import read_text
from shared.problems import (
    EmptyFile,
    FileTooLarge,
    NotASheet,
    Problem,
    ProtectedFile,
    UnreadableFile,
)
from shared.sheets import Cell, Sheet, Workbook

__all__ = [
    "AnnotatedSheet",
    "Limits",
    "cell_text",
    "collector_at_rest",
    "comments_of",
    "dialect_of",
    "read_workbook",
]

DIALECT_1904 = "dates counted from 1904"
"""``Workbook.dialect`` of a workbook in the 1904 date system."""


@dataclass(slots=True)
class AnnotatedSheet(Sheet):
    """A sheet of which the file tells more than its cells.

    ``comments``: notes attached to cells, (row, column) -> text. ``dialect``: as
    ``Workbook.dialect``, of the file within an archive that the sheet stands in.
    """

    comments: dict[tuple[int, int], str] = field(default_factory=dict)
    dialect: str = ""


@contextmanager
def collector_at_rest() -> Iterator[None]:
    """Hold Python's cycle collector back while rows are built.

    Millions of cells hold no cycles, yet their number has it look through them all again
    and again, for a fifth of the time that reading and recognising takes.
    """
    working = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if working:
            gc.enable()


def dialect_of(workbook: Workbook, sheet: Sheet) -> str:
    """Separator, decimal mark and date system of the file that ``sheet`` stands in."""
    return workbook.dialect or getattr(sheet, "dialect", "")


def comments_of(sheet: Sheet) -> dict[tuple[int, int], str]:
    """Notes attached to the cells of ``sheet``: (row, column) -> text."""
    found: dict[tuple[int, int], str] = getattr(sheet, "comments", {})
    return found


_ISO_DURATION = re.compile(r"PT(\d+)H(\d+)M(\d+)(?:\.\d+)?S$")


def read_workbook(content: bytes, name: str, limits: Limits = Limits()) -> Workbook:  # noqa: B008
    """Read a file of any spreadsheet kind.

    ``name`` serves only messages. Cells of text files stay text. Raises
    :class:`EmptyFile`, :class:`NotASheet`, :class:`ProtectedFile`, :class:`FileTooLarge`
    or :class:`UnreadableFile`, each saying what to do; nothing else leaves this function.
    """
    if not content.strip(b"\x00 \t\r\n"):
        raise EmptyFile(
            "The file is empty.", "Perhaps it was still open or being copied: send it again.", name
        )
    if len(content) > limits.bytes:
        raise FileTooLarge(
            f"It is {len(content) / 1e6:,.1f} MB; at most {limits.bytes / 1e6:,.1f} MB are read.",
            "Take pictures and other years out of the file and send it again.",
            name,
        )
    try:
        with collector_at_rest():
            workbook = _workbook(content, name, limits)
    except Problem:
        raise
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:
        # The reader panics on some damaged workbooks, and a panic is no Exception.
        if "password" in f"{type(error).__name__} {error}".lower():
            raise ProtectedFile(
                "It asks for a password, so it cannot be opened here.",
                "Save a copy without the password and send the copy.",
                name,
            ) from error
        raise UnreadableFile(
            "The workbook is damaged or is of a make that cannot be read here.", SAVE_AS, name
        ) from error
    workbook.sheets = [sheet for sheet in workbook.sheets if sheet.rows]
    if not workbook.sheets:
        raise EmptyFile(
            "Every sheet in it is empty.",
            "Check that the sheet was saved, and send it again.",
            name,
        )
    return workbook


def _workbook(content: bytes, name: str, limits: Limits) -> Workbook:
    kind = kind_of(content, name)
    if kind == "zip":
        return _archive(content, name, limits)
    if kind == "text":
        return _delimited(content, name, limits)
    return _spreadsheet(content, name, kind, limits)


def _archive(content: bytes, name: str, limits: Limits) -> Workbook:
    """The sheets of an archive's files as one workbook, each named with its file.

    A file that is no spreadsheet is left aside by name; one that cannot be read refuses
    the whole, since its counts would else be missing without a word.
    """
    files = members_of(content, name, limits)
    read: list[Workbook] = []
    aside: list[tuple[str, str]] = []
    cells = 0
    for member, data in files:
        where = f"{name}, {member}"
        if not data.strip(b"\x00 \t\r\n"):
            aside.append((member, "it is empty"))
            continue
        try:
            kind = kind_of(data, where)
            if kind == "zip":
                raise UnreadableFile(
                    "It is an archive within an archive.",
                    "Unpack it and send the spreadsheets inside.",
                    where,
                )
            book = read_workbook(data, where, limits)
        except (NotASheet, EmptyFile) as problem:
            aside.append((member, problem.what[:1].lower() + problem.what[1:].rstrip(".")))
            continue
        cells += sum(len(sheet.rows) * max(map(len, sheet.rows)) for sheet in book.sheets)
        if cells > limits.cells:
            raise too_many_cells(cells, limits, name, "")
        book.name = member
        read.append(book)
    if not read:
        raise NotASheet(
            "It is an archive (zip) with no spreadsheet in it.",
            "Send the spreadsheet itself (.xlsx, .xls, .ods or .csv).",
            name,
        )
    sheets: list[Sheet] = []
    for book in read:
        for sheet in book.sheets:
            title = ": ".join(filter(None, (book.name, sheet.name)))
            sheets.append(
                AnnotatedSheet(
                    sheet.name if len(read) == 1 and sheet.name else title,
                    sheet.rows,
                    sheet.hidden,
                    sheet.merged,
                    comments_of(sheet),
                    book.dialect,
                )
            )
    workbook = Workbook(name, "zip", sheets, read[0].encoding if len(read) == 1 else "")
    workbook.left_aside = aside
    return workbook


def _delimited(content: bytes, name: str, limits: Limits) -> Workbook:
    read = read_text(content, name, limits)
    rows = _trimmed(read.rows)
    cells = len(rows) * max(map(len, rows), default=0)
    if cells > limits.cells:
        raise too_many_cells(cells, limits, name, "")
    kind = "tsv" if read.separator == "\t" else "csv"
    return Workbook(name, kind, [Sheet("", rows)], read.encoding, read.dialect)


def _spreadsheet(content: bytes, name: str, kind: str, limits: Limits) -> Workbook:
    from python_calamine import CalamineWorkbook, SheetTypeEnum, SheetVisibleEnum

    measured = Measured()
    try:
        if kind != "xls":
            check_unpacked(content, name, limits)
        measured = _MEASURES[kind](content, name, limits)
    except (zipfile.BadZipFile, zlib.error, EOFError, KeyError) as error:
        raise UnreadableFile(
            "The workbook is damaged or was cut short on its way.", SAVE_AS, name
        ) from error
    sheets: list[Sheet] = []
    total = 0
    if kind == "ods" and measured.spaced:
        content = without_spaces_between(content)
    with CalamineWorkbook.from_filelike(io.BytesIO(content)) as book:
        metadata = [entry for entry in book.sheets_metadata if entry.typ == SheetTypeEnum.WorkSheet]
        if len(metadata) > limits.sheets:
            raise FileTooLarge(
                f"It has {len(metadata)} tabs; at most {limits.sheets} are read.",
                "Send a file with the count sheets only.",
                name,
            )
        for entry in metadata:
            found = book.get_sheet_by_name(entry.name)
            total += found.total_height * found.total_width
            if total > limits.cells:
                raise too_many_cells(total, limits, name, entry.name)
            rows: list[list[Cell]] = found.to_python(skip_empty_area=False)  # type: ignore[assignment]
            _blank(rows)
            if kind == "ods":
                _spell_out_durations(rows)
            _restore(rows, measured.patches.get(entry.name, ()))
            merged = [
                (first[0], first[1], last[0], last[1])
                for first, last in found.merged_cell_ranges or ()
            ] or measured.merged.get(entry.name, [])
            hidden = entry.visible != SheetVisibleEnum.Visible
            notes = measured.comments.get(entry.name)
            sheets.append(
                AnnotatedSheet(
                    entry.name,
                    _trimmed(rows),
                    hidden,
                    merged,
                    {(row, column): text for row, column, text in notes},
                )
                if notes
                else Sheet(entry.name, _trimmed(rows), hidden, merged)
            )
    dialect = DIALECT_1904 if measured.serial_1904 else ""
    return Workbook(name, kind, sheets, "", dialect)


_MEASURES: dict[str, Callable[[bytes, str, Limits], Measured]] = {
    "xls": measure_xls,
    "xlsx": measure_xlsx,
    "xlsb": measure_xlsb,
    "ods": measure_ods,
}


def _blank(rows: list[list[Cell]]) -> None:
    """Empty texts, which is how the reader hands on blank cells, become None."""
    for row in rows:
        try:
            place = row.index("")
            while True:
                row[place] = None
                place = row.index("", place + 1)
        except ValueError:
            continue


def _restore(rows: list[list[Cell]], patches: Iterable[tuple[int, int, str]]) -> None:
    """Put back the texts of cells that the reader hands on as blank."""
    for row, column, text in patches:
        while len(rows) <= row:
            rows.append([])
        cells = rows[row]
        if len(cells) <= column:
            cells.extend([None] * (column + 1 - len(cells)))
        if cells[column] is None:
            cells[column] = text


def _spell_out_durations(rows: list[list[Cell]]) -> None:
    """OpenDocument durations of a day and more arrive as ISO 8601 text."""
    for row in rows:
        for place, cell in enumerate(row):
            if type(cell) is str and cell.startswith("PT"):
                match = _ISO_DURATION.match(cell)
                if match:
                    hours, minutes, seconds = (int(part) for part in match.groups())
                    row[place] = dt.timedelta(hours=hours, minutes=minutes, seconds=seconds)


def _trimmed(rows: list[list[Cell]]) -> list[list[Cell]]:
    """Without the empty rows at the end; those above keep their place."""
    end = len(rows)
    while end and all(cell is None for cell in rows[end - 1]):
        end -= 1
    return rows[:end]


def cell_text(cell: Cell) -> str:
    """The text of a cell as the lead would see it: no ".0", dates in ISO form."""
    if cell is None:
        return ""
    if type(cell) is str:
        return cell
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, float):
        if cell.is_integer() and abs(cell) < 1e15:
            return str(int(cell))
        return f"{cell:.12g}"
    if isinstance(cell, dt.datetime):
        return cell.isoformat(
            " ", "minutes" if not (cell.second or cell.microsecond) else "seconds"
        )
    if isinstance(cell, dt.time):
        return cell.isoformat("minutes" if not (cell.second or cell.microsecond) else "seconds")
    if isinstance(cell, dt.timedelta):
        minutes = round(cell.total_seconds() / 60)
        return f"{minutes // 60}:{minutes % 60:02d}"
    return str(cell)
