"""Putting a site's season sheet and field form into a folder, over nothing that is there."""

from __future__ import annotations

import itertools
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from flows.blank_sheets.field_form import write_field_form
from flows.blank_sheets.season_sheet import write_season_sheet
from shared.problems import BadSettings
from shared.settings import Network, Site


def hand_out(
    folder: Path, site: Site, network: Network, season: int,
    per_page: Literal["day", "week"] = "day", paper: Literal["A4", "Letter"] = "A4",
) -> list[Path]:
    """Write the season sheet and the field form of ``site`` into ``folder``; returns the paths.

    A file that already stands there may be somebody's season: unless it is the very same
    empty sheet, the new one takes the next free name. Raises :class:`BadSettings` when the
    folder cannot be written.
    """
    stem = f"{site.id}-{season}"

    def sheet(path: Path) -> None:
        write_season_sheet(path, site, network, season, paper)

    def form(path: Path) -> None:
        write_field_form(path, site, network, season, per_page, paper)

    try:
        folder.mkdir(parents=True, exist_ok=True)
        return [_put(folder, f"{stem}-season-sheet", ".xlsx", sheet),
                _put(folder, f"{stem}-field-form-{per_page}-{paper.lower()}", ".pdf", form)]
    except OSError as error:
        raise BadSettings(
            f"The sheets cannot be written ({error.strerror or error}).",
            "Check that the folder may be written to and that the disk has room.",
            str(folder)) from error


def _put(folder: Path, stem: str, suffix: str, write: Callable[[Path], None]) -> Path:
    with tempfile.TemporaryDirectory(dir=folder, prefix=".tallyweir-") as passing:
        fresh = Path(passing) / f"fresh{suffix}"
        write(fresh)
        for number in itertools.count(1):
            path = folder / (f"{stem}{suffix}" if number == 1 else f"{stem} ({number}){suffix}")
            if not path.exists():
                os.replace(fresh, path)
                return path
            if path.is_file() and path.read_bytes() == fresh.read_bytes():
                return path
    raise AssertionError("unreachable: the numbers do not end")
