"""Answers by workbook: applied once, refused with a reason, told in the next message."""

from __future__ import annotations

import datetime as dt
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from flows.answers import pending
from flows.answers.reading import read_answers
from flows.answers.settling import written_value
from flows.intake.reading import read_workbook
from flows.returns.workbook import holds_answers
from shared.decisions import Action, Answer, Channel
from shared.findings import Finding
from shared.flags import Effect, Flag
from shared.settings import Network
from warehouse import decisions
from warehouse.store import Warehouse

from .conftest import (
    AS_OF,
    SITE,
    clean_value,
    fill_in,
    newest_book,
    outcomes,
    run,
    suggested,
)

LATER = AS_OF + dt.timedelta(days=7)
WARM = "2026-02-27"
"""A day on which the sheet says 390 for 39.0 degF."""


def message(bay: Path) -> str:
    return sorted((bay / "outbox" / SITE).glob("*/message.txt"))[-1].read_text(encoding="utf-8")


def test_a_suggestion_taken_is_in_the_clean_table_and_told(bay: Path) -> None:
    assert clean_value(bay, "water_temperature_c", WARM) is None
    told = fill_in(newest_book(bay), suggested, bay / "inbox" / SITE / "done.xlsx")
    done = run(bay, LATER)
    assert done.outcome.sites[SITE].troubles == []
    assert told >= 4
    assert [came for came, _, _ in outcomes(bay)] == ["applied"] * told
    assert clean_value(bay, "water_temperature_c", WARM) == pytest.approx(3.888889)
    assert clean_value(bay, "decided", WARM) is True
    still = done.outcome.standing["sites"][SITE]["asked"]
    assert f"You fixed {told}; {still} still open." in message(bay)


def test_the_same_answers_under_another_name_change_nothing_more(bay: Path) -> None:
    inbox = bay / "inbox" / SITE
    fill_in(newest_book(bay), suggested, inbox / "done.xlsx")
    run(bay, LATER)
    before = outcomes(bay)
    shutil.copy(inbox / "done.xlsx", inbox / "copy of done.xlsx")
    # Saved anew: other bytes, the same answers, and one line more.
    fill_in(inbox / "done.xlsx",
            lambda says, odd, tip: ("right as written", "") if "192 h" in odd else None,
            inbox / "done, with one more.xlsx")
    run(bay, LATER + dt.timedelta(days=7))
    assert [entry for entry in outcomes(bay) if entry[0] != "nothing"] == [
        *before, ("applied", "right as written", "")]


def test_what_cannot_be_is_asked_again_and_what_is_as_written_is_confirmed(bay: Path) -> None:
    def says(said: str, odd: str, tip: str) -> tuple[str, str] | None:
        if said.endswith(": 390"):
            return "use my value", "410"
        if said.endswith(": 400"):
            return "ok", ""
        return ("use my value", said.rpartition(": ")[2]) if "192 h" in odd else None

    fill_in(newest_book(bay), says, bay / "inbox" / SITE / "done.xlsx")
    run(bay, LATER)
    came = {said: (outcome, why) for outcome, said, why in outcomes(bay)}
    outcome, why = came.pop("use my value: 410")
    assert outcome == "refused" and "410" in why and "rule" in why
    outcome, why = came.pop("ok")
    assert outcome == "refused" and "cannot be right" in why
    assert clean_value(bay, "water_temperature_c", WARM) is None
    told = message(bay)
    assert "You fixed 1" in told and "2 answers could not be used" in told and "410" in told
    # Giving what the sheet has is saying that it is right.
    assert [outcome for outcome, _ in came.values()] == ["applied"]
    with Warehouse.open(bay) as warehouse:
        assert [item.action for item in decisions.of_site(warehouse, SITE)] == [Action.CONFIRM]


def test_what_is_clear_is_applied_and_the_rest_asked_again(bay: Path) -> None:
    def says(said: str, odd: str, tip: str) -> tuple[str, str] | None:
        if said.endswith(": 390"):
            return "use my value", "39.2"
        if said.endswith(": 400"):
            return "it is right as written", "40"
        if "192 h" in odd:
            return "perhaps?", ""
        return ("use my value", "") if "3/34/2026" in odd else None

    fill_in(newest_book(bay), says, bay / "inbox" / SITE / "half.xlsx")
    run(bay, LATER)
    assert sorted((came, said) for came, said, _ in outcomes(bay)) == [
        ("applied", "use my value: 39.2"),
        ("unclear", "it is right as written: 40"),
        ("unclear", "perhaps?"),
        ("unclear", "use my value"),
    ]
    assert clean_value(bay, "water_temperature_c", WARM) == pytest.approx(4.0)


def test_an_unreadable_date_is_given_or_its_row_struck(bay: Path) -> None:
    def says(said: str, odd: str, tip: str) -> tuple[str, str] | None:
        if "3/34/2026" in odd:
            return "use my value", "2026-03-03"
        return ("strike", "") if "13/3//" in odd else None

    fill_in(newest_book(bay), says, bay / "inbox" / SITE / "done.xlsx")
    run(bay, LATER)
    assert [came for came, _, _ in outcomes(bay)] == ["applied"] * 2
    assert clean_value(bay, "decided", "2026-03-03") is True
    with Warehouse.open(bay) as warehouse:
        gone = warehouse.connection.execute(
            "SELECT count(*) FROM row_account WHERE why LIKE 'withdrawn%'").fetchone()
    assert gone == (1,)


