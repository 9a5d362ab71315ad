"""The desk killed while sheets come in: whatever was acknowledged is there."""

from __future__ import annotations

import os
import re
import signal
import threading
from pathlib import Path

import httpx2 as httpx
import pytest

from bench.desk import serving
from flows.desk.desk import Desk
from flows.desk.links import Role
from tests.flows.desk.conftest import MINE

pytestmark = pytest.mark.skipif(not hasattr(os, "killpg"), reason="needs SIGKILL of a group")


def test_a_desk_that_is_killed_loses_nothing_it_acknowledged(bay: Path) -> None:
    put_down: dict[str, str] = {}
    sent_in: dict[str, bytes] = {}
    enough = threading.Event()

    def send(number: int, address: str) -> None:
        desk = Desk(bay, address)
        link = desk.book.make(Role.LEAD, MINE, f"Lead {number}", "a test", desk.now())
        try:
            with httpx.Client(base_url=address, timeout=60, follow_redirects=True) as client:
                page = client.get(f"/open/{desk.book.token(link)}").text
                found = re.search(r'name="mark" value="([^"]+)"', page)
                assert found is not None
                for turn in range(1000):
                    name = f"sheet-{number}-{turn}.csv"
                    content = f"Date,Glass eels\n2026-03-01,{turn}\n".encode()
                    shown = client.post(f"/site/{MINE}/sheet", data={"mark": found[1]},
                                        files={"sheet": (name, content)})
                    if shown.status_code == 429:
                        continue
                    assert shown.status_code == 200
                    token = shown.url.path.rsplit("/", 1)[1]
                    put_down[name] = token
                    done = client.post(f"{shown.url.path}/send", data={"mark": found[1]})
                    assert "Your sheet is in" in done.text
                    sent_in[name] = content
                    del put_down[name]
                    if len(sent_in) >= 5:
                        enough.set()
        except httpx.HTTPError:
            enough.set()  # it was killed, as it should be

    with serving(bay) as (address, process):
        threads = [threading.Thread(target=send, args=(n, address)) for n in range(3)]
        for thread in threads:
            thread.start()
        assert enough.wait(120)
        os.killpg(process.pid, signal.SIGKILL)
        for thread in threads:
            thread.join(120)
    assert len(sent_in) >= 5
    for name, content in sent_in.items():
        assert (bay / "inbox" / MINE / name).read_bytes() == content
    again = Desk(bay, "http://127.0.0.1:1")
    for name, token in put_down.items():
        item = again.tray.get(MINE, token)
        # Cut off while it was being sent in, it is on the tray or in the inbox.
        assert item is not None or (bay / "inbox" / MINE / name).is_file()
