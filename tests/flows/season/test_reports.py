"""The season's reports: whole, self-contained, repeatable, readable by everyone."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import openpyxl
import pytest

from bench.season import FIRST
from flows.season import write_season
from flows.season.methods import METHODS, settings_meaning
from flows.season.network_report import network_report
from shared.problems import BadSettings
from warehouse.season.account import NoSuchSeason, SiteTrend
from warehouse.season.terms import Terms
from warehouse.season.trend import mann_kendall

from .conftest import SEASONS, Written

YEAR = FIRST + SEASONS - 1


class Outline(HTMLParser):
    """What an accessibility checker would look at first."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]


def _pages(written: Written) -> list[Path]:
    return [written.folder / "season-report.html",
            *sorted((written.folder / "sites").glob("*.html"))]


def test_a_slope_without_limits_is_said_in_words(written: Written) -> None:
    # Four seasons: no order of them is rare enough for 95 %.
    trend = mann_kendall(range(4), [1.0, 1.1, 1.3, 1.6], 0.95)
    account = replace(written.account, trend=trend, site_trends=[SiteTrend("s00", trend)])
    said = repr(network_report(account))
    assert "a year, too few seasons for limits)" in said
    assert "'too few'" in said and "inf" not in said.replace("info", "")
    assert "too few seasons for limits" not in repr(network_report(written.account))


def test_everything_is_there(written: Written) -> None:
    folder = written.folder
    assert len(_pages(written)) == 7
    for page in _pages(written):
        assert page.with_suffix(".pdf").read_bytes().startswith(b"%PDF")
    for name in ("coverage", "runs", "totals", "cpue", "timing", "run-and-water", "index",
                 "diagnostics", "power"):
        assert (folder / "figures" / f"{name}.svg").is_file(), name
        assert (folder / "figures" / f"{name}.csv").is_file(), name
    assert (folder / "permit.xlsx").is_file()


def test_a_page_needs_nothing_from_elsewhere(written: Written) -> None:
    for page in _pages(written):
        outline = Outline(page.read_text(encoding="utf-8"))
        for _, attrs in outline.tags:
            for name in ("src", "href", "action"):
                target = attrs.get(name) or "#"
                assert target.startswith(("#", "data:text/csv")), target
        assert not outline.all("script") and not outline.all("link")
        assert "url(" not in page.read_text(encoding="utf-8")


def test_a_page_tells_everyone_the_same(written: Written) -> None:
    for page in _pages(written):
        text = page.read_text(encoding="utf-8")
        outline = Outline(text)
        assert outline.all("html")[0]["lang"] == "en"
        assert len(outline.all("h1")) == len(outline.all("main")) == len(outline.all("title")) - (
            len(outline.all("svg"))) == 1
        ids = [attrs["id"] for _, attrs in outline.tags if "id" in attrs]
        assert len(ids) == len(set(ids))
        for figure in outline.all("svg"):
            assert figure["role"] == "img"
            assert all(ref in ids for ref in (figure["aria-labelledby"] or "").split())
        assert len(outline.all("desc")) == len(outline.all("svg"))
        assert len(outline.all("caption")) == len(outline.all("table"))
        assert all(head.get("scope") in ("col", "row") for head in outline.all("th"))
        levels = [int(tag[1]) for tag, _ in outline.tags if re.fullmatch("h[1-6]", tag)]
        assert all(after - before <= 1 for before, after in pairwise(levels))


def test_the_numbers_behind_a_figure_are_in_the_page_and_beside_it(written: Written) -> None:
    outline = Outline((written.folder / "season-report.html").read_text(encoding="utf-8"))
    for link in [link for link in outline.all("a") if "download" in link]:
        content = base64.b64decode((link["href"] or "").split("base64,")[1]).decode("utf-8")
        beside = (written.folder / "figures" / str(link["download"])).read_text(encoding="utf-8")
        assert content == beside
        rows = list(csv.reader(io.StringIO(content)))
        assert len(rows) > 1 and len({len(row) for row in rows}) == 1


