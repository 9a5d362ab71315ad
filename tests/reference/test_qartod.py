"""The open QARTOD tests, as the manuals define them, and what the rules after them make of it.

Sources: the definitions of the IOOS QARTOD manuals (pH, wind, temperature and salinity; reference
values, section 4); the example series and their flags are those published in the tests of
ioos/ioos_qc (``tests/test_qartod.py``, spike and flat line). The manuals have a reading every few
minutes in mind, the rules one a day: what differs is said at each test.
"""

from __future__ import annotations

from typing import Any

import duckdb
import pytest

from checks.catalogue import CATALOGUE
from checks.rule import Over
from checks.sequences import USUALLY_APART
from shared.fields import FIELDS
from shared.flags import EFFECT_FLAG, Flag
from tests.checks.made_up_sheets import FIRST_ROW, MadeUpSheet, judged, network_with

_SPIKES = [10, 12, 999.99, 13, 15, 40, 9, 9]
_FLAGGED = [2, 4, 4, 4, 1, 3, 1, 2]
_FLAT = [1, 2, 2, 2, 2, 2, 2, 2, 4, 5, 3, 3, 3, 3]
_FLAT_FLAGGED = [1, 1, 1, 1, 3, 3, 4, 4, 1, 1, 1, 1, 1, 3]


def _spike_test(values: list[float], low: float, high: float) -> list[int]:
    """SPK_REF is the mean of the readings beside; the ends cannot be told."""
    flags = [2]
    for before, value, after in zip(values, values[1:], values[2:], strict=False):
        far = abs(value - (before + after) / 2)
        flags.append(4 if far > high else 3 if far > low else 1)
    return [*flags, 2]


def _flat_line_test(values: list[float], suspect: int, fail: int) -> list[int]:
    """So many readings before this one are equal to it."""
    flags, alike = [], 0
    for at, value in enumerate(values):
        alike = alike + 1 if at and value == values[at - 1] else 0
        flags.append(4 if alike >= fail else 3 if alike >= suspect else 1)
    return flags


def _places(rule: str, limits: dict[str, float], values: list[float]) -> set[int]:
    """Places in ``values``, as daily water temperatures or salinities, that ``rule`` asks about."""
    field = "salinity" if rule == "flat-line" else "water_temperature"
    sheet = MadeUpSheet()
    for day, value in enumerate(values):
        readings: dict[str, Any] = {field: value}
        sheet.row(day, catches=[{"count": 20.0 + day * 7 % 23}], **readings)
    found = judged([sheet], network_with(thresholds={rule: limits}))
    return {f.row - FIRST_ROW for f in found if f.rule == rule and f.row is not None}


def test_the_definitions_give_the_published_flags() -> None:
    assert _spike_test(_SPIKES, 25, 50) == _FLAGGED
    assert _flat_line_test([float(value) for value in _FLAT], 3, 5) == _FLAT_FLAGGED


def test_a_spike_is_what_the_manual_calls_one_and_not_the_readings_beside_it() -> None:
    # The same series in hundredths above 5 degC, so that it is water. By the manual the
    # readings on both sides of a great spike fail with it; here the days beside must agree.
    values = [5 + value / 100 for value in _SPIKES]
    asked = _places("spike", {"deviations": 0.0, "water_temperature": 0.25}, values)
    assert asked == {2, 5}
    assert asked == {at for at, flag in enumerate(_spike_test(values, 0.25, 0.5)) if flag > 2} - {
        1, 3}


def test_a_flat_line_is_found_wherever_the_manual_finds_one() -> None:
    # The manual's count grows along a run and flags its end; here the run is one question, from
    # its second row on, since none of its rows is more likely right than another.
    asked = _places("flat-line", {"rows": 4.0, "one_in": 1e-6}, [8.0 + v / 10 for v in _FLAT])
    assert asked == {2, 3, 4, 5, 6, 7, 11, 12, 13}
    assert asked >= {at for at, flag in enumerate(_FLAT_FLAGGED) if flag > 2}


@pytest.mark.parametrize(("step", "places"), [(0.3, set()), (0.6, {7}), (3.0, {7})])
def test_a_rate_of_change_is_so_many_deviations_of_the_sites_own_steps(
    step: float, places: set[int]
) -> None:
    # N_DEV = 3, and the steps' robust deviation 1.4826 x 0.13: more than 0.578 is asked about.
    values = [5.0, 5.13, 5.0, 5.13, 5.0, 5.13, 5.0, 5.13 + step, 5.0 + step, 5.13 + step]
    asked = _places("rate-of-change", {"deviations": 3.0, "water_temperature": 0.0}, values)
    assert asked == places


def test_gross_range_fails_beyond_the_possible_and_doubts_beyond_the_usual() -> None:
    # The pH manual's sensor range is 0 to 14; what a user's narrower range excludes is suspect.
    possible, plausible = FIELDS["ph"].possible, FIELDS["ph"].plausible
    assert possible is not None
    assert plausible is not None
    assert (possible.low, possible.high) == (0.0, 14.0)

    def flags(value: float) -> set[Flag]:
        sheet = MadeUpSheet()
        sheet.row(ph=value)
        return {f.flag for f in judged([sheet]) if f.field == "ph"}

    assert plausible.high is not None
    assert flags(14.1) == {Flag.FAIL}
    assert flags(plausible.high + 0.1) == {Flag.SUSPECT}
    assert flags(plausible.high) == set()


@pytest.mark.parametrize("rule", ["climatology", "rate-of-change"])
def test_climatology_and_rate_of_change_know_no_failure(rule: str) -> None:
    one = CATALOGUE[rule]
    probes = list(one.probes(one.limits(network_with()), network_with()))
    assert {EFFECT_FLAG[probe.effect] for probe in probes} == {Flag.SUSPECT}
    assert {probe.over for probe in probes} == {Over.READINGS}


def test_robust_deviations_are_those_of_the_modified_z_score() -> None:
    """Modified z-score 0.6745 (x - median) / MAD, more than 3.5 an outlier.

    Iglewicz & Hoaglin 1993, as in the NIST/SEMATECH e-Handbook of Statistical Methods,
    section 1.3.5.17; data of its section on Grubbs' test. Median, MAD and scores reckoned from
    that definition (reference values, section 6).
    """
    values = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)
    with duckdb.connect() as con:
        rows = ", ".join(f"(1, DATE '2026-03-10', {value!r}::DOUBLE)" for value in values)
        usual, spread = con.execute(
            f"WITH placed AS (FROM (VALUES {rows}) v(place, day, apart)), {USUALLY_APART} "
            "SELECT usual, spread FROM usual JOIN spreads USING (place)").fetchall()[0]
    assert usual == pytest.approx(201.37)
    assert spread == pytest.approx(0.995 / 0.6745, rel=1e-4)
    scores = [(value - usual) / spread for value in values]
    assert scores == pytest.approx(
        [-1.3965, -1.2473, -0.7999, -0.3728, 0.3728, 0.3932, 0.5491, 29.9627], rel=2e-4)
    assert [abs(score) > 3.5 for score in scores] == [False] * 7 + [True]
