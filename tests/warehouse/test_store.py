"""Opening, laying out, keeping up with the dictionary, and stopping at a bad moment."""

from __future__ import annotations

import subprocess
import sys
import textwrap
import threading
from pathlib import Path

import duckdb
import pytest

from shared import staging
from shared.problems import NetworkBusy, Problem
from tests.warehouse.by_hand import days, load, network, send
from warehouse import durable, store
from warehouse.folder import database_path
from warehouse.migrate import Migration, WarehouseNewer, known_migrations, migrate
from warehouse.staging import reader_key, readings_present
from warehouse.store import (
    DatabaseLost,
    Warehouse,
    WarehouseDamaged,
    WarehouseOutOfReach,
)
from warehouse.tables import dictionary_tables

REPO = Path(__file__).parents[2]


def columns(warehouse: Warehouse, table: str) -> dict[str, str]:
    return {row[0]: row[1] for row in warehouse.connection.execute(f"DESCRIBE {table}").fetchall()}


def run_python(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code), *arguments],
        cwd=REPO, capture_output=True, text=True, check=False,
    )


def test_a_new_folder_gets_every_table_with_the_contract_s_columns(wh: Warehouse) -> None:
    for table, wanted in dictionary_tables().items():
        assert columns(wh, table) == wanted
    assert columns(wh, "staged_events") == staging.EVENT_COLUMNS
    applied = wh.connection.execute("SELECT number, sha256 FROM migrations").fetchall()
    assert applied == [(m.number, m.sha256) for m in known_migrations()]


def test_private_fields_have_no_place_in_the_clean_tables(wh: Warehouse) -> None:
    assert "recorder" in columns(wh, "staged_events")
    assert "recorder" not in columns(wh, "clean_events")


def test_opening_again_changes_nothing_and_keeps_what_is_there(tmp_path: Path) -> None:
    with Warehouse.open(tmp_path) as first:
        sha = send(first, "alder", "alder/a.csv", days("2026-03-01", 4))
        load(first, "alder")
    with Warehouse.open(tmp_path) as second:
        assert migrate(second.connection, "here") == []
        assert readings_present(second, "alder", reader_key("1", network(), "alder")) == {sha}
        assert second.connection.execute("SELECT count(*) FROM clean_events").fetchone() == (4,)


def test_a_field_new_in_the_dictionary_is_added_to_an_older_warehouse(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Warehouse.open(tmp_path) as old:
        send(old, "alder", "alder/a.csv", days("2026-03-01", 4))
        load(old, "alder")
        key = reader_key("1", network(), "alder")
    monkeypatch.setitem(staging.EVENT_COLUMNS, "chlorophyll", "DOUBLE")
    monkeypatch.setitem(staging.CATCH_COLUMNS, "girth", "DOUBLE")
    with Warehouse.open(tmp_path) as new:
        assert columns(new, "staged_events")["chlorophyll"] == "DOUBLE"
        assert columns(new, "staged_catches")["girth"] == "DOUBLE"
        assert new.connection.execute(
            "SELECT count(*), count(chlorophyll) FROM staged_events"
        ).fetchone() == (4, 0)
        # What was read before knows nothing of the field: it is due to be read again.
        assert reader_key("1", network(), "alder") != key
        assert not readings_present(new, "alder", reader_key("1", network(), "alder"))
        load(new, "alder")


def test_a_field_whose_type_changed_is_read_again_from_the_kept_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Warehouse.open(tmp_path) as old:
        send(old, "alder", "alder/a.csv", days("2026-03-01", 4))
        load(old, "alder")
    monkeypatch.setitem(staging.EVENT_COLUMNS, "tide_stage", "DOUBLE")
    with Warehouse.open(tmp_path) as new:
        assert columns(new, "staged_events")["tide_stage"] == "DOUBLE"
        for table in ("readings", "site_state", "staged_events", "clean_events"):
            assert new.connection.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,)
        assert new.connection.execute("SELECT count(*) FROM receipts").fetchone() == (1,)


