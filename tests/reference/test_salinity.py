"""Salinity, compensation and freezing point against published values and against gsw.

Tables are sections 1 and 3 of the project's reference values: check points of Fofonoff &
Millard 1983 (UNESCO Tech. Pap. Mar. Sci. 44) at the surface, and gsw 3.6.23, an independent
implementation. Temperatures of 1983 are IPTS-68: t68 = 1.00024 t90.
"""

from __future__ import annotations

import duckdb
import gsw
import numpy as np
import pyarrow as pa
import pytest

from checks.chemistry import (
    build_water,
    freezing_point_sql,
    practical_salinity_sql,
    salinity_of_row_sql,
    specific_conductance_sql,
)


def _said(sql: str, **columns: float | None) -> float | None:
    given = ", ".join(f"?::DOUBLE AS {name}" for name in columns)
    with duckdb.connect() as con:
        row = con.execute(f"SELECT {sql} FROM (SELECT {given}) e", [*columns.values()]).fetchone()
    assert row is not None
    return None if row[0] is None else float(row[0])


def _salinity(conductivity: float | None, celsius: float | None) -> float | None:
    return _said(practical_salinity_sql("e.c", "e.t"), c=conductivity, t=celsius)


def test_the_scale_is_35_where_it_is_defined_to_be() -> None:
    # R = 1 at t68 = 15 degC and the surface: C(35, 15, 0) = 42.914 mS/cm, UNESCO 44.
    assert _salinity(42_914.0, 15 / 1.00024) == pytest.approx(35.0, abs=1e-6)


FROM_SPECIFIC = [
    # SC at 25 degC in uS/cm, gsw.SP_from_C at 25 degC and p = 0 (section 1, b).
    (1000, 0.4925), (2000, 1.0166), (5000, 2.6796), (10000, 5.6266), (15000, 8.7170),
    (20000, 11.9150), (30000, 18.5699), (45000, 29.0938),
]


@pytest.mark.parametrize(("specific", "expected"), FROM_SPECIFIC)
def test_specific_conductance_gives_the_tables_salinity(specific: float, expected: float) -> None:
    # Below S = 2 gsw adds the extension of Hill et al. 1986, plain PSS-78 does not: 0.011.
    slack = 0.011 if expected < 2 else 0.0001
    assert _salinity(specific, 25.0) == pytest.approx(expected, abs=slack)


CONDUCTIVITIES = {
    # Practical salinity -> gsw.C_from_SP in mS/cm at 0, 5, 10, 15, 20, 25 degC (section 1, b).
    5: (4.8031, 5.5654, 6.3659, 7.2009, 8.0667, 8.9599),
    15: (13.3557, 15.4381, 17.6232, 19.9009, 22.2614, 24.6952),
    25: (21.3715, 24.6603, 28.1099, 31.7044, 35.4283, 39.2666),
    35: (29.0360, 33.4554, 38.0897, 42.9175, 47.9180, 53.0710),
}


@pytest.mark.parametrize("salinity", CONDUCTIVITIES)
@pytest.mark.parametrize("step", range(6))
def test_conductivity_gives_back_the_tables_salinity(salinity: int, step: int) -> None:
    conductivity = CONDUCTIVITIES[salinity][step] * 1000
    assert _salinity(conductivity, 5.0 * step) == pytest.approx(salinity, abs=0.0002)


def _waters(least: float) -> tuple[np.ndarray, np.ndarray]:
    salinity, celsius = np.meshgrid(np.linspace(least, 42, 120), np.linspace(-1.9, 35, 75))
    return salinity.ravel(), celsius.ravel()


def _worst(sql: str, **columns: np.ndarray) -> float:
    with duckdb.connect() as con:
        con.register("e", pa.table(columns))
        row = con.execute(f"SELECT max({sql}) FROM e").fetchone()
    assert row is not None
    return float(row[0])


def test_salinity_agrees_with_gsw_over_all_water_of_the_scale() -> None:
    salinity, celsius = _waters(2.0)
    conductivity = gsw.C_from_SP(salinity, celsius, 0.0) * 1000
    law = practical_salinity_sql("e.c", "e.t")
    assert _worst(f"abs({law} - e.s)", s=salinity, t=celsius, c=conductivity) < 1e-9


def test_below_the_scale_it_is_near_what_instruments_show() -> None:
    salinity, celsius = _waters(0.02)
    fresh = salinity < 2
    salinity, celsius = salinity[fresh], celsius[fresh]
    conductivity = gsw.C_from_SP(salinity, celsius, 0.0) * 1000
    law = practical_salinity_sql("e.c", "e.t")
    assert 0.001 < _worst(f"abs({law} - e.s)", s=salinity, t=celsius, c=conductivity) < 0.011


