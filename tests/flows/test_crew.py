"""Errands: what a worker does for the leader of a run, and what it is told when it cannot."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import psutil
import pytest

from fixtures import lay_out
from flows.crew import leading
from flows.crew.at_sites import Errand, Hand, OtherVersion, version
from flows.crew.leading import CrewOutOfReach, crew_of
from flows.crew.serving import _own_folder
from flows.network_folder import load_network
from flows.weekly import WeeklyRun, run_in_order
from flows.workplace import workplace
from shared.operating import CrewSettings
from tests.flows.conftest import AS_OF, published
from tests.flows.real_servers import (
    Authority,
    Database,
    free_port,
    postgres_missing,
)
from warehouse import record

needs_postgres = pytest.mark.skipif(bool(postgres_missing()), reason=postgres_missing())

SITES = ("hobnail-brook", "jackstraw-creek")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The network not run yet (*bay*), and run on its own file (*calm*)."""
    home = tmp_path_factory.mktemp("crew")
    lay_out(home / "bay", only_sites=SITES, history=False)
    shutil.copytree(home / "bay", home / "calm")
    run_in_order(home / "calm", load_network(home / "calm"), AS_OF)
    return home


@pytest.fixture
def bay(home: Path, tmp_path: Path, postgres: Database, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The network on a lake, its sheets received."""
    bay = Path(shutil.copytree(home / "bay", tmp_path / "bay"))
    monkeypatch.setenv("TALLYWEIR_LAKE_PASSWORD", postgres.PASSWORD)
    with (bay / "network.toml").open("a", encoding="utf-8") as handle:
        handle.write(f'\n[warehouse]\nlake = "{postgres.make()}"\n')
    network = load_network(bay)
    with workplace(bay, network) as place:
        run = WeeklyRun(bay, network, place.warehouse, AS_OF)
        for site in SITES:
            run.receive(site)
    return bay


@pytest.fixture
def hands(bay: Path, tmp_path: Path) -> Iterator[list[Hand]]:
    """Two workers, each with a scratch folder of its own."""
    made = []
    for name in ("east", "west"):
        (tmp_path / name).mkdir()
        made.append(Hand(bay, tmp_path / name))
    yield made
    for hand in made:
        hand.close()


def errand(*sites: str, run_id: str = "run-1") -> Errand:
    return Errand(run_id, AS_OF, sites, version())


def end_the_run(bay: Path) -> dict[str, bytes]:
    """What the leader does after the errands; the release."""
    network = load_network(bay)
    with workplace(bay, network) as place:
        run = WeeklyRun(bay, network, place.warehouse, AS_OF)
        record.catch_up(place.warehouse)
        run.publish()
        for site in SITES:
            run.return_to(site)
        run.finish()
    return published(bay)


@needs_postgres
def test_errands_of_two_workers_end_in_the_release_of_one_machine_and_twice_is_once(
    bay: Path, home: Path, hands: list[Hand]
) -> None:
    east, west = hands
    (read,) = east.read(errand(SITES[0]))
    assert read.read > 0 and read.failed is None and read.seconds
    (read,) = west.read(errand(SITES[1]))
    assert read.read > 0
    (again,) = west.read(errand(SITES[0]))
    assert again.read == 0
    # Each judges a site that the other has read.
    (judged,) = east.judge(errand(SITES[1]))
    assert judged.redone and not judged.troubles
    (judged,) = west.judge(errand(SITES[0]))
    assert judged.redone
    lines = (bay / "warehouse" / "record.jsonl").read_bytes()
    (again,) = east.judge(errand(SITES[0], run_id="run-2"))
    assert not again.redone
    assert (bay / "warehouse" / "record.jsonl").read_bytes() == lines
    assert end_the_run(bay) == published(home / "calm")


@needs_postgres
def test_a_site_that_fails_fails_alone_and_the_others_are_handed_in(
    bay: Path, hands: list[Hand], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = WeeklyRun.take_in

    def failing(self: WeeklyRun, site_id: str) -> int:
        if site_id == SITES[0]:
            raise RuntimeError("a planted fault")
        return whole(self, site_id)

    monkeypatch.setattr(WeeklyRun, "take_in", failing)
    failed, read = hands[0].read(errand(*SITES))
    assert failed.failed is not None and "a planted fault" in failed.failed.what
    assert read.failed is None and read.read > 0
    with workplace(bay, load_network(bay)) as place:
        sites = place.warehouse.connection.execute("SELECT DISTINCT site FROM readings").fetchall()
    assert sites == [(SITES[1],)]


@needs_postgres
def test_a_worker_whose_copy_is_damaged_makes_it_again(
    bay: Path, tmp_path: Path, hands: list[Hand]
) -> None:
    (tmp_path / "east" / "tallyweir.duckdb").write_bytes(b"no database" * 1000)
    (read,) = hands[0].read(errand(SITES[0]))
    assert read.read > 0


@needs_postgres
def test_a_worker_that_lost_the_catalogue_goes_on_when_it_is_back(
    bay: Path, hands: list[Hand], postgres: Database
) -> None:
    from warehouse.lake import LakeOutOfReach

    hands[0].read(errand(SITES[0]))
    postgres.stop()
    try:
        with pytest.raises(LakeOutOfReach):
            hands[0].read(errand(SITES[1]))
    finally:
        postgres.start()
    (read,) = hands[0].read(errand(SITES[1]))
    assert read.read > 0


def test_a_worker_of_another_version_is_told_so(tmp_path: Path) -> None:
    other = replace(errand(SITES[0]), version="of another day")
    with pytest.raises(OtherVersion, match="same version"):
        Hand(tmp_path, tmp_path).read(other)


def test_where_no_scheduler_is_the_leader_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(leading, "_REACHED_SECONDS", 1)
    settings = CrewSettings(scheduler=f"tcp://127.0.0.1:{free_port()}")
    with pytest.raises(CrewOutOfReach, match="--scheduler"), crew_of(settings, "run", AS_OF):
        pass


def test_without_workers_in_the_settings_there_is_no_crew() -> None:
    with crew_of(CrewSettings(), "run", dt.date(2026, 4, 19)) as crew:
        assert crew is None


@pytest.fixture
def behind_tls(tmp_path: Path) -> Iterator[CrewSettings]:
    """A scheduler as the command starts it, with certificates of an authority of its own."""
    (tmp_path / "authority").mkdir()
    authority = Authority(tmp_path / "authority")
    settings = CrewSettings(
        f"tls://127.0.0.2:{free_port()}", ca_file=str(authority.ca_file),
        cert_file=str(authority.cert_file), key_file=str(authority.key_file))
    bay = tmp_path / "bay"
    lay_out(bay, only_sites=SITES, history=False)
    with (bay / "network.toml").open("a", encoding="utf-8") as handle:
        handle.write(f"""
[warehouse]
lake = "host=127.0.0.1 dbname=nowhere"
[workers]
scheduler = "{settings.scheduler}"
ca_file = "{settings.ca_file}"
cert_file = "{settings.cert_file}"
key_file = "{settings.key_file}"
""")
    process = subprocess.Popen(
        [sys.executable, "-m", "flows.cli", "work", str(bay), "--scheduler"],
        cwd=Path(__file__).parents[2], text=True, stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONUNBUFFERED": "1"})
    try:
        assert process.stdout is not None
        assert "private network" in process.stdout.readline()
        yield settings
    finally:
        process.kill()
        process.communicate()


def test_who_has_no_certificate_is_not_let_in(
    behind_tls: CrewSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(leading, "_REACHED_SECONDS", 3)
    # With one the leader comes in, and hears that nobody is there to do the work.
    with pytest.raises(CrewOutOfReach, match="No worker"), crew_of(behind_tls, "run", AS_OF):
        pass
    bare = CrewSettings(behind_tls.scheduler.replace("tls:", "tcp:"))
    with pytest.raises(CrewOutOfReach, match="cannot be reached"), crew_of(bare, "run", AS_OF):
        pass
    port = int(behind_tls.scheduler.rpartition(":")[2])
    listening = {(entry.laddr.ip, entry.laddr.port) for entry in psutil.net_connections("tcp")
                 if entry.status == psutil.CONN_LISTEN and entry.pid is not None
                 and entry.pid in _schedulers()}
    assert ("127.0.0.2", port) in listening
    assert {ip for ip, _ in listening} == {"127.0.0.1", "127.0.0.2"}


def _schedulers() -> set[int]:
    return {child.pid for child in psutil.Process().children(recursive=True)}


def test_a_workers_folder_is_its_owners_alone(tmp_path: Path) -> None:
    with _own_folder(tmp_path / "scratch") as folder:
        assert folder.stat().st_mode & 0o077 == 0
    with _own_folder(None) as folder:
        assert folder.stat().st_mode & 0o077 == 0
    assert (tmp_path / "scratch").is_dir() and not folder.exists()
