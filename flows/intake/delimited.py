"""Count sheets kept as delimited text: their encoding, separator and decimal mark.

Cells stay text; nothing is converted here.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from flows.intake.containers import Limits, too_many_columns
from shared.problems import NotASheet, UnreadableFile
from shared.sheets import Cell

_SEPARATORS = ("\t", ";", "|", ",")
"""In order of preference between two that explain a file equally well."""
_SEPARATOR_NAMES = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma"}

# What people of the trade write beyond ASCII. Which of two single-byte encodings a file
# is in shows by which of them turns its bytes into these.
_EXPECTED = frozenset(
    "°º²³µ±½¼¾·éèêëàâäáãåçîïíôöóõøûüùúñæœßÉÈÊÀÂÇÔÖÜÑ“”—…€£§«»\xd7\u2018\u2019\u2013\xa0"
)
_LONGEST_CELL = 4_000
_SAMPLE = 400


@dataclass(frozen=True, slots=True)
class Text:
    """A delimited file as read: rows of cells, and how they were told apart."""

    rows: list[list[Cell]]
    encoding: str
    separator: str
    decimal: str

    @property
    def dialect(self) -> str:
        """Separator and decimal mark, for people."""
        mark = "decimal comma" if self.decimal == "," else "decimal point"
        return f"{_SEPARATOR_NAMES[self.separator]}, {mark}"


def decode(content: bytes, name: str) -> tuple[str, str]:
    """Text and the name of the encoding it was in.

    Raises :class:`NotASheet` when the bytes are not text in any encoding we know.
    """
    for mark, encoding in (
        (b"\xef\xbb\xbf", "utf-8-sig"),
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16"),
    ):
        if content.startswith(mark):
            try:
                return content.decode(encoding), encoding
            except UnicodeDecodeError as error:
                raise UnreadableFile(
                    "The text in it is damaged.",
                    "Save the sheet again as .xlsx and send that.",
                    name,
                ) from error
    zeros = content[:2000].count(0)
    if zeros:
        if zeros > len(content[:2000]) // 4 and len(content) % 2 == 0:
            order = "utf-16-le" if content[1:2] == b"\x00" else "utf-16-be"
            try:
                return content.decode(order), order
            except UnicodeDecodeError:
                pass
        raise _not_text(name)
    try:
        text, encoding = content.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        text, encoding = _single_byte(content)
    controls = sum(1 for letter in text[:4000] if letter < " " and letter not in "\t\r\n\f\x1a")
    if "\x00" in text or controls > len(text[:4000]) // 100:
        raise _not_text(name)
    return text, encoding


def _single_byte(content: bytes) -> tuple[str, str]:
    best: tuple[float, str, str] | None = None
    high = Counter(byte for byte in content if byte > 127)
    for encoding in ("cp1252", "mac_roman"):
        score = 0.0
        for byte, times in high.items():
            letter = bytes([byte]).decode(encoding, "replace")
            score += times if letter in _EXPECTED else -times
        if best is None or score > best[0]:
            best = (score, encoding, content.decode(encoding, "replace"))
    assert best is not None
    return best[2], best[1]


def _not_text(name: str) -> NotASheet:
    return NotASheet(
        "It is neither a spreadsheet nor a text file.",
        "Send the spreadsheet itself (.xlsx, .xls, .ods or .csv).",
        name,
    )


def _parsed(text: str, separator: str, quoting: bool = True) -> list[list[str]]:
    csv.field_size_limit(10_000_000)
    reader = csv.reader(
        io.StringIO(text, newline=""),
        delimiter=separator,
        quoting=csv.QUOTE_MINIMAL if quoting else csv.QUOTE_NONE,
    )
    return list(reader)


def _separator(text: str) -> str:
    """The separator that cuts the most lines into the same number of cells, and into many."""
    lines = text.splitlines(keepends=True)[:_SAMPLE]
    sample = "".join(lines)
    best, best_score = ",", 0.0
    for separator in _SEPARATORS:
        try:
            widths = Counter(len(row) for row in _parsed(sample, separator) if any(row))
        except csv.Error:
            continue
        several = {width: times for width, times in widths.items() if width > 1}
        if not several:
            continue
        width = max(several, key=lambda w: (several[w] * w, w))
        score = width * several[width] / sum(widths.values())
        if score > best_score * 1.1:
            best, best_score = separator, score
    return best


_COMMA_NUMBER = re.compile(r"^[-+~<>]?\d+,(?:\d{1,2}|\d{4,})$")
_POINT_NUMBER = re.compile(r"^[-+~<>]?\d+\.(?:\d{1,2}|\d{4,})$")


def decimal_mark(texts: Iterable[str]) -> str | None:
    """``"."`` or ``","`` where the numbers among ``texts`` tell, else None."""
    commas = points = 0
    for text in texts:
        if _COMMA_NUMBER.match(text):
            commas += 1
        elif _POINT_NUMBER.match(text):
            points += 1
    if commas == points:
        return None
    return "," if commas > points else "."


def _widest(text: str) -> int:
    """The most columns that any separator could cut a line into; cheap, and no less."""
    widest = 0
    for line in text.splitlines():
        if len(line) > widest:
            widest = max(widest, 1 + max(line.count(mark) for mark in _SEPARATORS))
    return widest


def read_text(content: bytes, name: str, limits: Limits) -> Text:
    """Rows of a delimited text file; empty cells are None.

    Raises :class:`NotASheet` for bytes that are not text, :class:`UnreadableFile` for text
    that cannot be cut into cells and :class:`FileTooLarge` for lines too wide.
    """
    text, encoding = decode(content, name)
    text = text.rstrip("\x1a")
    widest = _widest(text)
    if widest > limits.columns:
        raise too_many_columns(widest, limits, name)
    hint = re.match(r"sep=(.)\r?\n", text)
    if hint and hint.group(1) in _SEPARATORS:
        separator = hint.group(1)
        text = text[hint.end() :]
    else:
        separator = _separator(text)
    try:
        raw = _parsed(text, separator)
        if any(len(cell) > _LONGEST_CELL and cell.count("\n") > 5 for row in raw for cell in row):
            # A quotation mark that was never closed swallowed the lines after it.
            raw = [
                [cell.strip('"') for cell in row] for row in _parsed(text, separator, quoting=False)
            ]
    except csv.Error as error:
        raise UnreadableFile(
            "It cannot be cut into rows and cells.", "Save the sheet as .xlsx and send that.", name
        ) from error
    sample = (cell.strip() for row in raw[:2000] for cell in row)
    mark = decimal_mark(sample) or ("." if separator == "," else "," if separator == ";" else ".")
    rows: list[list[Cell]] = [[cell if cell.strip() else None for cell in row] for row in raw]
    return Text(rows, encoding, separator, mark)
