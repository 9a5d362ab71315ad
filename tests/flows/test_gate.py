"""The gate of the release: sabotage is caught and named, a good release goes out."""

from __future__ import annotations

import datetime as dt
import json
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import duckdb
import pyarrow.parquet as pq
import pytest

from checks import gate as gate_rules
from flows.door import GateShut, gate_of, gate_page_path
from shared.flags import Effect
from shared.settings import Network
from shared.taxa import UNSTAGED
from tests.warehouse.by_hand import AS_OF, ELVER, GLASS, Rule, days, in_parts, load, network, send
from warehouse import release_parts
from warehouse.release import Built, Release, build_release
from warehouse.snapshot import latest_version
from warehouse.store import Warehouse

Sabotage = Callable[[Built], None]


@pytest.fixture
def wh(tmp_path: Path) -> Iterator[Warehouse]:
    """An open, empty warehouse."""
    with Warehouse.open(tmp_path / "network") as opened:
        yield opened


def season(warehouse: Warehouse, number: int = 12) -> None:
    """Two sites, one held day, one withheld value."""
    for site in ("alder", "birch"):
        checks = days("2026-03-01", number)
        checks[4] = replace(checks[4], values={"water_temperature": 54.0})
        send(warehouse, site, f"{site}/sheet.xlsx", checks)
        load(warehouse, site, Rule("local_date = '2026-03-02'", "count", Effect.HOLD),
             Rule("local_date = '2026-03-05'", "water_temperature", Effect.MASK))


def publish(
    warehouse: Warehouse, sabotage: Sabotage | None = None, as_of: dt.date = AS_OF,
    terms: Network | None = None,
) -> Release:
    terms = terms or network()
    real = gate_of(terms, warehouse.network_dir)

    def gate(built: Built) -> None:
        if sabotage is not None:
            sabotage(built)
        real(built)

    return build_release(warehouse, terms, as_of, warehouse.network_dir, None, gate)


def altered(table: str, select: str) -> Sabotage:
    """Write ``table``'s Parquet file anew from ``select``, where ``it`` is what it held."""

    def do(built: Built) -> None:
        path = built.folder / f"{table}.parquet"
        other = path.with_suffix(".other")
        with duckdb.connect() as con:
            con.execute(f"CREATE TABLE it AS FROM read_parquet('{path.as_posix()}')")
            con.execute(f"COPY ({select}) TO '{other.as_posix()}' (FORMAT parquet)")
        other.replace(path)

    return do


def a_held_row(built: Built, table: str = "events") -> None:
    held = "alder:fyke:A:2026-03-02T0730"
    altered(table, "FROM it UNION ALL SELECT * REPLACE ("
            f"'{held}' AS event_id, DATE '2026-03-02' AS local_date) "
            "FROM (FROM it LIMIT 1)")(built)


def a_site_that_went(built: Built) -> None:
    for table in ("events", "counts", "occurrences", "measurements"):
        altered(table, "FROM it WHERE site_id <> 'birch'")(built)


FIRST = "event_id = 'alder:fyke:A:2026-03-01T0730'"
ELVERS = f"{FIRST} AND life_stage = 'elver'"
GLASSES = f"{FIRST} AND life_stage = 'glass eel'"

