"""Whose sheet it is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.belonging import copy_of_another, other_site_named, owner_named
from shared.settings import Network, Site, lone_site
from shared.sheets import Sheet, Workbook
from shared.staging import Staged

ALDER, HERON = Site("alder-creek", "Alder Creek", "UTC"), Site("heron-mouth", "Heron Mouth", "UTC")
NETWORK: Network = replace(lone_site(), sites={site.id: site for site in (ALDER, HERON)})


def _named(title: str = "", tab: str = "Sheet1", column: tuple[str | None, ...] = ()) -> str | None:
    """Code of the trouble of a sheet that came as Alder Creek's."""
    staged = Staged()
    staged.events["stated_site"] = list(column)
    workbook = Workbook("sheet.xlsx", "xlsx", [Sheet(tab, [[title, None], ["Date", "Count"]])])
    trouble = other_site_named(workbook, staged, ALDER, NETWORK)
    return None if trouble is None else trouble.code


@pytest.mark.parametrize("title", [
    "", "Alder Creek 2026", "Count 2026", "ALDER-CREEK / Heron Mouth"])
def test_a_sheet_that_may_be_its_own_is_its_own(title: str) -> None:
    assert _named(title) is None


@pytest.mark.parametrize("title", ["Heron Mouth glass eels", "heron-mouth 2026", "HERON  MOUTH"])
def test_a_title_that_names_another_site_only_is_that_sites(title: str) -> None:
    assert _named(title) == "wrong-site"


def test_the_tab_names_a_site_too() -> None:
    assert _named(tab="Heron Mouth") == "wrong-site"


def test_the_site_column_decides_over_the_title() -> None:
    assert _named("Heron Mouth", column=("Alder Creek", None)) is None
    assert _named("Alder Creek", column=("Heron Mouth", "heron mouth")) == "wrong-site"


def test_a_single_row_of_another_site_does_not_make_it_that_sites() -> None:
    assert _named(column=("Alder Creek", "Alder Creek", "Heron Mouth")) is None
    assert _named(column=("North bank", "North bank", "Heron Mouth")) is None


def test_a_name_within_a_longer_word_is_not_a_name() -> None:
    assert _named("Heron Mouthful Inn") is None


def test_the_trouble_says_whose_it_is_and_what_to_do() -> None:
    workbook = Workbook("week 9.xlsx", "xlsx", [Sheet("Heron Mouth", [])])
    trouble = other_site_named(workbook, Staged(), ALDER, NETWORK)
    assert trouble is not None
    assert trouble.sentence() == (
        "week 9.xlsx: This sheet names Heron Mouth, but it came as Alder Creek's. It is kept and "
        "not loaded. Send Alder Creek's own sheet, or tell the coordinator if it really is Alder "
        "Creek's.")


CREEK, BROOK = Site("alder-creek", "Alder Creek", "UTC"), Site("heron-creek", "Heron Creek", "UTC")


@pytest.mark.parametrize(("name", "owner"), [
    ("Heron2026.csv", BROOK), ("alder_creek.eels.xlsx", CREEK), ("HERON Creek counts.ods", BROOK),
    ("creek.csv", None), ("counts 2026.xlsx", None), ("alder and heron.csv", None),
    ("week 9.heron", None)])
def test_a_file_is_of_the_site_that_only_its_name_names(name: str, owner: Site | None) -> None:
    assert owner_named(name, [CREEK, BROOK]) is owner


def test_a_copy_is_told_whose_it_is_and_what_to_do() -> None:
    trouble = copy_of_another("heron.csv", BROOK, CREEK)
    assert trouble.sentence() == (
        "heron.csv: This is, to the byte, a file that Heron Creek sent, but it came as Alder "
        "Creek's. It is kept and not loaded. Send Alder Creek's own sheet; if it really is Alder "
        "Creek's, save it under a name that says so and send that.")
