"""The water's own laws, as SQL: salinity, oxygen at saturation, freezing point, compensation.

Written out, since each is a closed form: a judgement then needs no array library, works as
well out of core, and takes a look at rows that have the values only. ``tests/reference``
holds every expression to gsw and to the published tables over the whole range that is used.

Arguments are SQL of doubles; each expression is NULL where one of them is, or where it lies
outside the equation's range.
"""

from __future__ import annotations

from collections.abc import Iterable

import duckdb

_SEA_WATER = 42_914.0
"""Conductivity in uS/cm of S = 35 at 15 degC (1968 scale), p = 0: reference values, section 1."""

_COMPENSATION = 0.0191
"""Change of conductivity a degC, of that at 25 degC; meters use this or 0.02 (section 3)."""


def oxygen_at_saturation_sql(temperature: str, salinity: str) -> str:
    """Oxygen in mg/l in balance with moist air at 760 mmHg, from degC and PSS-78 salinity.

    Benson & Krause 1984, Limnol. Oceanogr. 29(3), 620-632, in the form of Standard Methods.
    For -2 to 40 degC; sites lie at sea level, where weather moves it by some 3 % at most.
    """
    t = f"({temperature} + 273.15)"
    law = (
        f"exp(-139.34411 + 1.575701e5 / {t} - 6.642308e7 / ({t} ** 2) + 1.243800e10 / ({t} ** 3) "
        f"- 8.621949e11 / ({t} ** 4) "
        f"- ({salinity}) * (0.017674 - 10.754 / {t} + 2140.7 / ({t} ** 2)))"
    )
    return f"(CASE WHEN {temperature} BETWEEN -2 AND 40 THEN {law} END)"


def practical_salinity_sql(conductivity: str, temperature: str) -> str:
    """Practical salinity from uS/cm as read and degC (1990 scale), at the surface.

    PSS-78: Fofonoff & Millard 1983, UNESCO Tech. Pap. Mar. Sci. 44. Below S = 2, where the
    scale is not defined, it is what instruments show to some 0.002. For -2 to 40 degC.
    """
    t = f"({temperature} * 1.00024)"
    at_35 = _polynomial(t, (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9))
    root = f"sqrt(greatest({conductivity}, 0) / {_SEA_WATER!r} / {at_35})"
    first = _polynomial(root, (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081))
    second = _polynomial(root, (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144))
    law = (
        f"greatest(0, {first} + ({t} - 15) / (1 + 0.0162 * ({t} - 15)) * {second})"
    )
    return f"(CASE WHEN {conductivity} > 0 AND {temperature} BETWEEN -2 AND 40 THEN {law} END)"


def _polynomial(x: str, terms: tuple[float, ...]) -> str:
    """SQL of the terms by rising powers of ``x``, by Horner's rule."""
    law = repr(terms[-1])
    for term in reversed(terms[:-1]):
        law = f"({term!r} + {x} * {law})"
    return law


def freezing_point_sql(salinity: str) -> str:
    """Freezing point in degC of water of a PSS-78 salinity, at the surface.

    Millero, in Fofonoff & Millard 1983, UNESCO Tech. Pap. Mar. Sci. 44; air-saturated water,
    for S up to 40.
    """
    s = f"greatest({salinity}, 0)"
    return f"({s} * (-0.0575 + 1.710523e-3 * sqrt({s}) - 2.154996e-4 * {s}))"


def specific_conductance_sql(conductivity: str, temperature: str) -> str:
    """Conductivity referred to 25 degC, in uS/cm, from uS/cm as read and degC.

    SC = C / (1 + 0.0191 (t - 25)), the linear compensation of Standard Methods; meters that
    use 0.02, and PSS-78 itself, lie within 4.5 % of it from 0 to 30 degC.
    """
    law = f"{conductivity} / (1 + {_COMPENSATION!r} * ({temperature} - 25))"
    return f"(CASE WHEN {temperature} BETWEEN -2 AND 40 THEN {law} END)"


def salinity_of_row_sql(alias: str = "e") -> str:
    """The row's salinity as stated, else from its conductance, else from its conductivity."""
    specific = practical_salinity_sql(f"{alias}.specific_conductance", "25.0")
    raw = practical_salinity_sql(f"{alias}.conductivity", f"{alias}.water_temperature")
    return (
        f"coalesce(CASE WHEN {alias}.salinity BETWEEN 0 AND 42 THEN {alias}.salinity END, "
        f"CASE WHEN {measured(f'{alias}.specific_conductance')} THEN {specific} END, "
        f"CASE WHEN {measured(f'{alias}.conductivity')} THEN {raw} END)"
    )


def measured(column: str) -> str:
    """SQL: a conductivity that may be one of natural water, in uS/cm."""
    return f"{column} BETWEEN 20 AND 75000"


SEA = 36.0
"""The most salt that water of unknown salinity may have: coastal sea water, the dictionary's."""


def build_water(con: duckdb.DuckDBPyConnection, events: str, rows: Iterable[str]) -> None:
    """Build ``rule_water``: what the laws say of the readings of the rows that ``rows`` name.

    ``salt``: the row's salinity, however known; ``of_specific, of_raw``: the salinity that each
    conductivity stands for, ``of_thousandfold``: and a thousand times it; ``referred``: the
    conductivity at 25 degC; ``saturation``: oxygen in mg/l (of unknown salinity: fresh water's),
    ``saturation_least`` (of unknown salinity: sea water's), ``saturation_fresh``;
    ``freezing``: degC.
    """
    asked = " UNION ".join(rows) or "SELECT NULL::BIGINT"
    at = "water_temperature"

    def saturation(salinity: str) -> str:
        return oxygen_at_saturation_sql(at, salinity)

    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_water AS
        WITH of_rows AS (
            SELECT row_id, {at}, salinity,
                   CASE WHEN {measured("specific_conductance")} THEN specific_conductance END AS k,
                   CASE WHEN {measured("conductivity")} THEN conductivity END AS c,
                   1000 * coalesce(specific_conductance, conductivity) AS thousandfold
            FROM {events} WHERE row_id IN ({asked})),
        salts AS (
            SELECT *, {practical_salinity_sql("k", "25.0")} AS of_specific,
                   {practical_salinity_sql("c", at)} AS of_raw,
                   {practical_salinity_sql("thousandfold", "25.0")} AS of_thousandfold,
                   {specific_conductance_sql("c", at)} AS referred
            FROM of_rows),
        salted AS (
            SELECT *, coalesce(CASE WHEN salinity BETWEEN 0 AND 42 THEN salinity END,
                               of_specific, of_raw) AS salt
            FROM salts)
        SELECT row_id, salt, of_specific, of_raw, of_thousandfold, referred,
               {saturation("coalesce(salt, 0)")} AS saturation,
               {saturation(f"coalesce(salt, {SEA!r})")} AS saturation_least,
               {saturation("0")} AS saturation_fresh,
               {freezing_point_sql("salt")} AS freezing
        FROM salted""")
