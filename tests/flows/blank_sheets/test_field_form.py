"""The paper form asks what the sheet asks, fits its page, and says what must be said."""

from __future__ import annotations

import datetime as dt
import re
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Literal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fixtures.lantern_bay import SITES, settings_text
from flows.blank_sheets import write_field_form
from flows.blank_sheets.columns import columns_of
from shared.protocol import protocols
from shared.settings import Network, Site, parse_network

NETWORK = parse_network(settings_text(SITES))
MM = 72 / 25.4
PAPER = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
Per = Literal["day", "week"]
Paper = Literal["A4", "Letter"]


def _pages(path: Path) -> list[str]:
    """What is drawn on each page, as the page's own drawing commands."""
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", path.read_bytes(), re.DOTALL)
    out = []
    for stream in streams:
        try:
            # Not all at once: a last byte that happens to be \r is taken for the line's end.
            text = zlib.decompressobj().decompress(stream).decode("latin-1")
        except zlib.error:
            continue
        if " Tj" in text or " re" in text:
            out.append(text)
    return out


def _texts(page: str) -> list[str]:
    found = re.findall(r"\(((?:[^\\)]|\\.)*)\) Tj", page)
    return [re.sub(r"\\(.)", r"\1", text) for text in found]


def _boxes(page: str) -> list[tuple[float, float, float, float]]:
    """x, y of the lower left corner, width and height of every box [mm]."""
    number = r"(-?[\d.]+)"
    boxes = []
    for parts in re.findall(rf"{number} {number} {number} {number} re", page):
        x, y, wide, high = (float(part) / MM for part in parts)
        boxes.append((x, min(y, y + high), wide, abs(high)))
    return boxes


def _form(
    folder: Path, site: Site, per: Per = "day", paper: Paper = "A4", network: Network = NETWORK
) -> list[str]:
    path = folder / "form.pdf"
    write_field_form(path, site, network, 2026, per, paper)
    assert path.read_bytes().startswith(b"%PDF")
    return _pages(path)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("site_id", ["cinderpath-brook", "dorymans-creek"])
def test_a_day_is_one_page_a_protocol_and_asks_for_every_column(
    tmp_path: Path, site_id: str, paper: Paper
) -> None:
    site = NETWORK.sites[site_id]
    pages = _form(tmp_path, site, "day", paper)
    assert len(pages) == len(site.protocols)
    for page, protocol_id in zip(pages, site.protocols, strict=True):
        said = " ".join(_texts(page)).lower()
        for column in columns_of(site, protocols()[protocol_id]):
            assert column.label.lower() in said, column.heading
            assert column.animal.lower() in said, column.heading
            assert not column.sign or f"({column.sign})".lower() in said
        assert site.name in " ".join(_texts(page))


def test_the_effort_comes_first_then_the_catch(tmp_path: Path) -> None:
    texts = _texts(_form(tmp_path, NETWORK.sites["alder-creek"])[0])
    order = [texts.index(name) for name in ("EFFORT", "CATCH", "BYCATCH", "WATER", "WEATHER",
                                            "PEOPLE")]
    assert order == sorted(order)
    assert "Water temperature (°C)" in texts


@pytest.mark.parametrize("per", ["day", "week"])
def test_every_page_carries_the_caution_and_points_to_the_permit(
    tmp_path: Path, per: Per
) -> None:
    site = NETWORK.sites["dorymans-creek"]
    for page in _form(tmp_path, site, per):
        said = " ".join(_texts(page))
        assert any(protocols()[p].caution in said for p in site.protocols)
        assert NETWORK.permit_note in said
        assert "Permit no." in said


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize(("per", "least"), [("day", 9.0), ("week", 6.5)])
def test_boxes_stay_on_the_paper_and_are_big_enough_for_cold_hands(
    tmp_path: Path, per: Per, paper: Paper, least: float
) -> None:
    wide, high = PAPER[paper]
    for site_id in ("dorymans-creek",) if per == "week" else ("dorymans-creek", "alder-creek"):
        for page in _form(tmp_path, NETWORK.sites[site_id], per, paper):
            boxes = _boxes(page)
            assert len(boxes) > 40
            for x, y, width, height in boxes:
                assert x >= 8 and x + width <= wide - 8
                assert y >= 6 and y + height <= high - 15, "the clip needs the top"
            # Written in: all but squares to tick, their rows, and the rows of headings.
            written = [h for _, _, w, h in boxes
                       if 12 < w < 150 and round(h, 1) not in (4.8, 6.0)]
            assert len(written) > 20 and min(written) >= least


def test_a_week_has_its_dates_and_one_page_for_each_net(tmp_path: Path) -> None:
    pages = _form(tmp_path, NETWORK.sites["dorymans-creek"], "week")
    first, last = NETWORK.season_span(2026)
    dated: dict[str, set[str]] = {"Net A": set(), "Net B": set()}
    undated = 0
    for page in pages:
        texts = _texts(page)
        net = next((n for n in dated if any(n in text for text in texts)), None)
        if net is None:
            undated += 1
        else:
            dated[net] |= set(texts)
    assert undated == 1, "the seine runs all year: one page without dates"
    day = first
    while day <= last:
        shown = f"{day:%a} {day.day} {day:%b}"
        assert shown in dated["Net A"] and shown in dated["Net B"]
        day += dt.timedelta(days=1)


def test_the_same_arguments_give_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one.pdf", "two.pdf"):
        write_field_form(tmp_path / name, NETWORK.sites["dorymans-creek"], NETWORK, 2026)
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


def test_a_season_over_new_year_does_not_print_a_year_for_the_day(tmp_path: Path) -> None:
    winter = replace(NETWORK, season_start=(11, 1), season_end=(3, 31))
    assert "2026" in _texts(_form(tmp_path, NETWORK.sites["alder-creek"])[0])
    assert "2026" not in _texts(_form(tmp_path, NETWORK.sites["alder-creek"], network=winter)[0])


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.text(min_size=1, max_size=120), net=st.text(min_size=1, max_size=40),
       chosen=st.lists(st.sampled_from(sorted(protocols())), min_size=1, unique=True))
def test_any_name_in_any_script_makes_a_form(
    tmp_path: Path, name: str, net: str, chosen: list[str]
) -> None:
    site = Site("odd", name, "UTC", protocols=tuple(chosen), nets=(net, "B"))
    network = replace(NETWORK, sites={"odd": site}, permit_note=name, name=name)
    pages = _form(tmp_path, site, "day", "Letter", network)
    assert len(pages) == len(chosen)
    for page in pages:
        assert all(y >= 0 for _, y, _, _ in _boxes(page))
