"""Fifty leads at the desk for a minute, then the desk killed while they send: what it costs.

``python -m bench.desk [--leads 50] [--seconds 60]``. Prints the slowest 5 % of pages and of
uploads of a 500-row sheet, errors, and whether everything acknowledged is there after SIGKILL.
The server runs in a process of its own; leads are threads, each looking every few seconds and
sending one sheet.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx2 as httpx

from fixtures import lay_out
from flows.desk.desk import Desk
from flows.desk.links import Role
from flows.network_folder import load_network
from flows.weekly import run_in_order

_SITES = ("alder-creek", "hobnail-brook", "cinderpath-brook", "inkwell-burn")
_ROWS = 500


@dataclass
class Seen:
    """What the leads saw."""

    pages: list[float] = field(default_factory=list)
    uploads: list[float] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    acknowledged: dict[str, tuple[str, bytes]] = field(default_factory=dict)
    guard: threading.Lock = field(default_factory=threading.Lock)


def sheet(seed: int) -> bytes:
    """A sheet of 500 net checks over two seasons, as CSV."""
    chance = random.Random(seed)
    lines = ["Date,Time checked,Hours fished,Glass eels,Elvers,Water temp (F),Remarks"]
    for number in range(_ROWS):
        year, day = 2022 + number // 130, number % 130
        month, date = 2 + day // 28, 1 + day % 28
        lines.append(f"{year}-{month:02d}-{date:02d},08:{number % 60:02d},24,"
                     f"{chance.randrange(40)},{chance.randrange(3)},"
                     f"{35 + chance.random() * 20:.1f},no {seed}")
    return ("\n".join(lines) + "\n").encode()


@contextlib.contextmanager
def serving(bay: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """The desk in a process of its own; its address and process."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = subprocess.Popen(
        [sys.executable, "-m", "flows.cli", "desk", str(bay), "--port", str(port)],
        stdout=subprocess.DEVNULL, start_new_session=True)
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(600):
            with contextlib.suppress(httpx.HTTPError):
                httpx.get(address)
                break
            time.sleep(0.1)
        yield address, process
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(process.pid, signal.SIGTERM)
        process.wait(60)


def lead(bay: Path, desk: Desk, address: str, number: int, until: float, seen: Seen) -> None:
    """One lead: opens the link, looks every few seconds, sends one sheet."""
    site = _SITES[number % len(_SITES)]
    link = desk.book.make(Role.LEAD, site, f"Lead {number}", "the bench", desk.now())
    chance = random.Random(number)
    content = sheet(number)
    name = f"sheet {number}.csv"
    send_at = time.monotonic() + chance.random() * max(1.0, until - time.monotonic() - 10)
    sent = False
    try:
        with httpx.Client(base_url=address, timeout=60, follow_redirects=True) as client:
            time.sleep(chance.random() * 4)
            client.get(f"/open/{desk.book.token(link)}")
            while time.monotonic() < until:
                began = time.monotonic()
                page = client.get(chance.choice(
                    [f"/site/{site}"] * 3 + [f"/site/{site}/questions", f"/site/{site}/arrived"]))
                with seen.guard:
                    seen.pages.append(time.monotonic() - began)
                    if page.status_code != 200:
                        seen.errors.append(f"page {page.status_code}")
                if not sent and time.monotonic() >= send_at:
                    sent = True
                    send(client, site, name, content, seen)
                time.sleep(2 + chance.random() * 3)
    except httpx.HTTPError as error:
        with seen.guard:
            seen.errors.append(type(error).__name__)


def send(client: httpx.Client, site: str, name: str, content: bytes, seen: Seen) -> None:
    """Put a sheet down, see it, send it in."""
    found = re.search(r'name="mark" value="([^"]+)"', client.get(f"/site/{site}").text)
    mark = found[1] if found else ""
    began = time.monotonic()
    shown = client.post(f"/site/{site}/sheet", data={"mark": mark},
                        files={"sheet": (name, content)})
    spent = time.monotonic() - began
    fine = shown.status_code == 200 and "How it was understood" in shown.text
    done = client.post(f"{shown.url.path}/send", data={"mark": mark})
    with seen.guard:
        seen.uploads.append(spent)
        if not fine:
            seen.errors.append(f"upload {shown.status_code}")
        if done.status_code == 200:
            seen.acknowledged[name] = (site, content)
        else:
            seen.errors.append(f"send {done.status_code}")


def slowest(times: list[float], share: float = 0.95) -> float:
    """The time that ``share`` of them stay within."""
    return sorted(times)[min(len(times) - 1, int(share * len(times)))] if times else 0.0


def crowd(bay: Path, address: str, leads: int, seconds: float, seen: Seen,
          killing: subprocess.Popen[bytes] | None = None) -> None:
    """Let the leads in; kill the desk halfway when ``killing``."""
    desk = Desk(bay, address)
    until = time.monotonic() + seconds
    threads = [threading.Thread(target=lead, args=(bay, desk, address, n, until, seen))
               for n in range(leads)]
    for thread in threads:
        thread.start()
    if killing is not None:
        time.sleep(seconds * 0.6)
        os.killpg(killing.pid, signal.SIGKILL)
    for thread in threads:
        thread.join()


def lost(bay: Path, seen: Seen) -> list[str]:
    """Sheets that were acknowledged and do not stand in the inbox."""
    return [name for name, (site, content) in seen.acknowledged.items()
            if not any(path.read_bytes() == content
                       for path in (bay / "inbox" / site).glob("*.csv"))]


def main() -> None:
    """Run it once and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--leads", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=60.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        bay = Path(folder) / "bay"
        layout = lay_out(bay, only_sites=_SITES, weeks=9, history=False)
        run_in_order(bay, load_network(bay), layout.as_of)
        seen = Seen()
        with serving(bay) as (address, _):
            crowd(bay, address, options.leads, options.seconds, seen)
        print(f"{options.leads} leads, {options.seconds:g} s, load of the machine "
              f"{os.getloadavg()[0]:.1f}, processors {os.cpu_count()}")
        print(f"pages    {len(seen.pages):5}  median {slowest(seen.pages, 0.5) * 1000:5.0f} ms  "
              f"p95 {slowest(seen.pages) * 1000:5.0f} ms  (wanted: under 300)")
        print(f"uploads  {len(seen.uploads):5}  median {slowest(seen.uploads, 0.5):5.2f} s   "
              f"p95 {slowest(seen.uploads):5.2f} s   (wanted: under 3)")
        print(f"errors   {len(seen.errors):5}  {sorted(set(seen.errors))}")
        print(f"lost     {len(lost(bay, seen)):5}  of {len(seen.acknowledged)} acknowledged")
        killed = Seen()
        with serving(bay) as (address, process):
            crowd(bay, address, 20, 20.0, killed, killing=process)
        print(f"SIGKILL while sending: {len(killed.acknowledged)} acknowledged, "
              f"{len(lost(bay, killed))} lost")


if __name__ == "__main__":
    main()
