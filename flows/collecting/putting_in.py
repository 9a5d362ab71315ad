"""Into the inbox: under a safe name, whole or not at all, with a note of where it came from."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import unicodedata
from pathlib import Path

from shared.identity import DEVICES
from warehouse import arrivals, durable
from warehouse.arrivals import Arrival
from warehouse.folder import received_path
from warehouse.store import Warehouse

SHEETS = frozenset({
    ".xlsx", ".xlsm", ".xlsb", ".xls", ".ods", ".csv", ".tsv", ".txt", ".zip"})
"""Endings of what may hold a sheet."""

_MOST_LETTERS, _MOST_BYTES = 100, 200
"""Of a name. File systems count bytes, 255 of them, and ours stands beside it for a moment."""


def safe_name(name: str) -> str:
    """A file's name as sent, fit for any system: no folders, no odd letters, not too long."""
    name = unicodedata.normalize("NFC", name.replace("\\", "/").rsplit("/", 1)[-1])
    name = re.sub(r"[^\w .()+,&@=-]", "_", name).strip(" .-_") or "sheet"
    stem, dot, ending = name.rpartition(".")
    if not dot:
        stem, ending = name, ""
    if stem.split(".")[0].strip().lower() in DEVICES:
        stem = f"sheet-{stem}"
    stem = _cut(stem[:_MOST_LETTERS], _MOST_BYTES)
    return stem.rstrip(" .") + (f".{_cut(ending[:10], 20)}" if dot else "")


def _cut(text: str, most_bytes: int) -> str:
    return text.encode("utf-8")[:most_bytes].decode("utf-8", "ignore")


def put_in(
    warehouse: Warehouse, site: str, name: str, content: bytes, channel: str, source: str,
    ref: str, now: dt.datetime,
) -> str:
    """Put ``content`` into the site's inbox and note where it came from. Returns its path.

    ``name`` may have folders, with forward slashes; none of them leads out of the inbox.
    The bytes stand before the note does: cut off in between, the next round notes it.
    """
    place = (warehouse.network_dir / "inbox" / site).joinpath(
        *(safe_name(part) for part in name.split("/") if part))
    if not (place.is_file() and place.read_bytes() == content):
        if place.is_file():
            # What is replaced may not have been through a run yet, and nothing is ever lost.
            keep_aside(warehouse.network_dir, place.read_bytes())
        durable.write_bytes(place, content)
    path = place.relative_to(warehouse.network_dir / "inbox").as_posix()
    arrivals.record_arrival(warehouse, Arrival(
        site, path, hashlib.sha256(content).hexdigest(), channel, source, ref, now))
    return path


def keep_aside(network_dir: Path, content: bytes) -> str:
    """Keep bytes with those received, without putting them into any inbox. Their hash."""
    sha256 = hashlib.sha256(content).hexdigest()
    place = received_path(network_dir, sha256)
    if not place.is_file():
        durable.write_bytes(place, content)
    return sha256
