"""Releases are whole, reproducible, immutable, and say what changed."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import json
import os
import subprocess
import sys
import textwrap
import zipfile
from dataclasses import replace
from pathlib import Path

import duckdb
import pyarrow.parquet as pq
import pytest

from shared.fields import FIELDS
from shared.findings import Finding
from shared.flags import Effect, Flag
from shared.problems import BadSettings
from shared.settings import Publishing
from shared.taxa import UNSTAGED
from tests.warehouse.by_hand import (
    AS_OF,
    ELVER,
    GLASS,
    Check,
    Rule,
    days,
    load,
    network,
    send,
    tree,
)
from warehouse import durable
from warehouse import release as release_module
from warehouse.clean import load_site
from warehouse.closing import close_season, reopen_season
from warehouse.folder import last_release_path, latest_path, releases_folder
from warehouse.lineage import lay_out
from warehouse.published import findings_table, is_free_text, published_tables
from warehouse.release import Release, build_release, read_manifest
from warehouse.snapshot import SNAPSHOT_NAME, latest_version, laying_out
from warehouse.store import Warehouse

REPO = Path(__file__).parents[2]
COUNTS_START = [
    "release_version", "event_id", "site_id", "protocol", "gear_unit", "event_start_utc",
    "event_end_utc", "local_date", "season", "effort_value", "effort_unit", "net_status",
    "taxon_id", "scientific_name", "life_stage", "count", "count_method", "subsample_fraction",
    "cpue", "cpue_unit", "mortality", "water_temperature_c", "salinity",
    "specific_conductance_us_cm", "dissolved_oxygen_mg_l", "dissolved_oxygen_percent", "ph",
]
COUNTS_END = ["source_file_sha256", "source_sheet", "source_row", "decided"]


def season(warehouse: Warehouse, number: int = 5, salt: str = "") -> None:
    checks = days("2026-03-01", number)
    checks[1] = replace(checks[1], values={
        "water_temperature": 54.0, "recorder": "Pat Q", "remarks": "Pat slipped, see Chris",
        "tide_stage": "low"})
    send(warehouse, "alder", "alder/a.xlsx", checks, salt=salt)
    load(warehouse, "alder", Rule("local_date = '2026-03-02'", "water_temperature", Effect.MASK))


def publish(warehouse: Warehouse, as_of: dt.date = AS_OF) -> Release:
    return build_release(warehouse, network(), as_of, warehouse.network_dir)


def rows_of(release: Release, table: str) -> list[dict[str, str]]:
    with (release.path / f"{table}.csv").open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def comparable(folder: Path) -> dict[str, str]:
    return {name: sha for name, sha in tree(folder).items() if name != SNAPSHOT_NAME}


# -- what is in it ------------------------------------------------------------------------

def test_the_clean_table_keeps_its_contract(wh: Warehouse) -> None:
    season(wh)
    release = publish(wh)
    columns = list(rows_of(release, "counts")[0])
    assert columns[:len(COUNTS_START)] == COUNTS_START
    assert columns[-4:] == COUNTS_END
    flags = [name for name in columns if name.startswith("qc_")]
    assert flags[:3] == ["qc_event", "qc_count", "qc_effort"]
    assert flags[3:5] == ["qc_water_temperature", "qc_salinity"]
    assert {"length_mm", "weight_g", "qc_length"} <= set(columns)
    first = rows_of(release, "counts")[0]
    assert first["release_version"] == release.version == "2026.12.0"
    assert first["event_end_utc"] == "2026-03-01T12:30:00Z"
    assert (first["life_stage"], first["count"], first["effort_value"]) == ("elver", "0", "24.0")


def test_every_table_is_there_as_parquet_csv_and_in_the_snapshot_and_they_agree(
    wh: Warehouse,
) -> None:
    season(wh)
    release = publish(wh)
    with duckdb.connect(str(release.path / SNAPSHOT_NAME), read_only=True) as snapshot:
        for table in published_tables():
            parquet = pq.read_table(release.path / f"{table.name}.parquet")
            found = snapshot.execute(f"SELECT count(*) FROM {table.name}").fetchone()
            assert found == (parquet.num_rows,)
            assert len(rows_of(release, table.name)) == parquet.num_rows > 0
            described = snapshot.execute(f"DESCRIBE {table.name}").fetchall()
            assert [row[0] for row in described] == parquet.column_names
        for view in ("daily_cpue", "season_totals", "coverage", "coverage_calendar",
                     "quality_summary", "seasons"):
            assert snapshot.execute(f"FROM {view}").fetchall()
        silent = snapshot.execute(
            "SELECT table_name, column_name FROM duckdb_columns() WHERE NOT internal "
            "AND (comment IS NULL OR comment = column_name)").fetchall()
        assert silent == []
        total = snapshot.execute(
            "SELECT count, cpue, effort_value FROM season_totals WHERE life_stage = 'glass eel'"
        ).fetchone()
        # Counts 10..14 over five nights of 24 net-hours: 60 / 120 * 24 = 12.
        assert total == (60, 12.0, 120.0)


def test_every_column_is_explained_wherever_it_is_read(wh: Warehouse) -> None:
    season(wh)
    release = publish(wh)
    explained = {(row["table_name"], row["column_name"]): row
                 for row in rows_of(release, "dictionary")}
    with duckdb.connect(str(release.path / SNAPSHOT_NAME), read_only=True) as snapshot:
        comments = {(table, column): comment for table, column, comment in snapshot.execute(
            "SELECT table_name, column_name, comment FROM duckdb_columns() "
            "WHERE table_name IN (SELECT table_name FROM duckdb_tables())").fetchall()}
    for table in published_tables():
        for field in pq.read_schema(release.path / f"{table.name}.parquet"):
            assert (field.metadata or {})[b"description"]
            assert explained[table.name, field.name]["description"]
            assert comments[table.name, field.name]
    water = pq.read_schema(release.path / "counts.parquet").field("water_temperature_c")
    assert (water.metadata or {})[b"unit"] == b"degC"
    assert explained["counts", "water_temperature_c"]["possible_high"] == "40.0"
    assert explained["counts", "qc_water_temperature"]["possible_high"] == ""


def test_moments_in_parquet_say_that_they_are_utc(wh: Warehouse) -> None:
    season(wh)
    schema = pq.read_schema(publish(wh).path / "events.parquet")
    assert str(schema.field("event_end_utc").type) == "timestamp[us, tz=UTC]"


def test_a_withheld_value_keeps_its_flag_in_the_long_table(wh: Warehouse) -> None:
    season(wh)
    found = {row["local_date"]: (row["value"], row["unit"], row["qc"])
             for row in rows_of(publish(wh), "measurements")}
    assert found["2026-03-01"] == ("4.0", "degC", "1")
    assert found["2026-03-02"] == ("", "degC", "4")


def test_zeros_are_absences(wh: Warehouse) -> None:
    season(wh)
    found = {(row["life_stage"], row["occurrence_status"])
             for row in rows_of(publish(wh), "occurrences")}
    assert found == {("elver", "absent"), ("glass eel", "present")}


# -- nothing personal ---------------------------------------------------------------------

def test_nothing_that_names_a_person_leaves_the_warehouse(wh: Warehouse) -> None:
    season(wh)
    base = Finding("alder", "alder/Pat's sheet.xlsx", "0" * 64, "Counts", 5, "C5", "recorder",
                   "not-in-list", Effect.QUERY, Flag.SUSPECT, "Pat Q", "", "", "Pat Q is unknown.")
    findings = [
        base,
        replace(base, field="remarks", value="see Chris"),
        replace(base, field="water_temperature", rule="not-understood", value="ask Chris",
                message="'ask Chris' is no temperature."),
        replace(base, field="net_status", value="ask Chris", message="'ask Chris' is no status."),
        replace(base, field="water_temperature", rule="implausible", value="54", message="54?"),
    ]
    with wh.transaction():
        lay_out(wh, "alder")
        load_site(wh, "alder", findings, AS_OF, "work")
    release = publish(wh)
    for path in release.path.iterdir():
        content = path.read_bytes()
        if path.suffix == ".parquet":
            content = str(pq.read_table(path).to_pylist()).encode()
        elif path.suffix == ".duckdb":
            continue
        for name in (b"Pat", b"Chris", b"someone@example.org"):
            assert name not in content, path.name
    values = [row["value"] for row in rows_of(release, "findings")]
    assert sorted(values) == ["", "", "", "", "54"]
    assert len({row["finding_id"] for row in rows_of(release, "findings")}) == 5


def test_no_published_column_is_a_private_field() -> None:
    closed = {entry.id for entry in FIELDS.values() if is_free_text(entry)}
    assert {"recorder", "remarks"} <= closed
    for table in published_tables():
        assert not {column.field for column in table.columns} & closed
    assert "file" not in {column.name for column in findings_table().columns}


# -- the same again -----------------------------------------------------------------------

def test_the_same_rows_give_no_new_release(wh: Warehouse) -> None:
    season(wh)
    first = publish(wh)
    before = tree(wh.network_dir / "releases")
    load(wh, "alder", Rule("local_date = '2026-03-02'", "water_temperature", Effect.MASK))
    again = publish(wh, AS_OF + dt.timedelta(days=7))
    assert (again.version, again.new, again.digest) == (first.version, False, first.digest)
    assert tree(wh.network_dir / "releases") == before


_CHANGES = {
    "an event": "UPDATE clean_events SET ph = 7.25 WHERE rowid = 1",
    "two values in each other's place": "UPDATE clean_events SET effort_unit = effort_from, "
                                     "effort_from = effort_unit",
    "a count": 'UPDATE clean_counts SET "count" = "count" + 1 WHERE rowid = 1',
    "a row more": 'INSERT INTO clean_counts SELECT * REPLACE (\'silver\' AS life_stage) '
                  "FROM clean_counts LIMIT 1",
    "a finding": "UPDATE findings SET message = message || '.' WHERE rowid = 0",
    "a finding that went": "DELETE FROM findings WHERE rowid = 0",
    "what was asked about": "INSERT INTO asked SELECT 1, 'alder', 'gone', 'gone', event_id, 'ph', "
                            "'', '', 'out-of-range', '', local_date FROM clean_events LIMIT 1",
}


def _laid_out(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Where snapshots are laid out from now on."""
    seen: list[Path] = []
    real = laying_out

    def noted(
        connection: duckdb.DuckDBPyConnection, path: Path
    ) -> contextlib.AbstractContextManager[None]:
        seen.append(path)
        return real(connection, path)

    monkeypatch.setattr(release_module, "laying_out", noted)
    return seen


