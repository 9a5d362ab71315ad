"""How the network stands: what `status` shows, without opening the database.

A run may hold the database for as long as it takes. At its end it leaves
``warehouse/standing.json`` in one rename, and whoever asks reads that.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shared.settings import Network
from warehouse import durable
from warehouse.folder import standing_path

if TYPE_CHECKING:
    from warehouse.store import Warehouse


@dataclass(frozen=True, slots=True)
class HeldRow:
    """A finding that keeps a row out, and where the row stands."""

    file: str
    sheet: str
    row: int | None
    event_id: str
    rule: str
    message: str


@dataclass(frozen=True, slots=True)
class SiteStanding:
    """How one site stands. Row numbers as in :class:`warehouse.clean.SiteAccount`."""

    site: str
    name: str
    last_received: str | None
    """as_of (ISO date) of the run that last saw something new from the site."""
    files: int
    """Files that stand in the inbox now, by content."""
    rows: int
    clean: int
    masked: int
    queried: int
    held: int
    skipped: int
    vanished: int
    asked: int
    """Questions that the site's message puts: findings that one answer settles are one."""
    troubles: tuple[str, ...]
    """A sentence for each file in the inbox that could not be read, and for what failed."""
    open_findings: int
    """Findings that a person should look at: all but notes."""
    by_rule: dict[str, int]
    held_rows: tuple[HeldRow, ...]
    waiting: tuple[str, ...] = ()
    """A sentence for each question that has been open for weeks."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How the network stood at the end of a run."""

    as_of: str
    release: str | None
    outcome: str
    notices: tuple[str, ...]
    """What concerns no one site, as sentences."""
    sites: tuple[SiteStanding, ...]

    def as_dict(self) -> dict[str, Any]:
        """The standing as plain values, fit for JSON; ``sites`` is keyed by site id."""
        whole = asdict(self)
        whole["sites"] = {site["site"]: site for site in whole["sites"]}
        return whole


def write_standing(
    warehouse: Warehouse,
    network: Network,
    as_of: dt.date,
    release: str | None,
    outcome: str,
    *,
    asked: Mapping[str, int] | None = None,
    failures: Mapping[str, Sequence[str]] | None = None,
    waiting: Mapping[str, Sequence[str]] | None = None,
    notices: Sequence[str] = (),
    standing_paths: Mapping[str, Collection[str]] | None = None,
) -> Standing:
    """Take stock of every site of ``network`` and leave it for readers. Returns the stock taken.

    Sites that never sent anything are in it, with nothing to their name. ``asked`` counts
    questions a site, ``failures`` are sentences of what failed for a site in this run,
    ``waiting`` of the questions that have been open for weeks,
    ``standing_paths`` what stands in each site's inbox now.
    """
    with warehouse.lock:
        sites = tuple(
            replace(
                site, asked=(asked or {}).get(site.site, 0),
                waiting=tuple((waiting or {}).get(site.site, ())),
                troubles=(*site.troubles, *(failures or {}).get(site.site, ())),
            )
            for site in _sites(warehouse, network, standing_paths)
        )
        standing = Standing(as_of.isoformat(), release, outcome, tuple(notices), sites)
    _leave(warehouse, standing)
    return standing


def restate(
    warehouse: Warehouse, network: Network, *, release: str | None = None,
    asked: Mapping[str, int] | None = None, waiting: Mapping[str, Sequence[str]] | None = None,
) -> None:
    """Bring the standing up to what was decided or released since the run.

    ``asked`` and ``waiting`` as for :func:`write_standing`, of the sites that were decided on;
    ``release``: the version made. What only a run tells, such as its failures, stays as it was.
    Without a run there is nothing to restate.
    """
    before = read_standing(warehouse.network_dir)
    if before is None:
        return
    had = {site.site: site for site in before.sites}
    with warehouse.lock:
        sites = tuple(
            replace(site, troubles=had[site.site].troubles, files=had[site.site].files,
                    asked=(asked or {}).get(site.site, had[site.site].asked),
                    waiting=tuple((waiting or {}).get(site.site, had[site.site].waiting)))
            for site in _sites(warehouse, network, None) if site.site in had)
    _leave(warehouse, replace(before, sites=sites, release=release or before.release))


