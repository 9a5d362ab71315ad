"""Whose sheet is it? A sheet in another site's folder must not become that site's record."""

from __future__ import annotations

import re
from collections.abc import Collection
from pathlib import PurePosixPath

from shared.problems import Trouble
from shared.settings import Network, Site
from shared.sheets import Workbook
from shared.staging import Staged

COPY = "another-sites-file"
"""Code of a file that is another site's, which sent it too."""

_TITLE_ROWS = 12
"""Titles stand above the table: only this many rows are searched for names."""

_WORDS = re.compile(r"[^a-z0-9]+")


def _folded(text: str) -> str:
    return f" {_WORDS.sub(' ', text.lower()).strip()} "


def _names(site: Site) -> tuple[str, ...]:
    return (_folded(site.name), _folded(site.id))


def other_site_named(
    workbook: Workbook, staged: Staged, site: Site, network: Network
) -> Trouble | None:
    """That the sheet names another site of the network and not its own, or None.

    Looks at the site column, else at the tab names and titles; the file's name decides
    nothing alone, since leads name files as they please.
    """
    written = [str(name) for name in staged.events["stated_site"] if name]
    own = _names(site)
    if written:
        texts = [_folded(name) for name in written]
    else:
        texts = [_folded(sheet.name) for sheet in workbook.sheets]
        for sheet in workbook.sheets:
            for row in sheet.rows[:_TITLE_ROWS]:
                texts += [_folded(cell) for cell in row if isinstance(cell, str)]
    if any(name in text for text in texts for name in own):
        return None
    for other in network.sites.values():
        if other.id == site.id:
            continue
        naming = sum(any(name in text for name in _names(other)) for text in texts)
        if naming and (not written or naming * 2 > len(written)):
            return Trouble(
                "wrong-site",
                f"This sheet names {other.name}, but it came as {site.name}'s.",
                f"It is kept and not loaded. Send {site.name}'s own sheet, or tell the "
                f"coordinator if it really is {site.name}'s.",
                workbook.name,
            )
    return None


_TELLING = 4
"""Letters from which on a word of a site's name can tell it from another."""


def owner_named(name: str, sites: Collection[Site]) -> Site | None:
    """Which of ``sites`` a file called ``name`` is of, if it names one of them alone.

    A word that two of them share (creek, brook) tells nothing. Files are named as leads
    please: good only to tell whose of several a file is that all of them sent.
    """
    text = _folded(PurePosixPath(name).stem)
    words = {site.id: {word for of in _names(site) for word in of.split()
                       if len(word) >= _TELLING} for site in sites}
    found = [site for site in sites if any(
        word in text and all(word not in words[other.id] for other in sites if other is not site)
        for word in words[site.id])]
    return found[0] if len(found) == 1 else None


def copy_of_another(name: str, owner: Site, site: Site) -> Trouble:
    """What ``site`` is told of a file ``name`` that is, to the byte, one of ``owner``."""
    return Trouble(
        COPY,
        f"This is, to the byte, a file that {owner.name} sent, but it came as {site.name}'s.",
        f"It is kept and not loaded. Send {site.name}'s own sheet; if it really is "
        f"{site.name}'s, save it under a name that says so and send that.",
        name,
    )
