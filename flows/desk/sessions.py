"""Sessions: a cookie that says which link was opened and when, and the mark on its forms."""

from __future__ import annotations

import datetime as dt
import secrets
from dataclasses import dataclass

from flows.desk.links import Link, LinkBook
from flows.desk.seal import Seal

LIFE = dt.timedelta(hours=8)
"""After a day's work the link is opened again."""


@dataclass(frozen=True, slots=True)
class Session:
    """An open session. ``mark`` stands in every form of it (against forged requests)."""

    link: Link
    mark: str


def begin(link: Link, seal: Seal, now: dt.datetime) -> str:
    """The value of the cookie for a link that was just opened."""
    said = (link.id, str(int(now.timestamp())), secrets.token_urlsafe(12))
    return ".".join((*said, seal.of("session", *said)))


def resume(cookie: str, book: LinkBook, seal: Seal, now: dt.datetime) -> Session | None:
    """The session that ``cookie`` carries on; None when it is forged, over or taken back."""
    parts = cookie.split(".")
    if len(parts) != 4 or not seal.holds(parts[3], "session", *parts[:3]):
        return None
    began = dt.datetime.fromtimestamp(int(parts[1]), dt.UTC)
    link = book.find(parts[0])
    if link is None or not link.open_at(now) or not dt.timedelta(0) <= now - began < LIFE:
        return None
    return Session(link, seal.of("form", *parts[:3]))


def marked(session: Session, mark: str) -> bool:
    """Whether a form came from one of the session's own pages."""
    return secrets.compare_digest(mark.encode("utf-8", "replace"), session.mark.encode())
