"""The outbox: one folder a site and week, complete or not there at all."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import secrets
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from flows.returns.gathering import Ask
from flows.returns.message import WORKBOOK_NAME, compose, write_message
from flows.returns.workbook import write_workbook
from shared.identity import names_a_folder, short_digest
from shared.problems import BadSettings, Problem, Trouble
from shared.settings import Network, Site
from warehouse.durable import make_folder

EARLIER = "earlier"
"""Folder within a week's for workbooks that a later run of that week replaced."""



class OutboxBusy(Problem, OSError):
    """The week's folder cannot be replaced, mostly because a file in it is open."""

    code = "outbox-busy"


@dataclass(frozen=True, slots=True)
class ReturnedPaths:
    """What was put out for a site. ``workbook`` is None when there is nothing to answer.

    ``digest`` is what the next run passes as ``last_digest``.
    """

    folder: Path
    html: Path
    text: Path
    workbook: Path | None
    subject: str
    digest: str


def week_name(as_of: dt.date) -> str:
    """The ISO week of ``as_of`` as folders are named: ``2026-W13``."""
    year, week, _ = as_of.isocalendar()
    return f"{year}-W{week:02d}"


def digest_of(
    asks: Sequence[Ask], troubles: Sequence[Trouble], account: Mapping[str, int],
    echo: str = "", due: str = "",
) -> str:
    """Changes whenever there is something else to say, or an old question is ``due`` again."""
    return short_digest(
        *filter(None, (echo, due)),
        [(ask.id, ask.effect.value, sorted({item.id for item in ask.findings}),
          ask.message, ask.suggestion) for ask in asks],
        [(trouble.code, trouble.what, trouble.remedy, trouble.where) for trouble in troubles],
        sorted(account.items()),
    )


def return_to_site(
    network_dir: Path,
    site: Site,
    network: Network,
    asks: Sequence[Ask],
    account: Mapping[str, int],
    troubles: Sequence[Trouble],
    *,
    as_of: dt.date,
    version: str,
    last_digest: str | None = None,
    token: str = "",
    echo: str = "",
    due: str = "",
) -> ReturnedPaths | None:
    """Put ``message.html``, ``message.txt`` and the workbook out for ``site``.

    They go to ``outbox/<site>/<week>`` in ``network_dir``, all of them in one move.
    Returns None, and touches nothing, when the digest is ``last_digest`` or when
    nothing arrived and nothing is odd. ``echo`` is what came of the site's answers; ``due``
    changes when open questions are to be asked once more. A second run in the week replaces
    the first; a workbook that differs from the new one is kept under ``earlier``, because
    someone may have typed answers into it.

    Raises :class:`BadSettings` when the site's id cannot name a folder and
    :class:`OutboxBusy` when the folder cannot be written or replaced.
    """
    digest = digest_of(asks, troubles, account, echo, due)
    nothing_at_all = not asks and not troubles and not account.get("rows", 0)
    if nothing_at_all or digest == last_digest:
        return None
    if not names_a_folder(site.id):
        raise BadSettings(f'The site id "{site.id}" cannot name a folder.',
                          "Use letters, digits and hyphens only.", "network.toml")
    home = network_dir / "outbox" / site.id
    folder = home / week_name(as_of)
    letter = compose(site, network, asks, account, troubles, as_of, echo)
    message = write_message(letter)
    try:
        make_folder(home)
        made = _new_folder(home, ".making-")
        try:
            _write(made / "message.html", message.html)
            _write(made / "message.txt", message.text)
            if asks:
                write_workbook(made / WORKBOOK_NAME, site, network, asks, account, troubles,
                               version, as_of, token)
            if not _same(made, folder):
                _keep_earlier(folder, made)
                _swap(made, folder)
        finally:
            shutil.rmtree(made, ignore_errors=True)
    except OSError as error:
        raise OutboxBusy(
            f"The folder cannot be written: {error.strerror or error}.",
            "Close what is open in it, see that the disk has room, and run again. "
            "What was there before is still there.",
            str(folder),
        ) from error
    return ReturnedPaths(
        folder=folder, html=folder / "message.html", text=folder / "message.txt",
        workbook=folder / WORKBOOK_NAME if asks else None, subject=message.subject,
        digest=digest,
    )


def _new_folder(home: Path, prefix: str) -> Path:
    """A new folder in ``home``, open to whom ``home`` is (tempfile's are the maker's alone)."""
    folder = home / f"{prefix}{secrets.token_hex(6)}"
    folder.mkdir()
    return folder


def _write(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write(text)


def _same(made: Path, folder: Path) -> bool:
    """Whether ``folder`` holds already what ``made`` does (earlier workbooks aside)."""
    def content(place: Path) -> dict[str, bytes]:
        return {entry.name: entry.read_bytes() for entry in place.iterdir() if entry.is_file()}

    return folder.is_dir() and content(made) == content(folder)


def _keep_earlier(folder: Path, made: Path) -> None:
    """Copy into ``made`` the workbooks of ``folder`` that it is about to replace."""
    if (folder / EARLIER).is_dir():
        shutil.copytree(folder / EARLIER, made / EARLIER)
    old = folder / WORKBOOK_NAME
    new = made / WORKBOOK_NAME
    if not old.is_file():
        return
    content = old.read_bytes()
    if new.is_file() and new.read_bytes() == content:
        return
    kept = made / EARLIER / f"please-answer-{hashlib.sha256(content).hexdigest()[:8]}.xlsx"
    kept.parent.mkdir(exist_ok=True)
    kept.write_bytes(content)


def _swap(made: Path, folder: Path) -> None:
    """Put ``made`` in the place of ``folder``; on failure ``folder`` is as it was.

    No system replaces a folder that is not empty in one call, so the old one steps
    aside first.
    """
    if not folder.exists():
        os.replace(made, folder)
        return
    aside = _new_folder(folder.parent, ".replaced-")
    os.replace(folder, aside / "old")
    try:
        os.replace(made, folder)
    except OSError:
        os.replace(aside / "old", folder)
        raise
    finally:
        shutil.rmtree(aside, ignore_errors=True)
