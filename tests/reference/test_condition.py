"""Fulton's condition factor, K = 1e5 W / L^3 (g, mm), and the reference list that uses it.

Formula as in Froese 2006, J. Appl. Ichthyol. 22, 241-253 (there 100 W / L^3, with cm).
"""

from __future__ import annotations

import duckdb
import pytest

from checks.catalogue.fish import FULTON
from shared.taxa import REFERENCE, STAGES, TAXA


def _fulton(length: float, weight: float) -> float:
    with duckdb.connect() as con:
        row = con.execute(
            f"SELECT {FULTON} FROM (SELECT ?::DOUBLE AS length, ?::DOUBLE AS weight) c",
            [length, weight]).fetchone()
    assert row is not None
    return float(row[0])


def test_a_fish_of_ten_centimetres_and_ten_grams_has_one() -> None:
    # 100 W / L^3 with W = 10 g, L = 10 cm.
    assert _fulton(100.0, 10.0) == pytest.approx(1.0)


@pytest.mark.parametrize(("length", "weight"), [(45, 0.1), (60, 0.15), (65, 0.25)])
def test_glass_eels_of_reported_size_are_what_the_list_expects(
    length: float, weight: float
) -> None:
    # 45 to 65 mm, about 0.1 to 0.25 g: recalled (c), reference values, section 5.
    habit = next(h for h in REFERENCE["anguilla-rostrata"].habits if h.stage == "glass eel")
    assert habit.length is not None and habit.weight is not None and habit.condition is not None
    assert habit.length[0] <= length <= habit.length[1]
    assert habit.weight[0] <= weight <= habit.weight[1]
    assert habit.condition[0] <= _fulton(length, weight) <= habit.condition[1]


def test_the_list_speaks_of_taxa_and_stages_there_are_with_a_source() -> None:
    assert set(REFERENCE) <= set(TAXA)
    for expected in REFERENCE.values():
        assert expected.source and expected.latitude[0] < expected.latitude[1]
        stages = [habit.stage for habit in expected.habits]
        assert len(set(stages)) == len(stages)
        for habit in expected.habits:
            assert habit.stage is None or habit.stage in STAGES
            assert habit.source
            assert all(1 <= month <= 12 for month in habit.months or ())
            for span in (habit.length, habit.weight, habit.condition):
                assert span is None or 0 < span[0] < span[1]


def test_protected_taxa_are_on_the_list() -> None:
    assert {taxon.id for taxon in TAXA.values() if taxon.protected} <= set(REFERENCE)
