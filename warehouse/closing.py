"""Seasons that the coordinator has closed: their figures are final, all others provisional.

Kept beside the releases and outside the database, so that a rebuild loses none. A correction
that comes after closing is still published; the changes then say that a final season moved.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from shared.problems import BadSettings
from shared.settings import Network
from warehouse import durable
from warehouse.folder import releases_folder

PROVISIONAL, FINAL = "provisional", "final"
_NAME = "closed-seasons"


def closed_seasons(network_dir: Path) -> dict[int, dt.date]:
    """Season -> the day it was closed."""
    try:
        text = (releases_folder(network_dir) / _NAME).read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    found: dict[int, dt.date] = {}
    for line in text.splitlines():
        season, _, day = line.partition(" ")
        try:
            found[int(season)] = dt.date.fromisoformat(day)
        except ValueError as error:
            raise BadSettings(
                f'The line "{line}" is no season and day.',
                'Write one line a season, as in "2026 2026-08-01".',
                str(releases_folder(network_dir) / _NAME)) from error
    return found


def close_season(network_dir: Path, network: Network, season: int, as_of: dt.date) -> None:
    """Make ``season`` final from ``as_of`` on. Closing it again changes nothing.

    Raises :class:`BadSettings` while the season is still under way.
    """
    end = network.season_span(season)[1]
    if as_of <= end:
        raise BadSettings(f"Season {season} runs until {end}.",
                          "Close it when it is over; until then its figures are provisional.")
    closed = closed_seasons(network_dir)
    closed.setdefault(season, as_of)
    _keep(network_dir, closed)


def reopen_season(network_dir: Path, season: int) -> None:
    """Make ``season`` provisional again. Raises :class:`BadSettings` when it is not closed."""
    closed = closed_seasons(network_dir)
    if season not in closed:
        raise BadSettings(f"Season {season} is not closed.", "There is nothing to reopen.")
    del closed[season]
    _keep(network_dir, closed)


def _keep(network_dir: Path, closed: dict[int, dt.date]) -> None:
    durable.write_text(
        releases_folder(network_dir) / _NAME,
        "".join(f"{season} {day.isoformat()}\n" for season, day in sorted(closed.items())))
