"""A part of the season with faults that `python -m bench.twenty_weeks` does whole."""

from __future__ import annotations

import pytest

from bench.twenty_weeks import simulate
from tests.flows.real_servers import dovecot_missing

pytestmark = pytest.mark.skipif(bool(dovecot_missing()), reason=dovecot_missing())


@pytest.mark.slow
def test_three_weeks_with_faults_each_letter_once_and_the_releases_equal() -> None:
    told = simulate(3, seed=4, faults=("killed", "mail hangs up", "disk full"))
    assert sum(told.faults.values()) == 3
    assert (told.doubled, told.missing, told.releases_equal) == (0, 0, 3), told.log
