"""Decisions over rows: what is in force, what it does to the clean table, what a resend ends."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from typing import Any

import pytest

from shared.decisions import Action, Channel, Decision, canonical_text, value_of
from shared.findings import Finding
from shared.flags import Effect
from tests.warehouse.by_hand import (
    AS_OF,
    ELVER,
    GLASS,
    Check,
    Rule,
    days,
    network,
    send,
)
from warehouse import decisions, record, resends
from warehouse.clean import load_site
from warehouse.decisions import NothingToDecide, Overlay
from warehouse.folder import record_path
from warehouse.lineage import lay_out
from warehouse.store import Warehouse

SEASON = days("2026-03-01", 6)
DAY2 = "alder:fyke:A:2026-03-02T0730"


def load(wh: Warehouse, *rules: Rule) -> tuple[list[Finding], Overlay]:
    """Lay out, lay over, judge, settle and load, as a run would."""
    with wh.transaction():
        lay_out(wh, "alder")
        overlay = decisions.lay_over(wh, "alder", network())
        found = [item for rule in rules for item in rule.judge(wh, "alder")]
        found = decisions.settle(found, overlay, {"implausible": 1})
        load_site(wh, "alder", found, AS_OF, "work")
    return found, overlay


def decide(wh: Warehouse, event: str, action: Action, **changes: Any) -> Decision:
    """Record a decision of the coordinator."""
    made = decisions.decision_at(
        wh, network(), event, action, reason="the field sheet says so", who="Robin",
        channel=Channel.COORDINATOR, decided=AS_OF, **changes)
    return decisions.append(wh, [made])[0]


def value(wh: Warehouse, column: str, event: str = DAY2) -> Any:
    """A value of the clean events."""
    row = wh.connection.execute(
        f"SELECT {column}, decided FROM clean_events WHERE event_id = ?", [event]).fetchone()
    return row


def test_a_corrected_value_loads_and_says_that_it_was_decided(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh)
    decide(wh, DAY2, Action.CORRECT, field="water_temperature", value="5.4")
    load(wh)
    assert value(wh, "water_temperature_c") == (5.4, True)
    assert value(wh, "water_temperature_c", DAY2.replace("-02T", "-03T")) == (4.2, False)
    raw = wh.connection.execute("SELECT water_temperature FROM staged_events WHERE event_id = ?",
                                [DAY2]).fetchall()
    assert raw == [(4.1,)], "what was received is never edited"


def test_a_corrected_count_touches_its_own_catch_only(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh)
    decide(wh, DAY2, Action.CORRECT, field="count", taxon=GLASS[0], life_stage=GLASS[1],
           value="111")
    load(wh)
    rows = wh.connection.execute(
        "SELECT life_stage, count, decided FROM clean_counts WHERE event_id = ? ORDER BY 1",
        [DAY2]).fetchall()
    assert rows == [("elver", 0, False), ("glass eel", 111, True)]


def test_a_correction_ends_when_the_sheet_says_something_else(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh)
    decide(wh, DAY2, Action.CORRECT, field="water_temperature", value="5.4")
    other = replace(SEASON[1], values={"water_temperature": 6.6})
    send(wh, "alder", "alder/a.xlsx", [SEASON[0], other, *SEASON[2:]])
    _, overlay = load(wh)
    assert value(wh, "water_temperature_c") == (6.6, False)
    assert [item.field for item in overlay.lapsed] == ["water_temperature"]
    # The old sheet sent again says what was decided about.
    send(wh, "alder", "alder/a.xlsx", SEASON, salt="again")
    load(wh)
    assert value(wh, "water_temperature_c") == (5.4, True)


def test_the_last_decision_on_a_value_stands(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh)
    for new in ("5.4", "5.5"):
        decide(wh, DAY2, Action.CORRECT, field="water_temperature", value=new)
    load(wh)
    assert value(wh, "water_temperature_c") == (5.5, True)
    assert len(decisions.of_site(wh, "alder")) == 2


def test_a_corrected_date_moves_the_event_and_what_is_decided_of_it_follows(
    wh: Warehouse,
) -> None:
    wrong = replace(SEASON[2], day="2025-03-03")
    send(wh, "alder", "alder/a.xlsx", [*SEASON[:2], wrong, *SEASON[3:]])
    load(wh)
    was, now = "alder:fyke:A:2025-03-03T0730", "alder:fyke:A:2026-03-03T0730"
    made = decide(wh, was, Action.CORRECT, field="local_date", value="2026-03-03")
    assert made.becomes == now
    decide(wh, was, Action.CORRECT, field="water_temperature", value="5.4")
    load(wh)
    assert value(wh, "water_temperature_c", now) == (5.4, True)
    assert value(wh, "season", was) is None
    ended = wh.connection.execute(
        "SELECT event_end_utc FROM clean_events WHERE event_id = ?", [now]).fetchone()
    assert ended == (dt.datetime(2026, 3, 3, 12, 30),)
    # The site mends its own sheet: nothing vanishes, and the other decision still stands.
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh)
    assert value(wh, "water_temperature_c", now) == (5.4, True)
    assert wh.connection.execute("SELECT count(*) FROM clean_events").fetchone() == (6,)


def test_a_withdrawn_row_is_out_and_accounted_for(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh)
    decide(wh, DAY2, Action.WITHDRAW)
    load(wh)
    assert value(wh, "season") is None
    assert wh.connection.execute(
        "SELECT disposition, why FROM row_account WHERE sheet_row = 5").fetchall() == [
        ("skipped", "withdrawn: the field sheet says so")]
    decide(wh, DAY2, Action.RELEASE)
    load(wh)
    assert value(wh, "season") == (2026, True)


def test_of_two_rows_for_one_event_the_one_struck_goes(wh: Warehouse) -> None:
    twin = replace(SEASON[1], counts={GLASS: 99.0, ELVER: 0.0})
    send(wh, "alder", "alder/a.xlsx", [*SEASON[:2], twin, *SEASON[2:]])
    hold = Rule("event_id IN (SELECT event_id FROM judged_events GROUP BY ALL HAVING count(*) > 1)",
                "local_date", Effect.HOLD, rule="duplicate-event")
    found, _ = load(wh, hold)
    apart = decisions.set_apart(wh, found)
    assert len({item.id for item in apart}) == 2 == len({item.cause or item.id for item in apart})
    struck = next(item for item in apart if item.row == 6)
    decisions.append(wh, [decisions.decision_on(
        wh, network(), struck, Action.WITHDRAW, reason="typed twice", who="Robin",
        channel=Channel.WORKBOOK, decided=AS_OF)])
    found, _ = load(wh, hold)
    assert found == []
    assert wh.connection.execute(
        "SELECT count FROM clean_counts WHERE event_id = ? AND life_stage = 'glass eel'", [DAY2]
    ).fetchall() == [(11,)]
    # Once the lead deletes the row, the one that is left is not taken for it.
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh, hold)
    assert value(wh, "season") is not None


QUERY = Rule(f"event_id = '{DAY2}'", "water_temperature", Effect.QUERY)


def confirm(wh: Warehouse, finding: Finding, version: int = 1) -> None:
    decisions.append(wh, [decisions.decision_on(
        wh, network(), finding, Action.CONFIRM, reason="looked again", who="Robin",
        channel=Channel.WORKBOOK, decided=AS_OF, rule_version=version)])


def test_what_was_confirmed_stays_so_until_the_value_changes(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    found, _ = load(wh, QUERY)
    confirm(wh, found[0])
    (found_again,), _ = load(wh, QUERY)
    assert (found_again.effect, found_again.settled) == (Effect.NOTE, "confirmed")
    assert value(wh, "qc_water_temperature") == (1, True)
    send(wh, "alder", "alder/a.xlsx", SEASON, salt="sent again")
    assert load(wh, QUERY)[0][0].settled == "confirmed"
    other = replace(SEASON[1], values={"water_temperature": 6.6})
    send(wh, "alder", "alder/a.xlsx", [SEASON[0], other, *SEASON[2:]])
    assert load(wh, QUERY)[0][0].settled == ""


def test_a_graver_finding_or_a_rule_with_another_meaning_asks_again(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    found, _ = load(wh, QUERY)
    confirm(wh, found[0])
    assert load(wh, replace(QUERY, effect=Effect.HOLD))[0][0].settled == ""
    assert load(wh, QUERY)[0][0].settled == "confirmed"
    with wh.transaction():
        lay_out(wh, "alder")
        overlay = decisions.lay_over(wh, "alder", network())
    (again,) = decisions.settle(found, overlay, {"implausible": 2})
    assert again.settled == ""


def test_hold_and_release(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh)
    decide(wh, DAY2, Action.HOLD)
    load(wh)
    assert value(wh, "season") is None
    assert wh.connection.execute(
        "SELECT why FROM row_account WHERE disposition = 'held'").fetchall() == [
        ("held by decision: the field sheet says so",)]
    decide(wh, DAY2, Action.RELEASE)
    load(wh, Rule(f"event_id = '{DAY2}'", "count", Effect.HOLD))
    assert value(wh, "season") == (2026, True), "a release lets the row in whatever holds it"


def test_a_row_without_a_date_can_be_decided_on(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", [replace(SEASON[0], day="?"), *SEASON[1:]])
    missing = Rule("event_id IS NULL", "local_date", Effect.HOLD, rule="date-unreadable")
    (found,), _ = load(wh, missing)
    decisions.append(wh, [decisions.decision_on(
        wh, network(), found, Action.CORRECT, value="2026-03-01", reason="from the field sheet",
        who="Robin", channel=Channel.WORKBOOK, decided=AS_OF)])
    assert load(wh, missing)[0] == []
    assert value(wh, "season", "alder:fyke:A:2026-03-01T0730") == (2026, True)


def _long(wh: Warehouse, **other: Any) -> None:
    """A long sheet whose second row, with the elvers of the first check, lacks its date."""
    water = {"water_temperature": 4.0}
    send(wh, "alder", "alder/a.xlsx", [
        Check("2026-03-01", {GLASS: 6.0}, water),
        Check("?", {ELVER: 1.0}, water | other),
        *SEASON[1:]])
    missing = Rule("event_id IS NULL", "local_date", Effect.HOLD, rule="date-unreadable")
    (found,), _ = load(wh, missing)
    decisions.append(wh, [decisions.decision_on(
        wh, network(), found, Action.CORRECT, value="2026-03-01", reason="from the field sheet",
        who="Robin", channel=Channel.WORKBOOK, decided=AS_OF)])


def test_a_row_of_a_long_sheet_joins_its_check_when_its_date_is_told(wh: Warehouse) -> None:
    _long(wh)
    load(wh)
    assert wh.connection.execute(
        "SELECT life_stage, count FROM clean_counts WHERE event_id LIKE '%2026-03-01%' "
        "ORDER BY life_stage").fetchall() == [("elver", 1), ("glass eel", 6)]
    assert value(wh, "season", "alder:fyke:A:2026-03-01T0730") == (2026, True)
    rows = wh.connection.execute(
        "SELECT sheet_row, disposition FROM row_account WHERE event_id LIKE '%2026-03-01%' "
        "ORDER BY sheet_row").fetchall()
    assert rows == [(4, "loaded"), (5, "loaded")], "no row of the sheet is lost from the account"


def test_what_is_decided_of_a_joined_row_afterwards_finds_it(wh: Warehouse) -> None:
    _long(wh)
    load(wh)
    decide(wh, "alder:fyke:A:2026-03-01T0730", Action.CORRECT, field="count", taxon=ELVER[0],
           life_stage=ELVER[1], value="11")
    load(wh)
    assert wh.connection.execute(
        "SELECT count FROM clean_counts WHERE event_id LIKE '%2026-03-01%' "
        "AND life_stage = 'elver'").fetchall() == [(11,)]


def test_a_row_that_says_otherwise_of_the_check_is_not_joined(wh: Warehouse) -> None:
    _long(wh, water_temperature=9.5)
    lay_out(wh, "alder")
    decisions.lay_over(wh, "alder", network())
    assert wh.connection.execute(
        "SELECT count(*) FROM judged_events WHERE event_id LIKE '%2026-03-01%'"
    ).fetchall() == [(2,)], "two rows for one net: the rule asks which is right"


def test_what_cannot_be_decided_says_why(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh)
    for event, changes, word in (
        ("alder:fyke:A:1999-01-01", {}, "No sheet"),
        (DAY2, {"field": "colour"}, "no field"),
        (DAY2, {"field": "water_temperature", "value": "warm"}, "cannot stand"),
        (DAY2, {"field": "count", "taxon": "homo-sapiens", "value": "1"}, "no place"),
    ):
        with pytest.raises(NothingToDecide, match=word):
            decide(wh, event, Action.CORRECT, **changes)
    assert decisions.of_site(wh, "alder") == []


# -- the record ------------------------------------------------------------------------------


def test_what_is_undone_in_the_database_is_still_in_the_record(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh)
    with pytest.raises(ZeroDivisionError), wh.transaction():
        decide(wh, DAY2, Action.WITHDRAW)
        raise ZeroDivisionError
    assert decisions.of_site(wh, "alder") == []
    assert record.catch_up(wh) == 1
    assert [item.action for item in decisions.of_site(wh, "alder")] == [Action.WITHDRAW]
    assert record.catch_up(wh) == 0


def test_what_a_resend_mended_is_noted_once_though_the_run_was_cut_off(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    odd = Rule(f"event_id = '{DAY2}' AND water_temperature > 4", "water_temperature",
               Effect.QUERY)
    before, _ = load(wh, odd)
    mended = replace(SEASON[1], values={"water_temperature": 3.5})
    send(wh, "alder", "alder/a.xlsx", [SEASON[0], mended, *SEASON[2:]], as_of=AS_OF)

    def note() -> None:
        lay_out(wh, "alder")
        resends.note_resent(wh, network(), "alder", before, [], AS_OF)

    with pytest.raises(ZeroDivisionError), wh.transaction():
        note()
        raise ZeroDivisionError
    assert len(record.read(wh.network_dir)["decision"]) == 1
    note()
    assert len(record.read(wh.network_dir)["decision"]) == 1
    assert [item.channel for item in decisions.of_site(wh, "alder")] == [Channel.RESEND]


def test_decisions_and_the_answers_that_they_follow_from_come_in_one_write(
    wh: Warehouse,
) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh)
    made = decisions.decision_at(
        wh, network(), DAY2, Action.HOLD, reason="so", who="Robin",
        channel=Channel.WORKBOOK, decided=AS_OF)
    answer = {"site": "alder", "key": "k", "source": "s", "sha256": "", "ask": "a", "says": "",
              "note": "", "who": "Robin", "outcome": "applied", "why": "", "answered": AS_OF}
    decisions.append(wh, [made], [answer])
    kinds = [json.loads(line)["kind"] for line in
             record_path(wh.network_dir).read_text(encoding="utf-8").splitlines()]
    assert kinds[-2:] == ["decision", "answer"]
    assert wh.connection.execute("SELECT key FROM answers").fetchall() == [("k",)]


def test_a_line_cut_short_is_no_line_and_is_written_over(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    load(wh)
    decide(wh, DAY2, Action.HOLD)
    path = record_path(wh.network_dir)
    with path.open("ab") as handle:
        handle.write(b'{"kind": "decision", "seq"')
    decide(wh, DAY2, Action.RELEASE)
    lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    assert [line["seq"] for line in lines if line["kind"] == "decision"] == [1, 2]


@pytest.mark.parametrize(("held", "text"), [
    (None, ""), (5.0, "5"), (5.25, "5.25"), (0.1 + 0.2, "0.3"), (dt.date(2026, 3, 1), "2026-03-01"),
    (dt.time(7, 30), "07:30"), ("ebb", "ebb"), (-0.0, "0"),
])
def test_a_value_as_text(held: object, text: str) -> None:
    assert canonical_text(held) == text


def test_text_as_a_value() -> None:
    assert value_of("5.4", "water_temperature") == 5.4
    assert value_of("", "water_temperature") is None
    assert value_of("2026-03-01", "local_date") == dt.date(2026, 3, 1)
    for text, field in (("nan", "count"), ("warm", "water_temperature"), ("1/3", "local_date"),
                        ("perhaps", "net_status")):
        with pytest.raises(ValueError):
            value_of(text, field)


def test_a_check_may_be_decided_on_after_its_site_is_laid_out_alone(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", SEASON)
    send(wh, "birch", "birch/a.xlsx", [Check("2026-03-02", {GLASS: 1.0})])
    load(wh)
    decide(wh, DAY2, Action.HOLD)
    with wh.transaction():
        lay_out(wh, "birch")
        assert decisions.lay_over(wh, "birch", network()) == Overlay()
