"""A network's folder on the disk: its settings file and its inbox."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from pathlib import Path

from checks.catalogue import CATALOGUE
from shared.problems import BadSettings, NoSuchNetwork
from shared.settings import Network, parse_network

SETTINGS_NAME = "network.toml"

_PASSING = ("~$", ".", "._")
"""Starts of names that spreadsheet programs and file systems put beside a sheet for a while."""
_PASSING_ENDS = (".tmp", ".part", ".crdownload", ".lock", "~")
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
    network = parse_network(text, str(path))
    for rule, values in network.thresholds.items():
        if rule not in CATALOGUE:
            raise BadSettings(f"[thresholds.{rule}] names no rule.",
                              f"Did you mean {_nearest(rule, CATALOGUE)}? `tallyweir rules` lists "
                              "all.", str(path))
        for name in values:
            if name not in CATALOGUE[rule].thresholds:
                known = ", ".join(CATALOGUE[rule].thresholds) or "none"
                raise BadSettings(f'[thresholds.{rule}] has no threshold "{name}".',
                                  f"It has: {known}.", str(path))
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
        name = path.name.lower()
        if (path.is_file() and not name.startswith(_PASSING) and name not in _FURNITURE
                and not name.endswith(_PASSING_ENDS)):
            yield path, path.relative_to(inbox).as_posix()


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
