"""Look-alikes of the rules about visits and fish: what an old hand would not ask about."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from checks.catalogue import CATALOGUE, fish, visit
from shared.findings import Finding
from tests.checks.made_up_sheets import (
    EEL,
    STICKLEBACK,
    MadeUpSheet,
    judged,
    network_with,
    of_sheet,
    sites_of,
)
from tests.checks.scenarios import on

MINE = {rule.id for rule in (*fish.RULES, *visit.RULES)}


def _found(*sheets: MadeUpSheet, **more: Any) -> list[Finding]:
    return [f for f in judged(list(sheets), **more) if f.rule in MINE]


@pytest.mark.parametrize("words", [
    "no ice", "ice gone at last", "Ice out today", "eels kept on ice", "ice cream for the crew",
    "nice day, mice in the shed", "net free of ice now", "sliced the mesh on a rock",
])
def test_words_with_ice_that_tell_of_none(words: str) -> None:
    sheet = MadeUpSheet()
    sheet.row(water_temperature=14.0, remarks=words)
    assert _found(sheet) == []


@pytest.mark.parametrize("words", ["Ice along both banks", "slush in the net", "creek frozen over"])
def test_words_that_tell_of_ice(words: str) -> None:
    sheet = MadeUpSheet()
    sheet.row(water_temperature=14.0, remarks=words)
    (finding,) = _found(sheet)
    assert finding.rule == "ice-in-warm-water"
    assert words in finding.message


def test_a_cold_snap_over_spring_water_is_weather() -> None:
    sheet = MadeUpSheet()
    sheet.row(0, water_temperature=11.0, air_temperature=-6.0)
    sheet.row(1, water_temperature=6.0, air_temperature=26.0)
    assert _found(sheet) == []


def test_of_air_and_water_the_one_is_asked_about_that_strays_from_the_other_sites() -> None:
    stray_air, stray_water = MadeUpSheet(), MadeUpSheet()
    stray_air.row(3, water_temperature=5.0, air_temperature=33.0)
    stray_water.row(3, water_temperature=27.5, air_temperature=1.0)
    found = _found(stray_air, stray_water, neighbours={
        on(3): {"water_temperature": 6.0, "air_temperature": 12.0}})
    assert [f.field for f in of_sheet(found, stray_air)] == ["air_temperature"]
    assert [f.field for f in of_sheet(found, stray_water)] == ["water_temperature"]


def test_air_and_water_that_changed_columns_are_one_question_with_both_answers() -> None:
    sheet = MadeUpSheet()
    sheet.row(3, water_temperature=16.5, air_temperature=6.5)
    found = _found(sheet, neighbours={on(3): {"water_temperature": 6.0, "air_temperature": 16.0}})
    assert [(f.field, f.suggestion) for f in found] == [
        ("air_temperature", "16.5 degC"), ("water_temperature", "6.5 degC")]
    assert len({f.cause for f in found}) == 1


@pytest.mark.parametrize(("position", "fields", "suggested"), [
    ((44.8711, -67.1422), [], []),
    ((44.871, 67.142), ["longitude"], ["-67.142"]),
    ((-67.142, 44.871), ["latitude", "longitude"], ["44.871", "-67.142"]),
    ((47.871, -67.142), ["latitude"], [""]),
])
def test_a_position_points_at_the_coordinate_that_is_off(
    position: tuple[float, float], fields: list[str], suggested: list[str]
) -> None:
    sheet = MadeUpSheet()
    sheet.at = (44.871, -67.142)
    sheet.row(latitude=position[0], longitude=position[1])
    found = _found(sheet, network=network_with(sites=sites_of([sheet])))
    assert [f.field for f in found] == fields
    assert [f.suggested for f in found] == suggested


def test_a_site_whose_place_is_not_told_has_no_position_to_be_off() -> None:
    sheet = MadeUpSheet()
    sheet.row(latitude=1.0, longitude=2.0)
    assert _found(sheet) == []


def test_a_taxon_far_from_where_it_lives_is_asked_about() -> None:
    sheet = MadeUpSheet()
    sheet.at = (61.0, -67.142)
    sheet.row(catches=[{"taxon": "callinectes-sapidus", "life_stage": "adult", "count": 1.0},
                       {"taxon": "callinectes-sapidus", "life_stage": "juvenile", "count": 0.0}])
    (finding,) = _found(sheet, network=network_with(sites=sites_of([sheet])))
    assert finding.rule == "taxon-unexpected"
    assert finding.life_stage == "adult"
    assert "-40 to 42.5 degrees north" in finding.message


def _history(sheet: MadeUpSheet, taxon: str | None, checks: int = 45) -> None:
    for day in range(checks):
        kinds: list[dict[str, Any]] = [{"count": 3.0 + day}]
        if taxon is not None:
            kinds.append({"taxon": taxon, "life_stage": "unspecified", "count": 2.0})
        sheet.row(day - 365, catches=kinds)


CRAB = {"taxon": "carcinus-maenas", "life_stage": "unspecified", "count": 1.0}


def test_a_first_record_means_nothing_where_bycatch_was_not_kept_count_of() -> None:
    none_kept, too_few, known = MadeUpSheet(), MadeUpSheet(), MadeUpSheet()
    _history(none_kept, None)
    _history(too_few, STICKLEBACK, checks=20)
    _history(known, "carcinus-maenas")
    for sheet in (none_kept, too_few, known):
        sheet.row(3, catches=[{"count": 3.0}, CRAB])
    assert [f for f in _found(none_kept, too_few, known) if f.rule == "taxon-unexpected"] == []


def test_a_taxon_that_keeps_coming_is_established() -> None:
    rare, established = MadeUpSheet(), MadeUpSheet()
    for sheet, times in ((rare, 1), (established, 3)):
        _history(sheet, STICKLEBACK)
        for day in range(times):
            sheet.row(day, catches=[{"count": 3.0}, CRAB])
    found = [f for f in _found(rare, established) if f.rule == "taxon-unexpected"]
    assert [f.file_sha256 for f in found] == [rare.sha]


def test_a_first_record_is_the_first_by_date_whatever_the_order_of_the_sheet() -> None:
    sheet = MadeUpSheet()
    _history(sheet, STICKLEBACK)
    sheet.row(6, catches=[{"count": 3.0}, CRAB])
    first = sheet.row(2, catches=[{"count": 3.0}, CRAB])
    assert [f.row for f in _found(sheet) if f.rule == "taxon-unexpected"] == [first]


@pytest.mark.parametrize("catch", [
    {"taxon": EEL, "life_stage": "glass eel", "length": 60.0, "weight": 0.15},
    {"taxon": EEL, "life_stage": "elver", "length": 95.0, "weight": 0.9},
    {"taxon": EEL, "life_stage": "yellow eel", "length": 420.0, "weight": 130.0},
    {"taxon": STICKLEBACK, "life_stage": "unspecified", "length": 52.0, "weight": 1.4},
    {"taxon": "fundulus-heteroclitus", "life_stage": "adult", "length": 78.0, "weight": 6.5},
    {"taxon": "caridea", "life_stage": "unspecified", "length": 44.0, "weight": 0.9},
])
def test_fish_of_ordinary_size_and_condition_are_left_in_peace(catch: dict[str, Any]) -> None:
    sheet = MadeUpSheet()
    sheet.row(catches=[catch | {"count": 1.0}])
    assert _found(sheet) == []


def test_an_odd_size_is_not_an_odd_condition_too() -> None:
    sheet = MadeUpSheet()
    sheet.row(catches=[{"length": 6.0, "weight": 0.15}])
    assert [(f.rule, f.field) for f in _found(sheet)] == [("size-for-stage", "length")]


def test_a_pigment_scale_is_its_protocols_own() -> None:
    seine = MadeUpSheet(protocol="seine")
    seine.row(catches=[{"pigment_stage": "VIA2"}])
    assert _found(seine) == []


def test_stages_out_of_their_months_need_to_have_been_there() -> None:
    sheet = MadeUpSheet()
    sheet.row(local_date=dt.date(2026, 4, 20), catches=[
        {"life_stage": "silver eel", "count": 0.0}, {"life_stage": "silver eel", "count": None}])
    assert _found(sheet) == []


def test_every_one_of_these_rules_is_in_the_catalogue() -> None:
    assert set(CATALOGUE) >= MINE
