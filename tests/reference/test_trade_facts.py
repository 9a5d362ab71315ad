"""Facts of the trade that settings and ranges stand on, each with its source."""

from __future__ import annotations

import gsw
import pytest

from shared.fields import FIELDS, Range
from shared.protocol import protocols
from tests.checks.made_up_sheets import MadeUpSheet, judged


def _span(field: str, kind: str = "possible") -> Range:
    span = getattr(FIELDS[field], kind)
    assert isinstance(span, Range)
    return span


def test_subsample_expansion_of_the_worked_example() -> None:
    # Reference values, section 5 (constructed, b*): 310 in 50 ml of 850 ml -> 5270.
    sheet = MadeUpSheet()
    parts = {"subsample_count": 310.0, "subsample_volume": 50.0, "total_volume": 850.0}
    sheet.row(0, catches=[parts | {"count": 5270.0}])
    sheet.row(1, catches=[parts | {"count": 2570.0}])
    (finding,) = judged([sheet])
    assert (finding.row, finding.rule, finding.suggested) == (5, "subsample-expansion", "5270")


def test_water_may_be_as_cold_as_the_sea_freezes_and_no_colder() -> None:
    # Reference values, section 3: UNESCO 44 gives -1.9223 degC at S = 35, p = 0; gsw -1.9191.
    low = _span("water_temperature").low
    assert low is not None
    freezing = float(gsw.t_freezing(35.16504, 0.0, 0.0))
    assert freezing == pytest.approx(-1.9191, abs=0.0001)
    assert -2.1 <= low <= freezing


def test_salinity_reaches_as_far_as_the_practical_scale_holds() -> None:
    # PSS-78 is valid for S 2 to 42: UNESCO 44, reference values, section 1.
    assert _span("salinity").high == 42


@pytest.mark.parametrize("field", ["conductivity", "specific_conductance"])
def test_sea_water_is_plausible_in_both_kinds_of_conductivity(field: str) -> None:
    # Reference values, section 1: 53.0710 mS/cm at S = 35, 25 degC, p = 0 (gsw).
    sea = float(gsw.C_from_SP(35.0, 25.0, 0.0)) * 1000
    assert sea == pytest.approx(53_071.0, abs=0.1)
    assert _span(field, "plausible").holds(sea)
    # The dictionary's own reason for the ceiling of what is possible.
    assert _span(field).holds(float(gsw.C_from_SP(40.0, 30.0, 0.0)) * 1000)


def test_oxygen_at_saturation_is_plausible_wherever_water_is() -> None:
    # Benson & Krause 1984, reference values, section 2: 6.967 (S 30, 25 degC) to 14.621 mg/l.
    assert _span("dissolved_oxygen", "plausible").holds(6.967)
    assert _span("dissolved_oxygen", "plausible").holds(14.621)


def test_ph_spans_the_sensor() -> None:
    # QARTOD pH manual as seen: sensor range 0 to 14 (reference values, section 4).
    assert (_span("ph").low, _span("ph").high) == (0, 14)


@pytest.mark.parametrize("millimetres", [40.0, 45.0, 65.0, 80.0])
def test_glass_eels_of_any_reported_length_are_possible(millimetres: float) -> None:
    # About 45 to 65 mm, range flag 40 to 80: recalled (c), reference values, section 5.
    assert _span("length").holds(millimetres)
    assert _span("weight").holds(0.1) and _span("weight").holds(0.25)


def test_the_fyke_protocol_names_its_pigment_scale() -> None:
    # Seven stages, Haro & Krueger 1988, for A. rostrata: recalled (c), section 5.
    assert "Haro & Krueger 1988" in protocols()["fyke"].pigment_scale
    assert "seven" in protocols()["fyke"].pigment_scale
