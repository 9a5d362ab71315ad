"""The binary workbook formats (.xls, .xlsb): what their reader would not tell.

The reader hands on error values and formulas never calculated as blanks, leaves out the
notes attached to cells, and sets aside memory for the whole rectangle of a sheet. All are
found here first, by walking the records of the file. Layouts: [MS-CFB], [MS-XLS] and
[MS-XLSB], Microsoft Open Specifications.
"""

from __future__ import annotations

import io
import struct
import zipfile
from collections.abc import Iterator

from flows.intake.containers import (
    ATTRIBUTE,
    RELATION,
    SAVE_AS,
    Limits,
    Measured,
    too_many_cells,
)
from shared.problems import ProtectedFile, UnreadableFile

ERRORS = {
    0x00: "#NULL!",
    0x07: "#DIV/0!",
    0x0F: "#VALUE!",
    0x17: "#REF!",
    0x1D: "#NAME?",
    0x24: "#NUM!",
    0x2A: "#N/A",
    0x2B: "#GETTING_DATA",
}
"""Error codes of cells ([MS-XLS] 2.5.10)."""
NOT_CALCULATED = "=(not calculated)"
"""What a formula shows whose result the file does not hold."""


def damaged(name: str) -> UnreadableFile:
    """The refusal of a workbook whose own bookkeeping does not hold together."""
    return UnreadableFile("The workbook is damaged or was cut short on its way.", SAVE_AS, name)


# -- compound files ---------------------------------------------------------------------

_END = 0xFFFFFFFA
"""Sector numbers from here on are marks, not places."""


