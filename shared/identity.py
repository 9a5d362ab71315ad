"""Identity of an event and of what is found in it: stable across resends.

An event is known by site, protocol, gear unit and the local time of the net check
or haul. The *check* is used, not the setting of the net, because every sheet has
it and volunteers correct it least; DEVELOPERS.md argues the point.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from zoneinfo import ZoneInfo


def event_id(site: str, protocol: str, gear_unit: str, date: dt.date, time: dt.time | None) -> str:
    """The event's id, readable: ``alder-creek:fyke:A:2026-03-14T0730``."""
    moment = date.isoformat() + (f"T{time:%H%M}" if time is not None else "")
    return f"{site}:{protocol}:{gear_unit}:{moment}"


DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt")
                                                   for n in "123456789\u00b9\u00b2\u00b3")})
"""Names that are no file's on Windows, whatever ending follows."""

_FOLDER = re.compile(r"[^\W_](?:[\w .-]{0,62}\w)?")


def names_a_folder(text: str) -> bool:
    """Whether ``text`` can name a folder on any system, and only one right below another."""
    return _FOLDER.fullmatch(text) is not None and text.split(".")[0].lower() not in DEVICES


def short_digest(*parts: object) -> str:
    """Twelve hex digits that stand for ``parts`` (their text, separated unambiguously)."""
    joined = "\x1f".join(str(part) for part in parts)
    return hashlib.sha256(joined.encode("utf-8")).hexdigest()[:12]


def to_utc(local: dt.datetime, zone: str) -> dt.datetime:
    """Naive local civil time at ``zone`` to naive UTC.

    A time that the clock change repeats is taken as its first pass, one that it
    skips as if the clock had not moved yet (PEP 495, ``fold=0``).
    """
    aware = local.replace(tzinfo=ZoneInfo(zone), fold=0)
    return aware.astimezone(dt.UTC).replace(tzinfo=None)
