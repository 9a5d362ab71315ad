"""A site of Lantern Bay that has been run once, and a lead who fills in its workbook."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from fixtures import lay_out
from flows.network_folder import load_network
from flows.weekly import WeeklyRun, receive_and_read
from shared.settings import Network
from warehouse.store import Warehouse

SITE = "alder-creek"
AS_OF = dt.date(2026, 4, 5)


def run(bay: Path, as_of: dt.date = AS_OF) -> WeeklyRun:
    """A weekly run but for the release."""
    network = load_network(bay)
    with Warehouse.open(bay) as warehouse:
        done = WeeklyRun(bay, network, warehouse, as_of)
        receive_and_read(done)
        done.compare_sites()
        for site in network.sites:
            done.judge_and_load(site)
            done.return_to(site)
        done.finish()
    return done


@pytest.fixture(scope="session")
def _run_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bay = tmp_path_factory.mktemp("answers") / "bay"
    lay_out(bay, only_sites=(SITE,), weeks=9, history=False)
    run(bay)
    return bay


@pytest.fixture
def bay(_run_once: Path, tmp_path: Path) -> Path:
    """The network's folder after its first run."""
    return Path(shutil.copytree(_run_once, tmp_path / "bay"))


@pytest.fixture
def network(bay: Path) -> Network:
    """Its settings."""
    return load_network(bay)


Says = Callable[[str, str, str], tuple[str, str] | None]
"""(what the sheet says, what looks odd, our suggestion) -> answer and value, or None."""


def newest_book(bay: Path) -> Path:
    """The workbook that went to the site last."""
    return sorted((bay / "outbox" / SITE).glob("*/please-answer.xlsx"))[-1]


def fill_in(book: Path, says: Says, into: Path) -> int:
    """Answer the lines of ``book`` and save it as ``into``; how many lines were answered."""
    held = openpyxl.load_workbook(book)
    sheet = held["Please answer"]
    head = next(cell.row for cell in sheet["A"] if cell.value == "No.")
    assert head is not None
    answered = 0
    for row in range(head + 1, sheet.max_row + 1):
        told = says(*(str(sheet.cell(row, column).value or "") for column in (4, 5, 6)))
        if told is not None:
            answered += 1
            sheet.cell(row, 7).value = told[0] or None
            sheet.cell(row, 8).value = told[1] or sheet.cell(row, 8).value
            sheet.cell(row, 10).value = "Robin"
    into.parent.mkdir(parents=True, exist_ok=True)
    held.save(into)
    return answered


def suggested(says: str, odd: str, suggestion: str) -> tuple[str, str] | None:
    """Takes every suggestion that there is."""
    return ("use the suggestion", "") if not suggestion.startswith("Please") else None


def outcomes(bay: Path) -> list[tuple[str, str, str]]:
    """(outcome, what was said, why) of every line looked at."""
    with Warehouse.open(bay) as warehouse:
        return [(str(a), str(b), str(c)) for a, b, c in warehouse.connection.execute(
            "SELECT outcome, says, why FROM answers ORDER BY seq").fetchall()]


def clean_value(bay: Path, column: str, date: str) -> object:
    """A value of the site's clean event of a day."""
    with Warehouse.open(bay) as warehouse:
        row = warehouse.connection.execute(
            f"SELECT {column} FROM clean_events WHERE local_date = ?", [date]).fetchone()
    return None if row is None else row[0]