@pytest.mark.parametrize("what", _CHANGES)
def test_that_nothing_is_new_is_known_without_laying_out_a_release(
    wh: Warehouse, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    season(wh)
    first = publish(wh)
    laid_out = _laid_out(monkeypatch)
    # What was asked about and still stands is no part of a release.
    wh.connection.execute("INSERT INTO asked SELECT 0, site, id, 'asked', '', '', '', '', rule, "
                          "'', DATE '2026-03-20' FROM findings")
    again = publish(wh, AS_OF + dt.timedelta(days=7))
    assert (again, laid_out) == (replace(first, new=False), [])
    wh.connection.execute(_CHANGES[what])
    changed = publish(wh)
    assert changed.new and changed.digest != first.digest and laid_out


@pytest.mark.parametrize("what", ["licence", "publisher", "a season closed", "a position"])
def test_settings_that_a_release_repeats_make_a_new_one(wh: Warehouse, what: str) -> None:
    season(wh)
    first = publish(wh)
    terms = network()
    if what == "licence":
        terms = replace(terms, licence="CC0-1.0")
    elif what == "publisher":
        terms = replace(terms, publishing=replace(terms.publishing, publisher="The Bay"))
    elif what == "a position":
        terms = replace(terms, sites=dict(terms.sites) | {
            "alder": replace(terms.sites["alder"], latitude=44.25)})
    else:
        close_season(wh.network_dir, terms, 2026, dt.date(2026, 9, 1))
    changed = build_release(wh, terms, AS_OF, wh.network_dir)
    assert changed.new and changed.digest != first.digest


@pytest.mark.parametrize("note", ["", "{}", "[1]", "not json", '{"version": "2026.12.0"}'])
def test_a_damaged_note_of_what_a_release_was_made_of_costs_time_alone(
    wh: Warehouse, monkeypatch: pytest.MonkeyPatch, note: str
) -> None:
    season(wh)
    first = publish(wh)
    last_release_path(wh.network_dir).write_text(note, encoding="utf-8")
    laid_out = _laid_out(monkeypatch)
    assert publish(wh) == replace(first, new=False)
    assert len(laid_out) == 1
    assert publish(wh) == replace(first, new=False)
    assert len(laid_out) == 1, "it was noted again"


_BUILD = """
    import datetime as dt, os, sys
    from pathlib import Path
    if sys.argv[2] == "cramped":
        os.umask(0o077)
        if hasattr(os, "sched_setaffinity"):
            os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    from tests.warehouse.by_hand import network
    from tests.warehouse.test_release import publish, season
    from warehouse.store import Warehouse
    with Warehouse.open(Path(sys.argv[1])) as warehouse:
        season(warehouse)
        publish(warehouse)
        season(warehouse, 7)
        print(publish(warehouse, dt.date(2026, 3, 23)).version)
"""


def test_two_builds_in_other_folders_zones_and_processors_give_the_same_bytes(
    tmp_path: Path,
) -> None:
    # What else was compared, on another system with another Python: docs/same-bytes.md.
    trees = []
    for zone, locale, name, room in (
        ("UTC", "C", "one", "roomy"),
        ("Pacific/Auckland", "C.UTF-8", "the other, mit Ümlaut", "cramped"),
    ):
        folder = tmp_path / name
        built = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(_BUILD), str(folder), room], cwd=REPO,
            env=os.environ | {"TZ": zone, "LC_ALL": locale, "LANG": locale,
                              "PYTHONHASHSEED": str(len(name))},
            capture_output=True, text=True, check=False,
        )
        assert built.stdout.strip() == "2026.13.0", built.stderr
        trees.append({
            name: sha for name, sha in tree(folder / "releases").items()
            if not name.endswith(SNAPSHOT_NAME)
        })
    assert trees[0] == trees[1]
    assert len(trees[0]) > 20