SABOTAGES: dict[str, tuple[Sabotage, str]] = {
    "a count twice": (
        altered("counts", f"FROM it UNION ALL FROM it WHERE {ELVERS}"), "counts-key-unique"),
    "an event twice": (
        altered("events", f"FROM it UNION ALL FROM it WHERE {FIRST}"), "event-id-unique"),
    "an event gone, its counts left": (
        altered("events", f"FROM it WHERE NOT ({FIRST})"), "count-no-orphan"),
    "a negative count": (
        altered("counts", f"SELECT * REPLACE (CASE WHEN {GLASSES} THEN -10 ELSE count END "
                "AS count) FROM it"), "count-not-negative"),
    "half an eel": (
        altered("counts", f"SELECT * REPLACE (CASE WHEN {GLASSES} THEN 10.5 ELSE count END "
                "AS count) FROM it"), "count-whole"),
    "a wrong catch per effort": (
        altered("counts", f"SELECT * REPLACE (CASE WHEN {GLASSES} THEN 11.0 ELSE cpue END "
                "AS cpue) FROM it"), "cpue-is-count-over-effort"),
    "a flag outside the set": (
        altered("counts", f"SELECT * REPLACE (CASE WHEN {GLASSES} THEN 7 ELSE qc_count END "
                "AS qc_count) FROM it"), "flags-in-the-set"),
    "a held row": (a_held_row, "event-not-held"),
    "a written zero lost": (
        altered("counts", f"FROM it WHERE NOT ({ELVERS})"), "zeros-complete"),
    "a zero called present": (
        altered("occurrences", f"SELECT * REPLACE (CASE WHEN {ELVERS} THEN 'present' "
                "ELSE occurrence_status END AS occurrence_status) FROM it"),
        "occurrence-status-fits"),
    "a total that is not the clean layer's": (
        altered("counts", f"SELECT * REPLACE (CASE WHEN {GLASSES} THEN 20 ELSE count END AS count,"
                f" CASE WHEN {GLASSES} THEN 20.0 ELSE cpue END AS cpue) FROM it"),
        "totals-as-clean"),
    "a site that went": (a_site_that_went, "no-unexplained-drop"),
    "an unknown taxon": (
        altered("counts", f"SELECT * REPLACE (CASE WHEN {GLASSES} THEN 'kraken' ELSE taxon_id "
                "END AS taxon_id) FROM it"), "count-taxon-known"),
    "water that boils": (
        altered("events", f"SELECT * REPLACE (CASE WHEN {FIRST} THEN 540.0 "
                "ELSE water_temperature_c END AS water_temperature_c) FROM it"),
        "values-possible"),
    "no effort passing for effort": (
        altered("events", f"SELECT * REPLACE (CASE WHEN {FIRST} THEN 0.0 ELSE effort_value END "
                "AS effort_value) FROM it"), "event-effort-above-nought"),
    "a check before the setting": (
        altered("events", f"SELECT * REPLACE (CASE WHEN {FIRST} THEN event_start_utc "
                "- INTERVAL 1 HOUR ELSE event_end_utc END AS event_end_utc) FROM it"),
        "event-ends-after-start"),
    "rows of another release": (
        altered("counts", "SELECT * REPLACE ('2025.01.0' AS release_version) FROM it"),
        "count-of-this-release"),
    "a column that nothing explains": (
        altered("dictionary", "FROM it WHERE column_name <> 'cpue'"), "columns-explained"),
    "a mail address": (
        altered("findings", "SELECT * REPLACE ('ask pat@example.org' AS message) FROM it"),
        "finding-without-address"),
    "a site that is not published": (
        altered("sites", "FROM it WHERE site_id <> 'birch'"), "event-site-known"),
    "a value of no event": (
        altered("measurements", "SELECT * REPLACE ('nowhere' AS event_id) FROM it"),
        "measurement-no-orphan"),
    "a day left empty": (
        altered("events", f"SELECT * REPLACE (CASE WHEN {FIRST} THEN NULL ELSE local_date END "
                "AS local_date) FROM it"), "required-never-empty"),
    "a count on another day than its event": (
        altered("counts", f"SELECT * REPLACE (CASE WHEN {GLASSES} THEN DATE '2026-03-09' "
                "ELSE local_date END AS local_date) FROM it"), "count-as-its-event"),
}


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Warehouse]:
    """A published release, and rows for the next one, which no sabotage lets out."""
    with Warehouse.open(tmp_path_factory.mktemp("ready") / "network") as opened:
        season(opened)
        publish(opened)
        season(opened, 13)
        yield opened