@pytest.mark.parametrize("known", [
    (), (Migration(1, "record", "-- not what was applied"),),
])
def test_a_file_of_a_later_program_is_refused(
    wh: Warehouse, known: tuple[Migration, ...]
) -> None:
    with pytest.raises(WarehouseNewer, match="0001 record") as refused:
        migrate(wh.connection, "there", known)
    assert "Install" in refused.value.remedy and refused.value.where == "there"


def test_a_migration_that_fails_leaves_nothing_behind(wh: Warehouse) -> None:
    broken = (*known_migrations(), Migration(9999, "broken", "CREATE TABLE half (a INT); SELEC 1"))
    with pytest.raises(duckdb.Error):
        migrate(wh.connection, "there", broken)
    assert wh.connection.execute("SELECT max(number) FROM migrations").fetchone() == (
        known_migrations()[-1].number,)
    assert "half" not in {row[0] for row in wh.connection.execute("SHOW TABLES").fetchall()}


def test_a_second_run_elsewhere_is_told_that_the_network_is_busy(wh: Warehouse) -> None:
    told = run_python(
        """
        import sys
        from pathlib import Path
        from shared.problems import NetworkBusy
        from warehouse.store import Warehouse
        try:
            Warehouse.open(Path(sys.argv[1]))
        except NetworkBusy as busy:
            print(busy.code, busy.remedy)
        """, str(wh.network_dir),
    )
    assert told.stdout.startswith("network-busy Wait"), told.stderr


def test_a_second_run_in_the_same_program_is_told_too(wh: Warehouse) -> None:
    with pytest.raises(NetworkBusy):
        Warehouse.open(wh.network_dir)
    wh.close()
    wh.close()
    Warehouse.open(wh.network_dir).close()


@pytest.mark.parametrize("content", [b"", b"not a database " * 1000, None])
def test_a_damaged_database_is_told_with_where_the_sheets_are_kept(
    tmp_path: Path, content: bytes | None
) -> None:
    with Warehouse.open(tmp_path) as opened:
        send(opened, "alder", "alder/a.csv", days("2026-03-01", 4))
    path = database_path(tmp_path)
    path.write_bytes(path.read_bytes()[:9000] if content is None else content)
    with pytest.raises(WarehouseDamaged) as told:
        Warehouse.open(tmp_path)
    assert "warehouse/received" in told.value.remedy
    assert isinstance(told.value, Problem)
    path.unlink()
    Warehouse.open(tmp_path).close()


def test_a_folder_without_rights_is_not_called_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Warehouse.open(tmp_path).close()

    def refuse(*arguments: object, **settings: object) -> None:
        raise duckdb.IOException(f'Cannot open file "{database_path(tmp_path)}": Permission denied')

    # The test may run as root, whom no mode of a file holds back.
    monkeypatch.setattr(duckdb, "connect", refuse)
    with pytest.raises(WarehouseOutOfReach, match="cannot be written"):
        Warehouse.open(tmp_path)


def test_a_failure_inside_a_transaction_undoes_all_of_it(wh: Warehouse) -> None:
    with pytest.raises(ZeroDivisionError), wh.transaction() as outer:
        outer.execute("INSERT INTO returns VALUES ('alder', 'd', '2026-03-01', 'p', 1)")
        with wh.transaction() as inner:
            inner.execute("INSERT INTO returns VALUES ('birch', 'd', '2026-03-01', 'p', 1)")
        raise ZeroDivisionError
    assert wh.connection.execute("SELECT count(*) FROM returns").fetchone() == (0,)
    with wh.transaction() as after:
        after.execute("INSERT INTO returns VALUES ('alder', 'd', '2026-03-01', 'p', 1)")
    assert wh.connection.execute("SELECT count(*) FROM returns").fetchone() == (1,)