def test_versions_count_weeks_and_revisions(wh: Warehouse) -> None:
    versions = []
    for number, as_of in ((3, dt.date(2026, 1, 2)), (4, dt.date(2026, 1, 4)),
                          (5, dt.date(2026, 1, 5))):
        season(wh, number)
        versions.append(publish(wh, as_of).version)
    # ISO 8601: 2 and 4 January 2026 lie in week 1, 5 January in week 2.
    assert versions == ["2026.01.0", "2026.01.1", "2026.02.0"]
    assert latest_version(wh.network_dir) == "2026.02.0"
    assert read_manifest(releases_folder(wh.network_dir) / "2026.02.0")["previous"] == "2026.01.1"


def test_the_manifest_tells_every_file_and_its_hash(wh: Warehouse) -> None:
    season(wh)
    release = publish(wh)
    manifest = read_manifest(release.path)
    hashes = tree(release.path)
    assert {name: entry["sha256"] for name, entry in manifest["files"].items()} == {
        name: sha for name, sha in hashes.items() if name not in ("manifest.json", SNAPSHOT_NAME)}
    assert list(manifest["derived"]) == [SNAPSHOT_NAME]
    assert (manifest["digest"], manifest["as_of"]) == (release.digest, "2026-03-16")
    readme = (release.path / "README.md").read_text(encoding="utf-8")
    assert "CC-BY-4.0" in readme and "permits in force" in readme


