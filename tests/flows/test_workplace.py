"""Runs on a lake end as on the network's own file, whatever becomes of copy and connection."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from fixtures import lay_out
from flows.answers.deciding import Wish, decide
from flows.network_folder import load_network
from flows.rebuilding import rebuild
from flows.weekly import WeeklyRun, run_in_order
from flows.workplace import lake_of, workplace
from shared.decisions import Action
from shared.problems import NetworkBusy
from tests.flows.conftest import AS_OF, published
from tests.flows.real_servers import Database, postgres_missing
from warehouse.folder import database_path
from warehouse.lake import LEAD, LakeOutOfReach

pytestmark = pytest.mark.skipif(bool(postgres_missing()), reason=postgres_missing())

SITES = ("hobnail-brook", "jackstraw-creek")
WEEK = dt.timedelta(weeks=1)


@pytest.fixture(scope="module")
def weeks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The network in its tenth and its eleventh week, and (*calm*) as it is released by then."""
    home = tmp_path_factory.mktemp("weeks")
    for week in (10, 11):
        lay_out(home / f"week-{week}", weeks=week, only_sites=SITES, history=False)
    shutil.copytree(home / "week-10", home / "calm")
    _run(home / "calm", AS_OF - WEEK)
    _confirm(home / "calm")
    _next_week(home, home / "calm")
    _run(home / "calm", AS_OF)
    return home


def _run(bay: Path, as_of: dt.date) -> None:
    run_in_order(bay, load_network(bay), as_of)


def _confirm(bay: Path) -> None:
    wish = Wish(Action.CONFIRM, "seen on paper", "coordinator", site=SITES[0])
    assert decide(bay, load_network(bay), wish, AS_OF - WEEK).recorded


def _next_week(home: Path, bay: Path) -> None:
    shutil.copytree(home / "week-11" / "inbox", bay / "inbox", dirs_exist_ok=True)


@pytest.fixture
def bay(weeks: Path, tmp_path: Path, postgres: Database, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The network in its tenth week, with a lake."""
    bay = Path(shutil.copytree(weeks / "week-10", tmp_path / "bay"))
    monkeypatch.setenv("TALLYWEIR_LAKE_PASSWORD", postgres.PASSWORD)
    with (bay / "network.toml").open("a", encoding="utf-8") as handle:
        handle.write(f'\n[warehouse]\nlake = "{postgres.make()}"\n')
    return bay


def _throw_away(bay: Path) -> None:
    for place in database_path(bay).parent.glob("tallyweir.duckdb*"):
        place.unlink()


def test_a_season_is_the_same_on_the_lake_though_the_copy_is_thrown_away_in_between(
    bay: Path, weeks: Path
) -> None:
    _run(bay, AS_OF - WEEK)
    _throw_away(bay)
    _confirm(bay)
    _throw_away(bay)
    _next_week(weeks, bay)
    _run(bay, AS_OF)
    assert published(bay) == published(weeks / "calm")
    assert (bay / "warehouse" / "record.jsonl").read_bytes() == (
        weeks / "calm" / "warehouse" / "record.jsonl").read_bytes()
    assert list((bay / "lake").rglob("*.parquet"))
    assert (bay / "lake").stat().st_mode & 0o077 == 0


def test_a_network_with_a_history_of_its_own_moves_into_a_lake_by_its_next_run(
    bay: Path, weeks: Path, tmp_path: Path
) -> None:
    settings = (bay / "network.toml").read_text(encoding="utf-8")
    (bay / "network.toml").write_text(settings.partition("[warehouse]")[0], encoding="utf-8")
    _run(bay, AS_OF - WEEK)
    _confirm(bay)
    (bay / "network.toml").write_text(settings, encoding="utf-8")
    _next_week(weeks, bay)
    _run(bay, AS_OF)
    _throw_away(bay)
    with workplace(bay, load_network(bay)) as place:
        (runs,) = place.warehouse.connection.execute("SELECT count(*) FROM runs").fetchone() or ()
        assert runs == 2
    assert published(bay) == published(weeks / "calm")


def test_when_the_connection_is_lost_half_way_it_is_told_and_the_next_run_ends_the_same(
    bay: Path, weeks: Path, postgres: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    _run(bay, AS_OF - WEEK)
    _confirm(bay)
    _next_week(weeks, bay)
    for stage in ("receive", "judge_and_load", "publish", "finish"):
        whole = getattr(WeeklyRun, stage)

        def lost(self: WeeklyRun, *site: str, whole: Callable[..., object] = whole) -> object:
            postgres.stop()
            return whole(self, *site)

        with monkeypatch.context() as patched:
            patched.setattr(WeeklyRun, stage, lost)
            with pytest.raises(LakeOutOfReach, match="run it again"):
                _run(bay, AS_OF)
        postgres.start()
    _run(bay, AS_OF)
    assert published(bay) == published(weeks / "calm")


def test_a_rebuild_is_held_against_the_lake_and_may_take_the_copys_place(
    bay: Path, weeks: Path
) -> None:
    _run(bay, AS_OF - WEEK)
    _confirm(bay)
    _throw_away(bay)
    made = rebuild(bay, load_network(bay), swap=True)
    assert made.equal and made.swapped and made.had_live
    _next_week(weeks, bay)
    _run(bay, AS_OF)
    assert published(bay) == published(weeks / "calm")


def test_while_one_machine_leads_another_is_told_to_wait(bay: Path) -> None:
    network = load_network(bay)
    other = lake_of(bay, network)
    assert other is not None
    with other, other.turn(LEAD), pytest.raises(NetworkBusy, match="Another machine"):
        _run(bay, AS_OF - WEEK)