@pytest.mark.parametrize("moment", ["before commit", "after commit"])
def test_a_run_killed_outright_leaves_a_warehouse_that_opens(tmp_path: Path, moment: str) -> None:
    killed = run_python(
        """
        import os, signal, sys
        from pathlib import Path
        from tests.warehouse.by_hand import days, load, send
        from warehouse.store import Warehouse
        kill = lambda: os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
        opened = Warehouse.open(Path(sys.argv[1]))
        send(opened, "alder", "alder/a.csv", days("2026-03-01", 4))
        with opened.transaction():
            load(opened, "alder")
            if sys.argv[2] == "before commit":
                kill()
        kill()
        """, str(tmp_path), moment,
    )
    assert killed.returncode != 0 and "Traceback" not in killed.stderr
    with Warehouse.open(tmp_path) as opened:
        expected = 0 if moment == "before commit" else 4
        assert opened.connection.execute(
            "SELECT count(*) FROM clean_events").fetchone() == (expected,)
        _, account = load(opened, "alder")
        assert account.events == 4


def test_leftovers_of_a_stopped_run_are_swept(tmp_path: Path) -> None:
    left = [
        tmp_path / "warehouse" / f"{durable.PART}tallyweir.duckdb",
        tmp_path / "warehouse" / f"{durable.PART}77-standing.json",
        tmp_path / "warehouse" / "received" / "ab" / f"{durable.PART}77-abcd",
        tmp_path / "releases" / ".building-77" / "counts.csv",
    ]
    for path in left:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"half")
    with Warehouse.open(tmp_path):
        assert not [path for path in left if path.exists()]


def test_what_a_killed_engine_had_put_aside_on_the_disk_is_swept(tmp_path: Path) -> None:
    with Warehouse.open(tmp_path):
        pass
    path = database_path(tmp_path)
    spill = """
        SET memory_limit = '30MB';
        CREATE TEMP TABLE large AS SELECT hash(range) AS a FROM range(6_000_000)"""
    killed = run_python("""
        import os, sys
        from pathlib import Path
        from warehouse.store import Warehouse
        left = Warehouse.open(Path(sys.argv[1])).connection.execute(sys.argv[2])
        os.abort()
        """, str(tmp_path), spill)
    assert not killed.stderr
    aside = path.with_name(f"{path.name}.tmp")
    assert sum(left.stat().st_size for left in aside.iterdir()) > 1 << 20
    with Warehouse.open(tmp_path) as opened:
        assert not aside.exists()
        opened.connection.execute(spill)
        assert list(aside.iterdir())


# -- damage, lost connections and disks that refuse ----------------------------------------


def damage_every_block(path: Path) -> None:
    """Turn a byte in each block of the database but its headers."""
    content = bytearray(path.read_bytes())
    for at in range(3 * 4096 + 20_000, len(content), 1 << 18):
        content[at] ^= 0xFF
    path.write_bytes(content)


def test_damage_met_while_reading_is_told_with_its_remedy(tmp_path: Path) -> None:
    with Warehouse.open(tmp_path) as opened:
        for number in range(200):
            send(opened, "alder", f"alder/{number}.csv", days("2026-03-01", 3), salt=str(number))
    damage_every_block(database_path(tmp_path))
    with pytest.raises(WarehouseDamaged) as told, Warehouse.open(tmp_path) as opened:
        for (table,) in opened.connection.execute(
                "SELECT table_name FROM duckdb_tables() WHERE NOT temporary").fetchall():
            opened.connection.execute(f'SELECT bit_xor(hash(COLUMNS(*))) FROM "{table}"')
    assert "rebuild DIR --swap" in told.value.remedy and told.value.where.endswith(".duckdb")


def test_a_lost_connection_is_told_and_the_next_run_goes_on(tmp_path: Path) -> None:
    with pytest.raises(DatabaseLost) as told, Warehouse.open(tmp_path) as opened:
        send(opened, "alder", "alder/a.csv", days("2026-03-01", 4))
        opened.connection.close()
        load(opened, "alder")
    assert "Run it again" in told.value.remedy
    with Warehouse.open(tmp_path) as opened:
        load(opened, "alder")
        assert opened.connection.execute("SELECT count(*) FROM clean_events").fetchone() == (4,)


