"""Sheets made to harm: too large, too slow, too deep. Refused with a sentence, by limits."""

from __future__ import annotations

import asyncio
import io
import time
import zipfile
from pathlib import Path
from typing import Any

import pytest
from starlette.types import Message

from flows.desk.apart import Crowded, Limits, Room, TooMuchWork
from flows.desk.desk import Desk
from flows.desk.gateway import Gateway
from flows.desk.uploads import MOST_BYTES
from tests.flows.desk.conftest import MINE, Browser
from tests.flows.desk.test_sheets_and_answers import put


def spin() -> dict[str, Any]:
    """Never ends."""
    while True:
        pass


def swallow() -> dict[str, Any]:
    """Takes memory without end."""
    held = []
    while True:
        held.append(bytearray(10_000_000))


def quick() -> dict[str, Any]:
    """Ends well."""
    return {"fine": True}


def test_work_that_does_not_end_is_ended() -> None:
    room = Room(Limits(seconds=12.0, memory=2_000_000_000))
    began = time.monotonic()
    with pytest.raises(TooMuchWork):
        room.do(spin)
    assert time.monotonic() - began < 60
    assert room.do(quick) == {"fine": True}


def test_work_that_takes_all_memory_is_ended() -> None:
    room = Room(Limits(seconds=30.0, memory=1_000_000_000))
    with pytest.raises(TooMuchWork):
        room.do(swallow)


def test_a_sheet_that_came_in_a_crowd_is_kept_and_looked_at_again(
    bay: Path, desk: Desk, lead: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    def crowded(*_: object) -> dict[str, Any]:
        raise Crowded("Many are sending just now.", "Try again in a minute; nothing was lost.")

    with monkeypatch.context() as patch:
        patch.setattr(desk.reading, "do", crowded)
        where = put(lead, "eels.csv", b"Date,Glass eels\n2026-03-01,4\n2026-03-02,5\n")
        assert "Many are sending just now" in lead.get(where).text
    lead.post(f"{where}/look", data={"mark": lead.mark(where)})
    assert "2 rows understood" in lead.get(where).text


def test_a_bomb_is_refused_and_kept_until_it_is_taken_away(bay: Path, lead: Browser) -> None:
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("[Content_Types].xml", "<Types/>")
        book.writestr("xl/worksheets/sheet1.xml", b"0" * 300_000_000)
    page = lead.get(put(lead, "bomb.xlsx", bomb.getvalue())).text
    assert "We could not go through it" in page and "Traceback" not in page


def test_a_body_that_is_too_large_is_not_taken(lead: Browser, bay: Path) -> None:
    home = f"/site/{MINE}"
    said = lead.post(f"{home}/sheet", data={"mark": lead.mark(home)},
                     files={"sheet": ("big.csv", b"0" * (MOST_BYTES + 2_000_000))})
    assert said.status_code == 413
    assert not list((bay / "warehouse" / "desk").glob("tray/*/*"))


def _post(gateway: Gateway, cookie: str, chunks: Any, path: str) -> int:
    """The status of a POST whose body comes from ``chunks`` (no length is told)."""
    status = []

    async def send(message: Message) -> None:
        if message["type"] == "http.response.start":
            status.append(message["status"])

    scope = {"type": "http", "method": "POST", "path": path, "raw_path": path.encode(),
             "query_string": b"", "scheme": "http", "http_version": "1.1", "root_path": "",
             "server": ("127.0.0.1", 80), "client": ("127.0.0.1", 1), "headers": [
                 (b"host", b"127.0.0.1"), (b"cookie", cookie.encode()),
                 (b"content-type", b"multipart/form-data; boundary=x")]}
    asyncio.run(gateway(scope, chunks, send))
    return int(status[0])


def test_a_body_that_grows_without_end_is_cut_off(desk: Desk, lead: Browser) -> None:
    gateway = Gateway(desk.application(), frozenset({"127.0.0.1"}), False, 100_000, 30)
    head = b'--x\r\nContent-Disposition: form-data; name="sheet"; filename="a.csv"\r\n\r\n'
    sent = 0

    async def endless() -> Message:
        nonlocal sent
        sent += 1
        return {"type": "http.request", "body": head if sent == 1 else b"1,2\n" * 5_000,
                "more_body": True}

    cookie = f"desk={lead.cookies['desk']}"
    assert _post(gateway, cookie, endless, f"/site/{MINE}/sheet") == 413
    assert sent < 20


def test_a_body_that_dawdles_is_given_up(desk: Desk, lead: Browser) -> None:
    gateway = Gateway(desk.application(), frozenset({"127.0.0.1"}), False, 100_000, 0.2)

    async def dawdling() -> Message:
        await asyncio.Event().wait()
        raise AssertionError

    cookie = f"desk={lead.cookies['desk']}"
    began = time.monotonic()
    assert _post(gateway, cookie, dawdling, f"/site/{MINE}/sheet") == 408
    assert time.monotonic() - began < 30
