"""The lake against a real PostgreSQL: what goes out comes back, whole or not at all."""

from __future__ import annotations

import shutil
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pytest
from moto.server import ThreadedMotoServer

from fixtures import lay_out
from flows.network_folder import load_network
from flows.weekly import run_in_order
from shared.problems import NetworkBusy
from tests.flows.conftest import AS_OF
from tests.flows.real_servers import Database, free_port, postgres_missing
from warehouse import record
from warehouse.lake import LEAD, RECORD, Lake, LakeMoved, LakeOutOfReach, Store
from warehouse.lake_layout import BOOKS
from warehouse.lake_session import LakeNotInstalled, extension_file
from warehouse.migrate import WarehouseNewer
from warehouse.slices import EVIDENCE, GROUPS, NOT_SHARED, RECORDED
from warehouse.store import Warehouse

SITES = ("hobnail-brook", "jackstraw-creek")

needs_postgres = pytest.mark.skipif(bool(postgres_missing()), reason=postgres_missing())


def test_every_table_of_the_database_is_in_one_slice_or_handed_on_with_the_record(
    wh: Warehouse,
) -> None:
    there = {row[0] for row in wh.connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE NOT temporary").fetchall()}
    sliced = [table for group in GROUPS for table in group.tables]
    assert len(sliced) == len(set(sliced))
    named = {*sliced, *RECORDED, *NOT_SHARED}
    assert len(named) == len(sliced) + len(RECORDED) + len(NOT_SHARED)
    assert there - set(BOOKS) == named


@pytest.fixture(scope="module")
def run_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bay = tmp_path_factory.mktemp("lake") / "bay"
    lay_out(bay, only_sites=SITES, history=False)
    run_in_order(bay, load_network(bay), AS_OF)
    return bay


@pytest.fixture
def bay(run_once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(run_once, tmp_path / "bay"))


@pytest.fixture
def lake(postgres: Database, tmp_path: Path) -> Iterator[Lake]:
    with Lake("lantern-bay", postgres.make(), str(tmp_path / "parquet"), postgres.PASSWORD) as made:
        yield made


def another(lake: Lake) -> Lake:
    """The same lake, as another machine has it."""
    return Lake(lake.network_id, lake._conninfo, lake._data, lake._password)


def rows(warehouse: Warehouse) -> dict[str, list[str]]:
    """Every row of every table that is shared; in order where the order means something."""
    ordered = {table for group in GROUPS for table, cut in group.tables.items() if cut.ordered}
    out = {}
    for table in (*RECORDED, *(table for group in GROUPS for table in group.tables)):
        found = list(map(repr, warehouse.connection.execute(
            f"FROM {table} ORDER BY rowid").fetchall()))
        out[table] = found if table in ordered and "" not in found else sorted(found)
    return out


def copy_of(bay: Path, tmp_path: Path) -> Warehouse:
    return Warehouse.open(bay, tmp_path / "copy" / "tallyweir.duckdb")


@contextmanager
def two_copies(bay: Path, tmp_path: Path, lake: Lake) -> Iterator[tuple[Warehouse, Warehouse]]:
    """The network's own database, all of it in the lake, and another machine's empty copy."""
    with Warehouse.open(bay) as ours, copy_of(bay, tmp_path) as theirs:
        lake.join(ours)
        lake.check_in(ours, lake.slices_of(ours))
        lake.join(theirs)
        yield ours, theirs


@needs_postgres
def test_what_is_checked_in_comes_out_the_same_and_a_second_time_nothing_moves(
    bay: Path, tmp_path: Path, lake: Lake
) -> None:
    with Warehouse.open(bay) as ours, copy_of(bay, tmp_path) as theirs:
        lake.join(ours)
        assert lake.check_in(ours, lake.slices_of(ours)) == ["", *SITES]
        assert lake.check_in(ours, lake.slices_of(ours)) == []
        with another(lake) as elsewhere:
            elsewhere.join(theirs)
            assert elsewhere.check_out(theirs) > 0
            assert elsewhere.check_out(theirs) == 0
            assert elsewhere.check_in(theirs, elsewhere.slices_of(theirs)) == []
        had = rows(ours)
        assert all(had[table] for table in ("clean_counts", "findings", "raw_rows", "receipts"))
        assert rows(theirs) == had


@needs_postgres
def test_its_files_may_be_in_a_store_that_speaks_s3(
    bay: Path, tmp_path: Path, postgres: Database
) -> None:
    moto = ThreadedMotoServer("127.0.0.1", free_port(), verbose=False)
    moto.start()
    try:
        host = f"127.0.0.1:{moto._port}"
        urllib.request.urlopen(urllib.request.Request(
            f"http://{host}/parquet", method="PUT")).close()
        store = Store("an id", "pl4nted-st0re-s3cret", "us-east-1", host, tls=False)
        with Warehouse.open(bay) as ours, copy_of(bay, tmp_path) as theirs, Lake(
                "lantern-bay", postgres.make(), "s3://parquet/bay/", postgres.PASSWORD,
                store) as lake:
            lake.join(ours)
            lake.check_in(ours, lake.slices_of(ours))
            ours.connection.execute("DELETE FROM findings WHERE site = ?", SITES[:1])
            lake.check_in(ours, SITES)
            lake.join(theirs)
            lake.check_out(theirs)
            assert rows(theirs) == rows(ours)
            lake.tidy()
            moto.stop()
            ours.connection.execute("DELETE FROM findings")
            with pytest.raises(LakeOutOfReach) as told:
                lake.check_in(ours, SITES)
        assert store.secret not in str(told.value)
    finally:
        moto.stop()


@needs_postgres
def test_one_site_moves_alone_and_evidence_is_only_what_was_read(
    bay: Path, tmp_path: Path, lake: Lake
) -> None:
    with two_copies(bay, tmp_path, lake) as (ours, theirs):
        lake.check_out(theirs, SITES[:1])
        lake.check_out(theirs, groups=EVIDENCE)

        def sites(table: str, column: str = "site") -> set[str]:
            return {row[0] for row in theirs.connection.execute(
                f"SELECT DISTINCT {column} FROM {table}").fetchall()}

        assert sites("staged_events") == set(SITES)
        assert sites("findings") == sites("clean_events", "site_id") == set(SITES[:1])
        assert sites("staged_rows") == set(SITES[:1])
        # What is still to come comes, though the sheets are known to have been read.
        lake.check_out(theirs)
        assert rows(theirs) == rows(ours)


@needs_postgres
def test_a_site_that_moved_meanwhile_is_refused_and_nothing_is_changed(
    bay: Path, tmp_path: Path, lake: Lake
) -> None:
    with two_copies(bay, tmp_path, lake) as (ours, theirs):
        lake.check_out(theirs)
        for warehouse, table in ((ours, "clean_counts"), (theirs, "row_account")):
            warehouse.connection.execute(f"DELETE FROM {table}")
        assert lake.check_in(theirs, SITES) == list(SITES)
        with pytest.raises(LakeMoved, match="Run it again"):
            lake.check_in(ours, SITES)
        lake.check_out(ours)
        assert rows(ours) == rows(theirs)
        assert rows(ours)["clean_counts"] and not rows(ours)["row_account"]


@needs_postgres
def test_after_a_run_was_cut_off_its_work_counts_only_where_nobody_came_in_between(
    bay: Path, tmp_path: Path, lake: Lake
) -> None:
    with two_copies(bay, tmp_path, lake) as (ours, theirs):
        lake.check_out(theirs)
        ours.connection.execute("DELETE FROM findings")
        theirs.connection.execute("DELETE FROM clean_counts WHERE site_id = ?", SITES[:1])
        lake.check_in(theirs, SITES[:1])
        lake.check_out(ours)
        found = {row[0] for row in ours.connection.execute("SELECT site FROM findings").fetchall()}
        assert found == set(SITES[:1])
        assert lake.check_in(ours, SITES) == [SITES[1]]


@needs_postgres
def test_a_lake_that_was_tidied_holds_the_same(
    bay: Path, tmp_path: Path, lake: Lake, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("warehouse.lake.KEPT_DAYS", 0)
    with Warehouse.open(bay) as ours, copy_of(bay, tmp_path) as theirs:
        lake.join(ours)
        for week in range(3):
            ours.connection.execute("UPDATE findings SET message = message || ?", [f" {week}"])
            lake.check_in(ours, lake.slices_of(ours))
        lake.tidy()
        lake.join(theirs)
        lake.check_out(theirs)
        assert rows(theirs) == rows(ours)
        with lake._transaction() as inside:
            (states,) = inside.execute(
                "SELECT count(*) FROM ducklake_snapshots('lake')").fetchone() or (0,)
        assert states <= 3


@needs_postgres
def test_a_lost_connection_is_told_without_the_password_and_leaves_the_lake_whole(
    bay: Path, tmp_path: Path, lake: Lake, postgres: Database
) -> None:
    with two_copies(bay, tmp_path, lake) as (ours, theirs):
        had = rows(ours)
        ours.connection.execute("DELETE FROM clean_counts")
        postgres.stop()
        try:
            with pytest.raises(LakeOutOfReach) as told:
                lake.check_in(ours, SITES)
        finally:
            postgres.start()
        assert "run it again" in str(told.value) and postgres.PASSWORD not in str(told.value)
        lake.check_out(theirs)
        assert rows(theirs) == had
        assert lake.check_in(ours, SITES) == list(SITES)


@needs_postgres
def test_a_turn_is_held_once_and_ends_with_its_connection(lake: Lake) -> None:
    with another(lake) as other, other.turn(LEAD):
        with pytest.raises(NetworkBusy, match="Another machine"), lake.turn(LEAD, 0):
            pass
        other.close()
        with lake.turn(LEAD):
            pass


@needs_postgres
def test_who_lost_the_connection_cannot_go_on_as_if_the_turn_were_held(
    lake: Lake, postgres: Database
) -> None:
    import psycopg

    with lake.turn("site"):
        with psycopg.connect(lake._conninfo, password=postgres.PASSWORD, autocommit=True) as root:
            root.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                         "WHERE application_name = 'tallyweir' AND datname = current_database()")
        with pytest.raises(LakeOutOfReach), lake.turn(RECORD):
            pass
    with lake.turn(RECORD):
        pass


@needs_postgres
def test_a_lake_laid_out_by_a_later_program_is_refused(
    bay: Path, lake: Lake, postgres: Database
) -> None:
    with Warehouse.open(bay) as ours:
        lake.join(ours)
        with lake._transaction() as inside:
            inside.execute("INSERT INTO lake.layout VALUES (9999, 'of_a_later_day', 'x')")
        with pytest.raises(WarehouseNewer, match="9999 of_a_later_day"):
            lake.join(ours)
        strange = Lake("other-bay", lake._conninfo, lake._data, postgres.PASSWORD)
        with strange, pytest.raises(LakeMoved, match="lantern-bay"):
            strange.join(ours)


@needs_postgres
def test_the_lake_gains_the_columns_that_a_warehouse_has_gained(
    bay: Path, tmp_path: Path, lake: Lake
) -> None:
    with Warehouse.open(bay) as ours:
        lake.join(ours)
        lake.check_in(ours, lake.slices_of(ours))
        gained = ("ALTER TABLE clean_events ADD COLUMN fog DOUBLE; "
                  "ALTER TABLE row_account ALTER COLUMN sheet_row TYPE BIGINT")
        ours.connection.execute(gained)
        lake.join(ours)
        # Tables of another type are laid out anew with all that change with them, here as there.
        lake.check_out(ours)
        assert not rows(ours)["row_account"] and not rows(ours)["clean_counts"]
        ours.connection.execute(
            "INSERT INTO clean_events BY NAME SELECT site AS site_id, event_id, "
            "file_sha256 AS source_file_sha256, 1.5 AS fog FROM staged_events")
        assert lake.check_in(ours, SITES) == list(SITES)
        had = rows(ours)
        with copy_of(bay, tmp_path) as theirs:
            theirs.connection.execute(gained)
            lake.join(theirs)
            lake.check_out(theirs)
            assert rows(theirs) == had


_APPENDS = """
import datetime as dt, sys
from pathlib import Path
from warehouse import record
from warehouse.lake import RECORD, Lake
from warehouse.store import Warehouse
bay, place, conninfo, data, password, who = sys.argv[1:]
own, lake = Warehouse.open(Path(bay), Path(place)), Lake("lantern-bay", conninfo, data, password)
with own, lake:
    own.record_turn = lambda: lake.turn(RECORD)
    sys.stdin.readline()
    for number in range(25):
        record.append(own, "departure", [{
            "site": who, "event_id": f"{who} {number}", "file_sha256": "", "why": "held",
            "noted": dt.date(2026, 4, 1)}])
"""


@needs_postgres
def test_two_processes_that_append_at_once_give_each_line_a_number_of_its_own(
    tmp_path: Path, lake: Lake
) -> None:
    bay = tmp_path / "bay"
    (bay / "warehouse").mkdir(parents=True)
    started = [subprocess.Popen(
        [sys.executable, "-c", _APPENDS, str(bay), str(tmp_path / who / "own.duckdb"),
         lake._conninfo, lake._data, lake._password, who],
        cwd=Path(__file__).parents[2], text=True, stdin=subprocess.PIPE,
        stderr=subprocess.PIPE) for who in ("one", "two")]
    for process in started:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    for process in started:
        _, errors = process.communicate(timeout=120)
        assert process.returncode == 0, errors
    lines = record.read(bay)["departure"]
    assert [line["seq"] for line in lines] == list(range(1, 51))
    assert {line["event_id"] for line in lines} == {
        f"{who} {number}" for who in ("one", "two") for number in range(25)}


@needs_postgres
def test_the_extensions_fit_the_engine_and_say_what_to_install_where_they_do_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert extension_file("ducklake").is_file()
    monkeypatch.setattr(duckdb, "__version__", "9.9.9")
    with pytest.raises(LakeNotInstalled, match="--extra lake"):
        extension_file("ducklake")