@pytest.mark.parametrize("said", [
    'IO Error: Could not write file "x": No space left on device',
    'IO Error: Cannot open file "x": Read-only file system',
    'IO Error: Could not write file "x": Input/output error',
])
def test_a_disk_that_refuses_the_engine_is_not_called_damage(said: str) -> None:
    problem = store.told(duckdb.IOException(said), "there")
    assert isinstance(problem, WarehouseOutOfReach) and "disk" in problem.remedy


def test_a_database_cut_short_is_damage() -> None:
    problem = store.told(duckdb.IOException(
        'IO Error: Could not read enough bytes from file "x": attempted to read 262144'), "there")
    assert isinstance(problem, WarehouseDamaged)


def test_a_mistake_of_ours_is_not_blamed_on_the_machine() -> None:
    assert store.told(duckdb.BinderException("Referenced column not found"), "x") is None
    assert store.told(ValueError("no space left"), "x") is None


def test_a_log_whose_database_is_gone_is_not_played_back(tmp_path: Path) -> None:
    with Warehouse.open(tmp_path) as opened:
        send(opened, "alder", "alder/a.csv", days("2026-03-01", 4))
        log = database_path(tmp_path).with_name("tallyweir.duckdb.wal")
        kept = log.read_bytes()
    assert kept
    database_path(tmp_path).unlink()
    log.write_bytes(kept)
    with Warehouse.open(tmp_path) as opened:
        assert opened.connection.execute("SELECT count(*) FROM receipts").fetchone() == (0,)


def test_of_two_that_lay_out_one_database_neither_takes_the_others_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = store._connect
    first: list[Warehouse] = []

    def late(path: Path) -> duckdb.DuckDBPyConnection:
        if path.name.startswith(durable.PART) and not first:
            # Somebody else is through with it between our look and our beginning.
            monkeypatch.setattr(store, "_connect", real)
            monkeypatch.setattr(store, "_open_guard", threading.Lock())
            first.append(Warehouse.open(tmp_path))
            send(first[0], "alder", "alder/a.csv", days("2026-03-01", 4))
            first[0].close()
        return real(path)

    monkeypatch.setattr(store, "_connect", late)
    with Warehouse.open(tmp_path) as second:
        assert second.connection.execute("SELECT count(*) FROM receipts").fetchone() == (1,)


def test_a_migration_killed_half_way_leaves_the_layout_before(tmp_path: Path) -> None:
    with Warehouse.open(tmp_path) as opened:
        send(opened, "alder", "alder/a.csv", days("2026-03-01", 4))
    killed = run_python(
        """
        import os, signal, sys
        from pathlib import Path
        from warehouse import migrate
        from warehouse.store import Warehouse
        known = (*migrate.known_migrations(), migrate.Migration(
            9999, "more", "CREATE TABLE more (a INT); ALTER TABLE receipts ADD COLUMN more INT"))
        migrate.known_migrations = lambda: known
        kill = getattr(signal, "SIGKILL", signal.SIGTERM)
        migrate.align = lambda _: os.kill(os.getpid(), kill)
        Warehouse.open(Path(sys.argv[1]))
        """, str(tmp_path))
    assert killed.returncode != 0 and "Traceback" not in killed.stderr
    with Warehouse.open(tmp_path) as opened:
        assert "more" not in columns(opened, "receipts")
        assert opened.connection.execute("SELECT max(number) FROM migrations").fetchone() == (
            known_migrations()[-1].number,)
        load(opened, "alder")
        assert opened.connection.execute("SELECT count(*) FROM clean_events").fetchone() == (4,)


def test_a_usual_network_is_work_for_one_thread_and_a_nations_for_all(tmp_path: Path) -> None:
    with Warehouse.open(tmp_path) as opened:
        def threads() -> tuple[object, ...] | None:
            return opened.connection.execute("SELECT current_setting('threads')").fetchone()

        assert threads() == (1,)
        opened.connection.execute("CREATE TABLE many AS FROM range(200_000)")
        opened.fit_threads()
        assert threads() == duckdb.execute("SELECT current_setting('threads')").fetchone()
        opened.connection.execute("DROP TABLE many")
        opened.fit_threads()
        assert threads() == (1,)
