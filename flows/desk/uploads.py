"""A sheet on its way: put down, gone through, answered, and sent in or taken away again.

Bytes are on the disk before anything is said to their sender. Sent in, a sheet stands in the
site's inbox like one that came by mail, and the answers wait beside it for the next run.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
import secrets
import shutil
import threading
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from flows.answers import pending
from flows.collecting.putting_in import SHEETS, safe_name
from flows.desk.apart import Room
from flows.desk.places import tray_folder
from shared.decisions import Action, Answer, Channel
from shared.problems import Problem
from warehouse import durable
from warehouse.folder import received_path

PICTURES = frozenset({".jpg", ".jpeg", ".png", ".heic", ".pdf"})
"""What a phone makes of a paper sheet: nobody can read it but a person."""

MOST_BYTES = 20_000_000
MOST_VALUE, MOST_NOTE = 100, 500
_KEPT = dt.timedelta(days=2)
_MOST_WAITING = 8
_TOKEN = re.compile(r"[A-Za-z0-9_-]{12}")

ACTIONS = {"suggestion": Action.CORRECT, "right": Action.CONFIRM, "mine": Action.CORRECT,
           "strike": Action.WITHDRAW}
LATER = "later"


class NotTaken(Problem, ValueError):
    """A sheet or an answer that is not taken, and why."""

    code = "not-taken"


@dataclass(slots=True)
class OnTray:
    """A sheet that was put down. ``found`` is what was found in it, or why nothing was."""

    token: str
    name: str
    sha256: str
    put: str
    found: dict[str, Any]
    answers: dict[str, dict[str, str]] = field(default_factory=dict)
    """Question -> choice, value and note."""

    @property
    def refused(self) -> dict[str, str] | None:
        """Why it could not be gone through, if so."""
        found: dict[str, str] | None = self.found.get("refused")
        return found


class Tray:
    """The sheets that sites have put down."""

    def __init__(self, network_dir: Path, room: Room) -> None:
        self._dir = network_dir
        self._room = room
        self._locks: defaultdict[str, threading.Lock] = defaultdict(threading.Lock)

    def put(self, site: str, name: str, content: bytes, as_of: dt.date,
            now: dt.datetime) -> OnTray:
        """Put a sheet down and go through it. Raises :class:`NotTaken`."""
        name = safe_name(name)
        ending = Path(name).suffix.lower()
        if not content:
            raise NotTaken("The file is empty.", "Save it, then choose it again.", name)
        if ending not in SHEETS | PICTURES:
            raise NotTaken(f'A file that ends in "{ending or "nothing"}" is no sheet we know.',
                           "Send the spreadsheet itself: .xlsx, .xls, .ods or .csv.", name)
        self._sweep(site, now)
        token = secrets.token_urlsafe(9)
        folder = tray_folder(self._dir, site) / token
        durable.write_bytes(folder / "sheet", content)
        item = OnTray(token, name, hashlib.sha256(content).hexdigest(),
                      now.astimezone(dt.UTC).isoformat(timespec="seconds"),
                      self._gone_through(folder / "sheet", name, site, as_of))
        self._write(site, item)
        return item

    def _gone_through(self, path: Path, name: str, site: str, as_of: dt.date) -> dict[str, Any]:
        if Path(name).suffix.lower() in PICTURES:
            return {"refused": {
                "what": "This is a picture, and only a person can read it.",
                "remedy": "Better send the spreadsheet; or send it all the same, and your "
                          "coordinator types it in."}}
        from flows.desk.apart_work import go_through

        try:
            return self._room.do(go_through, str(path), name, str(self._dir), site,
                                 as_of.isoformat())
        except Problem as problem:
            return {"refused": {"what": problem.what, "remedy": problem.remedy}}

    def look_again(self, site: str, token: str, as_of: dt.date) -> None:
        """Go through a sheet once more: others were being served, or the settings changed."""
        with self._locks[site]:
            item = self.get(site, token)
            if item is None:
                raise _gone()
            item.found = self._gone_through(tray_folder(self._dir, site) / token / "sheet",
                                            item.name, site, as_of)
            asked = {entry["id"] for entry in item.found.get("asks", ())}
            item.answers = {ask: said for ask, said in item.answers.items() if ask in asked}
            self._write(site, item)

    def get(self, site: str, token: str) -> OnTray | None:
        """The sheet of that token; None when it is not (or no longer) there."""
        if _TOKEN.fullmatch(token) is None:
            return None
        try:
            found = json.loads((tray_folder(self._dir, site) / token / "about.json").read_text(
                encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return OnTray(**found)

    def waiting(self, site: str) -> list[OnTray]:
        """What the site has put down and not sent in, newest first."""
        found = [self.get(site, folder.name) for folder in tray_folder(self._dir, site).glob("*")]
        return sorted((item for item in found if item), key=lambda item: item.put, reverse=True)

    def answer(self, site: str, token: str, ask: str, choice: str, value: str, note: str) -> None:
        """Note an answer to a question about a sheet on the tray; ``later`` takes it back."""
        with self._locks[site]:
            item = self.get(site, token)
            if item is None:
                raise _gone()
            asked = {entry["id"]: entry for entry in item.found.get("asks", ())}.get(ask)
            if asked is None:
                raise NotTaken("The sheet raises no such question.", "Look at its page again.")
            if choice == LATER:
                item.answers.pop(ask, None)
            else:
                item.answers[ask] = checked_answer(asked, choice, value, note)
            self._write(site, item)

    def send_in(self, site: str, token: str, who: str) -> tuple[OnTray, str]:
        """Put the sheet into the inbox and its answers beside; the path it has there.

        On the disk when this returns. Sent twice, it is there once.
        """
        with self._locks[site]:
            item = self.get(site, token)
            if item is None:
                raise _gone()
            folder = tray_folder(self._dir, site) / token
            path = into_inbox(self._dir, site, item.name, (folder / "sheet").read_bytes())
            asks = {entry["id"]: entry for entry in item.found.get("asks", ())}
            for ask, said in item.answers.items():
                put_answer(self._dir, site, ask, said, who, tuple(asks[ask]["findings"]))
            shutil.rmtree(folder, ignore_errors=True)
        return item, path

    def drop(self, site: str, token: str) -> None:
        """Take a sheet away that was not sent in."""
        if self.get(site, token) is not None:
            shutil.rmtree(tray_folder(self._dir, site) / token, ignore_errors=True)

    def _write(self, site: str, item: OnTray) -> None:
        durable.write_text(
            tray_folder(self._dir, site) / item.token / "about.json",
            json.dumps({"token": item.token, "name": item.name, "sha256": item.sha256,
                        "put": item.put, "found": item.found, "answers": item.answers},
                       ensure_ascii=False))

    def _sweep(self, site: str, now: dt.datetime) -> None:
        """Forget what lay there for days, and the oldest of too many."""
        for place, item in enumerate(self.waiting(site)):
            if place >= _MOST_WAITING or now - dt.datetime.fromisoformat(item.put) > _KEPT:
                self.drop(site, item.token)


def _gone() -> NotTaken:
    return NotTaken("This sheet is no longer on the desk.",
                    "It was sent in or taken away already; see what arrived.")


_inbox_locks: defaultdict[str, threading.Lock] = defaultdict(threading.Lock)


def into_inbox(network_dir: Path, site: str, name: str, content: bytes) -> str:
    """Put ``content`` into the site's inbox; its path there, relative to the inbox.

    It takes the place of a file of its name. One that no run has received yet is left where it
    is, and the new one gets a name of its own.
    """
    place = network_dir / "inbox" / site / safe_name(name)
    with _inbox_locks[site]:
        if place.is_file():
            standing = place.read_bytes()
            known = received_path(network_dir, hashlib.sha256(standing).hexdigest())
            if standing != content and not known.is_file():
                mark = hashlib.sha256(content).hexdigest()[:6]
                place = place.with_name(f"{place.stem}-{mark}{place.suffix}")
        durable.write_bytes(place, content)
    return place.relative_to(network_dir / "inbox").as_posix()


def checked_answer(ask: dict[str, Any], choice: str, value: str, note: str) -> dict[str, str]:
    """An answer from a form, held to what ``ask`` may be answered. Raises :class:`NotTaken`."""
    value, note = " ".join(value.split())[:MOST_VALUE], " ".join(note.split())[:MOST_NOTE]
    if choice not in ACTIONS or choice not in ask["answers"]:
        raise NotTaken("The question cannot be answered so.", "Press one of its answers.")
    if choice == "mine" and not value:
        raise NotTaken("The value is missing.", "Type what it should be, then press again.")
    return {"choice": choice, "value": value if choice == "mine" else "", "note": note}


def put_answer(network_dir: Path, site: str, ask: str, said: dict[str, str], who: str,
               findings: tuple[str, ...]) -> Path:
    """Keep a lead's answer for the next run."""
    return pending.put(network_dir, Answer(
        site, ask, ACTIONS[said["choice"]], said["value"] or None, said["note"], who, findings),
        Channel.PAGE)
