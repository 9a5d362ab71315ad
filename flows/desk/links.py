"""Private links: one a person, signed, with an end, and taken back at any time.

What is stored names the links and cannot make one: the address also carries a seal.
"""

from __future__ import annotations

import datetime as dt
import json
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from flows.desk.places import links_path
from flows.desk.seal import Seal
from flows.scheduling.turns import turn
from shared.problems import Problem
from warehouse import durable

LIFE = {"lead": 270, "coordinator": 90, "analyst": 365}
"""Days after which a link ends: a season for a lead."""

_NOTE_EVERY = dt.timedelta(minutes=10)


class Role(StrEnum):
    """Whose pages a link opens."""

    LEAD = "lead"
    COORDINATOR = "coordinator"
    ANALYST = "analyst"


class LinkRefused(Problem, PermissionError):
    """A link that opens nothing."""

    code = "link-refused"


@dataclass(frozen=True, slots=True)
class Link:
    """One link. ``site`` is empty but for a lead's. Moments are UTC, ISO, to the second."""

    id: str
    role: Role
    site: str
    label: str
    """Whom it was made for, as the coordinator calls them."""
    made: str
    ends: str
    made_by: str
    revoked: str = ""
    last_used: str = ""

    def open_at(self, now: dt.datetime) -> bool:
        """Whether it opens anything at ``now``."""
        return not self.revoked and now < dt.datetime.fromisoformat(self.ends)

    def state(self, now: dt.datetime) -> str:
        """In a word."""
        return "taken back" if self.revoked else "open" if self.open_at(now) else "ended"


class LinkBook:
    """The links of a network. Safe to use from several threads and processes."""

    def __init__(self, network_dir: Path, seal: Seal) -> None:
        self._dir = network_dir
        self._path = links_path(network_dir)
        self._seal = seal
        self._known: tuple[int, dict[str, Link]] = (-1, {})

    def all(self) -> list[Link]:
        """Every link ever made, newest first."""
        return sorted(self._links().values(), key=lambda link: link.made, reverse=True)

    def find(self, link_id: str) -> Link | None:
        """The link of that id, whatever its state."""
        return self._links().get(link_id)

    def token(self, link: Link) -> str:
        """What follows ``/open/`` in the link's address."""
        return f"{link.id}.{self._seal_of(link)}"

    def opened(self, token: str, now: dt.datetime) -> Link:
        """The link that ``token`` opens. Raises :class:`LinkRefused`, always in the same words."""
        link_id, _, seal = token.partition(".")
        link = self.find(link_id)
        if link is None or not self._seal.holds(seal, *_parts(link)) or not link.open_at(now):
            raise LinkRefused("This link does not open anything.",
                              "It may have ended or been replaced. Ask your coordinator for a "
                              "new one; it takes them a moment.")
        return link

    def make(
        self, role: Role, site: str, label: str, made_by: str, now: dt.datetime,
        days: int | None = None,
    ) -> Link:
        """A new link."""
        link = Link(
            secrets.token_urlsafe(9), role, site, label, _stamp(now),
            _stamp(now + dt.timedelta(days=LIFE[role] if days is None else days)), made_by)
        with self._changing() as links:
            links[link.id] = link
        return link

    def revoke(self, link_id: str, now: dt.datetime) -> Link | None:
        """Take a link back; sessions that it opened end with it."""
        with self._changing() as links:
            link = links.get(link_id)
            if link is not None and not link.revoked:
                links[link_id] = link = replace(link, revoked=_stamp(now))
        return link

    def note_use(self, link: Link, now: dt.datetime) -> None:
        """Note that it was used, every ten minutes at most."""
        last = dt.datetime.fromisoformat(link.last_used) if link.last_used else None
        if last is not None and now - last < _NOTE_EVERY:
            return
        with self._changing() as links:
            if link.id in links:
                links[link.id] = replace(links[link.id], last_used=_stamp(now))

    def _seal_of(self, link: Link) -> str:
        return self._seal.of(*_parts(link))

    def _links(self) -> dict[str, Link]:
        try:
            stamp = self._path.stat().st_mtime_ns
        except OSError:
            return {}
        if stamp != self._known[0]:
            self._known = (stamp, self._load())
        return self._known[1]

    def _load(self) -> dict[str, Link]:
        try:
            found = json.loads(self._path.read_text(encoding="utf-8"))
        except OSError:
            return {}
        return {entry["id"]: _link(entry) for entry in found["links"]}

    @contextmanager
    def _changing(self) -> Iterator[dict[str, Link]]:
        with turn(self._dir, "desk", 5.0):
            links = self._load()
            yield links
            durable.write_text(self._path, json.dumps(
                {"links": [asdict(link) for link in links.values()]}, ensure_ascii=False,
                indent=1) + "\n")


def _parts(link: Link) -> tuple[str, ...]:
    # All that decides what it opens is sealed: an edited file makes its link open nothing.
    return "link", link.id, link.role, link.site, link.ends


def _link(entry: dict[str, Any]) -> Link:
    return Link(**entry | {"role": Role(entry["role"])})


def _stamp(moment: dt.datetime) -> str:
    return moment.astimezone(dt.UTC).isoformat(timespec="seconds")
