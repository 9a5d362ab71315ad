"""What was read is kept as read, under the key of what read it."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace

import pyarrow as pa
import pytest

from shared.problems import Trouble
from shared.settings import Network
from shared.sheets import Cell, Sheet, Workbook
from shared.staging import Staged
from tests.warehouse.by_hand import AS_OF, GLASS, days, network, send, staged_of
from warehouse.receipts import receive
from warehouse.staging import (
    Reading,
    reader_key,
    readings_present,
    save_readings,
    save_trouble,
)
from warehouse.store import Warehouse

KEY = reader_key("1", network(), "alder")
TROUBLE = Trouble("file-unreadable", "It cannot be read.", "Save it again.", "a.xlsx")


def test_cells_are_kept_as_text_beside_how_they_were_typed(wh: Warehouse) -> None:
    sha256 = receive(wh, "alder", "alder/a.xlsx", b"bytes", AS_OF).sha256
    rows: list[list[Cell]] = [
        ["Täg", 158.0, 5.25, None, True],
        [None, None],
        [dt.date(2026, 3, 1), dt.datetime(2026, 3, 1, 7, 30), dt.time(7, 30),
         dt.timedelta(hours=25), 1e300],
    ]
    workbook = Workbook("a.xlsx", "xlsx", [Sheet("Counts", rows, hidden=True)])
    save_readings(wh, "alder", {sha256: Reading(workbook, "[]", Staged())}, KEY)
    assert wh.connection.execute(
        "SELECT sheet, hidden, sheet_row, cells, kinds FROM raw_rows ORDER BY sheet_row"
    ).fetchall() == [
        ("Counts", True, 1, ["Täg", "158", "5.25", "", "True"], "tnn-b"),
        ("Counts", True, 3, ["2026-03-01", "2026-03-01T07:30:00", "07:30:00",
                             "1 day, 1:00:00", "1e+300"], "ddmun"),
    ]
    assert wh.connection.execute("SELECT format FROM files").fetchone() == ("xlsx",)


def test_staged_rows_come_back_as_they_were_handed_on(wh: Warehouse) -> None:
    checks = days("2026-03-01", 3)
    sha256 = send(wh, "alder", "alder/a.xlsx", checks)
    staged = staged_of("alder", sha256, checks)
    for table, rows in (("staged_events", staged.events), ("staged_catches", staged.catches),
                        ("staged_rows", staged.rows)):
        names = ", ".join(f'"{name}"' for name in rows)
        kept = wh.connection.execute(f"SELECT {names} FROM {table} ORDER BY rowid").fetchall()
        assert kept == list(zip(*rows.values(), strict=True))
    seen = wh.connection.execute("SELECT protocol, header_row, contract FROM tables_seen")
    protocol, header_row, contract = seen.fetchall()[0]
    assert (protocol, header_row) == ("fyke", 3)
    assert json.loads(contract)["name"] == "Counts"


def test_reading_again_replaces_what_was_read_before(wh: Warehouse) -> None:
    sha256 = send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    assert send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3)) == sha256
    assert wh.connection.execute("SELECT count(*) FROM staged_events").fetchone() == (3,)
    assert wh.connection.execute("SELECT count(*) FROM raw_rows").fetchone() == (5,)
    assert wh.connection.execute("SELECT count(*) FROM tables_seen").fetchone() == (1,)


def test_the_same_bytes_in_two_sites_folders_are_read_for_each(wh: Warehouse) -> None:
    checks = days("2026-03-01", 3)
    assert send(wh, "alder", "alder/a.xlsx", checks) == send(wh, "birch", "birch/a.xlsx", checks)
    assert wh.connection.execute(
        "SELECT site, count(*) FROM staged_catches GROUP BY site ORDER BY site"
    ).fetchall() == [("alder", 6), ("birch", 6)]


def test_trouble_and_reading_take_each_other_s_place(wh: Warehouse) -> None:
    checks = days("2026-03-01", 3)
    sha256 = send(wh, "alder", "alder/a.xlsx", checks)
    save_trouble(wh, "alder", sha256, TROUBLE, KEY)
    assert wh.connection.execute("SELECT count(*) FROM staged_events").fetchone() == (0,)
    assert readings_present(wh, "alder", KEY) == {sha256}
    send(wh, "alder", "alder/a.xlsx", checks)
    assert wh.connection.execute("SELECT count(*) FROM file_troubles").fetchone() == (0,)


@pytest.mark.parametrize("changed", [
    lambda n: ("2", n),
    lambda n: ("1", replace(n, season_start=(3, 1))),
    lambda n: ("1", replace(n, sites={**n.sites, "alder": replace(
        n.sites["alder"], profile=replace(n.sites["alder"].profile,
                                          units={"water_temperature": "degF"}))})),
    lambda n: ("1", replace(n, sites={**n.sites, "alder": replace(
        n.sites["alder"], zone="Etc/UTC")})),
])
def test_another_reader_or_profile_asks_for_reading_again(wh: Warehouse, changed: object) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    assert callable(changed)
    version, settings = changed(network())
    assert isinstance(settings, Network)
    assert readings_present(wh, "alder", KEY)
    assert not readings_present(wh, "alder", reader_key(version, settings, "alder"))


def test_a_new_address_does_not_ask_for_reading_again() -> None:
    before = network()
    alder = replace(before.sites["alder"], contact="other@example.org")
    assert reader_key("1", replace(before, sites={**before.sites, "alder": alder}), "alder") == KEY


def test_a_failure_while_saving_keeps_the_reading_before(
    wh: Warehouse,
) -> None:
    checks = days("2026-03-01", 3)
    sha256 = send(wh, "alder", "alder/a.xlsx", checks)
    workbook = Workbook("a.xlsx", "xlsx", [])
    uneven = staged_of("alder", sha256, checks[:1])
    uneven.catches["taxon"].append("one too many")
    with pytest.raises(pa.ArrowInvalid):
        save_readings(wh, "alder", {sha256: Reading(workbook, "[]", uneven)}, KEY)
    assert wh.connection.execute("SELECT count(*) FROM staged_events").fetchone() == (3,)
    taxa = wh.connection.execute("SELECT DISTINCT taxon FROM staged_catches").fetchall()
    assert taxa == [(GLASS[0],)]
