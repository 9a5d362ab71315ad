"""A sheet published at an address: asked for politely, and only for what is new."""

from __future__ import annotations

import datetime as dt
import email.utils
import hashlib
import random
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote, urljoin, urlsplit

import requests

from flows.collecting.addresses import NotAllowed, NotResolved, bare, guarded_session, vet
from flows.collecting.putting_in import SHEETS, put_in
from flows.collecting.synced_folder import whole
from shared.operating import CollectSettings
from shared.problems import Problem, Trouble
from warehouse import arrivals
from warehouse.arrivals import SourceState
from warehouse.store import Warehouse

AGENT = "Tallyweir (collects the sheets of a field survey; asks at most once an hour)"
_BUSY = frozenset({408, 425, 429, 500, 502, 503, 504})
_MOVED = frozenset({301, 302, 303, 307, 308})
_FIRST_PAUSE_SECONDS = 1.0
_LONGEST_PAUSE_SECONDS = 60.0
_CHUNK = 1 << 16

_BY_KIND = {
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": ".xlsx",
    "application/vnd.ms-excel": ".xls",
    "application/vnd.ms-excel.sheet.macroenabled.12": ".xlsm",
    "application/vnd.ms-excel.sheet.binary.macroenabled.12": ".xlsb",
    "application/vnd.oasis.opendocument.spreadsheet": ".ods",
    "text/csv": ".csv", "text/tab-separated-values": ".tsv", "text/plain": ".csv",
    "application/zip": ".zip",
}


class NotFetched(Problem, ConnectionError):
    """The sheet could not be had from its address."""

    code = "address-failed"


class _TryAgain(Exception):
    """It may go well the next time; ``after`` seconds is what the server asked for."""

    def __init__(self, what: str, after: float = 0.0) -> None:
        super().__init__(what)
        self.after = after


@dataclass(frozen=True, slots=True)
class Fetched:
    """What an address gave. ``content`` is None when nothing has changed since."""

    content: bytes | None
    name: str = ""
    etag: str = ""
    modified: str = ""


def fetch(
    url: str, settings: CollectSettings, known: Mapping[str, Any] | None = None,
    pause: Callable[[float], object] = time.sleep, chance: Callable[[], float] = random.random,
) -> Fetched:
    """The bytes at ``url``, or that they are what they were (``known``: its marks then).

    Asks again after failures that may pass, a little later each time. Raises
    :class:`NotAllowed` and :class:`NotFetched`, whose words hold no query.
    """
    deadline = time.monotonic() + settings.seconds
    said, asked_for = "it took too long", 0.0
    with guarded_session(settings.private_hosts, settings.seconds, settings.ca_file) as session:
        for attempt in range(settings.tries):
            if attempt:
                wait = min(_FIRST_PAUSE_SECONDS * 2 ** (attempt - 1), _LONGEST_PAUSE_SECONDS)
                # Half fixed and half by chance, so that networks do not ask in step.
                wait *= 0.5 + 0.5 * chance()
                wait = max(wait, asked_for)
                if time.monotonic() + wait >= deadline:
                    break
                pause(wait)
            asked_for = 0.0
            try:
                return _once(session, url, settings, known or {}, deadline)
            except _TryAgain as again:
                said, asked_for = str(again), again.after
            except NotResolved as unknown:
                said = unknown.what
    raise NotFetched(f"The address did not give its sheet: {said}.",
                     "See whether it opens in a browser; the next round tries again. What came "
                     "before still stands.", bare(url))


def _once(
    session: requests.Session, url: str, settings: CollectSettings, known: Mapping[str, Any],
    deadline: float,
) -> Fetched:
    headers = {"User-Agent": AGENT, "Accept": "*/*"}
    if known.get("etag"):
        headers["If-None-Match"] = str(known["etag"])
    if known.get("modified"):
        headers["If-Modified-Since"] = str(known["modified"])
    here = url
    for _ in range(settings.redirects + 1):
        vet(here, settings.hosts)
        left = deadline - time.monotonic()
        if left <= 0:
            raise _TryAgain("it took too long")
        try:
            response = session.get(here, headers=headers, stream=True, allow_redirects=False,
                                   timeout=min(left, 20.0))
        except Problem:
            raise
        except requests.RequestException as error:
            late = time.monotonic() >= deadline
            raise _TryAgain("it took too long" if late else _in_words(error)) from error
        except ValueError as error:  # the library looks at where a redirect leads, too
            raise _leads_nowhere(here) from error
        with response:
            if response.status_code in _MOVED and response.headers.get("Location"):
                try:
                    here = urljoin(here, response.headers["Location"])
                except ValueError as error:
                    raise _leads_nowhere(here) from error
                continue
            return _answer(response, here, settings, deadline)
    raise NotFetched(
        f"The address sends on more than {settings.redirects} times.",
        "Put the address that it leads to in the end into network.toml.", bare(url))


def _leads_nowhere(url: str) -> NotAllowed:
    return NotAllowed("It sends on to what is no address of the web.",
                      "Put the link that downloads the file itself into network.toml.", bare(url))


