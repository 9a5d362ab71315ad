"""Broken and hostile files: no crash, no hang, no flood of memory, always a sentence.

The seeds are sheets of the corpus in every format; ``kept/`` keeps files that once
troubled a reader. Mutations are drawn from fixed seeds, so that a failure comes again.
"""

from __future__ import annotations

import io
import random
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.sheets.fuzz import KEPT, MOST_SECONDS, noise, noise_inside, seeds, taken_in

TURNS = 26


def take_in(paths: list[Path]) -> list[dict[str, Any]]:
    """What became of each file."""
    return taken_in(paths)[0]


def _sound(results: list[dict[str, Any]]) -> None:
    assert [r for r in results if r["outcome"] == "crashed"] == []
    assert [r for r in results if r["seconds"] > MOST_SECONDS] == []
    assert [r for r in results if r["outcome"] == "refused" and len(r["sentence"]) < 40] == []


# -- the fuzzer ---------------------------------------------------------------------------------


@pytest.mark.slow
def test_sheets_with_something_gone_wrong(tmp_path: Path) -> None:
    paths: list[Path] = []
    for seed in seeds():
        data = seed.read_bytes()
        for turn in range(TURNS):
            rng = random.Random(f"{seed.name} {turn}")
            archive = data[:2] == b"PK" and turn % 2
            path = tmp_path / f"{turn:02d}-{seed.name}"
            path.write_bytes(noise_inside(rng, data) if archive else noise(rng, data))
            paths.append(path)
    results = take_in(paths)
    _sound(results)
    # A fuzzer that only ever breaks the wrapping, or never does, would prove nothing.
    outcomes = {r["outcome"] for r in results}
    assert outcomes == {"read", "refused"}


def test_files_that_once_gave_trouble() -> None:
    kept = sorted(path for path in KEPT.iterdir() if path.suffix != ".md")
    assert len(kept) >= 5
    _sound(take_in(kept))


# -- files made to do harm ------------------------------------------------------------------------


def _workbook(sheet: bytes, strings: bytes = b"", head: bytes = b"") -> bytes:
    """A workbook whose sheet, or whose shared strings, are these bytes."""
    main = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = b"http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = b"http://schemas.openxmlformats.org/package/2006/relationships"
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as book:
        book.writestr(
            "[Content_Types].xml",
            b'<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"/>',
        )
        book.writestr(
            "_rels/.rels",
            b'<Relationships xmlns="%s"><Relationship Id="rId1" Type="%s/officeDocument" '
            b'Target="xl/workbook.xml"/></Relationships>' % (package, office),
        )
        book.writestr(
            "xl/workbook.xml",
            b'<workbook xmlns="%s" xmlns:r="%s"><sheets><sheet name="Log" sheetId="1" '
            b'r:id="rId1"/></sheets></workbook>' % (main, office),
        )
        book.writestr(
            "xl/_rels/workbook.xml.rels",
            b'<Relationships xmlns="%s"><Relationship Id="rId1" Type="%s/worksheet" '
            b'Target="worksheets/sheet1.xml"/><Relationship Id="rId2" Type="%s/sharedStrings" '
            b'Target="sharedStrings.xml"/></Relationships>' % (package, office, office),
        )
        if strings:
            book.writestr("xl/sharedStrings.xml", head + b'<sst xmlns="%s">' % main + strings)
        book.writestr(
            "xl/worksheets/sheet1.xml",
            (b"" if strings else head)
            + b'<worksheet xmlns="%s"><sheetData>' % main
            + sheet
            + b"</sheetData></worksheet>",
        )
    return held.getvalue()


_LAUGHS = (
    b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a0 "ha ha ha ">'
    + b"".join(b'<!ENTITY a%d "%s">' % (n, b"&a%d;" % (n - 1) * 10) for n in range(1, 10))
    + b"]>"
)


def _zip_bomb() -> bytes:
    """A workbook of a few hundred kB whose sheet would unpack to 700 MB."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("xl/workbook.xml", b"<workbook/>")
        with book.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as member:
            for _ in range(700):
                member.write(b" " * 1_000_000)
    return held.getvalue()


def _archive_bomb() -> bytes:
    held = io.BytesIO()
    with (
        zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("log.csv", "w", force_zip64=True) as member,
    ):
        for _ in range(700):
            member.write(b"0" * 1_000_000)
    return held.getvalue()


def _far_cells() -> bytes:
    cells = b"".join(
        b'<row r="%d"><c r="XFD%d"><v>1</v></c></row>' % (row, row) for row in (1, 1_048_576)
    )
    return _workbook(cells)


_HARMFUL: dict[str, tuple[Callable[[], bytes], str]] = {
    "zip-bomb.xlsx": (_zip_bomb, "file-too-large"),
    "archive-bomb.zip": (_archive_bomb, "file-too-large"),
    "billion-laughs-sheet.xlsx": (
        lambda: _workbook(
            b'<row r="1"><c r="A1" t="inlineStr"><is><t>&a9;</t></is></c></row>', head=_LAUGHS
        ),
        "",
    ),
    "billion-laughs-strings.xlsx": (
        lambda: _workbook(
            b'<row r="1"><c r="A1" t="s"><v>0</v></c></row>',
            b"<si><t>&a9;</t></si></sst>",
            _LAUGHS,
        ),
        "",
    ),
    "million-columns.csv": (
        lambda: b"\n".join(b",".join([b"1"] * 1_000_000) for _ in range(9)),
        "file-too-large",
    ),
    "million-columns-once.csv": (
        lambda: b",".join([b"Date"] * 1_000_000),
        "file-too-large",
    ),
    "200-mb.csv": (lambda: b"2026-03-14,3,5.5\n" * 11_800_000, "file-too-large"),
    "far-cells.xlsx": (_far_cells, "file-too-large"),
    "one-quote.csv": (
        lambda: b'Date,Glass eels\n"2026-03-14,3\n' + b"2026-03-15,4\n" * 400_000,
        "",
    ),
    "deep.ods": (lambda: b"PK\x03\x04" + b"<" * 1_000_000, "file-unreadable"),
}
"""Name -> how it is made, and the code of its refusal (empty: any, so long as it is one)."""


@pytest.mark.slow
def test_a_file_made_to_do_harm_is_refused_with_a_sentence(tmp_path: Path) -> None:
    paths: list[Path] = []
    for name, (build, _) in _HARMFUL.items():
        path = tmp_path / name
        path.write_bytes(build())
        paths.append(path)
    results = [result for path in paths for result in take_in([path])]
    _sound(results)
    for result in results:
        code = _HARMFUL[result["name"]][1]
        if result["name"] == "one-quote.csv":
            continue  # read as far as it goes, or refused: either is well
        assert result["outcome"] == "refused", result
        assert not code or result["code"] == code, result
