"""Oxygen at saturation against Benson & Krause 1984 and against gsw.

The table is section 2 of the project's reference values, computed there from the formula of
Benson & Krause 1984 (fresh-water coefficients seen as quoted by APHA 1985, salinity term from
memory) and from gsw 3.6.23, whose fit (Garcia & Gordon 1992) is to Benson & Krause's data:
it checks the transcription, not the measurements.
"""

from __future__ import annotations

import duckdb
import gsw
import pytest

from checks.catalogue.units import oxygen_at_saturation_sql

TABLE = [
    # S, t in degC, BK84 in mg/l (760 mmHg, moist air), gsw in umol/kg
    (0, 0, 14.621, 457.006), (0, 5, 12.771, 399.086), (0, 10, 11.288, 352.844),
    (0, 15, 10.084, 315.393), (0, 20, 9.092, 284.625), (0, 25, 8.263, 258.968),
    (10, 0, 13.633, 422.771), (10, 5, 11.946, 370.413), (10, 10, 10.589, 328.474),
    (10, 15, 9.484, 294.403), (10, 20, 8.572, 266.330), (10, 25, 7.807, 242.853),
    (20, 0, 12.712, 391.079), (20, 5, 11.174, 343.782), (20, 10, 9.933, 305.771),
    (20, 15, 8.919, 274.795), (20, 20, 8.080, 249.196), (20, 25, 7.375, 227.728),
    (30, 0, 11.853, 361.742), (30, 5, 10.452, 319.048), (30, 10, 9.317, 284.621),
    (30, 15, 8.389, 256.479), (30, 20, 7.617, 233.152), (30, 25, 6.967, 213.533),
]
FRESH, SALT = 0.003, 0.003
"""Tolerances in mg/l; the table is rounded to 0.001 and its own two sources differ by 0.0028."""


def _saturation(salinity: float | None, celsius: float) -> float:
    with duckdb.connect() as con:
        row = con.execute(
            f"SELECT {oxygen_at_saturation_sql('e.water_temperature')} "
            "FROM (SELECT ?::DOUBLE AS salinity, ?::DOUBLE AS water_temperature) e",
            [salinity, celsius]).fetchone()
    assert row is not None
    return float(row[0])


@pytest.mark.parametrize(("salinity", "celsius", "expected", "_"), TABLE)
def test_it_agrees_with_benson_and_krause(
    salinity: float, celsius: float, expected: float, _: float
) -> None:
    assert _saturation(salinity, celsius) == pytest.approx(
        expected, abs=FRESH if salinity == 0 else SALT)


@pytest.mark.parametrize(("salinity", "celsius", "_", "molal"), TABLE)
def test_it_agrees_with_gsw(salinity: float, celsius: float, _: float, molal: float) -> None:
    # umol/kg x kg/m3 x g/mol: reference values, section 2. Pressure 0, so t is pt.
    absolute = salinity * 35.16504 / 35
    density = gsw.rho_t_exact(absolute, celsius, 0.0)
    solubility = gsw.O2sol_SP_pt(salinity, celsius)
    assert solubility == pytest.approx(molal, abs=0.001)
    milligrams = solubility * density * 31.9988e-6
    assert _saturation(salinity, celsius) == pytest.approx(milligrams, abs=0.004)


def test_without_a_salinity_the_water_counts_as_fresh() -> None:
    assert _saturation(None, 10) == _saturation(0, 10)


def test_no_natural_water_holds_what_the_rule_takes_for_percent() -> None:
    # The rule's ceiling stands on the table's highest value, fresh water at 0 degC.
    assert max(row[2] for row in TABLE) == 14.621
    assert _saturation(0, -0.5) < 15 < 25