def _leave(warehouse: Warehouse, standing: Standing) -> None:
    durable.write_text(
        standing_path(warehouse.network_dir),
        json.dumps(standing.as_dict(), ensure_ascii=False, indent=1) + "\n",
    )


def read_standing(network_dir: Path) -> Standing | None:
    """The standing that the last run left, None before the first (or when it cannot be read).

    Names it does not know are passed over, so that an older program reads a newer file.
    """
    try:
        found = json.loads(standing_path(network_dir).read_text(encoding="utf-8"))
        sites = tuple(
            SiteStanding(**_known(SiteStanding, site) | {
                "troubles": tuple(site["troubles"]),
                "waiting": tuple(site.get("waiting", ())),
                "held_rows": tuple(HeldRow(**_known(HeldRow, row)) for row in site["held_rows"]),
            })
            for site in found["sites"].values()
        )
        return Standing(
            **_known(Standing, found) | {"sites": sites, "notices": tuple(found["notices"])}
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _known(kind: type[Any], values: dict[str, Any]) -> dict[str, Any]:
    names = {entry.name for entry in fields(kind)}
    return {name: value for name, value in values.items() if name in names}


def _sites(
    warehouse: Warehouse, network: Network, standing: Mapping[str, Collection[str]] | None
) -> tuple[SiteStanding, ...]:
    from warehouse.held import troubles_of  # with the engine, which readers do without

    connection = warehouse.connection
    state = {
        row[0]: row[1:]
        for row in connection.execute(
            "SELECT site, rows, clean, masked, queried, held, skipped, vanished FROM site_state"
        ).fetchall()
    }
    connection.execute(
        """
        CREATE OR REPLACE TEMP TABLE standing_files AS
        SELECT site, path, seq, sha256, received,
               seq = max(seq) OVER (PARTITION BY site, path) AS stands
        FROM receipts
        """
    )
    received = {
        row[0]: row[1:]
        for row in connection.execute(
            "SELECT site, max(received), count(DISTINCT sha256) FILTER (stands) "
            "FROM standing_files GROUP BY site"
        ).fetchall()
    }
    by_rule: dict[str, dict[str, int]] = {}
    for site, rule, number in connection.execute(
        "SELECT site, rule, count(*) FROM findings WHERE effect <> 'note' "
        "GROUP BY site, rule ORDER BY site, rule"
    ).fetchall():
        by_rule.setdefault(site, {})[rule] = int(number)
    held: dict[str, list[HeldRow]] = {}
    for site, *row in connection.execute(
        'SELECT site, file, sheet, "row", event_id, rule, message FROM findings '
        "WHERE effect = 'hold' ORDER BY ALL"
    ).fetchall():
        held.setdefault(site, []).append(HeldRow(*row))
    troubled = troubles_of(warehouse)
    sites = []
    for site in network.sites.values():
        last, files = received.get(site.id, (None, 0))
        rules = by_rule.get(site.id, {})
        rows, clean, masked, queried, kept_out, skipped, vanished = state.get(site.id, (0,) * 7)
        sites.append(SiteStanding(
            site=site.id, name=site.name,
            last_received=None if last is None else last.isoformat(), files=int(files),
            rows=rows, clean=clean, masked=masked, queried=queried, held=kept_out,
            skipped=skipped, vanished=vanished, asked=0, troubles=tuple(
                trouble.sentence() for trouble, path in troubled.get(site.id, ())
                if standing is None or path in standing.get(site.id, ())),
            open_findings=sum(rules.values()), by_rule=rules,
            held_rows=tuple(held.get(site.id, ())),
        ))
    return tuple(sites)
