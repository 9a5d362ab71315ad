"""Protected animals in a catch: the coordinator hears of them the day the row comes, once."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from flows.network_folder import load_network
from flows.weekly import run_in_order
from warehouse.standing import read_standing

FIRST, SECOND = dt.date(2026, 4, 12), dt.date(2026, 4, 19)

SETTINGS = """
[network]
id = "two-brooks"
name = "Two brooks"
season_start = "02-01"
season_end = "06-30"
[sites.reed-brook]
name = "Reed Brook"
zone = "Etc/UTC"
latitude = 44.8
longitude = -67.1
"""

HEAD = "Date,Check time,Hours fished,Glass eels,Sturgeon\n"
QUIET = [f"2026-04-{day:02d},08:00,24,{3 + day},0\n" for day in range(1, 8)]


@pytest.fixture
def brook(tmp_path: Path) -> Path:
    (tmp_path / "network.toml").write_text(SETTINGS, encoding="utf-8")
    (tmp_path / "inbox" / "reed-brook").mkdir(parents=True)
    return tmp_path


def _sent(brook: Path, rows: list[str], as_of: dt.date) -> tuple[str, ...]:
    """The notices of a run over the sheet with these rows."""
    sheet = brook / "inbox" / "reed-brook" / "counts.csv"
    sheet.write_text(HEAD + "".join(rows), encoding="utf-8")
    run_in_order(brook, load_network(brook), as_of)
    standing = read_standing(brook)
    assert standing is not None
    return tuple(n for n in standing.notices if n.startswith("Protected bycatch"))


CAUGHT = "2026-04-08,08:00,24,9,2\n"
TOLD = (
    "Protected bycatch at Reed Brook: 2 Sturgeon (Acipenser), 0 of them dead, 8 Apr 2026. Your "
    "permit says what must be reported.",
)


def test_it_is_told_on_the_day_it_comes(brook: Path) -> None:
    assert _sent(brook, QUIET, FIRST) == ()
    assert _sent(brook, [*QUIET, CAUGHT], SECOND) == TOLD


def test_a_run_repeated_that_day_tells_it_again_and_the_next_weeks_not(brook: Path) -> None:
    rows = [*QUIET, CAUGHT]
    assert _sent(brook, rows, FIRST) == TOLD
    assert _sent(brook, rows, FIRST) == TOLD
    # The whole sheet comes again, a week longer.
    assert _sent(brook, [*rows, "2026-04-14,08:00,24,11,0\n"], SECOND) == ()


def test_the_lead_has_nothing_to_answer_for_it(brook: Path) -> None:
    _sent(brook, [*QUIET, CAUGHT], FIRST)
    standing = read_standing(brook)
    assert standing is not None
    assert [(site.held, site.masked) for site in standing.sites] == [(0, 0)]
    assert "protected-bycatch" not in standing.sites[0].by_rule