@pytest.mark.parametrize("what", SABOTAGES)
def test_a_sabotaged_release_is_refused_and_the_expectation_named_with_rows(
    ready: Warehouse, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    sabotage, named = SABOTAGES[what]
    page = gate_page_path(ready.network_dir, "2026.12.1")
    every_suite = gate_rules.suites

    def only_the_suite_of_it(subject: gate_rules.Subject) -> list[gate_rules.Suite]:
        return [suite for suite in every_suite(subject)
                if named in {expectation.id for expectation in suite.expectations}]

    def witnesses_say_so_too(built: Built) -> None:
        sabotage(built)
        with monkeypatch.context() as patch:
            patch.setattr(gate_rules, "WHOLE", 2)
            patch.setattr(gate_rules, "suites", only_the_suite_of_it)
            with pytest.raises(GateShut, match=named):
                gate_of(network(), ready.network_dir)(built)
        page.unlink()

    with pytest.raises(GateShut) as shut:
        publish(ready, witnesses_say_so_too)
    assert named in shut.value.what
    assert latest_version(ready.network_dir) == "2026.12.0"
    assert sorted(path.name for path in (ready.network_dir / "releases").iterdir()) == [
        "2026.12.0", "latest"]
    told = json.loads(page.with_name("gate.json").read_text(encoding="utf-8"))
    broken = {one["id"]: one for one in told["expectations"] if not one["held"]}
    assert broken[named]["broken"] >= 1 and broken[named]["rows"]
    html = page.read_text(encoding="utf-8")
    assert named in html and "http" not in html, "the page needs nothing from elsewhere"


def test_without_sabotage_it_goes_out_on_witnesses_as_on_every_row(
    wh: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    season(wh)
    publish(wh)
    monkeypatch.setattr(gate_rules, "WHOLE", 2)
    season(wh, 20)
    assert publish(wh).new


def test_a_loss_with_a_reason_on_record_goes_out(wh: Warehouse) -> None:
    season(wh)
    publish(wh)
    for site in ("alder", "birch"):
        load(wh, site, Rule("local_date > '2026-03-02'", "count", Effect.HOLD))
    assert publish(wh).new


def test_a_held_row_in_a_part_is_refused(wh: Warehouse, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(release_parts, "SMALL", 12)
    season(wh)

    def a_held_row_in_a_part(built: Built) -> None:
        for path in (built.folder / "events").iterdir() if built.part else ():
            if "alder" in pq.read_table(path)["site_id"].to_pylist():
                a_held_row(replace(built, folder=path.parent), path.stem)

    with pytest.raises(GateShut, match="event-not-held"):
        publish(wh, a_held_row_in_a_part, terms=in_parts())


def test_a_loss_with_a_reason_on_record_goes_out_in_parts(wh: Warehouse) -> None:
    season(wh)
    publish(wh, terms=in_parts())
    load(wh, "alder", Rule("local_date > '2026-03-02'", "count", Effect.HOLD))
    assert publish(wh, terms=in_parts()).new


def test_a_loss_without_a_reason_is_refused_in_parts(wh: Warehouse) -> None:
    season(wh)
    publish(wh, terms=in_parts())
    for table, site in (("clean_events", "site_id"), ("clean_counts", "site_id"),
                        ("row_account", "site"), ("site_seasons", "site")):
        wh.connection.execute(f"DELETE FROM {table} WHERE {site} = 'alder'")
    with pytest.raises(GateShut, match="no-unexplained-drop"):
        publish(wh, terms=in_parts())


def _a_season(chance: random.Random, warehouse: Warehouse, week: int) -> None:
    """What might come in a week: more days, odd counts, held days, nets out, no effort.

    Once both sites have sent, they send in turn: each release differs from the one before.
    """
    for site in ("alder", "birch") if week == 1 else (("alder", "birch")[week % 2],):
        checks = days("2026-02-10", 5 * week + chance.randrange(5))
        for place, check in enumerate(checks):
            pick = random.Random(f"{site}{place}").random()
            if pick < 0.1:
                checks[place] = replace(
                    check, counts={}, values={"net_status": "lifted"}, hours=None)
            elif pick < 0.2:
                checks[place] = replace(check, hours=None, set_before=None)
            elif pick < 0.3:
                checks[place] = replace(check, counts={GLASS: 0.0})
            elif pick < 0.4:
                checks[place] = replace(
                    check, counts={GLASS: 7.0, ELVER: 2.0, ("acipenser", UNSTAGED): 1.0})
        if week > 1:  # a lead corrects a count, and a date, of the weeks before
            fixed = chance.randrange(5)
            checks[fixed] = replace(checks[fixed], counts={GLASS: float(chance.randrange(90))})
            checks[5] = replace(checks[5], day="2026-01-20")
        send(warehouse, site, f"{site}/sheet.xlsx", checks)
        held = (dt.date(2026, 2, 10) + dt.timedelta(days=chance.randrange(5))).isoformat()
        load(warehouse, site, Rule(f"local_date = '{held}'", "count", Effect.HOLD),
             Rule("random() < 0.1", "water_temperature", Effect.MASK))


@pytest.mark.slow
@pytest.mark.parametrize("number", range(5))
def test_none_of_twenty_five_good_releases_is_refused(tmp_path: Path, number: int) -> None:
    """Five networks, five releases each, every one unlike the one before."""
    chance = random.Random(number)
    with Warehouse.open(tmp_path / "network") as warehouse:
        published = set()
        for week in range(1, 6):
            _a_season(chance, warehouse, week)
            made = publish(warehouse, as_of=AS_OF + dt.timedelta(weeks=week))
            assert made.new
            published.add(made.digest)
    assert len(published) == 5


def test_the_gate_is_written_once_a_field_at_most() -> None:
    """A new measured field is asked about by itself: the suite comes out of the dictionary."""
    subject = gate_rules.Subject(
        duckdb.connect(), Path(), "1", {"events": {"ph": "ph", "qc_ph": "ph"}}, {}, Path(),
        0.05)
    columns = next(s for s in gate_rules.suites(subject) if s.table == "columns")
    assert '"ph" < 0' in columns.sql and 'count(*) FILTER (coalesce("qc_ph" NOT IN' in columns.sql
