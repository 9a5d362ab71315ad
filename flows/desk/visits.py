"""Who may see which page: every page says whom it is for, and one guard asks everybody."""

from __future__ import annotations

import datetime as dt
import functools
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import anyio
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from flows.desk import audit, sessions
from flows.desk.links import Role
from flows.desk.sessions import Session
from shared.settings import Network

if TYPE_CHECKING:
    from flows.desk.desk import Desk

MARK = "mark"
"""The form field that carries the session's mark."""

_MOST_FIELDS = 600
_MOST_FIELD = 100_000


@dataclass(slots=True)
class Visit:
    """One request by somebody who may make it."""

    desk: Desk
    request: Request
    session: Session
    network: Network
    now: dt.datetime
    site: str = ""
    form: FormData = field(default_factory=FormData)
    content: bytes = b""
    """Of the file that the form carried."""
    file_name: str = ""

    @property
    def who(self) -> str:
        """As decisions and the audit name them."""
        return self.session.link.label

    @property
    def role(self) -> Role:
        """Whose link it is."""
        return self.session.link.role

    def said(self, name: str) -> str:
        """A text field of the form; empty when it is not there."""
        value = self.form.get(name, "")
        return value.strip() if isinstance(value, str) else ""

    def all_said(self, name: str) -> list[str]:
        """Every value of a text field."""
        return [value for value in self.form.getlist(name) if isinstance(value, str)]

    def asked(self, name: str) -> str:
        """A value of the address's query."""
        return self.request.query_params.get(name, "").strip()

    def page(self, template: str, status: int = 200, **values: Any) -> Response:
        """A page for them."""
        return self.desk.page(self.request, template, status, visit=self, network=self.network,
                              mark=self.session.mark, **values)

    def note(self, what: str, **facts: object) -> None:
        """Write a change into the audit."""
        link = self.session.link
        audit.note(self.desk.network_dir, self.now, link.label, link.role.value, what,
                   link=link.id, **({"site": self.site} if self.site else {}), **facts)


Handler = Callable[[Visit], Response]


@dataclass(frozen=True, slots=True)
class Page:
    """One page or form: where, for whom, and what kind of visit it counts as."""

    path: str
    method: str
    roles: frozenset[Role]
    handler: Handler
    kind: str
    slow: bool = False
    """Whether it may take seconds; such visits queue apart from the others."""

    def route(self, desk: Desk) -> Route:
        """The route, guarded."""
        route = Route(self.path, functools.partial(_guarded, desk, self), methods=[self.method])
        route.name = f"{self.method} {self.path}"
        return route


async def _guarded(desk: Desk, page: Page, request: Request) -> Response:
    now = desk.now()
    session = sessions.resume(request.cookies.get(desk.cookie, ""), desk.book, desk.seal, now)
    if session is None:
        if not desk.rates.allow("look", f"stranger {_host(request)}"):
            raise HTTPException(429)
        raise HTTPException(401)
    if not desk.rates.allow(page.kind, session.link.id):
        raise HTTPException(429)
    if session.link.role not in page.roles:
        raise HTTPException(403)
    network = desk.network()
    site = request.path_params.get("site", "")
    if site and session.link.role is Role.LEAD and site != session.link.site:
        raise HTTPException(403)
    if site and site not in network.sites:
        raise HTTPException(404)
    visit = Visit(desk, request, session, network, now, site)
    if request.method == "POST":
        _same_origin(desk, request)
        form = await request.form(max_files=1, max_fields=_MOST_FIELDS,
                                  max_part_size=_MOST_FIELD)
        try:
            mark = form.get(MARK, "")
            if not isinstance(mark, str) or not sessions.marked(session, mark):
                raise HTTPException(403)
            visit.form = form
            sent = form.get("sheet")
            if isinstance(sent, UploadFile):
                visit.content, visit.file_name = await sent.read(), sent.filename or ""
        finally:
            await form.close()
    await run_in_threadpool(desk.book.note_use, session.link, now)
    if page.slow:
        return await anyio.to_thread.run_sync(page.handler, visit, limiter=desk.slow)
    return await run_in_threadpool(page.handler, visit)


def _host(request: Request) -> str:
    return request.client.host if request.client else "unknown"


def _same_origin(desk: Desk, request: Request) -> None:
    """Refuse a form that another site's page sent here."""
    if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        raise HTTPException(403)
    origin = request.headers.get("origin")
    if origin is not None and origin != "null" and urlsplit(origin).netloc != request.headers.get(
            "host", ""):
        raise HTTPException(403)
    if origin == "null":
        raise HTTPException(403)


def back_to(address: str) -> Response:
    """After a change: look at the page again."""
    return RedirectResponse(address, 303)


Endpoint = Callable[[Request], Awaitable[Response]]
