"""The data dictionary: sound in itself, and unambiguous where sheets are read by it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import pytest

import shared.fields as fields
from shared.fields import (
    CATCH_FIELDS,
    EVENT_FIELDS,
    FIELDS,
    NUMERIC_KINDS,
    Field,
    Kind,
    Range,
    check_dictionary,
)
from shared.flags import Effect
from shared.staging import CATCH_COLUMNS, EVENT_COLUMNS, row_id_base
from shared.taxa import STAGES, TAXA
from shared.units import UNITS


def test_the_dictionary_is_sound() -> None:
    assert check_dictionary() == []


@pytest.mark.parametrize(("broken", "said"), [
    (replace(FIELDS["ph"], accepted=("degC", "1")),
     "ph: the canonical unit must be accepted first"),
    (replace(FIELDS["ph"], accepted=("1", "furlong")), "ph: unknown unit furlong"),
    (replace(FIELDS["tide_stage"], choices=()), "tide_stage: a choice field needs choices"),
    (replace(FIELDS["ph"], possible=Range(0, 14, "")), "ph: the possible range has no source"),
    (replace(FIELDS["ph"], plausible=Range(5, 15, "x")), "ph: plausible reaches outside possible"),
])
def test_an_unsound_entry_is_named(
    broken: Field, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fields, "_ENTRIES", (broken,))
    assert said in check_dictionary()


CONTRACT = {
    "site", "gear_unit", "recorder", "local_date", "set_date", "set_time", "check_date",
    "check_time", "hours_fished", "net_status", "hauls", "haul_area", "tide_stage", "taxon",
    "life_stage", "count", "count_method", "subsample_count", "subsample_volume", "total_volume",
    "released", "mortality", "kept", "length", "weight", "pigment_stage", "water_temperature",
    "air_temperature", "salinity", "conductivity", "specific_conductance", "dissolved_oxygen",
    "dissolved_oxygen_saturation", "ph", "turbidity", "secchi_depth", "water_level",
    "precipitation", "wind_speed", "wind_direction", "cloud_cover", "observers",
    "volunteer_hours", "latitude", "longitude", "remarks",
}
"""Field ids of the design's stable contract."""


def test_the_fields_of_the_contract_are_there() -> None:
    assert set(FIELDS) >= CONTRACT


AMBIGUOUS = {
    "wt": {"weight", "water_temperature"},
    "staff": {"recorder", "water_level"},
    "cloudiness": {"turbidity", "cloud_cover"},
}
"""Headings that people do use for either: the cells below must tell."""


def test_a_heading_means_one_field_but_for_a_known_few() -> None:
    owners: dict[str, list[str]] = defaultdict(list)
    for entry in FIELDS.values():
        assert len(set(entry.headings)) == len(entry.headings), entry.id
        for heading in entry.headings:
            assert heading == heading.lower().strip()
            owners[heading].append(entry.id)
    assert {heading: set(ids) for heading, ids in owners.items() if len(ids) > 1} == AMBIGUOUS


def test_a_word_means_one_choice_of_its_field() -> None:
    for entry in FIELDS.values():
        spelled: dict[str, set[str]] = defaultdict(set)
        for choice in entry.choices:
            for spelling in {choice.id.lower(), *choice.spellings}:
                spelled[spelling].add(choice.id)
        assert {s: ids for s, ids in spelled.items() if len(ids) > 1} == {}, entry.id


def test_a_name_means_one_taxon() -> None:
    spelled: dict[str, set[str]] = defaultdict(set)
    for taxon in TAXA.values():
        for spelling in {taxon.scientific_name.lower(), *taxon.spellings,
                         *(name for name, _ in taxon.staged_names)}:
            spelled[spelling].add(taxon.id)
        assert {stage for _, stage in taxon.staged_names} <= set(STAGES)
        assert taxon.default_stage in STAGES
    shared_names = {s: ids for s, ids in spelled.items() if len(ids) > 1}
    assert shared_names == {}


def test_numbers_have_units_and_what_is_private_stays_with_people() -> None:
    for entry in FIELDS.values():
        assert (entry.unit is not None) == (entry.kind in NUMERIC_KINDS), entry.id
        assert entry.title and entry.description.endswith("."), entry.id
        quantities = {UNITS[unit].quantity for unit in entry.accepted}
        assert len(quantities) <= 1, entry.id
    assert FIELDS["recorder"].private


def test_what_a_row_is_known_by_is_held_when_it_cannot_be_read() -> None:
    for name in ("local_date", "check_date", "set_date", "taxon", "count", "hours_fished"):
        assert FIELDS[name].bad_effect is Effect.HOLD


def test_staged_columns_follow_the_dictionary() -> None:
    assert {f.id for f in EVENT_FIELDS} - {"site"} <= set(EVENT_COLUMNS)
    assert {f.id for f in CATCH_FIELDS} <= set(CATCH_COLUMNS)
    assert EVENT_COLUMNS["water_temperature"] == CATCH_COLUMNS["count"] == "DOUBLE"
    assert EVENT_COLUMNS["local_date"] == "DATE"
    for entry in FIELDS.values():
        if entry.kind is Kind.TIME:
            assert EVENT_COLUMNS[entry.id] == "TIME"


def test_row_ids_of_two_files_do_not_meet() -> None:
    first, second = row_id_base("0" * 64), row_id_base("0000000001" + "0" * 54)
    assert (first, second) == (0, 1 << 23)
    assert row_id_base("f" * 64) + (1 << 23) <= 1 << 63


@pytest.mark.parametrize(("low", "high", "value", "held"), [
    (0, 14, 0, True), (0, 14, 14, True), (0, 14, 14.01, False), (None, 14, -1e9, True),
    (0, None, 1e9, True), (0, None, -0.01, False),
])
def test_ranges_are_closed(low: float | None, high: float | None, value: float, held: bool) -> None:
    assert Range(low, high, "x").holds(value) is held
