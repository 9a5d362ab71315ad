"""Some of the schedules that `python -m bench.faults` draws by the thousand.

In a process of its own: the bench forks, and a fork of the tests' process, whose libraries have
threads by then, may wait for ever.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = [pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a fork"),
              pytest.mark.slow]

ROOT = Path(__file__).parents[2]


def _play(simulate: str, held: str) -> None:
    done = subprocess.run([sys.executable, "-c", f"""
import sys
from bench.faults import FAULTS, lines_of, simulate
kinds = list(FAULTS)
told = {simulate}
print(*told.unexplained, *told.wrong, *lines_of(told), sep="\\n")
sys.exit(not (told.well and {held}))
"""], cwd=ROOT, text=True, capture_output=True, timeout=900)
    assert done.returncode == 0, done.stdout + done.stderr


def test_faults_of_every_kind_lose_nothing_and_double_nothing() -> None:
    _play("simulate(8, seed=2026, faults=[kinds[start::8] for start in range(8)])",
          "set(told.faults) == set(kinds)")


def test_killed_at_steps_of_a_week_it_ends_as_if_nothing_had_been() -> None:
    _play("simulate(0, seed=1, every_step=8)", "told.endings['killed'] >= 8")
