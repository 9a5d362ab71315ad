"""Simulated leads at the demo's sites: what is answered truly is true, and nothing else changes."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.closing_the_loop import play, table


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "every_week"), [(20260301, True), (7, False)])
def test_what_leads_answer_truly_is_true_and_nothing_else_changes(
    seed: int, every_week: bool, tmp_path: Path
) -> None:
    season = play(tmp_path, seed, 4, ("alder-creek", "hobnail-brook"), every_week=every_week)
    told = table([season])
    answers = season.by_lead["workbook"].answered + season.by_lead["resend"].answered
    assert answers >= 3, told
    for result in season.by_lead.values():
        assert result.others_changed == [], told
        refused = season.outcomes["refused"] + season.outcomes["conflict"]
        assert len(result.untrue) <= refused, told
    assert season.rebuilt_equal == season.rebuilt == 6 * every_week, told
