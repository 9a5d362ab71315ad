"""What the coordinator's terminal shows, at 80 columns and without colour."""

from __future__ import annotations

import datetime as dt
import io
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from flows.presenting import run_summary, status_table, weeks_overdue

SEASON = (dt.date(2026, 2, 1), dt.date(2026, 6, 15))


def day(text: str) -> dt.date:
    return dt.date.fromisoformat(f"2026-{text}")


@pytest.mark.parametrize(("last", "as_of", "weeks"), [
    ("05-17", "05-18", 0),
    ("05-11", "05-18", 0),   # due today
    ("05-10", "05-18", 1),   # last Sunday's, and none since
    ("04-26", "05-18", 3),
    (None, "01-20", 0),      # the season is not open
    (None, "02-08", 0),
    (None, "02-09", 1),
    ("06-15", "11-25", 0),   # the whole season is in
    ("06-10", "11-25", 1),   # the last sheet never came, and the lateness stops there
    ("05-20", "05-18", 0),
])
def test_weeks_overdue(last: str | None, as_of: str, weeks: int) -> None:
    assert weeks_overdue(day(last) if last else None, day(as_of), SEASON) == weeks


def test_last_seasons_sheet_does_not_count_for_this_one() -> None:
    assert weeks_overdue(dt.date(2025, 6, 20), day("02-16"), SEASON) == 2


@pytest.fixture
def standing() -> dict[str, Any]:
    return {
        "as_of": "2026-05-18", "release": "2026.20", "outcome": "fit to publish",
        "sites": {
            "sedge-creek": {"last_received": "2026-05-17", "rows": 1118, "clean": 1101,
                            "held": 3, "queried": 8, "masked": 6, "skipped": 1, "asked": 5,
                            "troubles": []},
            "long-marsh-outlet": {"last_received": None, "rows": 0, "clean": 0, "held": 0,
                                  "asked": 0,
                                  "troubles": ["scan.pdf: It is a PDF, not a [red]sheet[/red]."]},
        },
    }


def shown(renderable: Any, width: int = 80) -> str:
    console = Console(file=io.StringIO(), width=width, no_color=True)
    console.print(renderable)
    assert isinstance(console.file, io.StringIO)
    text = console.file.getvalue()
    assert "\x1b" not in text
    assert all(len(line) <= width for line in text.splitlines())
    return text


def test_the_table_has_a_line_a_site_totals_and_troubles_in_words(
    standing: dict[str, Any],
) -> None:
    text = shown(status_table(standing, SEASON))
    assert "Standing on 18 May 2026, release 2026.20, fit to publish" in text
    lines = [line.split() for line in text.splitlines()]
    assert ["sedge-creek", "2026-05-17", "1,118", "1,101", "3", "5", "-"] in lines
    assert ["long-marsh-outlet", "never", "0", "0", "0", "0", "15", "weeks"] in lines
    assert ["2", "sites", "1", "sent", "1,118", "1,101", "3", "5", "1", "late"] in lines
    assert "To chase: long-marsh-outlet (15 weeks)." in text
    # Square brackets of a file's name are text, not the terminal's markup.
    assert "scan.pdf: It is a PDF, not a [red]sheet[/red]." in text


def test_long_and_hostile_names_keep_to_the_width(standing: dict[str, Any]) -> None:
    standing["sites"]["the-very-long-name-of-an-outlet-behind-the-marsh"] = {
        "last_received": "2026-05-17", "rows": 1_234_567, "asked": 12_345,
        "troubles": ["\x1b[31mred"]}
    shown(status_table(standing, SEASON))


def test_without_a_season_nobody_is_late(standing: dict[str, Any]) -> None:
    assert "0 late" in shown(status_table(standing))
    standing["season"] = ["2026-02-01", "2026-06-15"]
    assert "1 late" in shown(status_table(standing))


def test_an_empty_network_is_no_error() -> None:
    text = shown(status_table({"as_of": "2026-05-18", "release": None, "outcome": "", "sites": {}}))
    assert "no release yet" in text and "No site is late" in text


def test_the_end_of_a_run_says_what_loaded_what_is_held_and_what_comes_next(
    standing: dict[str, Any],
) -> None:
    text = shown(run_summary(standing, Path("lantern bay"), release=Path("lantern bay/releases/x"),
                             outbox=Path("lantern bay/outbox"), returned=1))
    for part in ("1,115 rows from 2 sites (8 to confirm, 6 with an odd value left out)",
                 "3 rows wait for an answer", "outbox", "(1 site, 5 questions)", "scan.pdf",
                 'tallyweir status "lantern bay"'):
        assert part in text


def test_a_clean_run_asks_for_no_decision(standing: dict[str, Any]) -> None:
    for entry in standing["sites"].values():
        entry |= {"held": 0, "asked": 0, "troubles": []}
    text = shown(run_summary(standing, Path("net"), release=None, outbox=None))
    assert "none made by this run" in text and "nothing new to tell any site" in text