@pytest.mark.parametrize(("conductivity", "celsius"), [
    (None, 10.0), (9000.0, None), (0.0, 10.0), (-5.0, 10.0), (9000.0, -2.1), (9000.0, 40.1)])
def test_what_is_no_reading_of_water_has_no_salinity(
    conductivity: float | None, celsius: float | None
) -> None:
    assert _salinity(conductivity, celsius) is None


@pytest.mark.parametrize(("salinity", "expected"), [
    # UNESCO 44 at p = 0 (section 3, f).
    (5, -0.2738), (10, -0.5425), (15, -0.8116), (20, -1.0832), (25, -1.3584), (30, -1.6379),
    (35, -1.9223),
])
def test_freezing_point_is_that_of_unesco(salinity: float, expected: float) -> None:
    assert _said(freezing_point_sql("e.s"), s=salinity) == pytest.approx(expected, abs=0.0001)


def test_freezing_point_agrees_with_gsw_within_what_air_changes() -> None:
    # Air saturation and a newer fit: up to 0.005 degC (section 3).
    salinity = np.linspace(0, 40, 81)
    freezing = gsw.t_freezing(salinity * 35.16504 / 35, 0.0, 1.0)
    law = freezing_point_sql("e.s")
    assert _worst(f"abs({law} - e.t)", s=salinity, t=freezing) < 0.005


@pytest.mark.parametrize(("conductivity", "celsius", "expected"), [
    # SC = C / (1 + 0.0191 (t - 25)), Standard Methods (section 3); by hand.
    (1000.0, 25.0, 1000.0), (618.0, 5.0, 1000.0), (713.5, 10.0, 1000.0), (10441.0, 8.0, 15461.28),
])
def test_compensation_is_the_linear_one(
    conductivity: float, celsius: float, expected: float
) -> None:
    said = _said(specific_conductance_sql("e.c", "e.t"), c=conductivity, t=celsius)
    assert said == pytest.approx(expected, abs=0.01)


def test_every_compensation_in_use_is_within_what_the_rule_allows() -> None:
    # Against PSS-78 itself by gsw, and against meters with 0.02 instead of 0.0191.
    salinity, celsius = _waters(2.0)
    spring = (celsius >= 0) & (celsius <= 30)
    salinity, celsius = salinity[spring], celsius[spring]
    raw = gsw.C_from_SP(salinity, celsius, 0.0) * 1000
    law = specific_conductance_sql("e.c", "e.t")
    true = gsw.C_from_SP(salinity, 25.0, 0.0) * 1000
    meter = raw / (1 + 0.02 * (celsius - 25))
    for said in (true, meter):
        assert _worst(f"abs(ln({law} / e.k))", c=raw, t=celsius, k=said) < 0.051


def test_a_rows_salinity_is_the_stated_one_else_what_its_conductivities_say() -> None:
    law = salinity_of_row_sql()

    def of(**row: float | None) -> float | None:
        blank = dict.fromkeys(
            ("salinity", "specific_conductance", "conductivity", "water_temperature"))
        return _said(law, **(blank | row))

    assert of(salinity=8.0, specific_conductance=30_000.0) == 8.0
    assert of(salinity=300.0, specific_conductance=15_000.0) == pytest.approx(8.717, abs=0.001)
    assert of(conductivity=10_612.8, water_temperature=5.0) == pytest.approx(10.0, abs=0.001)
    # A number that is no conductivity of natural water in uS/cm tells of no salinity.
    assert of(specific_conductance=15.0) is None
    assert of(conductivity=10_612.8) is None


def test_a_judgements_water_says_what_the_laws_say() -> None:
    columns = {"salinity": [None, 30.0], "specific_conductance": [15_000.0, None],
               "conductivity": [None, None], "water_temperature": [10.0, 25.0]}
    with duckdb.connect() as con:
        con.register("arriving", pa.table({"row_id": [1, 2]} | {
            name: pa.array(values, pa.float64()) for name, values in columns.items()}))
        build_water(con, "arriving", ["SELECT 1 UNION ALL SELECT 2", "SELECT 2"])
        (brackish, sea) = con.execute(
            "SELECT round(salt, 3), round(saturation, 2), round(saturation_fresh, 2), "
            "round(freezing, 2) FROM rule_water ORDER BY row_id").fetchall()
    assert brackish == (8.717, 10.68, 11.29, -0.47)
    # Benson & Krause at S = 30, 25 degC: 6.967 mg/l (section 2).
    assert sea == (30.0, 6.97, 8.26, -1.64)