def compound_stream(content: bytes, names: tuple[str, ...], name: str) -> bytes:
    """The first stream of a compound file ([MS-CFB]) that bears one of ``names``.

    Raises :class:`UnreadableFile` where there is none or its chain of sectors is broken.
    """
    if len(content) < 512:
        raise damaged(name)
    shift, mini_shift = struct.unpack_from("<HH", content, 30)
    if shift not in (9, 12) or mini_shift != 6:
        raise damaged(name)
    size = 1 << shift
    directory_at, mini_cutoff, mini_fat_at = (
        struct.unpack_from("<I", content, place)[0] for place in (48, 56, 60)
    )
    difat = list(struct.unpack_from("<109I", content, 76))
    following = struct.unpack_from("<I", content, 68)[0]
    most = len(content) // size + 2

    def sector(number: int) -> bytes:
        start = (number + 1) * size
        return content[start : start + size]

    turns = 0
    while following < _END and turns < most:
        block = sector(following)
        if len(block) < size:
            raise damaged(name)
        entries = struct.unpack(f"<{size // 4}I", block)
        difat += entries[:-1]
        following = entries[-1]
        turns += 1
    table: list[int] = []
    for number in difat:
        if number < _END:
            block = sector(number)
            table += struct.unpack(f"<{len(block) // 4}I", block[: len(block) // 4 * 4])

    def chain(start: int, links: list[int], limit: int) -> Iterator[int]:
        steps = 0
        while start < _END:
            if start >= len(links) or steps > limit:
                raise damaged(name)
            yield start
            start = links[start]
            steps += 1

    directory = b"".join(sector(number) for number in chain(directory_at, table, most))
    root: tuple[int, int] | None = None
    wanted: dict[str, tuple[int, int]] = {}
    for place in range(0, len(directory) - 127, 128):
        length = struct.unpack_from("<H", directory, place + 64)[0]
        kind = directory[place + 66]
        title = directory[place : place + max(0, min(length, 64) - 2)].decode("utf-16-le", "ignore")
        start, stream_size = struct.unpack_from("<II", directory, place + 116)
        if kind == 5:
            root = (start, stream_size)
        elif kind == 2:
            wanted.setdefault(title, (start, stream_size))
    for title in names:
        if title not in wanted:
            continue
        start, stream_size = wanted[title]
        if stream_size >= mini_cutoff:
            whole = b"".join(sector(number) for number in chain(start, table, most))
            return whole[:stream_size]
        if root is None:
            break
        mini = b"".join(sector(number) for number in chain(root[0], table, most))
        packed = b"".join(sector(number) for number in chain(mini_fat_at, table, most))
        links = list(struct.unpack(f"<{len(packed) // 4}I", packed))
        whole = b"".join(mini[n * 64 : n * 64 + 64] for n in chain(start, links, len(links) + 1))
        return whole[:stream_size]
    raise damaged(name)


# -- .xls -------------------------------------------------------------------------------

_BOUND_SHEET, _FILE_PASS, _DATE_MODE, _EOF = 0x85, 0x2F, 0x22, 0x0A
_FORMULA, _BOOL_ERR, _STRING = 0x06, 0x205, 0x207
_ONE_CELL = frozenset({0x06, 0x203, 0x204, 0x205, 0x27E, 0xFD, 0xD6})
"""Formula, number, label, yes or no, short number, shared label, rich label."""
_MANY_CELLS = 0xBD
_NOTE, _OBJECT, _DRAWN_TEXT, _CONTINUE = 0x1C, 0x5D, 0x1B6, 0x3C


def _records(stream: bytes, place: int) -> Iterator[tuple[int, int, int]]:
    """Kind, place and length of each record's body."""
    size = len(stream)
    unpack = struct.Struct("<HH").unpack_from
    while place + 4 <= size:
        kind, length = unpack(stream, place)
        place += 4
        yield kind, place, length
        place += length


def _sheet_title(stream: bytes, place: int, length: int, wide: bool) -> str:
    count = stream[place + 6]
    if not wide:
        return stream[place + 7 : place + 7 + count].decode("cp1252", "replace")
    if stream[place + 7] & 1:
        return stream[place + 8 : place + 8 + 2 * count].decode("utf-16-le", "replace")
    return stream[place + 8 : place + 8 + count].decode("latin-1")


class _Notes:
    """The notes of a sheet, put together from the records that hold their parts.

    A note (its cell) names a drawn object by number; the object's text follows it in
    records of its own, each piece with a byte that tells its width ([MS-XLS] 2.4.179,
    2.4.181, 2.4.329, 2.5.293).
    """

    def __init__(self) -> None:
        self._cells: list[tuple[int, int, int]] = []
        self._texts: dict[int, str] = {}
        self._object = -1
        self._wanted = 0

    def hear(self, kind: int, body: bytes) -> None:
        """Take in the next record of the sheet."""
        if kind == _NOTE and len(body) >= 8:
            row, column, _, number = struct.unpack_from("<4H", body)
            self._cells.append((row, column, number))
        elif kind == _OBJECT and len(body) >= 8:
            self._object = struct.unpack_from("<H", body, 6)[0]
        elif kind == _DRAWN_TEXT and len(body) >= 12:
            self._wanted = struct.unpack_from("<H", body, 10)[0]
            self._texts[self._object] = ""
        elif kind == _CONTINUE and self._wanted > 0 and body:
            text = body[1:].decode("utf-16-le" if body[0] & 1 else "latin-1", "replace")
            self._texts[self._object] = self._texts.get(self._object, "") + text[: self._wanted]
            self._wanted -= len(text)

    def found(self) -> list[tuple[int, int, str]]:
        """(row, column, text) of each note with a text."""
        return [
            (row, column, text)
            for row, column, number in self._cells
            if (text := self._texts.get(number, "").strip())
        ]


def measure_xls(content: bytes, name: str, limits: Limits) -> Measured:
    """Walk an old workbook's records: extent, date system, errors, formulas, notes.

    Raises :class:`FileTooLarge` past the limit on cells, :class:`ProtectedFile` where it
    is encrypted and :class:`UnreadableFile` where its compound file is broken.
    """
    stream = compound_stream(content, ("Workbook", "Book"), name)
    measured = Measured()
    sheets: list[tuple[str, int]] = []
    wide = len(stream) > 6 and struct.unpack_from("<H", stream, 4)[0] >= 0x600
    for kind, place, length in _records(stream, 0):
        if kind == _BOUND_SHEET and length >= 8 and stream[place + 5] == 0:
            start = struct.unpack_from("<I", stream, place)[0]
            sheets.append((_sheet_title(stream, place, length, wide), start))
        elif kind == _DATE_MODE and length >= 2:
            measured.serial_1904 = stream[place] == 1
        elif kind == _FILE_PASS:
            raise ProtectedFile(
                "It asks for a password, so it cannot be opened here.",
                "Save a copy without the password and send the copy.",
                name,
            )
        elif kind == _EOF:
            break
    two = struct.Struct("<HH").unpack_from
    for title, start in sheets:
        rows = columns = depth = 0
        patches: list[tuple[int, int, str]] = []
        awaited: tuple[int, int] | None = None
        notes = _Notes()
        for kind, place, length in _records(stream, start):
            if kind in (0x809, 0x409, 0x209):
                depth += 1
            elif kind == _EOF:
                depth -= 1
                if depth <= 0:
                    break
            elif depth != 1:
                continue  # a chart within the sheet
            elif kind in (_NOTE, _OBJECT, _DRAWN_TEXT, _CONTINUE):
                notes.hear(kind, stream[place : place + length])
            if awaited is not None:
                if kind == _STRING:
                    awaited = None
                elif kind in _ONE_CELL:
                    patches.append((*awaited, NOT_CALCULATED))
                    awaited = None
            if kind in _ONE_CELL and length >= 6:
                row, column = two(stream, place)
                rows, columns = max(rows, row + 1), max(columns, column + 1)
                if kind == _BOOL_ERR and length >= 8 and stream[place + 7]:
                    patches.append((row, column, ERRORS.get(stream[place + 6], "#ERROR")))
                elif kind == _FORMULA and stream[place + 12 : place + 14] == b"\xff\xff":
                    what = stream[place + 6]
                    if what == 2:
                        patches.append((row, column, ERRORS.get(stream[place + 8], "#ERROR")))
                    elif what == 3:
                        patches.append((row, column, NOT_CALCULATED))
                    elif what == 0:
                        awaited = (row, column)
            elif kind == _MANY_CELLS and length >= 6:
                row = two(stream, place)[0]
                last = struct.unpack_from("<H", stream, place + length - 2)[0]
                rows, columns = max(rows, row + 1), max(columns, last + 1)
        if awaited is not None:
            patches.append((*awaited, NOT_CALCULATED))
        if rows * columns > limits.cells:
            raise too_many_cells(rows * columns, limits, name, title)
        if patches:
            measured.patches[title] = patches
        if said := notes.found():
            measured.comments[title] = said
    return measured


# -- .xlsb ------------------------------------------------------------------------------


def _binary_records(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Kind, place and length of each record's body ([MS-XLSB] 2.1.4).

    Kind and length are little-endian base-128 numbers.
    """
    place, size = 0, len(data)
    while place < size:
        kind = data[place]
        place += 1
        if kind & 0x80 and place < size:
            kind = (kind & 0x7F) | (data[place] << 7)
            place += 1
        length = shift = 0
        while place < size:
            byte = data[place]
            place += 1
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80 or shift > 21:
                break
        yield kind, place, length
        place += length


def _wide_string(data: bytes, place: int) -> tuple[str, int]:
    count = int.from_bytes(data[place : place + 4], "little")
    if count == 0xFFFFFFFF:
        return "", place + 4
    end = place + 4 + 2 * min(count, 4096)
    return data[place + 4 : end].decode("utf-16-le", "replace"), end


def _comments_xlsb(archive: zipfile.ZipFile, member: str) -> list[tuple[int, int, str]]:
    """Notes attached to the cells of a binary sheet ([MS-XLSB] 2.4.28 and 2.4.317)."""
    members = set(archive.namelist())
    folder, _, leaf = member.rpartition("/")
    relations = f"{folder}/_rels/{leaf}.rels"
    found: list[tuple[int, int, str]] = []
    if relations not in members:
        return found
    for entry in RELATION.findall(archive.read(relations).decode("utf-8", "replace")):
        pairs = dict(ATTRIBUTE.findall(entry))
        target = pairs.get("Target", "")
        full = target.lstrip("/") if target.startswith("/") else "xl/" + target.removeprefix("../")
        if not pairs.get("Type", "").endswith("/comments") or full not in members:
            continue
        data = archive.read(full)
        at: tuple[int, int] | None = None
        for kind, place, length in _binary_records(data):
            if kind == 635 and length >= 20:
                row, _, column, _ = struct.unpack_from("<4I", data, place + 4)
                at = (row, column)
            elif kind == 637 and at is not None and length > 5:
                text = _wide_string(data, place + 1)[0].strip()
                if text:
                    found.append((*at, text))
                at = None
    return found


def measure_xlsb(content: bytes, name: str, limits: Limits) -> Measured:
    """Walk a binary workbook's records: extent, date system, error cells, notes.

    Row headers are kind 0; cells are kinds 1 to 11 and begin with a 32-bit column; kind 1
    holds nothing, 3 and 11 an error. Raises :class:`FileTooLarge` past the limit on
    cells, and :class:`UnreadableFile` for cells in the short form (kinds 12 to 18), which
    the reader leaves out without a word.
    """
    measured = Measured()
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        members = set(archive.namelist())
        titles: dict[str, str] = {}
        if {"xl/workbook.bin", "xl/_rels/workbook.bin.rels"} <= members:
            relations = archive.read("xl/_rels/workbook.bin.rels").decode("utf-8", "replace")
            targets: dict[str, str] = {}
            for entry in RELATION.findall(relations):
                pairs = dict(ATTRIBUTE.findall(entry))
                target = pairs.get("Target", "")
                full = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
                targets[pairs.get("Id", "")] = full
            book = archive.read("xl/workbook.bin")
            for kind, place, length in _binary_records(book):
                if kind == 153 and length >= 4:
                    measured.serial_1904 = bool(book[place] & 1)
                elif kind == 156 and length > 8:
                    relation, after = _wide_string(book, place + 8)
                    titles[targets.get(relation, "")] = _wide_string(book, after)[0]
        for member in archive.namelist():
            if not (member.startswith("xl/worksheets/") and member.endswith(".bin")):
                continue
            title = titles.get(member, "")
            data = archive.read(member)
            row = rows = columns = 0
            within = False
            patches: list[tuple[int, int, str]] = []
            for kind, place, _ in _binary_records(data):
                if kind == 145:  # the sheet's cells begin
                    within = True
                elif kind == 146:
                    within = False
                elif not within:
                    continue
                elif kind == 0:
                    row = int.from_bytes(data[place : place + 4], "little")
                elif 1 < kind <= 11:
                    column = int.from_bytes(data[place : place + 4], "little")
                    rows, columns = max(rows, row + 1), max(columns, column + 1)
                    if kind in (3, 11) and place + 8 < len(data):
                        patches.append((row, column, ERRORS.get(data[place + 8], "#ERROR")))
                elif 12 < kind <= 18:
                    raise UnreadableFile(
                        "This binary workbook keeps its cells in a form that cannot be read "
                        "whole here.",
                        SAVE_AS,
                        name,
                    )
            if rows * columns > limits.cells:
                raise too_many_cells(rows * columns, limits, name, title)
            if patches:
                measured.patches[title] = patches
            if said := _comments_xlsb(archive, member):
                measured.comments[title] = said
    return measured
