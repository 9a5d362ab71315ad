"""A desk over two sites of Lantern Bay that have been run and released once."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from fixtures import lay_out
from flows.desk.desk import Desk
from flows.desk.links import Link, Role
from flows.desk.rates import Rates
from flows.network_folder import load_network
from flows.weekly import WeeklyRun, receive_and_read
from warehouse.release import build_release
from warehouse.store import Warehouse

MINE, THEIRS = "alder-creek", "hobnail-brook"
AS_OF = dt.date(2026, 4, 5)
NOW = dt.datetime(2026, 4, 6, 9, 0, tzinfo=dt.UTC)
ADDRESS = "http://127.0.0.1:8377"


def run(bay: Path, as_of: dt.date = AS_OF) -> WeeklyRun:
    """A weekly run and its release; the gate has its own tests."""
    network = load_network(bay)
    with Warehouse.open(bay) as warehouse:
        done = WeeklyRun(bay, network, warehouse, as_of)
        receive_and_read(done)
        done.compare_sites()
        for site in network.sites:
            done.judge_and_load(site)
        done.outcome.release = build_release(warehouse, network, as_of, bay)
        for site in network.sites:
            done.return_to(site)
        done.finish()
    return done


@pytest.fixture(scope="session")
def _run_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bay = tmp_path_factory.mktemp("desk") / "bay"
    lay_out(bay, only_sites=(MINE, THEIRS), weeks=9, history=False)
    run(bay)
    return bay


@pytest.fixture
def bay(_run_once: Path, tmp_path: Path) -> Path:
    """The network's folder after its first run."""
    return Path(shutil.copytree(_run_once, tmp_path / "bay"))


class Clock:
    """A clock that tests set."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> dt.datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    """Monday morning after the run."""
    return Clock()


@pytest.fixture
def desk(bay: Path, clock: Clock) -> Desk:
    """The desk of it, in no hurry to refuse anybody for haste."""
    endless = {kind: (10_000, 1000.0) for kind in ("look", "change", "upload", "ask", "knock")}
    return Desk(bay, ADDRESS, clock, Rates(limits=endless))


class Browser(TestClient):
    """Somebody's browser, without script: follows links and sends the forms it is given."""

    def mark(self, page: str) -> str:
        """The mark of the forms on ``page``."""
        found = re.search(r'name="mark" value="([^"]+)"', self.get(page).text)
        assert found is not None
        return found[1]


Visitor = Callable[[Role, str], Browser]


@pytest.fixture
def visitor(desk: Desk) -> Visitor:
    """Makes a browser with an open session of that role (and site)."""

    def visit(role: Role, site: str = "") -> Browser:
        browser = stranger(desk)
        link: Link = desk.book.make(role, site, f"Robin of {site or role}", "a test", desk.now())
        assert browser.get(f"/open/{desk.book.token(link)}").status_code == 200
        return browser

    return visit


@pytest.fixture
def lead(visitor: Visitor) -> Browser:
    """The lead of alder-creek."""
    return visitor(Role.LEAD, MINE)


@pytest.fixture
def coordinator(visitor: Visitor) -> Browser:
    """The coordinator."""
    return visitor(Role.COORDINATOR, "")


def stranger(desk: Desk) -> Browser:
    """A browser that opened no link."""
    return Browser(desk.served(), base_url=ADDRESS)


def newest_sheet(bay: Path, site: str = MINE) -> Path:
    """The site's sheet of this season."""
    return max((bay / "inbox" / site).rglob("*.*"), key=lambda path: path.name)
