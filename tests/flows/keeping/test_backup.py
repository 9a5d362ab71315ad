"""Backups: taken while a run is on, put back, and run again to the same release."""

from __future__ import annotations

import contextlib
import datetime as dt
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest

from fixtures import lay_out
from flows.keeping.backup import Backup, BackupFailed, back_up, prune, restore
from flows.network_folder import load_network
from flows.weekly import run_in_order
from tests.flows.conftest import AS_OF, published

ROOT = Path(__file__).parents[3]
NOW = dt.datetime(2026, 4, 20, 2, 30)
SITES = ("cinderpath-brook", "hobnail-brook", "kettlelid-brook")

_RUN = ("import sys, datetime as dt; from pathlib import Path; "
        "from flows.weekly import run_in_order; from flows.network_folder import load_network; "
        "bay = Path(sys.argv[1]); "
        "run_in_order(bay, load_network(bay), dt.date.fromisoformat(sys.argv[2]))")


@pytest.fixture(scope="module")
def laid_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bay = tmp_path_factory.mktemp("laid-out") / "bay"
    lay_out(bay, only_sites=SITES)
    return bay


def test_taken_while_a_run_is_on_restored_and_run_again_it_gives_the_same(
    laid_out: Path, tmp_path: Path
) -> None:
    import shutil

    bay = Path(shutil.copytree(laid_out, tmp_path / "bay"))
    process = subprocess.Popen([sys.executable, "-c", _RUN, str(bay), AS_OF.isoformat()],
                               cwd=ROOT)
    taken = []
    try:
        while process.poll() is None:
            taken.append(back_up(bay, tmp_path / "elsewhere" / str(len(taken)), "bay", NOW))
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(0.3)
    finally:
        process.wait(120)
    assert process.returncode == 0

    def has_database(made: Backup) -> bool:
        with tarfile.open(made.path) as archive:
            return "warehouse/tallyweir.duckdb" in archive.getnames()

    with_database = [made for made in taken if has_database(made)]
    assert with_database, "no backup fell into the run's own work"
    # The first that has a database, one from the midst, and the last.
    wanted = published(bay)
    for number, made in enumerate({id(one): one for one in (
            with_database[0], with_database[len(with_database) // 2], taken[-1])}.values()):
        again = tmp_path / f"again-{number}"
        assert restore(made.path, again) == made.files
        run_in_order(again, load_network(again), AS_OF)
        assert published(again) == wanted


@pytest.fixture
def small(tmp_path: Path) -> Path:
    bay = tmp_path / "bay"
    (bay / "inbox" / "alder").mkdir(parents=True)
    (bay / "network.toml").write_text("# a network\n", encoding="utf-8")
    (bay / "inbox" / "alder" / "counts.csv").write_bytes(b"Date,Eels\n")
    (bay / "warehouse" / "prefect").mkdir(parents=True)
    (bay / "warehouse" / "prefect" / "prefect.db").write_bytes(b"the scheduler's own")
    return bay


def test_it_holds_the_network_and_not_the_machine(small: Path) -> None:
    made = back_up(small, small / "backups", "bay", NOW)
    assert made.path.name == "bay-20260420T023000Z.tar.gz"
    second = back_up(small, small / "backups", "bay", NOW + dt.timedelta(days=1))
    assert made.files == second.files == 2


def test_it_is_never_put_over_something(small: Path, tmp_path: Path) -> None:
    made = back_up(small, tmp_path / "b", "bay", NOW)
    with pytest.raises(BackupFailed, match="not empty"):
        restore(made.path, small)
    assert restore(made.path, tmp_path / "new") == 2
    assert (tmp_path / "new" / "inbox" / "alder" / "counts.csv").read_bytes() == b"Date,Eels\n"


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_a_part_of_a_backup_leaves_nothing(small: Path, tmp_path: Path, share: float) -> None:
    made = back_up(small, tmp_path / "b", "bay", NOW)
    content = made.path.read_bytes()
    made.path.write_bytes(content[:int(len(content) * share)])
    with pytest.raises(BackupFailed):
        restore(made.path, tmp_path / "new")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["b", "bay"]


def test_a_backup_that_leads_out_of_its_folder_is_refused(tmp_path: Path) -> None:
    import io

    with tarfile.open(tmp_path / "evil.tar.gz", "w:gz") as archive:
        entry = tarfile.TarInfo("../outside.txt")
        entry.size = 1
        archive.addfile(entry, io.BytesIO(b"x"))
    with pytest.raises(BackupFailed, match="no backup of ours"):
        restore(tmp_path / "evil.tar.gz", tmp_path / "new")
    assert not (tmp_path / "outside.txt").exists()


def test_the_newest_are_kept(small: Path, tmp_path: Path) -> None:
    for day in range(5):
        back_up(small, tmp_path / "b", "bay", NOW + dt.timedelta(days=day))
    removed = prune(tmp_path / "b", "bay", 2)
    assert len(removed) == 3
    assert sorted(path.name for path in (tmp_path / "b").iterdir()) == [
        "bay-20260423T023000Z.tar.gz", "bay-20260424T023000Z.tar.gz"]