# -- stops at bad moments -----------------------------------------------------------------

@pytest.mark.parametrize("stop", ["building", "moved in"])
def test_a_stop_while_releasing_leaves_the_latest_and_the_rerun_is_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stop: str
) -> None:
    with Warehouse.open(tmp_path / "calm") as calm:
        season(calm)
        publish(calm)
        season(calm, 7)
        expected = comparable(publish(calm).path)
    with Warehouse.open(tmp_path / "hit") as hit:
        season(hit)
        first = publish(hit)
        season(hit, 7)
        with monkeypatch.context() as patch:
            def stopped(*_: object) -> None:
                raise KeyboardInterrupt
            patch.setattr(durable, "move_in" if stop == "building" else "write_text", stopped)
            with pytest.raises(KeyboardInterrupt):
                publish(hit)
        assert latest_version(hit.network_dir) == first.version
    with Warehouse.open(tmp_path / "hit") as again:
        release = publish(again)
        assert (release.version, release.new) == ("2026.12.1", True)
        assert comparable(release.path) == expected
        assert latest_version(again.network_dir) == "2026.12.1"
        assert sorted(path.name for path in releases_folder(again.network_dir).iterdir()) == [
            "2026.12.0", "2026.12.1", "latest"]


@pytest.mark.parametrize("damage", ["other rows", "a file short", "a file altered"])
def test_an_unpublished_leftover_that_is_not_the_same_is_built_anew(
    wh: Warehouse, damage: str
) -> None:
    season(wh)
    first = publish(wh)
    season(wh, 7)
    second = publish(wh)
    whole = comparable(second.path)
    durable.write_text(latest_path(wh.network_dir), first.version + "\n")
    if damage == "other rows":
        season(wh, 8)
    elif damage == "a file short":
        (second.path / "events.csv").unlink()
    else:
        (second.path / "events.csv").write_bytes(b"altered")
    release = publish(wh)
    assert (release.version, release.new) == (second.version, True)
    assert (comparable(release.path) == whole) == (damage != "other rows")
    hashes = tree(release.path)
    assert all(hashes[name] == entry["sha256"]
               for name, entry in read_manifest(release.path)["files"].items())


