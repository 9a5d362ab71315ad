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


def test_what_lots_came_to_is_added_up_and_one_that_is_kept_is_not_played(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from collections import Counter

    from bench import faults
    from bench.faults import Told, page, shared_out

    lots = [Told(schedules=25, faults=Counter({"killed": 20, "disk full": 9}), lost=lost,
                 played_by=Counter({player: 25})) for lost, player in ((0, "one"), (2, "another"))]
    for first, told in zip((1, 26), lots, strict=True):
        (tmp_path / f"7-{first:05}-{first + 24:05}.json").write_text(told.kept(), "utf-8")

    def played(*_: object, **__: object) -> None:
        raise AssertionError("a lot that is there was played")

    monkeypatch.setattr(faults.subprocess, "run", played)
    whole = shared_out(50, 7, tmp_path, 2, lambda text: None)
    assert (whole.schedules, whole.lost, whole.faults) == (50, 2, {"killed": 40, "disk full": 18})
    assert not whole.well
    text = page(whole, 7)
    assert "# 50 schedules of faults" in text and "- 25 played by another" in text


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
    _play("simulate(6, seed=2026, faults=[kinds[start::6] for start in range(6)], every_step=5)",
          "set(told.faults) == set(kinds) and told.endings['killed'] >= 8")
