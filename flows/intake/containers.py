"""What kind of file some bytes are, and whether it is safe to unpack.

The kind is decided by content alone: a volunteer's file is often misnamed. Workbooks are
measured before the reader sees them, because a reader sets aside memory for the whole
rectangle between the first and the last cell, and one stray cell can make that enormous.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field

from shared.problems import (
    FileTooLarge,
    NotASheet,
    ProtectedFile,
    UnreadableFile,
)

SAVE_AS = "Open it in your spreadsheet program and save it again as .xlsx, then send that file."
_SEND_SHEET = "Send the spreadsheet itself (.xlsx, .xls, .ods or .csv)."

_MAGICS: tuple[tuple[bytes, str], ...] = (
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a photo (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"BM", "a picture (BMP)"),
    (b"II*\x00", "a picture (TIFF)"),
    (b"MM\x00*", "a picture (TIFF)"),
    (b"{\\rtf", "a text document (RTF)"),
    (b"\x1f\x8b", "a compressed archive"),
    (b"7z\xbc\xaf", "a compressed archive"),
    (b"Rar!", "a compressed archive"),
    (b"SQLite format 3", "a database file"),
    (b"PAR1", "a Parquet file"),
)
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ZIP = b"PK\x03\x04"


@dataclass(frozen=True, slots=True)
class Limits:
    """How much of a file intake takes on. Each limit has a sentence of its own."""

    bytes: int = 50_000_000
    """Size of the file as sent."""
    sheets: int = 100
    cells: int = 8_000_000
    """Cells of all sheets together, counted as rectangles from A1."""
    columns: int = 16_384
    """Columns of a text file: no spreadsheet program shows more."""
    decompressed: int = 600_000_000
    """Bytes a workbook or an archive may unpack to."""


@dataclass(slots=True)
class Measured:
    """What a look into a workbook found that its reader would not tell."""

    serial_1904: bool = False
    patches: dict[str, list[tuple[int, int, str]]] = field(default_factory=dict)
    """Sheet name -> cells (row, column, text) that a reader would hand on as blank."""
    merged: dict[str, list[tuple[int, int, int, int]]] = field(default_factory=dict)
    """Sheet name -> merged ranges, where the reader tells none."""
    comments: dict[str, list[tuple[int, int, str]]] = field(default_factory=dict)
    """Sheet name -> notes attached to cells: (row, column, text)."""
    spaced: bool = False
    """Whether blanks stand between the elements of the file."""


def kind_of(content: bytes, name: str) -> str:
    """``xlsx``, ``xlsb``, ``ods``, ``xls``, ``zip`` (an archive of files) or ``text``.

    Raises :class:`NotASheet` for files of another kind and :class:`ProtectedFile` for
    workbooks that ask for a password.
    """
    head = content[:4096]
    if head.startswith(_ZIP):
        return _kind_of_archive(content, name)
    if head.startswith(_OLE):
        return _kind_of_compound(content, name)
    if head[4:8] == b"ftyp":
        raise NotASheet("It is a photo or a film, not a spreadsheet.", _SEND_SHEET, name)
    if head.startswith(b"RIFF"):
        raise NotASheet("It is a picture or a recording, not a spreadsheet.", _SEND_SHEET, name)
    for magic, what in _MAGICS:
        # "BM" may well begin a heading, so a bitmap must also look binary.
        if head.startswith(magic) and (magic != b"BM" or b"\x00" in head[:64]):
            raise NotASheet(f"It is {what}, not a spreadsheet.", _SEND_SHEET, name)
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if start.startswith((b"<!doctype", b"<html", b"<table", b"<head", b"<body")):
        raise NotASheet("It is a web page, whatever its name says.", SAVE_AS, name)
    if start.startswith((b"<?xml", b"<office:document", b"<workbook")):
        raise NotASheet("It is an XML document, not a spreadsheet file.", SAVE_AS, name)
    if start.startswith(b"mime-version:") or b"content-type: text/html" in start:
        raise NotASheet("It is a saved web page or mail.", SAVE_AS, name)
    return "text"


_MANIFEST_BYTES = 4_000_000


def _begin(archive: zipfile.ZipFile, member: str, most: int) -> bytes:
    """The first bytes of a member: nobody has looked yet at what it would unpack to."""
    with archive.open(member) as handle:
        return handle.read(most)


def _kind_of_archive(content: bytes, name: str) -> str:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = set(archive.namelist())
            mimetype = _begin(archive, "mimetype", 80) if "mimetype" in members else b""
            manifest = (
                _begin(archive, "META-INF/manifest.xml", _MANIFEST_BYTES)
                if "META-INF/manifest.xml" in members
                else b""
            )
    except (
        zipfile.BadZipFile,
        zlib.error,
        OSError,
        RuntimeError,
        NotImplementedError,
        ValueError,
        KeyError,
    ) as error:
        raise UnreadableFile(
            "The workbook is damaged or was cut short on its way.", SAVE_AS, name
        ) from error
    if "xl/workbook.xml" in members:
        return "xlsx"
    if "xl/workbook.bin" in members:
        return "xlsb"
    if b"opendocument.spreadsheet" in mimetype:
        if b"encryption-data" in manifest:
            raise _protected(name)
        return "ods"
    if any(member.startswith("xl/") for member in members):
        return "xlsx"
    if "word/document.xml" in members or b"opendocument.text" in mimetype:
        raise NotASheet("It is a text document, not a spreadsheet.", _SEND_SHEET, name)
    if any(member.startswith("ppt/") for member in members):
        raise NotASheet("It is a slide show, not a spreadsheet.", _SEND_SHEET, name)
    if any(member.endswith(".iwa") for member in members):
        raise NotASheet(
            "It is a Numbers document, which only Numbers can open.",
            "In Numbers choose File > Export To > Excel and send that file.",
            name,
        )
    return "zip"


def _kind_of_compound(content: bytes, name: str) -> str:
    def holds(stream: str) -> bool:
        return stream.encode("utf-16-le") in content

    if holds("EncryptedPackage"):
        raise _protected(name)
    if holds("Workbook") or holds("Book"):
        return "xls"
    what = "a text document" if holds("WordDocument") else "an Office file of another kind"
    raise NotASheet(f"It is {what}, not a spreadsheet.", _SEND_SHEET, name)


def _protected(name: str) -> ProtectedFile:
    return ProtectedFile(
        "It asks for a password, so it cannot be opened here.",
        "Save a copy without the password and send the copy.",
        name,
    )


def too_many_cells(cells: int, limits: Limits, name: str, sheet: str) -> FileTooLarge:
    """The refusal of a sheet (or file) whose cells go past the limit."""
    place = f'The tab "{sheet}"' if sheet else "The file"
    return FileTooLarge(
        f"{place} spans {cells:,} cells; at most {limits.cells:,} are read.",
        "Something may stand far below or far right of the table: select the empty rows and "
        "columns beyond it, delete them, save, and send the file again.",
        name,
    )


def too_many_columns(columns: int, limits: Limits, name: str) -> FileTooLarge:
    """The refusal of a text file wider than any spreadsheet."""
    return FileTooLarge(
        f"Its lines are cut into {columns:,} columns; at most {limits.columns:,} are read.",
        "It may not be a count sheet, or its lines have run together: open it in your "
        "spreadsheet program, look at the columns, save it as .xlsx and send that file.",
        name,
    )


def check_unpacked(content: bytes, name: str, limits: Limits) -> None:
    """Refuse an archive that would unpack past the limit; reads only its directory."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        whole = sum(member.file_size for member in archive.infolist())
    if whole > limits.decompressed:
        raise FileTooLarge(
            f"It would unpack to {whole / 1e6:,.0f} MB; at most "
            f"{limits.decompressed / 1e6:,.0f} MB are unpacked.",
            "Send a file with the count sheet only, without pictures and other years.",
            name,
        )