def test_a_lost_pointer_costs_no_release(wh: Warehouse) -> None:
    season(wh)
    publish(wh)
    season(wh, 7)
    second = publish(wh)
    before = tree(wh.network_dir / "releases")
    latest_path(wh.network_dir).unlink()
    assert publish(wh).version == second.version
    assert tree(wh.network_dir / "releases") == before
    latest_path(wh.network_dir).unlink()
    season(wh, 8)
    assert publish(wh).version == "2026.12.2"
    assert before.items() <= (
        tree(wh.network_dir / "releases") | {"latest": before["latest"]}).items()


# -- what changed -------------------------------------------------------------------------

def test_the_first_release_says_that_it_is_the_first(wh: Warehouse) -> None:
    season(wh)
    assert "first release" in (publish(wh).path / "CHANGES.md").read_text(encoding="utf-8")


def test_changes_name_what_was_added_changed_and_withdrawn(wh: Warehouse) -> None:
    season(wh)
    publish(wh)
    checks = days("2026-03-01", 6)
    checks[2] = replace(checks[2], counts={GLASS: 21.0, ELVER: 0.0},
                        values={"water_temperature": 4.7})
    checks[3] = replace(checks[3], counts={GLASS: 13.0})
    send(wh, "alder", "alder/a.xlsx", checks)
    load(wh, "alder", Rule("local_date = '2026-03-01'", "count", Effect.HOLD))
    release = publish(wh)
    with (release.path / "changes.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    found = {(row["table"], row["kind"], row["event_id"][-15:-5], row["life_stage"],
              row["column"], row["old"], row["new"])
             for row in rows if row["table"] in ("events", "counts")}
    assert {row["table"] for row in rows} == {"events", "counts", "daily_cpue", "season_totals"}
    assert {row["column"] for row in rows if row["derived"]} >= {"cpue", "qc_water_temperature"}
    assert found == {
        ("events", "added", "2026-03-06", "", "", "", ""),
        ("events", "withdrawn", "2026-03-01", "", "", "", ""),
        ("events", "changed", "2026-03-02", "", "water_temperature_c", "", "4.1"),
        ("events", "changed", "2026-03-02", "", "qc_water_temperature", "4", "1"),
        ("events", "changed", "2026-03-02", "", "tide_stage", "low", ""),
        ("events", "changed", "2026-03-03", "", "water_temperature_c", "4.2", "4.7"),
        ("counts", "added", "2026-03-06", "elver", "", "", ""),
        ("counts", "added", "2026-03-06", "glass eel", "", "", ""),
        ("counts", "withdrawn", "2026-03-01", "elver", "", "", ""),
        ("counts", "withdrawn", "2026-03-01", "glass eel", "", "", ""),
        ("counts", "withdrawn", "2026-03-04", "elver", "", "", ""),
        ("counts", "changed", "2026-03-03", "glass eel", "count", "12", "21"),
        ("counts", "changed", "2026-03-03", "glass eel", "cpue", "12.0", "21.0"),
    }
    text = (release.path / "CHANGES.md").read_text(encoding="utf-8")
    assert ("- counts: 2 counts added, 3 counts withdrawn, 1 value changed in 1 count; "
            "1 derived value followed.") in text
    assert "2026-03-03T0730 anguilla-rostrata glass eel: count 12 -> 21" in text


