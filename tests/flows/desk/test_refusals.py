"""Nobody sees or changes what is not theirs: every route, asked by everybody it is not for."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from starlette.routing import Route

from flows.desk import sessions
from flows.desk.desk import Desk, all_pages
from flows.desk.links import Link, Role
from flows.desk.visits import Page
from tests.flows.desk.conftest import MINE, THEIRS, Browser, Clock, Visitor, stranger

OPEN_TO_ALL = {"/", "/open/{token}", "/static/{name}"}
"""Routes that nobody's link guards; each has its own test below."""

REFUSED = {401, 403}


def filled(path: str, site: str) -> str:
    """A route's path with something real in its places."""
    values = {"site": site, "token": "AAAAAAAAAAAA", "version": "latest", "name": "counts.csv",
              "rule": "spike"}
    return re.sub(r"\{(\w+)(:\w+)?\}", lambda match: values[match[1]], path)


def guarded(desk: Desk) -> list[Page]:
    """Every page of the application, from its own routes."""
    app = desk.application()
    pages = {(page.method, page.path): page for page in all_pages()}
    found = []
    for route in app.routes:
        assert isinstance(route, Route)
        methods = (route.methods or set()) - {"HEAD"}
        if route.path in OPEN_TO_ALL:
            assert methods == {"GET"}
            continue
        assert len(methods) == 1
        found.append(pages[methods.pop(), route.path])  # a route that is no guarded page: KeyError
    assert len(found) == len(pages) > 30
    return found


def ask(browser: Browser, page: Page, site: str = MINE, mark: str = "") -> int:
    """The status of one request."""
    return browser.request(page.method, filled(page.path, site), data={"mark": mark} if
                           page.method == "POST" else None, follow_redirects=False).status_code


def _revoked(desk: Desk, link: Link, clock: Clock) -> None:
    desk.book.revoke(link.id, desk.now())


def _expired(desk: Desk, link: Link, clock: Clock) -> None:
    clock.now = dt.datetime.fromisoformat(link.ends)


def _session_over(desk: Desk, link: Link, clock: Clock) -> None:
    clock.now += sessions.LIFE


def test_every_route_refuses_who_has_no_link(desk: Desk) -> None:
    browser = stranger(desk)
    for page in guarded(desk):
        assert ask(browser, page) == 401, page.path


@pytest.mark.parametrize("end", [_revoked, _expired, _session_over])
@pytest.mark.parametrize("role", list(Role))
def test_every_route_refuses_a_link_that_has_ended(
    desk: Desk, clock: Clock, role: Role, end: object
) -> None:
    browser = stranger(desk)
    link = desk.book.make(role, MINE if role is Role.LEAD else "", "Robin", "a test", desk.now())
    token = desk.book.token(link)
    assert browser.get(f"/open/{token}").status_code == 200
    assert callable(end)
    end(desk, link, clock)
    for page in guarded(desk):
        assert ask(browser, page) == 401, page.path
    if end is not _session_over:
        assert browser.get(f"/open/{token}").status_code == 403


@pytest.mark.parametrize("forge", ["seal", "site", "time", "nonce", "nothing", "words"])
def test_every_route_refuses_a_forged_session(desk: Desk, forge: str) -> None:
    mine = desk.book.make(Role.LEAD, MINE, "Robin", "a test", desk.now())
    other = desk.book.make(Role.COORDINATOR, "", "Lee", "a test", desk.now())
    link_id, began, nonce, seal = sessions.begin(mine, desk.seal, desk.now()).split(".")
    cookie = {
        "seal": f"{link_id}.{began}.{nonce}.{'A' * len(seal)}",
        "site": f"{other.id}.{began}.{nonce}.{seal}",
        "time": f"{link_id}.{int(began) + 1}.{nonce}.{seal}",
        "nonce": f"{link_id}.{began}.x.{seal}",
        "nothing": "...", "words": "é.1.2.3.4",
    }[forge]
    browser = stranger(desk)
    for page in guarded(desk):
        answer = browser.request(page.method, filled(page.path, MINE), headers={
            "cookie": f"desk={cookie}".encode()}, follow_redirects=False)
        assert answer.status_code == 401, page.path


def test_every_route_of_a_site_refuses_the_link_of_another(desk: Desk, visitor: Visitor) -> None:
    browser = visitor(Role.LEAD, MINE)
    mark = browser.mark(f"/site/{MINE}")
    for page in guarded(desk):
        if "{site}" in page.path or Role.LEAD not in page.roles:
            assert ask(browser, page, THEIRS, mark) == 403, page.path


def test_every_route_refuses_the_roles_that_it_is_not_for(desk: Desk, visitor: Visitor) -> None:
    for role, home in ((Role.LEAD, f"/site/{MINE}"), (Role.ANALYST, "/data"),
                       (Role.COORDINATOR, "/coordinator")):
        browser = visitor(role, MINE if role is Role.LEAD else "")
        mark = browser.mark(home)
        for page in guarded(desk):
            if page.path == "/close":
                continue  # for everybody, and it ends the session
            status = ask(browser, page, MINE, mark)
            assert (status in REFUSED) is (role not in page.roles), (role, page.path, status)