# -- Office Open XML --------------------------------------------------------------------

# A hostile file is millions of beginnings without an end. No pattern here looks past the next
# tag, nor twice at the same blanks, so that the time taken grows as the file does.
_ROW_NUMBER = re.compile(rb'row [^<>]{0,200}?\br="(\d{1,7})"')
_THREE = re.compile(rb' r="[A-Z]{3}\d')
_WIDE = re.compile(rb' r="[A-Z]{2}')
_FILLED = re.compile(
    rb'(?><(?:\w+:)?c [^<>]*?\br="([A-Z]{1,3})(\d{1,7})")[^<>]*[^/<>]>|'
    rb'<(?:\w+:)?c r="([A-Z]{1,3})(\d{1,7})">'
)
_ERROR = re.compile(
    rb'<(?:\w+:)?c ((?>[^<>]*?\bt="e")[^<>]*+)>\s*+'
    rb"(?:<(?:\w+:)?f(?:\s[^<>]*)?>[^<]*</(?:\w+:)?f>\s*+|<(?:\w+:)?f(?:\s[^<>]*)?/>\s*+)?"
    rb"(<(?:\w+:)?v>[^<]*</)?"
)
_FORMULA = re.compile(
    rb"<(?:\w+:)?c ([^<>]*[^/<>])>\s*+<(?:\w+:)?f(?:\s[^<>]*)?>([^<]*)</(?:\w+:)?f>\s*+"
    rb"(?:<(?:\w+:)?v\s*+/>\s*+|<(?:\w+:)?v></(?:\w+:)?v>\s*+)?</(?:\w+:)?c>"
)
_ADDRESS = re.compile(rb'\br="([A-Z]{1,3})(\d{1,7})"')
_VALUE = re.compile(rb"<(?:\w+:)?v>([^<]*)</")
_SHEET = re.compile(r"<(?:\w+:)?sheet\s[^<>]*>")
RELATION = re.compile(r"<Relationship\s[^<>]*>")
ATTRIBUTE = re.compile(r'(?<![\w:])([\w:]+)="([^"]*)"')


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def _extent(xml: bytes, limit: int) -> tuple[int, int]:
    """Rows and columns of the rectangle of filled cells, no finer than ``limit`` asks."""
    # The reader's rectangle ends with the last cell of the file, so the last row tells.
    rows, place = 0, len(xml)
    while not rows and (place := xml.rfind(b"row ", 0, place)) > 0:
        match = _ROW_NUMBER.match(xml, place)
        rows = int(match.group(1)) if match else 0
    rows = max(rows, xml.count(b"</row>") or xml.count(b":row>"))
    columns = 26 if not _WIDE.search(xml) else 702 if not _THREE.search(xml) else 16_384
    if columns == 26 and rows * columns > limit:
        columns = next(
            (number for number in range(26, 1, -1) if b' r="%c' % (64 + number) in xml), 1
        )
    if rows * columns <= limit:
        return rows, columns
    rows = columns = 0
    for match in _FILLED.finditer(xml):
        letters, digits = match.group(1, 2) if match.group(1) else match.group(3, 4)
        rows = max(rows, int(digits))
        columns = max(columns, _column_number(letters))
    return rows, columns


