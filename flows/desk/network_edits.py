"""network.toml through forms: validated whole before it is written, its comments kept.

An edit is laid over the file as it stands, read back as a run would read it, and only then
put in its place in one rename. Two people at once: the later of two forms opened on one state
is refused, never merged.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.items import Table

from checks.catalogue import CATALOGUE
from flows.network_folder import SETTINGS_NAME, checked_network
from shared.problems import BadSettings
from warehouse import durable

_guard = threading.Lock()

Edit = Callable[[TOMLDocument], None]


class EditedMeanwhile(BadSettings):
    """Somebody else saved since the form was opened."""

    code = "edited-meanwhile"


def stamp_of(network_dir: Path) -> str:
    """What a form carries to tell which state of the file it was opened on."""
    return hashlib.sha256(_text(network_dir).encode("utf-8")).hexdigest()[:16]


def edit(network_dir: Path, stamp: str, change: Edit) -> bool:
    """Lay ``change`` over the file; whether anything is different by it.

    Raises :class:`~shared.problems.BadSettings` with the entry that is wrong, and
    :class:`EditedMeanwhile`; nothing is written then.
    """
    path = network_dir / SETTINGS_NAME
    with _guard:
        before = _text(network_dir)
        if stamp_of(network_dir) != stamp:
            raise EditedMeanwhile("The settings were changed since this form was opened.",
                                  "Open the form again and look at what is there now.")
        document = tomlkit.parse(before)
        change(document)
        after = tomlkit.dumps(document)
        if after == before:
            return False
        checked_network(after, str(path))
        durable.write_text(path, after)
    return True


def site_profile(site: str, units: Mapping[str, str], columns: Mapping[str, str],
                 date_order: str) -> Edit:
    """The site's profile as given; what is left empty is taken out."""

    def change(document: TOMLDocument) -> None:
        profile = _table(_table(_table(document, "sites"), site), "profile")
        _fill(profile, "units", units)
        _fill(profile, "columns", columns)
        if date_order:
            _put(profile, "date_order", date_order)
        elif "date_order" in profile:
            del profile["date_order"]
        if not profile:
            del document["sites"][site]["profile"]

    return change


def column_named(site: str, heading: str, meaning: str) -> Edit:
    """One column of the site's sheets named, the others as they are."""

    def change(document: TOMLDocument) -> None:
        profile = _table(_table(_table(document, "sites"), site), "profile")
        _put(_table(profile, "columns"), heading, meaning)

    return change


def thresholds(rule: str, values: Mapping[str, float]) -> Edit:
    """The rule's thresholds; those equal to the catalogue's are taken out."""

    def change(document: TOMLDocument) -> None:
        if rule not in CATALOGUE:
            raise BadSettings(f'There is no rule "{rule}".', "Choose one of the list.")
        table = _table(_table(document, "thresholds"), rule)
        for name, number in values.items():
            known = CATALOGUE[rule].thresholds.get(name)
            if known is not None and known.default == number:
                if name in table:
                    del table[name]
            else:
                _put(table, name, int(number) if number.is_integer() else number)
        if not table:
            del document["thresholds"][rule]

    return change


def _table(parent: Any, name: str) -> Any:
    if name not in parent:
        # A table that only holds tables needs no heading of its own.
        parent[name] = tomlkit.table(is_super_table=name in ("sites", "thresholds"))
    return parent[name]


def _fill(profile: Table, name: str, values: Mapping[str, str]) -> None:
    """Make the table hold ``values`` and nothing else, touching only what differs."""
    if not values:
        if name in profile:
            del profile[name]
        return
    table = _table(profile, name)
    for key in [key for key in table if key not in values]:
        del table[key]
    for key, value in values.items():
        _put(table, key, value)


def _put(table: Any, key: str, value: Any) -> None:
    if key not in table or table[key] != value:
        table[key] = value


def _text(network_dir: Path) -> str:
    return (network_dir / SETTINGS_NAME).read_text(encoding="utf-8")
