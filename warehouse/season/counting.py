"""Counting quality: how far a season's numbers can be leaned on, and what questions did."""

from __future__ import annotations

import csv
import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import duckdb

from warehouse.release import read_manifest


@dataclass(frozen=True, slots=True)
class SiteQuality:
    """A site's season. Shares are None where there is nothing to take a share of.

    ``subsampled``: animals whose number was expanded from a part counted.
    ``subsample_error``: standard error [animals] that the expansion adds to the season's
    total. ``tallied``: catches whose fate (released, dead, kept) was written beside the
    count, ``agreed`` those where both tallies are the same, ``apart`` the animals by which
    the others differ. ``values``: values of the season; ``flagged``: suspect, failed or
    withheld ones. ``asked``: findings that asked for an answer, ``answered`` those no longer
    open. ``decided``: counts that a person's decision changed or confirmed. ``suspect``: animals
    in counts that carry the flag *suspect* and are in the total.
    """

    site: str
    animals: int
    subsampled: int
    subsample_error: float
    tallied: int
    agreed: int
    apart: int
    values: int
    flagged: int
    asked: int
    answered: int
    decided: int
    suspect: int
    twice: int
    """Records of a night that had one already, held until someone says which stands."""


def subsample_variance(count: float, fraction: float) -> float:
    """Variance [animals squared] of a count expanded from a well-mixed ``fraction`` of it.

    The animals in the part are binomial given the whole: with c counted, the expanded
    c / f has variance N (1 - f) / f, N estimated by c / f (Cochran, Sampling Techniques, 3rd
    edition, 1977, chapter 3). Clumped animals make it larger; it is a floor.
    """
    return count * (1 - fraction) / fraction


def counting_quality(
    connection: duckdb.DuckDBPyConnection, season: int, protocol: str, taxon: str, stage: str,
) -> list[SiteQuality]:
    """One entry a site that has events of ``protocol`` in ``season``, in order of site."""
    rows = connection.execute(_QUALITY, {
        "season": season, "protocol": protocol, "taxon": taxon, "stage": stage}).fetchall()
    return [
        SiteQuality(
            site=site, animals=int(animals or 0), subsampled=int(part or 0),
            subsample_error=float(variance or 0.0) ** 0.5, tallied=int(tallied or 0),
            agreed=int(agreed or 0), apart=int(apart or 0), values=int(values or 0),
            flagged=int(flagged or 0), asked=int(asked or 0), answered=int(answered or 0),
            decided=int(decided or 0), suspect=int(suspect or 0), twice=int(twice or 0))
        for (site, animals, part, variance, suspect, decided, tallied, agreed, apart, values,
             flagged, asked, answered, twice) in rows
    ]


@dataclass(frozen=True, slots=True)
class Correction:
    """What corrections did to a site's published counts: how many changed, and by how many
    animals the total did; ``decided`` of them name a person's decision."""

    changed: int = 0
    decided: int = 0
    animals: int = 0


def corrections(
    release: Path, span: tuple[dt.date, dt.date], protocol: str, taxon: str, stage: str
) -> dict[str, Correction]:
    """By site, of events in ``span`` (first and last day), over ``release`` and all releases that
    it follows (their changes.csv).

    Only a count that had been published and then changed is one: rows that came or went are
    not.
    """
    found: dict[str, Correction] = {}
    first, last = (day.isoformat() for day in span)
    seen: set[str] = set()
    while release.name not in seen:
        seen.add(release.name)
        try:
            with (release / "changes.csv").open(encoding="utf-8", newline="") as handle:
                rows = list(csv.DictReader(handle))
        except OSError:
            rows = []
        for row in rows:
            parts = (row.get("event_id") or "").split(":")
            if ((row.get("table"), row.get("column"), row.get("taxon_id"), row.get("life_stage"))
                    != ("counts", "count", taxon, stage) or len(parts) != 4
                    or parts[1] != protocol or not first <= parts[3][:10] <= last):
                continue
            before = found.get(parts[0], Correction())
            found[parts[0]] = Correction(
                before.changed + 1, before.decided + bool(row.get("decision")),
                before.animals + int(row.get("new") or 0) - int(row.get("old") or 0))
        previous = read_manifest(release).get("previous")
        if not previous:
            break
        release = release.parent / str(previous)
    return found


_QUALITY = """
WITH mine AS (SELECT event_id, site_id FROM events
              WHERE season = $season AND protocol = $protocol),
counted AS (
    SELECT site_id, sum(count) AS animals,
           sum(count) FILTER (subsample_fraction < 1) AS part,
           sum(count * (1 - subsample_fraction) / subsample_fraction)
               FILTER (subsample_fraction > 0) AS variance,
           sum(count) FILTER (qc_count = 3) AS suspect,
           count(*) FILTER (decided) AS decided
    FROM counts
    WHERE season = $season AND protocol = $protocol AND taxon_id = $taxon
          AND life_stage = $stage GROUP BY site_id
),
fates AS (
    SELECT o.site_id, count(*) AS tallied,
           count(*) FILTER (o.count = o.released + coalesce(o.mortality, 0) + coalesce(o.kept, 0))
               AS agreed,
           sum(abs(o.count - o.released - coalesce(o.mortality, 0) - coalesce(o.kept, 0))) AS apart
    FROM occurrences AS o JOIN mine USING (event_id)
    WHERE o.released IS NOT NULL AND o.count IS NOT NULL GROUP BY o.site_id
),
flags AS (
    SELECT site_id, count(*) AS "values", count(*) FILTER (flag IN (3, 4)) AS flagged FROM (
        SELECT mine.site_id, m.qc AS flag FROM measurements AS m JOIN mine USING (event_id)
        UNION ALL SELECT site_id, qc_count FROM counts
            WHERE season = $season AND protocol = $protocol
        UNION ALL SELECT e.site_id, e.qc_effort FROM events AS e JOIN mine USING (event_id))
    GROUP BY site_id
),
asked AS (
    SELECT site_id, count(*) AS asked, count(*) FILTER (status <> 'open') AS answered,
           count(*) FILTER (rule = 'duplicate-event') AS twice
    FROM findings
    WHERE effect <> 'note' AND split_part(event_id, ':', 2) = $protocol
          AND try_cast(left(split_part(event_id, ':', 4), 10) AS DATE) BETWEEN
              (SELECT min(local_date) FROM events WHERE season = $season AND protocol = $protocol)
              AND (SELECT max(local_date) FROM events
                   WHERE season = $season AND protocol = $protocol)
    GROUP BY site_id
)
SELECT s.site_id, animals, part, variance, suspect, decided, tallied, agreed, apart, "values",
       flagged, asked, answered, twice
FROM (SELECT DISTINCT site_id FROM mine) AS s
LEFT JOIN counted USING (site_id) LEFT JOIN fates USING (site_id)
LEFT JOIN flags USING (site_id) LEFT JOIN asked USING (site_id)
ORDER BY s.site_id
"""