def test_every_form_refuses_to_be_sent_from_elsewhere(desk: Desk, coordinator: Browser,
                                                      visitor: Visitor) -> None:
    """Without the mark, with another session's, or from another origin's page."""
    mine = coordinator.mark("/coordinator")
    others = visitor(Role.COORDINATOR, "").mark("/coordinator")
    for page in guarded(desk):
        if page.method != "POST":
            continue
        where = filled(page.path, MINE)
        for mark in ("", "AAAA", others, "é"):
            assert coordinator.post(where, data={"mark": mark}).status_code == 403, page.path
        for headers in ({"origin": "https://elsewhere.example"}, {"origin": "null"},
                        {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}):
            assert coordinator.post(where, data={"mark": mine}, headers=headers
                                    ).status_code == 403, page.path


def test_a_link_that_was_made_up_opens_nothing(desk: Desk) -> None:
    link = desk.book.make(Role.LEAD, MINE, "Robin", "a test", desk.now())
    link_id, _, seal = desk.book.token(link).partition(".")
    browser = stranger(desk)
    for token in ("x", f"{link_id}.", f"{link_id}.{seal[:-1]}", f"{link_id}.{seal}A",
                  f"AAAAAAAAAAAA.{seal}", f"{link_id}.{desk.seal.of('session', link_id)}"):
        answer = browser.get(f"/open/{token}", follow_redirects=False)
        assert answer.status_code == 403 and "set-cookie" not in answer.headers


def test_seals_are_compared_in_constant_time(
    desk: Desk, lead: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    compared: list[int] = []

    def watched(one: bytes, other: bytes) -> bool:
        compared.append(len(other))
        return one == other

    mark = lead.mark(f"/site/{MINE}")
    session = sessions.resume(lead.cookies[desk.cookie], desk.book, desk.seal, desk.now())
    assert session is not None
    for module in ("hmac", "secrets"):
        monkeypatch.setattr(f"{module}.compare_digest", watched)
    assert desk.seal.holds(desk.seal.of("link", "a"), "link", "a")
    assert sessions.marked(session, mark)
    assert len(compared) == 2 and all(compared)


def test_an_edited_book_of_links_opens_nothing_more(desk: Desk) -> None:
    link = desk.book.make(Role.LEAD, MINE, "Robin", "a test", desk.now())
    token = desk.book.token(link)
    path = desk.network_dir / "warehouse" / "desk" / "links.json"
    path.write_text(path.read_text(encoding="utf-8").replace('"lead"', '"coordinator"'),
                    encoding="utf-8")
    assert stranger(desk).get(f"/open/{token}").status_code == 403


def test_the_key_is_its_owners_alone(desk: Desk) -> None:
    path = desk.network_dir / "warehouse" / "desk" / "key"
    path.chmod(0o644)
    again = Desk(desk.network_dir, desk.address)
    assert path.stat().st_mode & 0o777 == 0o600
    assert again.seal.of("a") == desk.seal.of("a")


def test_the_cookie_is_closed_to_scripts_and_other_sites(desk: Desk, bay: object) -> None:
    link = desk.book.make(Role.LEAD, MINE, "Robin", "a test", desk.now())
    said = stranger(desk).get(f"/open/{desk.book.token(link)}", follow_redirects=False
                              ).headers["set-cookie"].lower()
    assert "httponly" in said and "samesite=lax" in said and "secure" not in said
    safe = Desk(desk.network_dir, "https://desk.example", desk.now)
    browser = Browser(safe.served(), base_url="https://desk.example")
    answer = browser.get(f"/open/{safe.book.token(link)}", follow_redirects=False)
    said = answer.headers["set-cookie"].lower()
    assert said.startswith("__host-desk=") and "secure" in said and "path=/" in said
    assert "max-age" in answer.headers["strict-transport-security"]


def test_every_answer_is_sealed(desk: Desk, lead: Browser) -> None:
    for path in ("/", f"/site/{MINE}", "/nothing", "/static/desk.css", f"/site/{THEIRS}"):
        headers = lead.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "http" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
    assert lead.get(f"/site/{MINE}").headers["cache-control"] == "no-store"


def test_another_hosts_name_is_not_served(desk: Desk) -> None:
    answer = stranger(desk).get("/", headers={"host": "rebound.example"})
    assert answer.status_code == 421


def test_nothing_of_another_site_stands_on_a_leads_pages(desk: Desk, lead: Browser) -> None:
    for page in guarded(desk):
        if page.method == "GET" and Role.LEAD in page.roles:
            text = lead.get(filled(page.path, MINE)).text
            assert THEIRS not in text and "Hobnail" not in text


def test_haste_is_slowed_down(bay: object, clock: Clock, desk: Desk) -> None:
    from flows.desk.rates import LIMITS, Rates

    desk.rates = Rates(clock=lambda: 0.0)
    browser = stranger(desk)
    most = LIMITS["knock"][0]
    statuses = [browser.get("/open/x.y").status_code for _ in range(most + 3)]
    assert statuses == [403] * most + [429] * 3