def test_one_value_changed_is_named_with_all_that_follows_and_nothing_else(
    wh: Warehouse,
) -> None:
    checks = days("2026-03-01", 6)
    send(wh, "alder", "alder/a.xlsx", checks)
    send(wh, "birch", "birch/b.xlsx", days("2026-03-01", 6))
    for site in ("alder", "birch"):
        load(wh, site)
    publish(wh)
    checks[2] = replace(checks[2], counts={GLASS: 12.0, ELVER: 3.0})
    send(wh, "alder", "alder/a.xlsx", checks)
    load(wh, "alder")
    with wh.transaction() as con:
        con.execute(
            "INSERT INTO decisions BY NAME SELECT 1 AS seq, 'd-1' AS id, 'alder' AS site, "
            "'alder:fyke:A:2026-03-03T0730' AS event_id, 'anguilla-rostrata' AS taxon, "
            "'elver' AS life_stage, 'count' AS field, 'correct' AS action, '0' AS old, "
            "'3' AS new, 'Pat says so' AS reason, 'Pat Q' AS who, 'resend' AS channel, "
            "DATE '2026-03-15' AS decided")
    release = publish(wh)
    with (release.path / "changes.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert {row["site_id"] for row in rows} == {"alder"}
    assert {row["life_stage"] for row in rows} == {"elver"}
    found = {(row["table"], row["period"], row["column"], row["old"], row["new"],
              row["derived"]) for row in rows}
    # 3 elvers in 24 net-hours; in the season 3 over six nights of 24: 3 / 144 * 24 = 0.5.
    assert found == {
        ("counts", "", "count", "0", "3", ""),
        ("counts", "", "cpue", "0.0", "3.0", "yes"),
        ("occurrences", "", "occurrence_status", "absent", "present", "yes"),
        ("daily_cpue", "2026-03-03", "count", "0", "3", "yes"),
        ("daily_cpue", "2026-03-03", "cpue", "0.0", "3.0", "yes"),
        ("season_totals", "2026", "count", "0", "3", "yes"),
        ("season_totals", "2026", "first_caught", "", "2026-03-03", "yes"),
        ("season_totals", "2026", "last_caught", "", "2026-03-03", "yes"),
        ("season_totals", "2026", "cpue", "0.0", "0.5", "yes"),
    }
    named = {row["decision"] for row in rows if row["event_id"]}
    assert named == {"correct by resend, 2026-03-15 (d-1)"}
    text = (release.path / "CHANGES.md").read_text(encoding="utf-8")
    assert "1 value changed in 1 count" in text and "Pat" not in text
    assert "count 0 -> 3; correct by resend, 2026-03-15 (d-1)" in text


def test_findings_say_what_was_asked_and_how_it_ended(wh: Warehouse) -> None:
    season(wh)
    with wh.transaction() as con:
        for number, (finding, event) in enumerate((("f-1", "e-1"), ("f-2", "e-2"))):
            con.execute(
                "INSERT INTO asked BY NAME SELECT $n AS seq, 'alder' AS site, $f AS finding, "
                "'q' AS ask, $e AS event_id, 'count' AS field, '' AS taxon, '' AS life_stage, "
                "'implausible' AS rule, '54' AS old, DATE '2026-03-02' AS first_asked",
                {"n": number, "f": finding, "e": event})
        con.execute(
            "INSERT INTO decisions BY NAME SELECT 1 AS seq, 'd-1' AS id, 'e-1' AS event_id, "
            "'count' AS field, 'correct' AS action, '54' AS old, '5' AS new, 'said so' AS reason, "
            "'Pat Q' AS who, 'workbook' AS channel, DATE '2026-03-15' AS decided")
    found = {row["finding_id"]: row["status"] for row in rows_of(publish(wh), "findings")}
    assert (found.pop("f-1"), found.pop("f-2")) == ("corrected", "gone")
    assert set(found.values()) == {"open"}


# -- provisional and final ----------------------------------------------------------------

def test_a_season_is_provisional_until_it_is_closed(wh: Warehouse) -> None:
    season(wh)
    first = publish(wh)
    assert read_manifest(first.path)["seasons"] == {"2026": "provisional"}
    with pytest.raises(BadSettings, match="2026-06-15"):
        close_season(wh.network_dir, network(), 2026, dt.date(2026, 6, 15))
    after = dt.date(2026, 8, 1)
    close_season(wh.network_dir, network(), 2026, after)
    final = publish(wh, after)
    assert final.new and read_manifest(final.path)["seasons"] == {"2026": "final"}
    assert "Seasons: 2026 final." in (final.path / "README.md").read_text(encoding="utf-8")
    with duckdb.connect(str(final.path / SNAPSHOT_NAME), read_only=True) as snapshot:
        assert snapshot.execute("FROM seasons").fetchall() == [(2026, "final")]
    season(wh, 6)
    moved = publish(wh, after)
    text = (moved.path / "CHANGES.md").read_text(encoding="utf-8")
    assert "Season 2026 was final: 3 of the differences are in it." in text
    reopen_season(wh.network_dir, 2026)
    assert read_manifest(publish(wh, after).path)["seasons"] == {"2026": "provisional"}
    with pytest.raises(BadSettings, match="not closed"):
        reopen_season(wh.network_dir, 2026)


def test_the_position_of_a_protected_catch_is_generalized_as_the_network_sets(
    wh: Warehouse,
) -> None:
    terms = replace(network(), publishing=Publishing(protected_decimals=1), sites={
        name: replace(site, latitude=44.1234, longitude=-67.5678)
        for name, site in network().sites.items()})
    sturgeon = ("acipenser", UNSTAGED)
    send(wh, "alder", "alder/a.xlsx", [Check("2026-03-01", {GLASS: 1.0, sturgeon: 1.0})])
    send(wh, "birch", "birch/b.xlsx", [Check("2026-03-01", {GLASS: 1.0, sturgeon: 0.0})])
    for site in ("alder", "birch"):
        load(wh, site)
    release = build_release(wh, terms, AS_OF, wh.network_dir)
    found = {row["site_id"]: (row["latitude"], row["longitude"], row["position_uncertainty_m"])
             for row in rows_of(release, "sites")}
    # Half the diagonal of a cell of 0.1 degrees at 44.1234 N: hypot(5566, 3996) m, rounded up.
    assert found == {"alder": ("44.1", "-67.6", "6852.0"), "birch": ("44.1234", "-67.5678", "")}
    with zipfile.ZipFile(release.path / "darwin-core-archive.zip") as archive:
        told = archive.read("event.txt").decode()
    assert "44.1,-67.6,EPSG:4326,6852.0" in told and "protected animals" in told
    assert told.count("44.1234") == 2  # birch's season and its net check


def test_a_sheet_sent_again_with_rows_in_other_places_changes_no_value(wh: Warehouse) -> None:
    season(wh)
    publish(wh)
    season(wh, salt="saved again")
    release = publish(wh)
    assert release.new, "the rows come from another file, and the release says which"
    text = (release.path / "CHANGES.md").read_text(encoding="utf-8")
    assert "No event and no count differs" in text


def test_an_empty_warehouse_gives_a_release_without_rows(wh: Warehouse) -> None:
    release = publish(wh)
    rows = json.loads((release.path / "manifest.json").read_text(encoding="utf-8"))["rows"]
    assert (rows["counts"], rows["sites"]) == (0, 2)


def test_text_with_commas_quotes_and_newlines_survives_csv(wh: Warehouse) -> None:
    awkward = 'net "A",\nupper'
    send(wh, "alder", "alder/a.xlsx", [Check("2026-03-01", {GLASS: 1.0}, gear=awkward)])
    load(wh, "alder")
    assert rows_of(publish(wh), "events")[0]["gear_unit"] == awkward


def test_no_cell_is_a_formula_to_a_spreadsheet(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", [
        Check("2026-03-01", {GLASS: 1.0}, gear='=HYPERLINK("http://x","net")'),
        Check("2026-03-02", {GLASS: 1.0}, gear="-1")])
    load(wh, "alder")
    release = publish(wh)
    for table in ("events", "counts"):
        assert [row["gear_unit"] for row in rows_of(release, table)] == [
            "'=HYPERLINK(\"http://x\",\"net\")", "-1"]


@pytest.mark.parametrize("gear", ["A", 'the "A" net'])
def test_counts_as_csv_and_parquet_agree_in_every_value(wh: Warehouse, gear: str) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 4, gear=gear))
    load(wh, "alder")
    release = publish(wh)
    parquet = pq.read_table(release.path / "counts.parquet")
    text = rows_of(release, "counts")
    for name in ("release_version", "event_id", "gear_unit", "life_stage"):
        assert [row[name] for row in text] == parquet.column(name).to_pylist()
    assert [int(row["count"]) for row in text] == parquet.column("count").to_pylist()
    assert [float(row["cpue"]) for row in text] == parquet.column("cpue").to_pylist()
    assert (release.path / "counts.csv").read_bytes().endswith(b"\n")


def test_the_same_program_can_try_again_after_a_release_failed(
    wh: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    season(wh)
    with monkeypatch.context() as patch:
        def full(*_: object) -> None:
            raise OSError("disk full")
        patch.setattr(durable, "flush_file", full)
        with pytest.raises(OSError, match="disk full"):
            publish(wh)
    assert latest_version(wh.network_dir) is None
    assert publish(wh).version == "2026.12.0"
    assert not list(releases_folder(wh.network_dir).glob(".*"))