def test_figures_are_well_formed_and_no_words_stand_on_each_other(written: Written) -> None:
    for path in sorted((written.folder / "figures").glob("*.svg")):
        root = ElementTree.parse(path).getroot()
        width, height = map(float, root.attrib["viewBox"].split()[2:])
        boxes = []
        for node in root.iter("{http://www.w3.org/2000/svg}text"):
            size, text = float(node.attrib["font-size"]), node.text or ""
            long = 0.5 * size * len(text)
            x = float(node.attrib["x"]) - {"start": 0, "middle": 0.5, "end": 1.0}[
                node.attrib.get("text-anchor", "start")] * long
            y = float(node.attrib["y"])
            assert x > -2 and x + long < width + 8 and 0 < y <= height, (path.name, text)
            boxes.append((x, y - 0.72 * size, x + long, y, text))
        for n, one in enumerate(boxes):
            for other in boxes[n + 1:]:
                apart = (one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1]
                         or other[3] <= one[1])
                assert apart, (path.name, one[4], other[4])


def test_counted_and_estimated_stand_apart(written: Written) -> None:
    with (written.folder / "figures" / "totals.csv").open(encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    assert len(rows) == 6
    for row, total in zip(rows, written.account.this.totals, strict=True):
        assert float(row["counted"]) == pytest.approx(total.counted, rel=1e-5)
        assert float(row["low"]) <= float(row["total"]) <= float(row["high"])
        assert float(row["total"]) == pytest.approx(
            float(row["counted"]) + float(row["estimated"]), rel=1e-4)


def test_the_permit_table_is_the_same_in_both_files(written: Written) -> None:
    with (written.folder / "permit.csv").open(encoding="utf-8", newline="") as handle:
        listed = list(csv.reader(handle))[1:]
    sheet = openpyxl.load_workbook(written.folder / "permit.xlsx").active
    assert sheet is not None
    in_book = [["" if cell is None else str(cell) for cell in row]
               for row in sheet.iter_rows(min_row=5, values_only=True)]
    assert [row[:7] + row[9:] for row in in_book] == [row[:7] + row[9:] for row in listed]
    for row in listed:
        catch, *fates = map(int, row[9:14])
        assert catch == sum(fates)


def test_the_appendix_says_how_with_what_and_from_where(written: Written) -> None:
    text = (written.folder / "season-report.html").read_text(encoding="utf-8")
    assert all(method.source for method in METHODS)
    for wanted in ("Pennington 1983", "Mundy 1982", "Hamed and Rao 1998", "statsmodels",
                   written.account.version, str(Terms().seed)):
        assert wanted in text
    assert set(settings_meaning()) == {name for name in Terms.__dataclass_fields__}


def test_every_page_carries_the_cautions(written: Written) -> None:
    for page in _pages(written):
        text = page.read_text(encoding="utf-8")
        assert "never alone" in text and "permit" in text


def _digests(folder: Path) -> dict[str, str]:
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(folder.rglob("*")) if path.is_file()}


def test_the_same_release_gives_the_same_bytes(written: Written, tmp_path: Path) -> None:
    again, _ = write_season(written.network_dir, written.network, YEAR, tmp_path / "again")
    assert _digests(again) == _digests(written.folder)


def test_later_seasons_change_nothing_of_an_earlier_report(
    written: Written, tmp_path: Path
) -> None:
    folder, account = write_season(written.network_dir, written.network, YEAR - 2,
                                   tmp_path / "earlier")
    assert account.season == YEAR - 2
    assert not isinstance(account.index, str)
    assert str(YEAR) not in (folder / "figures" / "index.csv").read_text(encoding="utf-8")


def test_a_season_that_is_not_there_is_named(written: Written) -> None:
    with pytest.raises(NoSuchSeason) as caught:
        write_season(written.network_dir, written.network, 1999)
    assert str(YEAR) in caught.value.remedy


def test_a_folder_that_cannot_be_written_is_said(written: Written, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    with pytest.raises(BadSettings):
        write_season(written.network_dir, written.network, YEAR, tmp_path / "taken")


def test_the_command_is_told_what_is_wrong(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "flows.cli", "season", str(tmp_path), "2025"],
        capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "network.toml" in done.stderr and "Traceback" not in done.stderr
