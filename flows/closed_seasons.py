"""Rows laid out are judged: closed seasons once, the season under way each time.

A site with a long record has its closed seasons judged by themselves. Their findings, and what
they tell the season under way, are kept with a digest of all that they follow from, and as long
as that is the same only the sheets under way are judged. So a week costs the same whatever lies
behind it. What comes out is a function of the rows alone: judged afresh it is the same.

Where the record is short, or a sheet under way has what a closed one has, all of a site's rows
are judged.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace

from checks.causes import in_order
from checks.closing import lay_out_past
from checks.judging import Place, RawText, judge_sites
from checks.neighbours import EVIDENCE
from checks.relations import Relations
from shared import past
from shared.columnar import sql_text
from shared.findings import Finding
from shared.identity import short_digest
from shared.settings import Network
from warehouse import closed
from warehouse.store import Warehouse

LONG = 5_000
"""Events of closed seasons from which on they are judged by themselves: of fewer, planning the
statements twice costs more than judging them every week."""


def relations(laid_out: str) -> Relations:
    """What judging reads of rows that are laid out under this name."""
    return replace(
        EVIDENCE, events=f"{laid_out}_events", catches=f"{laid_out}_catches",
        oddities=f"{laid_out}_oddities", earlier=f"{laid_out}_earlier",
        earlier_catches=f"{laid_out}_earlier_catches", alike=f"{laid_out}_alike")


def judge_laid_out(
    warehouse: Warehouse, network: Network, as_of: dt.date, places: Sequence[Place],
    raw_text: RawText, file_names: dict[str, str],
    versions: Mapping[str, str], instead: Mapping[tuple[str, str, int, int], str],
) -> dict[str, list[Finding]]:
    """Findings of each site of the rows that are laid out, worst first.

    They are ``judged_events`` and so on; the neighbours' evidence is laid out too.
    ``versions``: site -> digest of reader, settings and rules. ``instead``: cells that
    ``raw_text`` gives another text of than the sheet has.
    """
    con = warehouse.connection
    files = _closed_files(warehouse, network.season_of(as_of))
    if not files:
        return judge_sites(con, network, as_of, relations("judged"), places, raw_text, file_names)
    known = _digests(warehouse, files, places, file_names, versions, instead,
                     network.season_of(as_of))
    kept = closed.digests(warehouse)
    stale = [site for site in files if known[site] != kept.get(site)]
    if stale:
        if len(stale) < len(files):
            _split(warehouse, "closed", "closed",
                   [sha for site in stale for sha in files[site]], "")
        names = relations("closed")
        found = judge_sites(con, network, as_of, names, places, raw_text, file_names, True)
        lay_out_past(con, names)
        closed.keep(warehouse, {
            site: (known[site], found.get(site, [])) for site in stale})
    _split(warehouse, "judged", "open", [sha for shas in files.values() for sha in shas], "NOT")
    closed.lay_out_past(warehouse, list(files))
    found = judge_sites(con, network, as_of, replace(relations("open"), past=True), places,
                        raw_text, file_names)
    for site, had in closed.closed_findings(warehouse, list(files)).items():
        found[site] = in_order([*had, *found.get(site, [])])
    return found


def _closed_files(warehouse: Warehouse, season: int) -> dict[str, list[str]]:
    """Site -> its files of closed seasons, where these can be judged by themselves.

    A file with a row of the season under way, or a later one, is not closed. Where such a file
    has a net check that a closed one has too, they must be seen together.
    """
    con = warehouse.connection
    twice = {site for (site,) in con.execute(f"""
        WITH last AS (SELECT file_sha256, max(season) AS last FROM judged_events GROUP BY ALL)
        SELECT DISTINCT o.site
        FROM judged_events o JOIN last m USING (file_sha256)
        JOIN judged_events e USING (event_id) JOIN last c ON c.file_sha256 = e.file_sha256
        WHERE o.season < {season} AND m.last >= {season} AND c.last < {season}""").fetchall()}
    seen: dict[str, list[tuple[str, int, int | None]]] = {}
    for site, sha, *told in con.execute(
        "SELECT site, file_sha256, count(*), max(season) FROM judged_events GROUP BY ALL "
        "UNION ALL SELECT site, file_sha256, 0, max(season) FROM judged_earlier "
        "GROUP BY ALL ORDER BY ALL"
    ).fetchall():
        seen.setdefault(site, []).append((sha, *told))
    out: dict[str, list[str]] = {}
    for site, of_site in seen.items():
        over = {sha for sha, _, last in of_site if last is not None and last < season}
        over -= {sha for sha, _, last in of_site if last is not None and last >= season}
        if site not in twice and sum(n for sha, n, _ in of_site if sha in over) >= LONG:
            out[site] = sorted(over)
    return out


_BY_FILE = ("events", "catches", "oddities", "earlier", "earlier_catches")


def _split(
    warehouse: Warehouse, laid_out: str, into: str, files: Sequence[str], which: str
) -> None:
    """Lay out the rows of ``files``, or with ``which`` NOT of all others, as ``into``."""
    these = f"file_sha256 {which} IN ({', '.join(map(sql_text, files))})"
    for name in _BY_FILE:
        warehouse.connection.execute(
            f"CREATE OR REPLACE TEMP TABLE {into}_{name} AS FROM {laid_out}_{name} WHERE {these}")
    warehouse.connection.execute(
        f"CREATE OR REPLACE TEMP TABLE {into}_alike AS FROM {laid_out}_alike "
        f"SEMI JOIN {into}_events USING (event_id)")


def _digests(
    warehouse: Warehouse, files: Mapping[str, Sequence[str]],
    places: Sequence[Place], file_names: Mapping[str, str], versions: Mapping[str, str],
    instead: Mapping[tuple[str, str, int, int], str], season: int,
) -> dict[str, str]:
    """Site -> digest of all that the judgement of its closed seasons follows from.

    Of the rows as they are laid out, decisions and all. The day of the run is not among it:
    no row of a season that is over lies ahead of any.
    """
    con = warehouse.connection
    _split(warehouse, "judged", "closed", [sha for shas in files.values() for sha in shas], "")
    summed: dict[str, list[object]] = {site: [] for site in files}
    asked = [
        f"SELECT site, count(*), sum(hash(t)) FROM closed_{name} t GROUP BY ALL"
        for name in ("events", "earlier")]
    asked += [
        f"SELECT s.site, count(*), sum(hash(t)) FROM closed_{name} t "
        f"JOIN (SELECT DISTINCT site, file_sha256 FROM closed_{of}) s USING (file_sha256) "
        "GROUP BY ALL"
        for name, of in (("catches", "events"), ("oddities", "events"),
                         ("earlier_catches", "earlier"))]
    asked.append("SELECT e.site, count(*), sum(hash(t)) FROM closed_alike t "
                 "JOIN closed_events e USING (event_id) GROUP BY ALL")
    last = "(SELECT site AS home, max(local_date) AS last FROM closed_events GROUP BY ALL)"
    asked += [
        f"SELECT home, count(*), sum(hash(t)) FROM {table} t JOIN {last} USING (home) "
        "WHERE local_date <= last GROUP BY ALL"
        for table in (EVIDENCE.neighbours, EVIDENCE.pulse, EVIDENCE.twins)]
    for number, query in enumerate(asked):
        for site, *told in con.execute(query).fetchall():
            summed[site].append((number, *told))
    own: dict[str, list[Place]] = {}
    for place in places:
        own.setdefault(place.file_sha256, []).append(place)
    return {
        site: short_digest(
            versions[site], season, past.TABLES, summed[site],
            [own.get(sha, []) for sha in shas],
            sorted((sha, name) for sha, name in file_names.items() if sha in shas),
            sorted((cell, text) for cell, text in instead.items() if cell[0] in shas))
        for site, shas in files.items()}