def _unescaped(text: bytes) -> str:
    from html import unescape

    return unescape(text.decode("utf-8", "replace"))


def _hidden_texts(xml: bytes) -> Iterator[tuple[int, int, str]]:
    """Cells that hold an error value, or a formula nobody has calculated yet."""
    patterns: list[tuple[re.Pattern[bytes], bool]] = []
    if b't="e"' in xml:
        patterns.append((_ERROR, True))
    if b"<f" in xml or b":f>" in xml:
        patterns.append((_FORMULA, False))
    for pattern, is_error in patterns:
        for match in pattern.finditer(xml):
            address = _ADDRESS.search(match.group(1))
            if address is None:
                continue
            if is_error:
                value = _VALUE.search(match.group(2) or b"")
                text = _unescaped(value.group(1)) if value else "#ERROR"
            else:
                text = "=" + _unescaped(match.group(2))
            yield int(address.group(2)) - 1, _column_number(address.group(1)) - 1, text


def _sheet_names(archive: zipfile.ZipFile) -> dict[str, str]:
    """Archive member -> sheet name."""
    from html import unescape

    members = set(archive.namelist())
    if not {"xl/workbook.xml", "xl/_rels/workbook.xml.rels"} <= members:
        return {}
    relations = archive.read("xl/_rels/workbook.xml.rels").decode("utf-8", "replace")
    targets: dict[str, str] = {}
    for entry in RELATION.findall(relations):
        pairs = dict(ATTRIBUTE.findall(entry))
        target = pairs.get("Target", "")
        full = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
        targets[pairs.get("Id", "")] = full
    workbook = archive.read("xl/workbook.xml").decode("utf-8", "replace")
    names: dict[str, str] = {}
    for entry in _SHEET.findall(workbook):
        pairs = dict(ATTRIBUTE.findall(entry))
        relation = next((pairs[key] for key in pairs if key.endswith(":id")), "")
        if relation in targets:
            names[targets[relation]] = unescape(pairs.get("name", ""))
    return names


