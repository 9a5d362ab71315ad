"""A zip of sheets: every sheet in it is read, or the archive is refused with a sentence."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from collections.abc import Mapping

import pytest

from flows.intake.reading import Limits, read_workbook
from flows.intake.recognising import recognise
from flows.intake.standardizing import standardize
from shared.problems import FileTooLarge, NotASheet, ProtectedFile, UnreadableFile
from tests.flows.intake.paper import SHA, days, network, site, xlsx

_CSV = b"Date;Glass eels;Water temp (C)\r\n14.3.2026;3;5,5\r\n15.3.2026;4;6,25\r\n"


def _zip(members: Mapping[str, bytes], how: int = zipfile.ZIP_DEFLATED) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", how) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return held.getvalue()


def _book(first: dt.date, **options: object) -> bytes:
    cells: dict[str, object] = {"A1": "Date", "B1": "Glass eels"}
    for number, day in enumerate(days(3, first), start=2):
        cells |= {f"A{number}": day, f"B{number}": 2.0}
    return xlsx(cells, **options)


def test_each_sheet_is_read_with_its_own_decimal_mark_and_date_system() -> None:
    content = _zip(
        {
            "march.csv": _CSV,
            "2026/april.xlsx": _book(dt.date(2026, 4, 1), date_1904=True),
            "2026/photo.jpg": b"\xff\xd8\xff\xe0 photo",
            "__MACOSX/._march.csv": b"\x00\x05\x16\x07",
        }
    )
    workbook = read_workbook(content, "all.zip")
    assert workbook.format == "zip"
    assert [s.name for s in workbook.sheets] == ["march.csv", "2026/april.xlsx: Log"]
    assert [name for name, _ in workbook.left_aside] == ["2026/photo.jpg"]
    recognised = recognise(workbook, site(), network())
    assert ("2026/photo.jpg", "it is a photo (JPEG), not a spreadsheet") in recognised.left_aside
    events = standardize(workbook, recognised, site(), network(), SHA).events
    assert events["water_temperature"][:2] == [5.5, 6.25]
    assert events["local_date"] == [
        *days(2, dt.date(2026, 3, 14)),
        *days(3, dt.date(2026, 4, 1)),
    ]


def test_the_tabs_of_a_lone_workbook_keep_their_names() -> None:
    workbook = read_workbook(_zip({"log.xlsx": _book(dt.date(2026, 3, 1))}), "log.zip")
    assert [s.name for s in workbook.sheets] == ["Log"]


def test_one_unreadable_sheet_refuses_the_archive_and_is_named() -> None:
    content = _zip({"a.csv": _CSV, "b.xlsx": _book(dt.date(2026, 3, 1))[:900]})
    with pytest.raises(UnreadableFile) as caught:
        read_workbook(content, "all.zip")
    assert "b.xlsx" in str(caught.value)


@pytest.mark.parametrize("members", [{}, {"photo.jpg": b"\xff\xd8\xff\xe0 photo"}])
def test_an_archive_without_a_sheet_is_no_sheet(members: dict[str, bytes]) -> None:
    content = _zip(members) if members else _zip({"__MACOSX/x": b"x"})
    with pytest.raises(NotASheet):
        read_workbook(content, "x.zip")


def test_an_archive_within_an_archive_is_refused() -> None:
    with pytest.raises(UnreadableFile, match="within an archive"):
        read_workbook(_zip({"in.zip": _zip({"a.csv": _CSV})}), "x.zip")


def test_an_archive_with_a_password_says_so() -> None:
    content = bytearray(_zip({"a.csv": _CSV}))
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        content[content.index(mark) + offset] |= 1
    with pytest.raises(ProtectedFile, match="password"):
        read_workbook(bytes(content), "x.zip")


def test_too_many_files_and_too_many_bytes_each_have_a_sentence() -> None:
    with pytest.raises(FileTooLarge, match="files; at most"):
        read_workbook(_zip({f"{n}.csv": _CSV for n in range(5)}), "x.zip", Limits(sheets=4))
    bomb = _zip({"a.csv": b"0" * 2_000_000})
    assert len(bomb) < 5_000
    with pytest.raises(FileTooLarge, match="unpack"):
        read_workbook(bomb, "x.zip", Limits(decompressed=1_000_000))


def test_a_bomb_that_lies_about_its_size_is_refused_too() -> None:
    content = bytearray(_zip({"a.csv": b"0" * 2_000_000}))
    for mark, offset in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        place = content.index(mark) + offset
        content[place : place + 4] = (100).to_bytes(4, "little")
    with pytest.raises((FileTooLarge, UnreadableFile)):
        read_workbook(bytes(content), "x.zip", Limits(decompressed=1_000_000))
