"""Whose rows they are that two sites have alike."""

from __future__ import annotations

from typing import Any

import pytest

from tests.checks.evidence import lay_out_site_days
from tests.checks.made_up_sheets import MadeUpSheet, connected


def _shared(
    apart: float, days: int = 4, least: int = 12, within: int = 30, **theirs: float
) -> dict[str, list[bool | None]]:
    """What is said of days on which ``copier`` has the rows of ``owner``, by site.

    The copier's water is ``apart`` degC from the owner's on days up to ``within`` from the rows,
    on others as far the other way; ``theirs`` it reads besides.
    """
    sheets = {name: MadeUpSheet() for name in ("owner", "copier", *"abcde")}
    for number, (name, sheet) in enumerate(sheets.items()):
        for day in range(30):
            copied = name == "copier" and least <= day < least + days
            of = 0 if copied else number
            away = max(least - day, day - least - days + 1)
            warm = (0.0, apart if away <= within else -apart, 0.9, -0.7, 0.5, -0.4, 0.2)[of]
            # Weather that all have, and what each differs by from day to day.
            water = 7.0 + day * 0.1 + day * 7 % 5 * 0.3 + warm + (day * 11 + of * 5) % 7 * 0.1
            air = day * 3 % 8 + 0.4 + (day * 5 + of * 3) % 11 * 0.1
            besides: dict[str, Any] = dict(theirs) if name == "copier" and not copied else {}
            sheet.row(
                day, water_temperature=round(water, 1), air_temperature=round(air, 1),
                catches=[{"count": 20.0 + (day * 7 + of) % 23}], **besides)
    con, _ = connected(list(sheets.values()))
    said: dict[str, list[bool | None]] = {}
    with con:
        lay_out_site_days(con, "judged_events", "judged_catches")
        for name in ("owner", "copier"):
            said[name] = [mine for (mine,) in con.execute(
                "SELECT mine FROM site_twins WHERE site = ? ORDER BY local_date",
                [sheets[name].site]).fetchall()]
    return said


def test_rows_are_of_the_site_whose_days_before_and_after_they_fit() -> None:
    assert _shared(3.0) == {"owner": [True] * 4, "copier": [False] * 4}


def test_of_sites_that_hardly_differ_the_rows_do_not_tell() -> None:
    assert _shared(0.0) == {"owner": [None] * 4, "copier": [None] * 4}


@pytest.mark.parametrize(("apart", "told"), [(0.4, None), (1.5, None), (2.0, True)])
def test_a_little_better_a_fit_is_no_verdict(apart: float, told: bool | None) -> None:
    said = _shared(apart)
    assert said["owner"] == [told] * 4
    assert said["copier"] == [None if told is None else not told] * 4


def test_the_days_next_to_the_rows_tell_whose_they_are() -> None:
    assert _shared(3.0, within=5) == {"owner": [True] * 4, "copier": [False] * 4}


def test_a_column_left_blank_tells_the_copy() -> None:
    assert _shared(0.0, ph=7.1) == {"owner": [True] * 4, "copier": [False] * 4}


@pytest.mark.parametrize("least", [0, 26])
def test_at_an_end_of_the_season_one_side_is_enough(least: int) -> None:
    assert _shared(3.0, least=least) == {"owner": [True] * 4, "copier": [False] * 4}
