"""Units as volunteers write them."""

from __future__ import annotations

from collections import defaultdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.fields import FIELDS
from shared.units import CANONICAL, UNITS, convert, spelling_key, unit_named


@pytest.mark.parametrize(("text", "field", "unit"), [
    ("°F", "water_temperature", "degF"), ("Deg F.", "water_temperature", "degF"),
    ("ºC", "water_temperature", "degC"), (" celsius ", "air_temperature", "degC"),
    ("µS/cm", "conductivity", "uS/cm"), ("μS/cm", "conductivity", "uS/cm"),
    ("MS/CM", "conductivity", "mS/cm"), ("m", "water_level", "m"), ("M", "secchi_depth", "m"),
    ('"', "precipitation", "in"), ("Inches", "precipitation", "in"),
    ("eighths", "cloud_cover", "oktas"), ("Bft", "wind_speed", "bft"), ("kts", "wind_speed", "kn"),
    ("%  sat", "dissolved_oxygen_saturation", "%"), ("ppt", "salinity", "1"),
    ("hrs.", "hours_fished", "h"), ("min", "hours_fished", "min"), ("mL", "total_volume", "ml"),
    ("L", "total_volume", "l"), ("sq\u00a0ft", "haul_area", "ft2"),
])
def test_a_spelling_names_its_unit(text: str, field: str, unit: str) -> None:
    found = unit_named(text, FIELDS[field].accepted)
    assert found is not None and found.id == unit


@pytest.mark.parametrize(("text", "field"), [
    ("furlongs", "water_level"), ("degF", "salinity"), ("", "water_temperature"),
    ("mm", "water_temperature"), ("m", "hours_fished"),
])
def test_what_a_field_does_not_accept_is_no_unit_there(text: str, field: str) -> None:
    assert unit_named(text, FIELDS[field].accepted) is None


def test_a_spelling_is_unambiguous_wherever_it_may_stand() -> None:
    for entry in FIELDS.values():
        named: dict[str, set[str]] = defaultdict(set)
        for unit_id in entry.accepted:
            for spelling in (UNITS[unit_id].id.lower(), *UNITS[unit_id].spellings):
                named[spelling].add(unit_id)
        # "us/cm" against "ms/cm" differ; "mS" and "ms" cannot, and mean one unit.
        assert {s: ids for s, ids in named.items() if len(ids) > 1} == {}, entry.id


def test_spellings_are_kept_as_they_are_looked_up() -> None:
    for unit in UNITS.values():
        assert [s for s in unit.spellings if spelling_key(s) != s] == []


def test_every_conversion_has_a_source_and_every_quantity_a_home() -> None:
    for unit in UNITS.values():
        assert unit.quantity in CANONICAL
        assert unit.id == CANONICAL[unit.quantity] or unit.source, unit.id


@given(st.sampled_from(sorted(UNITS)), st.floats(-1e5, 1e5))
def test_there_and_back_is_where_it_was(unit: str, value: float) -> None:
    home = CANONICAL[UNITS[unit].quantity]
    there = convert(value, unit, home)
    # Nine decimals are kept of the value in its home unit: so many of ours it is worth.
    tolerance = 2e-9 + 2e-9 / UNITS[unit].factor + abs(value) * 1e-9
    if unit == "bft":
        tolerance += 1e-4  # the slope of the 2/3 power is steep near calm
    assert convert(there, home, unit) == pytest.approx(value, abs=tolerance)


def test_a_negative_beaufort_number_stays_negative() -> None:
    assert convert(-4.0, "bft", "m/s") == pytest.approx(-convert(4.0, "bft", "m/s"))


def test_quantities_do_not_mix() -> None:
    with pytest.raises(ValueError, match="degC measures temperature, mm length"):
        convert(1.0, "degC", "mm")


def test_no_conversion_no_change() -> None:
    assert convert(0.1 + 0.2, "degC", "degC") == 0.1 + 0.2
