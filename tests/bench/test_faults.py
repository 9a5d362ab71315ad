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


def test_faults_of_every_kind_and_kills_at_steps_lose_and_double_nothing() -> None:
    # Both at once: the undisturbed twin they are held against costs as much as some schedules.
    _play("simulate(8, seed=2026, faults=[kinds[start::8] for start in range(8)], every_step=8)",
          "set(told.faults) == set(kinds) and told.endings['killed'] >= 12")
