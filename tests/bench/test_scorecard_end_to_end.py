"""The scorecard over small networks, through the run's own stages."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.scorecard import FIRST_SEED, RESENT, SEEDED, Task, lay_history, perform

WEEKS = 8


@pytest.mark.slow
def test_slips_are_found_where_the_truth_has_them(tmp_path: Path) -> None:
    history = lay_history(str(tmp_path), FIRST_SEED, WEEKS)
    asked = {"count-negative": 2, "fahrenheit-in-celsius": 2, "count-digit-mistyped": 2}
    _, seeded = perform(Task(SEEDED, FIRST_SEED, WEEKS, history, asked))
    assert {kind: tally.found for kind, tally in seeded.kinds.items()} == asked | {
        "count-digit-mistyped": 0}
    assert seeded.rows > 300 and seeded.wrong_holds == 0

    _, resent = perform(Task(RESENT, FIRST_SEED, WEEKS, history,
                             {"rows-vanished": 1, "other-sites-sheet": 1}))
    gone = resent.kinds["rows-vanished"]
    assert gone.found == 1 and gone.cells_found == gone.cells > 1
    assert resent.kinds["other-sites-sheet"].found == 1
