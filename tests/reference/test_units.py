"""Unit conversions against pint, and against the exact figures that define them."""

from __future__ import annotations

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.units import CANONICAL, UNITS, convert

REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry()

PINT_NAMES = {
    "degC": "degC", "degF": "degF", "h": "hour", "min": "minute", "d": "day", "mm": "millimeter",
    "cm": "centimeter", "m": "meter", "in": "inch", "ft": "foot", "m2": "meter ** 2",
    "ft2": "foot ** 2", "uS/cm": "microsiemens / centimeter", "mS/cm": "millisiemens / centimeter",
    "m/s": "meter / second", "mph": "mile / hour", "kn": "knot", "km/h": "kilometer / hour",
    "ml": "milliliter", "l": "liter", "g": "gram", "mg": "milligram", "kg": "kilogram",
    "mg/l": "milligram / liter",
}
"""What pint calls ours. Of the rest pint knows no such unit, or its definition is our own."""

DEFINED_HERE = {"%", "oktas", "tenths", "1", "NTU", "bft", "deg"}


def test_every_unit_is_compared_or_defined_here() -> None:
    assert set(UNITS) == set(PINT_NAMES) | DEFINED_HERE


@pytest.mark.parametrize("unit", sorted(PINT_NAMES))
@given(value=st.floats(-1e4, 1e4))
def test_a_unit_converts_as_pint_converts_it(unit: str, value: float) -> None:
    home = CANONICAL[UNITS[unit].quantity]
    theirs = REGISTRY.Quantity(value, PINT_NAMES[unit]).to(PINT_NAMES[home]).magnitude
    # Ours are rounded to nine decimals.
    assert convert(value, unit, home) == pytest.approx(theirs, rel=1e-12, abs=1.1e-9)


@pytest.mark.parametrize(("value", "unit", "expected", "home"), [
    # NIST SP 811 (2008), Appendix B.8, figures it prints in bold as exact.
    (1.0, "in", 25.4, "mm"),
    (1.0, "ft", 304.8, "mm"),
    (1.0, "ft2", 0.09290304, "m2"),
    (1.0, "mph", 0.44704, "m/s"),
    # Reference values, section 3 (exact): F = 1.8 C + 32.
    (32.0, "degF", 0.0, "degC"),
    (39.2, "degF", 4.0, "degC"),
    (50.0, "degF", 10.0, "degC"),
    (59.0, "degF", 15.0, "degC"),
    (68.0, "degF", 20.0, "degC"),
    (77.0, "degF", 25.0, "degC"),
    (-40.0, "degF", -40.0, "degC"),
    # By definition: a knot is 1852 m in an hour, an okta an eighth of the sky.
    (3600.0, "kn", 1852.0, "m/s"),
    (8.0, "oktas", 100.0, "%"),
    (3.0, "oktas", 37.5, "%"),
    (10.0, "tenths", 100.0, "%"),
    (12.4, "mS/cm", 12_400.0, "uS/cm"),
])
def test_exact_figures(value: float, unit: str, expected: float, home: str) -> None:
    assert convert(value, unit, home) == pytest.approx(expected, abs=1e-9)
    assert convert(expected, home, unit) == pytest.approx(value, abs=1e-9)


BEAUFORT_SPANS = {
    1: (0.3, 1.5), 2: (1.6, 3.3), 3: (3.4, 5.4), 4: (5.5, 7.9), 5: (8.0, 10.7), 6: (10.8, 13.8),
    7: (13.9, 17.1), 8: (17.2, 20.7), 9: (20.8, 24.4), 10: (24.5, 28.4), 11: (28.5, 32.6),
}
"""Beaufort number -> m/s at 10 m, the WMO table. Written from memory, not seen; the formula
v = 0.836 B^1.5 is from WMO-No. 8. That the two agree is what this tests."""


@pytest.mark.parametrize("force", sorted(BEAUFORT_SPANS))
def test_beaufort_falls_in_the_span_of_its_force(force: int) -> None:
    low, high = BEAUFORT_SPANS[force]
    speed = convert(float(force), "bft", "m/s")
    assert low <= speed <= high
    assert speed == pytest.approx((low + high) / 2, abs=0.5)


@pytest.mark.parametrize("force", [0.0, 4.0, 5.5, 12.0])
def test_beaufort_comes_back(force: float) -> None:
    assert convert(convert(force, "bft", "m/s"), "m/s", "bft") == pytest.approx(force, abs=1e-6)
