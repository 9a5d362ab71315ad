"""Oxygen at saturation against Benson & Krause 1984 and against gsw.

The table is section 2 of the project's reference values, computed there from the formula of
Benson & Krause 1984 (fresh-water coefficients seen as quoted by APHA 1985, salinity term from
memory) and from gsw 3.6.23, whose fit (Garcia & Gordon 1992) is to Benson & Krause's data:
it checks the transcription, not the measurements.
"""

from __future__ import annotations

import duckdb
import gsw
import numpy as np
import pyarrow as pa
import pytest

from checks.catalogue import CATALOGUE
from checks.chemistry import oxygen_at_saturation_sql

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


def _saturation(salinity: float, celsius: float) -> float:
    law = oxygen_at_saturation_sql("e.t", "e.s")
    with duckdb.connect() as con:
        row = con.execute(
            f"SELECT {law} FROM (SELECT ?::DOUBLE AS s, ?::DOUBLE AS t) e", [salinity, celsius]
        ).fetchone()
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


def test_it_agrees_with_gsw_over_all_water_it_is_used_on() -> None:
    # 11,100 waters, S 0 to 42, -1.9 to 35 degC; the largest difference seen is 0.0056 mg/l.
    salinity, celsius = (grid.ravel() for grid in np.meshgrid(
        np.linspace(0, 42, 148), np.linspace(-1.9, 35, 75)))
    density = gsw.rho_t_exact(salinity * 35.16504 / 35, celsius, 0.0)
    milligrams = gsw.O2sol_SP_pt(salinity, celsius) * density * 31.9988e-6
    law = oxygen_at_saturation_sql("e.t", "e.s")
    with duckdb.connect() as con:
        con.register("e", pa.table({"s": salinity, "t": celsius, "mg": milligrams}))
        worst = con.execute(f"SELECT max(abs({law} - e.mg)) FROM e").fetchone()
    assert worst is not None
    assert 0 < worst[0] < 0.007


@pytest.mark.parametrize(("celsius", "expected"), [(0, 13.461), (10, 10.387), (20, 8.358)])
def test_the_weather_moves_it_by_less_than_the_rule_allows(
    celsius: float, expected: float
) -> None:
    # 700 mmHg, S = 0 (reference values, section 2, from the formula with its pressure term):
    # far below any weather at sea level, and 8 % off the figure for 760. The rule allows 10 %.
    assert _saturation(0, celsius) / expected == pytest.approx(1.086, abs=0.003)
    # Lows and highs at sea level, 960 and 1050 hPa, differ in proportion by at most 5.5 %.
    assert 1013.25 / 960 < 1.056 and 1050 / 1013.25 < 1.037
    assert CATALOGUE["oxygen-disagrees"].thresholds["share"].default > 0.056


def test_outside_its_range_the_law_says_nothing() -> None:
    law = oxygen_at_saturation_sql("e.t", "e.s")
    with duckdb.connect() as con:
        rows = con.execute(
            f"SELECT {law} FROM (VALUES (8.0, -2.1), (8.0, 40.1), (NULL, 8.0), (8.0, NULL)) e(s, t)"
        ).fetchall()
    assert rows == [(None,)] * 4


def test_no_natural_water_holds_what_the_rule_takes_for_percent() -> None:
    # The rule's ceiling stands on the table's highest value, fresh water at 0 degC.
    assert max(row[2] for row in TABLE) == 14.621
    assert _saturation(0, -0.5) < 15 < 25
