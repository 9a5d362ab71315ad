"""Disks that refuse, clocks that go back, sheets that come half: told, and nothing lost."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from fixtures import lay_out
from flows.answers import pending
from flows.cli import main
from flows.network_folder import load_network
from flows.weekly import run_in_order
from shared.decisions import Action, Answer
from shared.problems import Problem
from tests.flows.conftest import AS_OF, published
from warehouse.standing import read_standing
from warehouse.store import Warehouse

SITES = ("hobnail-brook", "jackstraw-creek")
WEEK = dt.timedelta(weeks=1)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small network with a week's sheets that are not run yet (*bay*), and run (*calm*)."""
    home = tmp_path_factory.mktemp("faults")
    lay_out(home / "bay", weeks=10, only_sites=SITES, history=False)
    _run(home / "bay", AS_OF - WEEK)
    lay_out(home / "bay", weeks=11, only_sites=SITES, history=False)
    shutil.copytree(home / "bay", home / "calm")
    _run(home / "calm")
    return home


@pytest.fixture
def calm(home: Path) -> Path:
    """The network undisturbed."""
    return home / "calm"


@pytest.fixture
def bay(home: Path, tmp_path: Path) -> Path:
    """The network with the week's sheets, not run yet."""
    return Path(shutil.copytree(home / "bay", tmp_path / "bay"))


def _run(bay: Path, as_of: dt.date = AS_OF) -> None:
    run_in_order(bay, load_network(bay), as_of)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 60 MB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    if not hasattr(os, "fork") or subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=60m", "tmpfs", str(place)],
            capture_output=True, check=False).returncode:
        pytest.skip("no disk may be mounted here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=False)


def _again(place: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(place)], check=True)


def _told(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """The one line that a command which could not do it leaves on stderr."""
    capsys.readouterr()
    assert main(arguments) == 2
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1 and "our side" not in said, said
    return said


@pytest.mark.parametrize("leave", [0, 1_500_000])
def test_on_a_full_disk_the_run_stops_with_a_sentence_and_goes_on_when_there_is_room(
    bay: Path, calm: Path, small_disk: Path, leave: int, capsys: pytest.CaptureFixture[str]
) -> None:
    there = Path(shutil.copytree(bay, small_disk / "bay"))
    filler = small_disk / "filler"
    before = published(there)
    filler.write_bytes(b"\0" * (shutil.disk_usage(small_disk).free - leave))
    said = _told(["decide", str(there), "--rule", "effort-missing", "--confirm", "--reason",
                  "seen on paper", "--as-of", AS_OF.isoformat()], capsys) if not leave else ""
    with pytest.raises((Problem, OSError)) as stopped:
        _run(there)
    words = f"{said} {stopped.value}".lower()
    assert "space" in words or "full" in words, words
    assert published(there) == before
    filler.unlink()
    _run(there)
    assert published(there) == published(calm)


def test_on_a_read_only_disk_nothing_is_changed_and_a_sentence_says_so(
    bay: Path, small_disk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    there = Path(shutil.copytree(bay, small_disk / "bay"))
    before = {path: path.read_bytes() for path in there.rglob("*") if path.is_file()}
    _again(small_disk, "ro")
    for command in ("run", "release", "rebuild", "collect", "backup"):
        said = _told([command, str(there)], capsys)
        assert "read-only" in said.lower(), said
    assert main(["status", str(there)]) == 1
    _again(small_disk, "rw")
    assert before == {path: path.read_bytes() for path in there.rglob("*") if path.is_file()}
    _run(there)


@pytest.mark.parametrize("days", [-40, 400])
def test_a_run_with_the_clock_back_and_one_set_right_end_as_one(
    bay: Path, calm: Path, days: int
) -> None:
    _run(bay, AS_OF + dt.timedelta(days=days))
    _run(bay)
    assert _rows(bay) == _rows(calm)


def test_an_answer_that_comes_while_the_clock_is_back_is_taken(bay: Path) -> None:
    with Warehouse.open(bay) as warehouse:
        site, finding, day_of_it = warehouse.connection.execute(
            "SELECT f.site, f.id, f.local_date FROM findings AS f JOIN asked AS a "
            "ON a.finding = f.id WHERE f.rule = 'copied-down'").fetchall()[0]
    back = dt.date.fromisoformat(day_of_it) - WEEK
    pending.put(bay, Answer(site, finding, Action.CONFIRM, None, "seen on paper", "Robin"))
    for day in (back, AS_OF):
        _run(bay, day)
        with Warehouse.open(bay) as warehouse:
            raised = warehouse.connection.execute(
                "SELECT settled FROM findings WHERE id = ?", [finding]).fetchall()
            came = warehouse.connection.execute("SELECT outcome FROM answers").fetchall()
        assert came == [("applied",)]
        assert raised == ([] if day == back else [("confirmed",)])


@pytest.mark.parametrize(("sheet", "share"), [
    ("hobnail-brook/hobnail_2026.csv", 0.0), ("hobnail-brook/hobnail_2026.csv", 0.5),
    ("jackstraw-creek/Jackstraw fyke 2026.xlsx", 0.9)])
def test_half_a_sheet_costs_no_row_and_the_whole_one_takes_its_place(
    bay: Path, calm: Path, sheet: str, share: float
) -> None:
    had = _rows(bay)
    place = bay / "inbox" / sheet
    whole = place.read_bytes()
    place.write_bytes(whole[:int(len(whole) * share)])
    _run(bay)
    assert {row[0] for row in had} <= {row[0] for row in _rows(bay)}
    standing = read_standing(bay)
    assert standing is not None
    site = next(entry for entry in standing.sites if sheet.startswith(entry.site))
    assert site.troubles if sheet.endswith("xlsx") or not share else site.asked
    place.write_bytes(whole)
    _run(bay)
    assert _rows(bay) == _rows(calm)
    standing = read_standing(bay)
    assert standing is not None and not any(entry.troubles for entry in standing.sites)


def _rows(bay: Path) -> list[tuple[object, ...]]:
    with Warehouse.open(bay) as warehouse:
        return warehouse.connection.execute(
            "SELECT e.event_id, taxon_id, life_stage, count, water_temperature_c, e.qc_event "
            "FROM clean_events AS e LEFT JOIN clean_counts AS c USING (site_id, event_id) "
            "ORDER BY ALL").fetchall()