_COMMENT = re.compile(
    rb"<(?:\w+:)?comment ([^<>]*)>((?:(?!<(?:\w+:)?comment ).)*?)</(?:\w+:)?comment>", re.S
)
_RUN = re.compile(rb"<(?:\w+:)?t(?:\s[^>]*)?>([^<]*)</(?:\w+:)?t>")


def _comments_of(archive: zipfile.ZipFile, member: str) -> list[tuple[int, int, str]]:
    """Notes that were attached to the cells of a sheet."""
    members = set(archive.namelist())
    folder, _, leaf = member.rpartition("/")
    relations = f"{folder}/_rels/{leaf}.rels"
    if relations not in members:
        return []
    found: list[tuple[int, int, str]] = []
    for entry in RELATION.findall(archive.read(relations).decode("utf-8", "replace")):
        pairs = dict(ATTRIBUTE.findall(entry))
        if not pairs.get("Type", "").endswith("/comments"):
            continue
        target = pairs.get("Target", "")
        full = target.lstrip("/") if target.startswith("/") else "xl/" + target.removeprefix("../")
        if full not in members:
            continue
        for head, body in _COMMENT.findall(archive.read(full)):
            address = re.search(rb'\bref="([A-Z]{1,3})(\d{1,7})"', head)
            text = "".join(_unescaped(run) for run in _RUN.findall(body)).strip()
            if address and text:
                found.append((int(address[2]) - 1, _column_number(address[1]) - 1, text))
    return found


def measure_xlsx(content: bytes, name: str, limits: Limits) -> Measured:
    """Measure every sheet of an Office Open XML workbook before it is read.

    Raises :class:`FileTooLarge` when the filled cells span more than the limit, which a
    reader would otherwise answer by exhausting the machine's memory.
    """
    measured = Measured()
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        names = _sheet_names(archive)
        for member in archive.namelist():
            if not (member.startswith("xl/worksheets/") and member.endswith(".xml")):
                continue
            xml = archive.read(member)
            sheet = names.get(member, "")
            rows, columns = _extent(xml, limits.cells)
            if rows * columns > limits.cells:
                raise too_many_cells(rows * columns, limits, name, sheet)
            patches = list(_hidden_texts(xml))
            if patches:
                measured.patches[sheet] = patches
            comments = _comments_of(archive, member)
            if comments:
                measured.comments[sheet] = comments
        if "xl/workbook.xml" in archive.namelist():
            book = archive.read("xl/workbook.xml")
            measured.serial_1904 = bool(
                re.search(rb'<(?:\w+:)?workbookPr\b[^>]*\bdate1904="(?:1|true|on)"', book)
            )
    return measured