def _answer(
    response: requests.Response, url: str, settings: CollectSettings, deadline: float
) -> Fetched:
    code = response.status_code
    if code == 304:
        return Fetched(None)
    if code in _BUSY:
        raise _TryAgain(f"the server is busy ({code})",
                        _retry_after(response.headers.get("Retry-After", "")))
    if code != 200:
        what = {401: "it asks for a password", 403: "it is not open to us",
                404: "nothing is there any more", 410: "nothing is there any more"}.get(
                    code, f"the server answered {code}")
        raise NotFetched(
            f"The address did not give its sheet: {what} ({code}).",
            "Publish the sheet so that everyone with the link can read it, and put the link "
            "into network.toml.", bare(url))
    kind = response.headers.get("Content-Type", "").partition(";")[0].strip().lower()
    content = _read(response, settings, deadline)
    start = content[:2048].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if kind in ("text/html", "application/xhtml+xml") or start.startswith(
            (b"<!doctype html", b"<html")):
        raise NotFetched(
            "The address gives a web page, not a sheet (often a page to sign in).",
            "Use the link that downloads the file itself, open to everyone who has it.",
            bare(url))
    name = _name(response, url, kind)
    if not whole(name, content):
        raise _TryAgain("only a part of the sheet came")
    return Fetched(content, name, response.headers.get("ETag", ""),
                   response.headers.get("Last-Modified", ""))


def _read(response: requests.Response, settings: CollectSettings, deadline: float) -> bytes:
    most = int(settings.megabytes * 1e6)
    too_large = NotFetched(
        f"What stands at the address is larger than {settings.megabytes:g} MB.",
        "Publish the sheet alone; or raise megabytes in [collect].", bare(response.url))
    length = response.headers.get("Content-Length", "")
    if length.isdecimal() and int(length) > most:
        raise too_large
    parts: list[bytes] = []
    size = 0
    try:
        for part in response.iter_content(_CHUNK):
            parts.append(part)
            size += len(part)
            if size > most:
                raise too_large
            if time.monotonic() >= deadline:
                raise _TryAgain("it took too long")
    except (requests.RequestException, OSError, ValueError, AttributeError) as error:
        if isinstance(error, Problem):
            raise
        late = time.monotonic() >= deadline
        raise _TryAgain("it took too long" if late else "the connection broke off") from error
    if time.monotonic() >= deadline:
        # We have cut it off ourselves, and a text without an announced length looks whole.
        raise _TryAgain("it took too long")
    encoded = response.headers.get("Content-Encoding", "")
    if length.isdecimal() and not encoded and size != int(length):
        raise _TryAgain("only a part of the sheet came")
    return b"".join(parts)


def _retry_after(text: str) -> float:
    """Seconds that the server asks us to wait, from a number or a date; 0: it does not say."""
    if text.strip().isdecimal():
        return float(text)
    try:
        at = email.utils.parsedate_to_datetime(text)
    except (ValueError, TypeError):
        return 0.0
    if at.tzinfo is None:
        at = at.replace(tzinfo=dt.UTC)
    return max(0.0, (at - dt.datetime.now(dt.UTC)).total_seconds())


def _in_words(error: requests.RequestException) -> str:
    if isinstance(error, requests.exceptions.SSLError):
        return "its certificate does not hold"
    if isinstance(error, requests.Timeout):
        return "it did not answer in time"
    return "no connection could be made"


def _name(response: requests.Response, url: str, kind: str) -> str:
    """A file name with the ending of a sheet; the address' own where it has one."""
    given = re.search(r"filename\*?=(?:[\w-]+'[\w-]*')?\"?([^\";]+)",
                      response.headers.get("Content-Disposition", ""), re.IGNORECASE)
    path = unquote(given[1] if given else urlsplit(url).path).rsplit("/", 1)[-1].strip()
    if path and "." in path and f".{path.rpartition('.')[2].lower()}" in SHEETS:
        return path
    return (path or "sheet") + _BY_KIND.get(kind, ".xlsx")


def ask_address(
    warehouse: Warehouse, site: str, url: str, settings: CollectSettings, now: dt.datetime,
    pause: Callable[[float], object] = time.sleep, *, one_of_several: bool = False,
) -> str | Trouble | None:
    """Take what is new at ``url`` into the inbox of ``site``; its path, or what is the matter.

    None: nothing has changed. ``now`` is naive UTC.
    """
    # The name under which it is remembered tells nothing that a link may keep secret.
    mark = hashlib.sha256(url.encode("utf-8")).hexdigest()[:8]
    source = f"url:{bare(url)}#{mark}"
    known = arrivals.source_state(warehouse, site, source)
    try:
        found = fetch(url, settings, known.mark if known else None, pause)
    except (NotAllowed, NotFetched) as problem:
        return Trouble(problem.code, problem.what, problem.remedy, problem.where or bare(url))
    if found.content is None:
        return None
    sha256 = hashlib.sha256(found.content).hexdigest()
    # A name that changes with each download would look like one more sheet each week.
    name = str(known.mark["name"]) if known is not None else found.name.replace("/", "_")
    if known is None and one_of_several:
        # Two addresses of one site mostly end alike ("export.csv").
        name = f"{mark[:4]}-{name}"
    path = None
    if known is None or known.sha256 != sha256:
        path = put_in(warehouse, site, name, found.content, "url", bare(url),
                      found.etag, now)
    arrivals.remember_source(warehouse, site, source, SourceState(
        sha256, {"etag": found.etag, "modified": found.modified, "name": name}, now))
    return path
