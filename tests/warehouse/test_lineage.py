"""Which rows speak for a site: resends, renames, moved, vanished and held rows."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from shared.flags import Effect
from shared.problems import Trouble
from shared.staging import CATCH_COLUMNS, EVENT_COLUMNS
from tests.warehouse.by_hand import AS_OF, GLASS, Check, Rule, days, lay_empty, load, network, send
from warehouse.folder import database_path
from warehouse.lineage import lay_out
from warehouse.receipts import receive
from warehouse.staging import reader_key, save_trouble
from warehouse.store import Warehouse

SEASON = days("2026-03-01", 6)


def judged(warehouse: Warehouse) -> dict[str, tuple[bool, str]]:
    """event day -> (vanished, file) of what speaks now."""
    return {
        (event or "?").rsplit(":", 1)[-1][:10]: (vanished, file)
        for event, vanished, file in warehouse.connection.execute(
            "SELECT event_id, vanished, file FROM judged_events"
        ).fetchall()
    }


def test_the_tables_laid_out_have_the_contract_s_columns(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    lay_out(wh, "alder")
    described = wh.connection.execute("DESCRIBE judged_events").fetchall()
    assert {row[0]: row[1] for row in described} == EVENT_COLUMNS | {
        "vanished": "BOOLEAN", "file": "VARCHAR"}
    described = wh.connection.execute("DESCRIBE judged_catches").fetchall()
    assert {row[0]: row[1] for row in described} == CATCH_COLUMNS


def test_a_resend_under_the_same_name_speaks_alone(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON[:4])
    send(wh, "alder", "alder/a.xlsx", SEASON)
    lineage = lay_out(wh, "alder")
    assert [file.current for file in lineage.files] == [False, True]
    assert (lineage.events, lineage.vanished) == (6, 0)


def test_a_resend_under_another_name_supersedes_when_it_holds_half(wh: Warehouse) -> None:
    send(wh, "alder", "alder/week1.xlsx", SEASON[:4])
    send(wh, "alder", "alder/week2.xlsx", SEASON[2:])
    lineage = lay_out(wh, "alder")
    assert [file.current for file in lineage.files] == [False, True]
    assert judged(wh)["2026-03-01"] == (True, "alder/week1.xlsx")
    assert judged(wh)["2026-03-03"] == (False, "alder/week2.xlsx")


def test_a_file_that_holds_less_than_half_stands_beside(wh: Warehouse) -> None:
    send(wh, "alder", "alder/march.xlsx", SEASON[:4])
    send(wh, "alder", "alder/april.xlsx", SEASON[3:])
    lineage = lay_out(wh, "alder")
    assert all(file.current for file in lineage.files)
    # The day that both have is in twice: whether that is an error is a rule's business.
    assert (lineage.events, lineage.vanished) == (7, 0)


def test_two_events_are_too_few_to_be_superseded_by_content(wh: Warehouse) -> None:
    send(wh, "alder", "alder/net-a.xlsx", SEASON[:2])
    send(wh, "alder", "alder/net-b.xlsx", SEASON[:2], salt="b")
    assert all(file.current for file in lay_out(wh, "alder").files)


def test_the_same_bytes_under_two_names_are_one_file(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    send(wh, "alder", "alder/copy of a.xlsx", SEASON)
    lineage = lay_out(wh, "alder")
    assert (len(lineage.files), lineage.events, lineage.vanished) == (1, 6, 0)


def test_a_file_that_cannot_be_read_takes_nobody_s_place(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    broken = receive(wh, "alder", "alder/a.xlsx", b"\x00", AS_OF)
    save_trouble(wh, "alder", broken.sha256, Trouble("file-protected", "No.", "Do."),
                 reader_key("1", network(), "alder"))
    lineage = lay_out(wh, "alder")
    assert (lineage.events, lineage.vanished) == (6, 0)


def test_a_return_to_the_older_sheet_lets_the_older_sheet_speak(wh: Warehouse) -> None:
    for checks in (SEASON[:5], SEASON, SEASON[:5]):
        send(wh, "alder", "alder/a.xlsx", checks)
    lay_out(wh, "alder")
    assert judged(wh)["2026-03-06"] == (True, "alder/a.xlsx")
    assert not judged(wh)["2026-03-05"][0]


def test_a_vanished_row_is_carried_from_the_latest_sheet_that_had_it(wh: Warehouse) -> None:
    older = replace(SEASON[1], values={"water_temperature": 3.0})
    send(wh, "alder", "alder/a.xlsx", [SEASON[0], older, *SEASON[2:4]])
    send(wh, "alder", "alder/a.xlsx", SEASON[:5])
    send(wh, "alder", "alder/a.xlsx", [SEASON[0], *SEASON[2:]])
    lineage, account = load(wh, "alder")
    assert (lineage.events, lineage.vanished) == (6, 1)
    assert wh.connection.execute(
        "SELECT water_temperature FROM judged_events WHERE vanished").fetchall() == [(4.1,)]
    assert account.vanished == 1
    # Still carried when nothing has changed since.
    assert load(wh, "alder")[0] == lineage


def test_a_vanished_row_that_was_held_as_vanished_stays_carried(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh, "alder")
    send(wh, "alder", "alder/a.xlsx", SEASON[1:])
    rule = Rule("vanished", "", Effect.HOLD, rule="vanished-row")
    for _ in range(3):
        lineage, account = load(wh, "alder", rule)
        assert (lineage.vanished, account.held) == (1, 1)


def test_a_row_whose_date_was_corrected_has_moved(wh: Warehouse) -> None:
    wrong = replace(SEASON[2], day="2026-08-03")
    send(wh, "alder", "alder/a.xlsx", [*SEASON[:2], wrong, *SEASON[3:5]])
    load(wh, "alder")
    send(wh, "alder", "alder/a.xlsx", SEASON)
    assert lay_out(wh, "alder").vanished == 0
    # Also later, when the row has been edited again and nothing looks like the old one.
    edited = replace(SEASON[2], counts={GLASS: 99.0})
    send(wh, "alder", "alder/a.xlsx", [*SEASON[:2], edited, *SEASON[3:]])
    assert lay_out(wh, "alder").vanished == 0


def test_a_row_whose_date_can_no_longer_be_read_is_there_and_not_vanished(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    send(wh, "alder", "alder/a.xlsx", [replace(SEASON[0], day="?"), *SEASON[1:]])
    lineage = lay_out(wh, "alder")
    assert (lineage.events, lineage.vanished) == (6, 0)


def test_rows_that_a_vanished_one_may_be_are_named_where_they_stand_now(wh: Warehouse) -> None:
    values = {"water_temperature": 6.1}
    was, *twins = (Check(day, {GLASS: 5.0}, values)
                   for day in ("2026-03-20", "2026-04-02", "2026-04-05"))
    send(wh, "alder", "alder/a.xlsx", [*SEASON, was])
    load(wh, "alder")
    send(wh, "alder", "alder/a.xlsx", [*twins, *SEASON])
    assert lay_out(wh, "alder").vanished == 1
    alike = "SELECT place, sheet, sheet_row, local_date::VARCHAR FROM judged_alike ORDER BY place"
    first = wh.connection.execute(alike).fetchall()
    assert first == [(1, "Counts", 4, "2026-04-02"), (2, "Counts", 5, "2026-04-05")]
    # A later sheet has two more rows above them.
    early = [Check(f"2026-02-{day:02d}", {GLASS: 0.0}) for day in (3, 4)]
    send(wh, "alder", "alder/a.xlsx", [*early, *twins, *SEASON])
    lay_out(wh, "alder")
    assert [row[2] for row in wh.connection.execute(alike).fetchall()] == [6, 7]


def test_bare_zero_rows_do_not_pass_for_each_other(wh: Warehouse) -> None:
    zeros = [Check(f"2026-03-{day:02d}", {GLASS: 0.0}) for day in range(1, 8)]
    send(wh, "alder", "alder/a.xlsx", zeros[:6])
    send(wh, "alder", "alder/a.xlsx", zeros[1:])
    lay_out(wh, "alder")
    assert judged(wh)["2026-03-01"][0], "a deleted zero is a question, whatever else was added"


def test_one_new_row_stands_for_one_moved_row_only(wh: Warehouse) -> None:
    twin = replace(SEASON[1], values=SEASON[0].values, counts=SEASON[0].counts)
    send(wh, "alder", "alder/a.xlsx", [SEASON[0], *SEASON[2:5]])
    send(wh, "alder", "alder/b.xlsx", [twin, *[replace(c, gear="B") for c in SEASON[2:5]]])
    for name, gear in (("a", "A"), ("b", "B")):
        rest = [replace(c, gear=gear) for c in SEASON[2:5]]
        moved = [replace(SEASON[0], day="2026-03-09")] if name == "b" else []
        send(wh, "alder", f"alder/{name}.xlsx", [*moved, *rest], salt="later")
    lay_out(wh, "alder")
    assert sum(vanished for vanished, _ in judged(wh).values()) == 1


def test_a_held_row_that_leaves_the_sheet_was_answered_for_good(wh: Warehouse) -> None:
    hold = Rule("local_date = '2026-03-02'", "count", Effect.HOLD)
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh, "alder", hold)
    send(wh, "alder", "alder/a.xlsx", [SEASON[0], *SEASON[2:]])
    for _ in range(2):
        lineage, account = load(wh, "alder", hold)
        assert (lineage.vanished, lineage.departed, account.held) == (0, 1, 0)
    assert wh.connection.execute("SELECT event_id FROM departures").fetchall() == [
        ("alder:fyke:A:2026-03-02T0730",)]
    # Put back and loaded, it would be missed again.
    send(wh, "alder", "alder/a.xlsx", SEASON, salt="back")
    load(wh, "alder")
    send(wh, "alder", "alder/a.xlsx", [SEASON[0], *SEASON[2:]], salt="gone again")
    assert lay_out(wh, "alder").vanished == 1


def test_one_site_s_files_say_nothing_of_another_s(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    send(wh, "birch", "birch/a.xlsx", SEASON)
    assert lay_out(wh, "alder").events == 6
    rows = wh.connection.execute("SELECT count(*), count(DISTINCT site) FROM judged_events")
    assert rows.fetchone() == (6, 1)
    assert wh.connection.execute("SELECT count(*) FROM judged_catches").fetchone() == (12,)


@st.composite
def weeks(draw: st.DrawFn) -> list[tuple[str, list[int]]]:
    """Some weekly sheets: a file name and the days it has rows for."""
    return draw(st.lists(
        st.tuples(st.sampled_from(["a", "b", "c"]),
                  st.lists(st.integers(1, 9), unique=True, max_size=9)),
        min_size=1, max_size=5,
    ))


@settings(max_examples=15)
@given(sent=weeks())
def test_no_day_ever_sent_is_lost(sent: list[tuple[str, list[int]]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        lay_empty(database_path(Path(folder)))
        _no_day_is_lost(Path(folder), sent)


def _no_day_is_lost(folder: Path, sent: list[tuple[str, list[int]]]) -> None:
    with Warehouse.open(folder) as warehouse:
        ever: set[str] = set()
        for week, (name, chosen) in enumerate(sent):
            checks = [
                Check(f"2026-03-{day:02d}", {GLASS: float(day)}, {"ph": 7 + day / 10})
                for day in chosen
            ]
            ever |= {check.day for check in checks}
            send(warehouse, "alder", f"alder/{name}.xlsx", checks, salt=str(week))
            lineage, account = load(warehouse, "alder")
            assert set(judged(warehouse)) == ever
            loaded = warehouse.connection.execute(
                "SELECT local_date::VARCHAR FROM clean_events").fetchall()
            assert sorted(row[0] for row in loaded) == sorted(ever)
            latest = {check.day for check in checks}
            assert not {day for day in latest if judged(warehouse)[day][0]}
            assert account.rows + account.skipped == len(
                warehouse.connection.execute("FROM row_account").fetchall())
            assert lineage.site == "alder"


def _water(day: str, **where: object) -> Check:
    return Check(day, {}, {"water_temperature": 7.5} | where, protocol="water", gear="1",
                 time=None, hours=None, set_before=None)


def test_readings_that_stood_alone_go_to_the_check_whose_row_was_mended(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", [*SEASON[1:], _water("2026-03-01")])
    lent = replace(SEASON[0], values=SEASON[0].values | {
        "water_sheet": "Counts", "water_row": 9})
    send(wh, "alder", "alder/a.xlsx", [lent, *SEASON[1:]])
    lineage = lay_out(wh, "alder")
    assert lineage.vanished == 0
    assert wh.connection.execute("SELECT event_id, becomes FROM judged_moved").fetchall() == [
        ("alder:water:1:2026-03-01", "alder:fyke:A:2026-03-01T0730")]


def test_readings_that_no_check_has_are_asked_about_when_they_are_gone(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", [*SEASON[1:], _water("2026-03-01")])
    lent = replace(SEASON[1], values=SEASON[1].values | {
        "water_sheet": "Counts", "water_row": 9})
    send(wh, "alder", "alder/a.xlsx", [SEASON[0], lent, *SEASON[2:]])
    assert lay_out(wh, "alder").vanished == 1