_ODS_CELL = re.compile(rb"<table:(covered-)?table-cell\b")
_ODS_COLUMNS = re.compile(rb'number-columns-repeated="(\d+)"')
_ODS_ROWS = re.compile(rb'number-rows-repeated="(\d+)"')
_ODS_SPAN = re.compile(rb'number-(columns|rows)-spanned="(\d+)"')
_ODS_NAME = re.compile(rb'table:name="([^"]*)"')
_ODS_NOTE = re.compile(
    rb"<office:annotation\b(?:(?!<office:annotation\b).)*?</office:annotation>", re.S
)
_ODS_TEXT = re.compile(rb"<text:p(?:\s[^<>]*)?>((?:(?!<text:p[\s>]).)*?)</text:p>", re.S)
_TAG = re.compile(rb"<[^<>]*>")


def _ods_text(cell: bytes) -> str:
    """Text shown in an OpenDocument cell, without the notes attached to it."""
    return _ods_lines(_ODS_NOTE.sub(b"", cell))


def _ods_lines(xml: bytes) -> str:
    return "\n".join(_unescaped(_TAG.sub(b"", part)) for part in _ODS_TEXT.findall(xml)).strip()


_BETWEEN = re.compile(rb"(</?(?:table|office):[^<>]*>)\s+(?=</?(?:table|office):)")


_SPACED = re.compile(rb"<table:table-row[^<>]*>\s")


def without_spaces_between(content: bytes) -> bytes:
    """An OpenDocument workbook without the blanks that some makers put between its elements.

    They mean nothing, but the reader stumbles over them.
    """
    held = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(held, "w") as new:
        for entry in old.infolist():
            data = old.read(entry)
            if entry.filename == "content.xml":
                data = _BETWEEN.sub(rb"\1", data)
            new.writestr(entry.filename, data)
    return held.getvalue()


def measure_ods(content: bytes, name: str, limits: Limits) -> Measured:
    """Measure an OpenDocument workbook: its extent, merged cells, notes and hidden errors.

    Raises :class:`FileTooLarge` where repeated cells span more than the limit.
    """
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        xml = archive.read("content.xml") if "content.xml" in archive.namelist() else b""
    measured = Measured()
    measured.spaced = bool(_SPACED.search(xml))
    for table in xml.split(b"<table:table ")[1:]:
        named = _ODS_NAME.search(table[:400])
        sheet = _unescaped(named.group(1)) if named else ""
        rows = last = width = 0
        for chunk in table.split(b"<table:table-row")[1:]:
            first = rows
            match = _ODS_ROWS.search(chunk[: chunk.find(b">")])
            rows += int(match.group(1)) if match else 1
            spanned = b"-spanned=" in chunk
            if b"office:value-type" not in chunk and b"<text:p" not in chunk:
                continue
            last = rows
            across = 0
            places = [m.start() for m in _ODS_CELL.finditer(chunk)]
            for place, after in zip(places, [*places[1:], len(chunk)], strict=True):
                cell = chunk[place:after]
                times = _ODS_COLUMNS.search(cell[: cell.find(b">")])
                column = across
                across += int(times.group(1)) if times else 1
                if b"office:value-type" not in cell and b"<text:p" not in cell:
                    continue
                width = max(width, across)
                for note in _ODS_NOTE.findall(cell):
                    text = _ods_lines(note)
                    if text:
                        measured.comments.setdefault(sheet, []).append((first, column, text))
                if b'string-value=""' in cell or b'value-type="error"' in cell:
                    text = _ods_text(cell)
                    if text and times is None:
                        measured.patches.setdefault(sheet, []).append((first, column, text))
                if spanned:
                    spans = {m[1]: int(m[2]) for m in _ODS_SPAN.finditer(cell[: cell.find(b">")])}
                    down, right = spans.get(b"rows", 1), spans.get(b"columns", 1)
                    if down > 1 or right > 1:
                        measured.merged.setdefault(sheet, []).append(
                            (first, column, first + down - 1, column + right - 1)
                        )
        if last * width > limits.cells:
            raise too_many_cells(last * width, limits, name, sheet)
    return measured
