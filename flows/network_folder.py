"""A network's folder on the disk: its settings file and its inbox."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from pathlib import Path

from checks.catalogue import CATALOGUE
from shared.problems import BadSettings, NoSuchNetwork, Problem
from shared.settings import Network, parse_network

SETTINGS_NAME = "network.toml"

_PASSING = ("~$", ".", "._")
"""Starts of names that spreadsheet programs and file systems put beside a sheet for a while."""
_PASSING_ENDS = (".tmp", ".part", ".partial", ".crdownload", ".download", ".lock", ".icloud", "~")
_FURNITURE = frozenset({"thumbs.db", "desktop.ini"})


def load_network(network_dir: Path) -> Network:
    """Settings of the network in ``network_dir``.

    Raises :class:`NoSuchNetwork` when there are none, :class:`BadSettings` when they
    cannot be used.
    """
    path = network_dir / SETTINGS_NAME
    try:
        text = path.read_text(encoding="utf-8")
    except (FileNotFoundError, NotADirectoryError) as error:
        raise NoSuchNetwork(
            f"There is no {SETTINGS_NAME} in {network_dir}.",
            f"Name a network's folder; `tallyweir demo {network_dir}` lays out an example.",
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        raise BadSettings(
            f"It cannot be read ({error}).",
            "Check that you may read it and that it is saved as UTF-8.", str(path)) from error
    return checked_network(text, str(path))


def checked_network(text: str, where: str) -> Network:
    """Settings from the text of a settings file, its thresholds held to the catalogue.

    Raises :class:`BadSettings` naming the entry that is wrong.
    """
    network = parse_network(text, where)
    for rule, values in network.thresholds.items():
        if rule not in CATALOGUE:
            raise BadSettings(f"[thresholds.{rule}] names no rule.",
                              f"Did you mean {_nearest(rule, CATALOGUE)}? `tallyweir rules` lists "
                              "all.", where)
        for name in values:
            if name not in CATALOGUE[rule].thresholds:
                known = ", ".join(CATALOGUE[rule].thresholds) or "none"
                raise BadSettings(f'[thresholds.{rule}] has no threshold "{name}".',
                                  f"It has: {known}.", where)
    return network


def _nearest(name: str, known: Iterable[str]) -> str:
    return next(iter(difflib.get_close_matches(name, list(known), n=1, cutoff=0.0)), "another")


def inbox_files(network_dir: Path, site_id: str) -> Iterator[tuple[Path, str]]:
    """Files that stand in a site's inbox: path, and path relative to the inbox.

    In order of name, so that two machines see them alike. What programs leave beside a
    sheet while it is open is passed over.
    """
    inbox = network_dir / "inbox"
    for path in sorted((inbox / site_id).rglob("*"), key=lambda item: item.as_posix()):
        if path.is_file() and not passing(path.name):
            yield path, path.relative_to(inbox).as_posix()


class NotReceived(Problem, OSError):
    """A file of the inbox that was left where it is."""

    code = "file-unopened"


class LeadsOut(NotReceived):
    """A link out of the site's inbox."""

    code = "file-is-a-link"


class NoName(NotReceived):
    """A name in letters that nothing can be noted under."""

    code = "file-name"


class LargerThanReceived(NotReceived):
    """A file no sheet can be."""

    code = "file-too-large"


MOST_BYTES = 250_000_000
"""Larger files are not even kept: they would fill memory and disk, and no sheet comes near."""


def inbox_bytes(network_dir: Path, site_id: str, path: Path, name: str) -> bytes:
    """The bytes of a file in a site's inbox. Raises :class:`NotReceived`.

    Whoever may write into a drop folder could leave a link there to any file that we may read,
    and have it come back in a workbook: what leads out of the folder is not followed.
    """
    if name != (sayable := name.encode("utf-8", "replace").decode("utf-8")):
        raise NoName("Its name holds letters that this system cannot read.",
                     "Give it a plain name, as in counts-2026.xlsx.", sayable)
    try:
        if not path.resolve().is_relative_to((network_dir / "inbox" / site_id).resolve()):
            raise LeadsOut("It is a link to a file outside the inbox, and was not followed.",
                           "Put the sheet itself there.", name)
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise LargerThanReceived(
                f"It has {size / 1e6:,.0f} MB, more than a sheet can.",
                "Put the season's sheet alone there, without pictures and other years.", name)
        return path.read_bytes()
    except NotReceived:
        raise
    except (OSError, RuntimeError) as error:
        raise NotReceived(
            f"It cannot be opened ({getattr(error, 'strerror', None) or error}).",
            "Close it where it is open, or put it in the inbox again.", name) from error


def passing(name: str) -> bool:
    """Whether a file of this name is one that programs leave beside a sheet for a while."""
    name = name.lower()
    return (name.startswith(_PASSING) or name in _FURNITURE or name.endswith(_PASSING_ENDS))


def strangers_in_inbox(network_dir: Path, network: Network) -> list[str]:
    """Names in the inbox that belong to no site of the network."""
    inbox = network_dir / "inbox"
    if not inbox.is_dir():
        return []
    return sorted(
        entry.name for entry in inbox.iterdir()
        if entry.name not in network.sites and not entry.name.startswith(".")
        and entry.name.lower() not in _FURNITURE
    )
