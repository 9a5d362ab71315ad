"""Some of the schedules that `python -m bench.faults` draws by the thousand."""

from __future__ import annotations

import os

import pytest

from bench.faults import FAULTS, lines_of, simulate

pytestmark = [pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a fork"),
              pytest.mark.slow]


def test_faults_of_every_kind_lose_nothing_and_double_nothing() -> None:
    kinds = list(FAULTS)
    told = simulate(8, seed=2026, faults=[kinds[start::8] for start in range(8)])
    assert set(told.faults) == set(FAULTS)
    assert told.well, [*told.unexplained, *told.wrong, *lines_of(told)]


def test_killed_at_steps_of_a_week_it_ends_as_if_nothing_had_been() -> None:
    told = simulate(0, seed=1, every_step=12)
    assert told.endings["killed"] >= 12
    assert told.well, [*told.unexplained, *told.wrong, *lines_of(told)]
