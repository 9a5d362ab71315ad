"""The desk of one network: what its pages share, and the application that serves them."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable
from http import HTTPStatus
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import anyio
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from flows.desk import sessions, wording
from flows.desk.apart import Crowded, Limits, Room
from flows.desk.errands import Errands
from flows.desk.gateway import Gateway
from flows.desk.links import Link, LinkBook, LinkRefused, Role
from flows.desk.rates import Rates
from flows.desk.seal import Seal
from flows.desk.uploads import MOST_BYTES, Tray
from flows.desk.visits import Page, Visit
from flows.network_folder import SETTINGS_NAME, load_network
from flows.returns.wording import counted, day
from flows.watching.log import LOG
from shared.problems import NetworkBusy, Problem
from shared.settings import Network

_BODY_SECONDS = 60.0
_FORM_BYTES = 1_000_000
"""What a form may weigh beside its file."""
_AT_ONCE = 24

READING = Limits(seconds=20.0, memory=1_500_000_000)
ASKING = Limits(seconds=15.0, memory=1_000_000_000)
_ASSETS = {"desk.css": "text/css; charset=utf-8", "desk.js": "text/javascript; charset=utf-8"}
HOME = {Role.COORDINATOR: "/coordinator", Role.ANALYST: "/data"}

Clock = Callable[[], dt.datetime]


class Desk:
    """What the pages share. ``address`` is how browsers reach it, such as https://desk.example."""

    def __init__(self, network_dir: Path, address: str, clock: Clock | None = None,
                 rates: Rates | None = None) -> None:
        self.network_dir = network_dir
        self.address = address.rstrip("/")
        self.secure = urlsplit(address).scheme == "https"
        # The prefix has browsers refuse the cookie from anybody but this host, over TLS.
        self.cookie = "__Host-desk" if self.secure else "desk"
        self.now: Clock = clock or (lambda: dt.datetime.now(dt.UTC))
        self.seal = Seal(network_dir)
        self.book = LinkBook(network_dir, self.seal)
        self.rates = rates or Rates()
        self.reading = Room(READING)
        self.asking = Room(ASKING)
        self.tray = Tray(network_dir, self.reading)
        self.errands = Errands(network_dir)
        self.slow = anyio.CapacityLimiter(_AT_ONCE)
        """Visits that may take seconds wait for each other, and hold up no page."""
        self.deciding = threading.Lock()
        """Held by whoever has the warehouse open for the coordinator."""
        self._network: tuple[int, Network] | None = None
        self._pages = _pages()

    def network(self) -> Network:
        """The network's settings as they are now."""
        stamp = (self.network_dir / SETTINGS_NAME).stat().st_mtime_ns
        if self._network is None or self._network[0] != stamp:
            self._network = (stamp, load_network(self.network_dir))
        return self._network[1]

    def today(self) -> dt.date:
        """The day at the desk."""
        return self.now().astimezone().date()

    def link_address(self, link: Link) -> str:
        """The private address of a link."""
        return f"{self.address}/open/{self.book.token(link)}"

    def page(self, request: Request, template: str, status: int = 200, **values: Any) -> Response:
        """A page made from ``template``."""
        return HTMLResponse(
            self._pages.get_template(template).render(path=request.url.path, **values), status)

    def application(self) -> Starlette:
        """The application that serves the pages."""
        routes: list[BaseRoute] = [
            Route("/", self._front, methods=["GET"], name="front"),
            Route("/open/{token}", self._open, methods=["GET"], name="open"),
            Route("/static/{name}", _asset, methods=["GET"], name="static"),
            *(page.route(self) for page in all_pages()),
        ]
        return Starlette(routes=routes, exception_handlers={
            HTTPException: self._refused, Problem: self._problem, ClientDisconnect: _gone,
            Exception: self._fault})

    def served(self) -> Gateway:
        """The application behind its gateway: what a server serves."""
        hosts = frozenset({"127.0.0.1", "localhost", "[::1]",
                           urlsplit(self.address).hostname or "localhost"})
        return Gateway(self.application(), hosts, self.secure, MOST_BYTES + _FORM_BYTES,
                       _BODY_SECONDS)

    # -- pages for everybody -----------------------------------------------------------

    def _front(self, request: Request) -> Response:
        session = sessions.resume(request.cookies.get(self.cookie, ""), self.book, self.seal,
                                  self.now())
        if session is None:
            raise HTTPException(401)
        return RedirectResponse(home_of(session.link), 303)

    def _open(self, request: Request) -> Response:
        who = request.client.host if request.client else "unknown"
        try:
            link = self.book.opened(request.path_params["token"], self.now())
        except LinkRefused:
            if not self.rates.allow("knock", who):
                raise HTTPException(429) from None
            raise
        self.book.note_use(link, self.now())
        answer = RedirectResponse(home_of(link), 303)
        answer.set_cookie(
            self.cookie, sessions.begin(link, self.seal, self.now()),
            max_age=int(sessions.LIFE.total_seconds()), path="/", secure=self.secure,
            httponly=True, samesite="lax")
        return answer

    # -- when it does not go well ------------------------------------------------------

    def _refused(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        title, what, remedy = wording.REFUSALS.get(
            error.status_code,
            (HTTPStatus(error.status_code).phrase, "That did not work.", "Go back and try again."))
        answer = self.page(request, "said.html", error.status_code, title=title, what=what,
                           remedy=remedy)
        answer.headers.update(error.headers or {})
        if error.status_code == 429:
            answer.headers["retry-after"] = "30"
        return answer

    def _problem(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, Problem)
        status = (403 if isinstance(error, LinkRefused) else 503 if isinstance(error, Crowded)
                  else 409 if isinstance(error, NetworkBusy) else 400)
        return self.page(request, "said.html", status, title="That did not work",
                         what=error.what, remedy=error.remedy)

    def _fault(self, request: Request, error: Exception) -> Response:
        # The address of a private link must not end up in a log.
        path = "/open" if request.url.path.startswith("/open") else request.url.path
        LOG.error("a page failed", exc_info=error, extra={"facts": {"path": path}})
        return self.page(request, "said.html", 500, title="Something went wrong on our side",
                         what="Nothing that arrived is lost.",
                         remedy="Try once more; if it stays so, tell your coordinator.")


def all_pages() -> tuple[Page, ...]:
    """Every page that a link guards."""
    from flows.desk import analyst_pages, coordinator_pages, lead_pages

    return (Page("/close", "POST", frozenset(Role), _close, "change"), *lead_pages.PAGES,
            *coordinator_pages.PAGES, *analyst_pages.PAGES)


def home_of(link: Link) -> str:
    """Where a link leads."""
    return HOME.get(link.role) or f"/site/{link.site}"


def _close(visit: Visit) -> Response:
    desk = visit.desk
    answer = desk.page(visit.request, "said.html", title="The desk is closed",
                       what="You are signed out on this device.",
                       remedy="Open your private link to come back.")
    answer.delete_cookie(desk.cookie, path="/", secure=desk.secure, httponly=True,
                         samesite="lax")
    return answer


def _pages() -> Environment:
    pages = Environment(
        loader=PackageLoader("flows.desk"), undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, autoescape=select_autoescape(default=True, default_for_string=True))
    pages.filters["day"] = lambda text: day(dt.date.fromisoformat(text[:10])) if text else ""
    pages.globals.update(counted=counted, words=wording, Role=Role)
    return pages


async def _asset(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in _ASSETS:
        raise HTTPException(404)
    content = files("flows.desk").joinpath("static", name).read_bytes()
    return Response(content, headers={"content-type": _ASSETS[name],
                                      "cache-control": "public, max-age=3600"})


async def _gone(_request: Request, _error: Exception) -> Response:
    return Response(status_code=400)  # nobody is there to read it
