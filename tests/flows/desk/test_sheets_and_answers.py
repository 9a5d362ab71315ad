"""A lead sends a sheet, sees what was understood, answers, and it is in the next release."""

from __future__ import annotations

import datetime as dt
import io
import json
import re
from html import unescape
from pathlib import Path

import openpyxl
import pytest

from flows.answers import pending
from flows.desk import pictures
from flows.desk.desk import Desk
from flows.desk.links import Role
from shared.decisions import Action, Channel
from tests.flows.desk.conftest import AS_OF, MINE, Browser, Visitor, newest_sheet, run
from warehouse.snapshot import query
from warehouse.store import Warehouse

HOME = f"/site/{MINE}"


def with_a_slip(sheet: Path) -> tuple[bytes, int]:
    """The sheet with an air temperature that cannot be, in its last check; and its row."""
    book = openpyxl.load_workbook(sheet)
    page = book.worksheets[0]
    head = next(cell for cells in page.iter_rows() for cell in cells
                if "air temp" in str(cell.value or "").lower())
    row = next(number for number in range(page.max_row, head.row, -1)
               if isinstance(page.cell(number, head.column).value, int | float))
    page.cell(row, head.column).value = 777
    out = io.BytesIO()
    book.save(out)
    return out.getvalue(), row


def put(lead: Browser, name: str, content: bytes, site: str = MINE) -> str:
    """Put a sheet on the desk; the address of its page."""
    answer = lead.post(f"/site/{site}/sheet", data={"mark": lead.mark(f"/site/{site}")},
                       files={"sheet": (name, content)}, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def asks_on(page: str) -> list[str]:
    """Ids of the questions of a page, in their order."""
    return re.findall(r'<article class="ask" id="q-([^"]+)"', page)


def test_a_sheet_is_seen_before_it_is_sent_and_answered_with_it(
    bay: Path, desk: Desk, lead: Browser
) -> None:
    sheet = newest_sheet(bay)
    content, row = with_a_slip(sheet)
    before = {path: path.read_bytes() for path in (bay / "inbox").rglob("*") if path.is_file()}
    where = put(lead, sheet.name, content)
    page = lead.get(where).text
    assert "Not sent in yet" in page and "777" in page and "How it was understood" in page
    assert {path: path.read_bytes() for path in (bay / "inbox").rglob("*") if path.is_file()
            } == before
    question = next(part for part in page.split("<article")[1:]
                    if "It says <strong>777" in part and 'value="mine"' in part)
    ask = asks_on("<article" + question)[0]
    mark = lead.mark(where)
    lead.post(f"{where}/answer", data={"mark": mark, "ask": ask, "choice": "mine",
                                       "value": "41", "note": "thermometer slipped"})
    assert "You said: <strong>use 41" in lead.get(where).text
    sent = lead.post(f"{where}/send", data={"mark": mark})
    assert "Your sheet is in" in sent.text
    assert sheet.read_bytes() == content
    assert lead.get(where).status_code == 404
    (told,) = pending.waiting(bay, MINE)
    assert told.channel is Channel.PAGE and told.answer.value == "41"

    run(bay, AS_OF + dt.timedelta(days=7))
    assert not pending.waiting(bay, MINE)
    picture = pictures.picture_of(bay, MINE)
    assert picture is not None
    (came,) = picture["answers"]
    assert came["outcome"] == "applied" and came["note"] == "thermometer slipped"
    values = query(bay, "SELECT round(air_temperature_c, 1) FROM events WHERE site_id = "
                        f"'{MINE}' AND source_row = {row} AND decided").rows
    assert values == [(5.0,)]  # 41 degF, as the sheet's column says
    assert "✓ used" in lead.get(f"{HOME}/arrived").text


def test_an_open_question_is_answered_with_one_tap(bay: Path, desk: Desk, lead: Browser) -> None:
    page = lead.get(HOME).text
    ask = asks_on(page)[0]
    part = page.split(f'id="q-{ask}"')[1].split("</article")[0]
    choice = re.findall(r'name="choice" value="(suggestion|right|strike)"', part)[0]
    lead.post(f"{HOME}/answer", data={"mark": lead.mark(HOME), "ask": ask, "choice": choice,
                                      "note": "seen <b>it</b>"})
    (told,) = pending.waiting(bay, MINE)
    assert told.answer.about == ask and told.answer.findings and told.answer.who
    again = lead.get(HOME).text
    assert "You said" in again and "&lt;b&gt;it" in again and "<b>it" not in again
    # Answered otherwise, the last answer counts; taken back, none does.
    lead.post(f"{HOME}/answer", data={"mark": lead.mark(HOME), "ask": ask, "choice": choice})
    assert len(pending.waiting(bay, MINE)) == 1
    lead.post(f"{HOME}/take-back", data={"mark": lead.mark(HOME), "ask": ask})
    assert not pending.waiting(bay, MINE)


def test_a_question_left_for_later_goes_last_and_stays_open(bay: Path, lead: Browser) -> None:
    every = asks_on(lead.get(f"{HOME}/questions").text)
    assert len(every) > 1
    lead.post(f"{HOME}/answer", data={"mark": lead.mark(HOME), "ask": every[0],
                                      "choice": "later"})
    assert asks_on(lead.get(f"{HOME}/questions").text) == [*every[1:], every[0]]
    assert not pending.waiting(bay, MINE)


def test_an_answer_that_makes_no_sense_is_refused(bay: Path, lead: Browser) -> None:
    ask = asks_on(lead.get(HOME).text)[0]
    mark = lead.mark(HOME)
    for told in ({"choice": "mine", "value": " "}, {"choice": "obliterate"}, {},
                 {"choice": "right", "ask": "unknown"}):
        answer = lead.post(f"{HOME}/answer", data={"mark": mark, "ask": ask} | told)
        assert answer.status_code == 400
    assert not pending.waiting(bay, MINE)


def test_a_refused_answer_is_told_with_its_reason(bay: Path, lead: Browser) -> None:
    picture = pictures.picture_of(bay, MINE)
    assert picture is not None
    ask = next(ask for ask in picture["asks"] if "mine" in ask["answers"] and ask["number"])
    lead.post(f"{HOME}/answer", data={"mark": lead.mark(HOME), "ask": ask["id"],
                                      "choice": "mine", "value": "-999999"})
    run(bay, AS_OF + dt.timedelta(days=1))
    page = unescape(lead.get(f"{HOME}/questions").text)
    assert "Your answer could not be used" in page
    assert "✗ not used" in lead.get(f"{HOME}/arrived").text


def test_rows_around_are_shown_as_the_sheet_has_them(bay: Path) -> None:
    picture = pictures.picture_of(bay, MINE)
    assert picture is not None
    shown = [ask["around"] for ask in picture["asks"] if ask["around"]]
    assert shown
    with Warehouse.open(bay) as warehouse:
        said = {cell for (cells,) in warehouse.connection.execute(
            "SELECT cells FROM raw_rows").fetchall() for cell in cells}
    for around in shown:
        here = [row for row in around["rows"] if row["here"]]
        assert len(here) == 1 and 1 <= len(around["rows"]) <= 5
        for cell in here[0]["cells"]:
            assert cell in said or cell.endswith("…")


@pytest.mark.parametrize("name", [
    "../../../network.toml.csv", "..\\..\\evil.xlsx", "/etc/passwd.csv", "a/b/../../c.xlsx",
    "CON.xlsx", ".hidden.csv", "~$lock.xlsx", "na\u202eme\x00.csv", "x" * 400 + ".csv",
    "%2e%2e%2fup.csv"])
def test_no_name_leads_out_of_the_sites_inbox(bay: Path, lead: Browser, name: str) -> None:
    files = {path for path in bay.rglob("*") if path.is_file()}
    where = put(lead, name, b"Date,Count\n2026-03-01,4\n")
    lead.post(f"{where}/send", data={"mark": lead.mark(where)})
    new = {path for path in bay.rglob("*") if path.is_file()} - files
    in_inbox = {path for path in new if "desk" not in path.parts}
    (only,) = in_inbox
    assert only.parent == bay / "inbox" / MINE and only.read_bytes().startswith(b"Date")
    assert not only.name.startswith((".", "~"))


@pytest.mark.parametrize("token", ["%2e%2e", "....//", "AAAAAAAAAAA/", "a" * 500,
                                   "..%2f..%2finbox", "%00AAAAAAAAAAA", "AAAA%2fAAAAAAA"])
def test_no_token_leads_out_of_the_tray(lead: Browser, token: str) -> None:
    assert lead.get(f"{HOME}/sheet/{token}").status_code in (404, 403)


def test_two_leads_who_send_one_name_lose_nothing(bay: Path, visitor: Visitor) -> None:
    first, second = visitor(Role.LEAD, MINE), visitor(Role.LEAD, MINE)
    one, two = (f"Date,Glass eels\n2026-03-0{n},{n}\n".encode() for n in (1, 2))
    for browser, content in ((first, one), (second, two), (second, two)):
        where = put(browser, "eels.csv", content)
        browser.post(f"{where}/send", data={"mark": browser.mark(where)})
    held = sorted(path.read_bytes() for path in (bay / "inbox" / MINE).glob("eels*.csv"))
    assert held == sorted([one, two])


def test_a_photo_goes_to_the_coordinator_and_is_never_shown(bay: Path, lead: Browser) -> None:
    where = put(lead, "IMG_1.jpg", b"\xff\xd8\xff\xe0 <script>alert(1)</script>")
    page = lead.get(where).text
    assert "only a person can read it" in page and "<script>alert" not in page
    lead.post(f"{where}/send", data={"mark": lead.mark(where)})
    assert (bay / "inbox" / MINE / "IMG_1.jpg").is_file()


def test_what_a_sheet_says_is_never_taken_for_markup(bay: Path, lead: Browser) -> None:
    evil = '<img src=x onerror=alert(1)>'
    sheet = f'Date,Glass eels,"{evil}"\n2026-03-01,"{evil}",3\n2026-03-02,5,4\n'
    page = lead.get(put(lead, f"{evil}.csv", sheet.encode())).text
    assert "<img" not in page


def test_an_ending_that_is_no_sheet_is_refused(bay: Path, lead: Browser) -> None:
    for name in ("run.exe", "page.html", "noending", "x.csv.svg"):
        answer = lead.post(f"{HOME}/sheet", data={"mark": lead.mark(HOME)},
                           files={"sheet": (name, b"x")})
        assert answer.status_code == 400
    assert not list((bay / "warehouse" / "desk").glob("tray/*/*"))


def test_the_first_page_is_small(lead: Browser) -> None:
    weight = len(lead.get(HOME).content)
    weight += sum(len(lead.get(f"/static/{name}").content) for name in ("desk.css", "desk.js"))
    assert weight < 60_000


def test_pages_load_nothing_from_elsewhere(lead: Browser, coordinator: Browser) -> None:
    for browser, path in ((lead, HOME), (coordinator, "/coordinator"),
                          (coordinator, "/data/ask")):
        text = browser.get(path).text
        loaded = re.findall(r'(?:src|href|action)="([^"]*)"', text)
        assert loaded and all(at.startswith(("/", "#", "?")) for at in loaded)


def test_every_change_is_in_the_audit(bay: Path, lead: Browser) -> None:
    where = put(lead, "eels.csv", b"Date,Glass eels\n2026-03-01,4\n")
    lead.post(f"{where}/send", data={"mark": lead.mark(where)})
    lines = [json.loads(line) for line in (bay / "warehouse" / "desk" / "audit.jsonl").read_text(
        encoding="utf-8").splitlines()]
    assert [line["what"] for line in lines] == ["put a sheet on the desk", "sent a sheet in"]
    assert all(line["who"] == f"Robin of {MINE}" and line["site"] == MINE for line in lines)


def test_a_run_under_way_keeps_no_page_waiting(bay: Path, desk: Desk, lead: Browser,
                                               coordinator: Browser) -> None:
    ask = asks_on(lead.get(HOME).text)[0]
    with Warehouse.open(bay):
        assert lead.get(HOME).status_code == 200
        assert coordinator.get("/coordinator").status_code == 200
        lead.post(f"{HOME}/answer", data={"mark": lead.mark(HOME), "ask": ask,
                                          "choice": "strike"})
        where = put(lead, "eels.csv", b"Date,Glass eels\n2026-03-01,4\n")
        assert lead.post(f"{where}/send", data={"mark": lead.mark(where)}).status_code == 200
        told = coordinator.post("/coordinator/decide", data={
            "mark": coordinator.mark("/coordinator"), "pick": ask, "action": "confirm",
            "reason": "asked by phone", "record": "yes"})
        assert "A run is under way" in told.text
    channels = [item.channel for item in pending.waiting(bay, MINE)]
    assert Channel.COORDINATOR in channels


def test_the_coordinator_sees_what_a_decision_changes_before_recording_it(
    bay: Path, coordinator: Browser
) -> None:
    picture = pictures.picture_of(bay, MINE)
    assert picture is not None
    ask = next(ask for ask in picture["asks"] if ask["effect"] == "query" and ask["events"])
    told = {"mark": coordinator.mark("/coordinator"), "pick": ask["id"], "action": "withdraw",
            "reason": "not our net"}
    shown = coordinator.post("/coordinator/decide", data=told)
    assert "Nothing is recorded yet" in shown.text and ask["events"][0] in shown.text
    record = bay / "warehouse" / "record.jsonl"
    size = record.stat().st_size
    done = coordinator.post("/coordinator/decide", data=told | {"record": "yes"})
    assert "recorded" in done.text and record.stat().st_size > size
    after = pictures.picture_of(bay, MINE)
    assert after is not None and ask["id"] not in {item["id"] for item in after["asks"]}
    listed = coordinator.get("/coordinator/release").text
    assert f"Robin of {Role.COORDINATOR}" in listed and "○ not by a changed value" in listed
    life = coordinator.get("/coordinator/row", params={"event": ask["events"][0]}).text
    assert Action.WITHDRAW in life and "not our net" in life
