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
from flows.cli import main
from flows.keeping.backup import Backup, BackupFailed, back_up, prune, restore
from flows.network_folder import load_network
from flows.scheduling.chores import perform
from flows.weekly import run_in_order
from tests.flows.conftest import AS_OF, published
from tests.warehouse.by_hand import NETWORK_TOML, days, send
from warehouse.store import Warehouse, WarehouseDamaged

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


@pytest.mark.parametrize("name", [
    "C:\\\\Windows\\\\x.txt", "..\\\\outside.txt", "a\\\\..\\\\..\\\\x", "/etc/x", "a/../../x",
    "C:x"])
def test_a_name_leads_out_of_no_folder_on_any_system(tmp_path: Path, name: str) -> None:
    import io

    with tarfile.open(tmp_path / "evil.tar.gz", "w:gz") as archive:
        entry = tarfile.TarInfo(name)
        entry.size = 1
        archive.addfile(entry, io.BytesIO(b"x"))
    with pytest.raises(BackupFailed, match="no backup of ours"):
        restore(tmp_path / "evil.tar.gz", tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such modes")
def test_a_backup_and_what_is_put_back_are_their_owners_alone(
    small: Path, tmp_path: Path
) -> None:
    """It holds every sheet, and the key with which private links are made."""
    made = back_up(small, tmp_path / "b", "bay", NOW)
    restore(made.path, tmp_path / "new")
    assert made.path.stat().st_mode & 0o777 == 0o600
    assert (tmp_path / "b").stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "new").stat().st_mode & 0o777 == 0o700


def test_the_newest_are_kept(small: Path, tmp_path: Path) -> None:
    for day in range(5):
        back_up(small, tmp_path / "b", "bay", NOW + dt.timedelta(days=day))
    removed = prune(tmp_path / "b", "bay", 2)
    assert len(removed) == 3
    assert sorted(path.name for path in (tmp_path / "b").iterdir()) == [
        "bay-20260423T023000Z.tar.gz", "bay-20260424T023000Z.tar.gz"]


# -- what a backup finds ---------------------------------------------------------------------


@pytest.fixture
def received(small: Path) -> Path:
    """A network that has received a sheet, and keeps one backup."""
    (small / "network.toml").write_text(NETWORK_TOML + "[schedule]\nkeep_backups = 1\n",
                                        encoding="utf-8", newline="\n")
    with Warehouse.open(small) as warehouse:
        for number in range(100):
            send(warehouse, "alder", f"alder/{number}.csv", days("2026-03-01", 3),
                 salt=str(number))
    return small


def test_a_received_file_that_was_altered_is_named_and_no_older_backup_goes(
    received: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for day in (1, 2):
        back_up(received, received / "backups", load_network(received).id,
                NOW + dt.timedelta(days=day))
    place = next(path for path in (received / "warehouse" / "received").rglob("*")
                 if path.is_file())
    place.write_bytes(place.read_bytes() + b"?")
    done = perform("backup", received, anew=True)
    assert done is not None and done.outcome == "failed" and place.name in done.told
    assert len(list((received / "backups").glob("*.gz"))) == 3
    assert main(["backup", str(received)]) == 2
    assert place.name in capsys.readouterr().err


def test_damage_that_no_run_has_met_is_found_by_the_backup(received: Path) -> None:
    place = received / "warehouse" / "tallyweir.duckdb"
    content = bytearray(place.read_bytes())
    for at in range(3 * 4096 + 20_000, len(content), 1 << 18):
        content[at] ^= 0xFF
    place.write_bytes(content)
    with pytest.raises(WarehouseDamaged, match="cannot be used"):
        back_up(received, received / "backups", "bay", NOW)
    assert list((received / "backups").iterdir()) == []