@pytest.mark.parametrize(("day", "month_first", "day_first"), [
    # The rows beside are of one week: read the other way, each date is weeks away.
    (dt.date(2026, 3, 5), "03/05/26", "05/03/26"),
    (dt.date(2026, 3, 25), "3/25/2026", "25/3/2026"),
])
def test_a_date_is_read_the_way_that_the_rows_beside_it_have_it(
    bay: Path, network: Network, day: dt.date, month_first: str, day_first: str
) -> None:
    with Warehouse.open(bay) as warehouse:
        row = warehouse.connection.execute(
            "SELECT file_sha256, sheet, sheet_row FROM staged_events WHERE local_date = ? LIMIT 1",
            [day]).fetchone()
        assert row is not None
        asked = Finding(SITE, "", row[0], row[1], row[2], "", "local_date", "", Effect.HOLD,
                        Flag.FAIL, "", "", "", "")
        for text in (month_first, day_first, day.strftime("%d %b %Y")):
            assert written_value(warehouse, network, asked, text) == day.isoformat(), text
        assert written_value(warehouse, network, asked, "07/09/26") is None


def test_an_old_workbook_does_not_undo_what_the_sheet_says_since(bay: Path) -> None:
    book = newest_book(bay)
    sheet = bay / "inbox" / SITE / "Alder Creek 2026.xlsx"
    import openpyxl

    held = openpyxl.load_workbook(sheet)
    for row in held.worksheets[0].iter_rows():
        for cell in row:
            if cell.value == 390:
                cell.value = 38.5
    held.save(sheet)
    run(bay, LATER)
    with Warehouse.open(bay) as warehouse:
        made = decisions.of_site(warehouse, SITE)
    assert [(item.channel, item.action, item.field) for item in made] == [
        (Channel.RESEND, Action.CORRECT, "water_temperature")]
    assert "You fixed 1" in message(bay)
    fill_in(book, lambda says, odd, tip: ("use my value", "39") if says.endswith(": 390") else None,
            bay / "inbox" / SITE / "late.xlsx")
    run(bay, LATER + dt.timedelta(days=7))
    ((came, _, why),) = outcomes(bay)
    assert came == "conflict" and "changed since" in why
    assert clean_value(bay, "water_temperature_c", WARM) == pytest.approx(3.611111)


def test_answers_of_another_site_are_told_and_not_used(bay: Path) -> None:
    import openpyxl

    book = openpyxl.load_workbook(newest_book(bay))
    for row in book["about"].iter_rows(max_row=8):
        if row[0].value == "site":
            row[1].value = "elsewhere"
    book.save(bay / "inbox" / SITE / "theirs.xlsx")
    done = run(bay, LATER)
    (told,) = done.outcome.sites[SITE].troubles
    assert told.code == "answers-of-another-site" and told.where == "theirs.xlsx"


def test_what_a_page_was_told_is_settled_by_the_next_run(bay: Path) -> None:
    with Warehouse.open(bay) as warehouse:
        (finding,) = warehouse.connection.execute(
            "SELECT id FROM findings WHERE value = '390'").fetchall()
    pending.put(bay, Answer(SITE, finding[0], Action.CORRECT, "39", "looked it up", "Robin"))
    run(bay, LATER)
    assert outcomes(bay) == [("applied", "correct: 39", "")]
    assert pending.waiting(bay, SITE) == []
    with Warehouse.open(bay) as warehouse:
        (made,) = decisions.of_site(warehouse, SITE)
    assert (made.channel, made.who, made.reason) == (Channel.PAGE, "Robin", "looked it up")


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_a_workbook_that_went_through_libreoffice_still_applies(
    bay: Path, tmp_path: Path
) -> None:
    def says(said: str, odd: str, tip: str) -> tuple[str, str] | None:
        if "3/34/2026" in odd:
            return "use my value", "2026-03-03"
        return suggested(said, odd, tip)

    start = tmp_path / "please-answer.xlsx"
    told = fill_in(newest_book(bay), says, start)
    forms = [start]
    for kind, folder in (("ods", "one"), ("xlsx", "two"), ("csv", "three")):
        subprocess.run(
            ["soffice", "--headless", f"-env:UserInstallation=file://{tmp_path}/profile",
             "--convert-to", kind, "--outdir", str(tmp_path / folder), str(forms[-1])],
            check=True, capture_output=True, timeout=180)
        forms.append(tmp_path / folder / f"please-answer.{kind}")
    read = []
    for path in forms:
        workbook = read_workbook(path.read_bytes(), f"renamed{path.suffix}")
        assert holds_answers(workbook)
        lines = read_answers(workbook, SITE).lines
        assert len(lines) == told, path.suffix
        read.append([(line.ask, re.sub(r" .*", "", line.says), line.answer.action,
                      line.answer.value) for line in lines if line.answer])
    assert read[1:] == read[:-1]
    shutil.copy(forms[-1], bay / "inbox" / SITE / "answers from a phone.csv")
    run(bay, LATER)
    assert [came for came, _, _ in outcomes(bay)] == ["applied"] * told
    assert clean_value(bay, "water_temperature_c", WARM) == pytest.approx(3.888889)
    assert clean_value(bay, "decided", "2026-03-03") is True
