"""The pages in a real browser: with and without script, on a phone, by keyboard, two at once."""

from __future__ import annotations

import datetime as dt
import shutil
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import uvicorn

from flows.answers import pending
from flows.desk.desk import Desk, all_pages
from flows.desk.links import Role
from tests.flows.desk.conftest import AS_OF, MINE, THEIRS, Clock, newest_sheet, run
from tests.flows.desk.test_refusals import filled
from tests.flows.desk.test_sheets_and_answers import with_a_slip
from warehouse.snapshot import query

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

CHROMIUM = next((found for name in ("chromium", "chromium-browser", "google-chrome")
                 if (found := shutil.which(name))), None)

pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no Chromium is installed here (Debian: apt install chromium)")

HOME = f"/site/{MINE}"
PHONE = {"width": 320, "height": 640}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One Chromium for all."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@contextmanager
def served(bay: Path) -> Iterator[Desk]:
    """The desk at a port of its own."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        desk = Desk(bay, f"http://127.0.0.1:{listening.getsockname()[1]}", Clock())
        server = uvicorn.Server(uvicorn.Config(
            desk.served(), log_config=None, lifespan="off", ws="none"))
        thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
        thread.start()
        try:
            yield desk
        finally:
            server.should_exit = True
            thread.join(20)


@pytest.fixture
def live(bay: Path) -> Iterator[Desk]:
    """The desk, served."""
    with served(bay) as desk:
        yield desk


def opened(browser: Browser, desk: Desk, role: Role, site: str = "", *, script: bool = True,
           size: dict[str, int] | None = None) -> tuple[BrowserContext, Page]:
    """A window of somebody who has just opened their link."""
    link = desk.book.make(role, site, f"Robin of {site or role}", "a test", desk.now())
    context = browser.new_context(
        java_script_enabled=script, viewport=size or {"width": 1000, "height": 800})  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(desk.link_address(link))
    return context, page


def send_and_answer(page: Page, sheet: Path, press: Callable[[Page, str], None]) -> None:
    """Choose the sheet, see it, answer the question about 777, send it in."""
    page.set_input_files("input[type=file]", sheet)
    press(page, "form.upload button")
    page.get_by_text("Not sent in yet.").wait_for()
    asked = page.locator("article.ask", has_text="It says 777", has=page.locator(
        "button[value=mine]")).first
    assert asked.count(), page.inner_text("main")
    ask = asked.get_attribute("id")
    page.fill(f"#{ask} input[name=value]", "41")
    press(page, f"#{ask} button[value=mine]")
    page.locator(f"#{ask}").get_by_text("You said:").wait_for()
    press(page, "button.main >> nth=0")
    page.get_by_text("Your sheet is in.").wait_for()


def by_click(page: Page, what: str) -> None:
    """Press it as a hand does."""
    page.locator(what).first.click()


def by_keyboard(page: Page, what: str) -> None:
    """Tab on until it has the focus, then Enter."""
    wanted = page.locator(what).first
    for _ in range(200):
        page.keyboard.press("Tab")
        if wanted.evaluate("node => node === document.activeElement"):
            assert wanted.evaluate("node => getComputedStyle(node).outlineStyle") != "none"
            page.keyboard.press("Enter")
            return
    raise AssertionError(f"the keyboard does not reach {what}")


@pytest.mark.parametrize(("script", "size", "press"), [
    (True, None, by_click), (False, None, by_click), (False, PHONE, by_click),
    (True, None, by_keyboard)], ids=["script", "no script", "phone", "keyboard"])
def test_a_sheet_goes_from_the_page_into_the_next_release(
    browser: Browser, live: Desk, bay: Path, tmp_path: Path, script: bool,
    size: dict[str, int] | None, press: Callable[[Page, str], None],
) -> None:
    content, row = with_a_slip(newest_sheet(bay))
    sheet = tmp_path / newest_sheet(bay).name
    sheet.write_bytes(content)
    context, page = opened(browser, live, Role.LEAD, MINE, script=script, size=size)
    send_and_answer(page, sheet, press)
    run(bay, AS_OF + dt.timedelta(days=7))
    assert query(bay, "SELECT round(air_temperature_c, 1) FROM events WHERE site_id = "
                      f"'{MINE}' AND source_row = {row}").rows == [(5.0,)]
    page.goto(f"{live.address}{HOME}/arrived")
    page.get_by_text("✓ used").wait_for()
    context.close()


def test_two_leads_and_a_run_at_once(browser: Browser, live: Desk, bay: Path,
                                     tmp_path: Path) -> None:
    windows = {site: opened(browser, live, Role.LEAD, site) for site in (MINE, THEIRS)}
    running = threading.Thread(target=run, args=(bay, AS_OF + dt.timedelta(days=1)))
    running.start()
    sheets: dict[str, bytes] = {}
    for number, (site, (_, page)) in enumerate(windows.items(), start=1):
        sheet = tmp_path / f"{site}.csv"
        sheet.write_text("Date,Time checked,Hours fished,Glass eels\n"
                         f"2026-04-0{number},08:00,24,{number}7\n", encoding="utf-8")
        sheets[site] = sheet.read_bytes()
        page.set_input_files("input[type=file]", sheet)
        page.click("form.upload button")
        page.click("button.main >> nth=0")
        page.get_by_text("Your sheet is in.").wait_for()
        page.locator("article.ask button[value=strike], article.ask button[value=right]"
                     ).first.click()
        page.get_by_text("You said:").first.wait_for()
    running.join()
    run(bay, AS_OF + dt.timedelta(days=2))
    for site in windows:
        assert (bay / "inbox" / site / f"{site}.csv").read_bytes() == sheets[site]
        assert not pending.waiting(bay, site)
    for context, page in windows.values():
        page.goto(f"{live.address}/")
        assert page.get_by_role("heading", level=1).count() == 1
        context.close()


def looked_at(desk: Desk) -> list[tuple[Role, str]]:
    """Every page that can be looked at, and whose it is."""
    out = []
    for page in all_pages():
        if page.method == "GET" and "{token}" not in page.path and "{name}" not in page.path:
            role = next(role for role in (Role.LEAD, Role.ANALYST, Role.COORDINATOR)
                        if role in page.roles)
            out.append((role, filled(page.path, MINE)))
    return out


def test_every_page_is_accessible_and_fits_a_phone(browser: Browser, live: Desk,
                                                   bay: Path) -> None:
    from axe_playwright_python.sync_playwright import Axe

    axe = Axe()
    windows = {role: opened(browser, live, role, MINE if role is Role.LEAD else "", size=PHONE)
               for role in Role}
    _, lead = windows[Role.LEAD]
    lead.set_input_files("input[type=file]", newest_sheet(bay))
    lead.click("form.upload button")
    pages = [*looked_at(live), (Role.LEAD, lead.url.removeprefix(live.address)),
             (Role.LEAD, "/nothing")]
    for role, path in pages:
        _, page = windows[role]
        page.goto(live.address + path)
        found = [f"{item['id']}: {item['nodes'][0]['html']}" for item in
                 axe.run(page).response["violations"]
                 if item["impact"] in ("serious", "critical")]
        assert found == [], path
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= PHONE["width"], (path, wide)
        assert page.evaluate("document.documentElement.lang") == "en"
    for context, _ in windows.values():
        context.close()


def test_a_page_that_is_open_breaks_no_policy(browser: Browser, live: Desk) -> None:
    context, page = opened(browser, live, Role.COORDINATOR)
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("request", lambda request: asked.append(request.url))
    for path in ("/coordinator", HOME, "/data/ask", "/coordinator/links"):
        page.goto(live.address + path)
    assert [text for text in said if "Content Security Policy" in text or "Refused" in text] == []
    assert all(url.startswith(live.address) for url in asked)
    assert page.evaluate("document.cookie") == ""
    context.close()
