"""Rows that two sites have alike, and which of the two they are the own rows of."""

from __future__ import annotations

import duckdb

from checks.sequences import TELLING, print_columns
from shared.evidence import CORES, TWINS

_ABOUT = 5
"""Days before and after a stretch of such rows that tell what a site's own readings are."""

_BREAK = 7
"""Days without such a row after which the next is of another stretch."""

_MOST = 6.0
"""Standard deviations that one reading may speak for at most."""

_APART = 1.0
"""How much better a stretch must fit one site than the other, in standard deviations."""

_TIMES = 2.5
"""How many times better at least: else both are asked, for to ask the wrong one alone hides it."""

_WANTING = 3.0
"""Standard deviations that a reading blank here speaks for, which the site else takes."""

_WEATHER = ("water_temperature", "air_temperature")
"""What rises and falls at all sites together: held against the day's median of the sites."""


_MOST_SITES = 4
"""What more sites have alike on a day is weather and chance; a copy is two sites' affair."""

_FEWEST = 2
"""Rows of a season that two sites must have alike: among many sites one is chance."""


def lay_out_cores(con: duckdb.DuckDBPyConnection, events: str, catches: str) -> None:
    """Lay out ``site_cores``: each event's ``core`` (:func:`checks.sequences.print_columns`)."""
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE {CORES} AS
        SELECT e.site, e.local_date, p.core, p.row_id
        FROM ({print_columns(events, catches)}) p JOIN {events} e USING (row_id)
        WHERE p.told > 0""")


def twin_sites(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Lay out which rows of ``site_cores``, all of one season, two sites have alike.

    Returns the sites, of whose rows :func:`lay_out_twins` tells whose they are.
    """
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE twin_rows AS
        FROM {CORES} SEMI JOIN (
            SELECT local_date, core FROM {CORES} GROUP BY ALL
            HAVING min(site) <> max(site) AND count(DISTINCT site) <= {_MOST_SITES})
        USING (local_date, core)""")
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE {TWINS} AS
        SELECT DISTINCT a.site, b.site AS other, local_date, core, NULL::BOOLEAN AS mine
        FROM twin_rows a JOIN twin_rows b USING (local_date, core) WHERE a.site <> b.site
        QUALIFY count(*) OVER (PARTITION BY a.site, b.site) >= {_FEWEST}""")
    return [site for (site,) in con.execute(f"SELECT DISTINCT site FROM {TWINS} ORDER BY 1"
                                            ).fetchall()]


def lay_out_twins(con: duckdb.DuckDBPyConnection, events: str) -> None:
    """Complete ``site_twins``: days on which ``site`` and ``other`` have a row alike in ``core``.

    ``events`` has at least the events of :func:`twin_sites`, which lays the rows out.
    ``mine`` says whose it is: TRUE, it is the site's own and the other's a copy; FALSE, the
    other way round; NULL, they do not tell. A stretch of such rows is held against what the net
    has on the days before and after (the mean of the two sides, so that a season's course
    cancels out): how far its readings are from these, in the net's own standard deviations
    (1.4826 x median absolute difference from check to check / sqrt 2; Iglewicz & Hoaglin 1993),
    on the mean of what both sites have; and ``_WANTING`` for each reading that the site else takes
    and that is blank here, since there is nothing to copy into a column that the other sheet
    lacks. It is the own of the site that it fits better by ``_APART`` and ``_TIMES``. Takes
    ``site_days`` for the weather.
    """
    weather = ", ".join(f"median({name}) AS {name}" for name in _WEATHER)
    read = ", ".join(f"e.{name} - w.{name} AS {name}" if name in _WEATHER else f"e.{name}"
                     for name in TELLING)
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE twin_verdicts AS
        WITH stretches AS (
            SELECT *, count(*) FILTER (gap > {_BREAK}) OVER in_pair AS stretch FROM (
                SELECT *, local_date - lag(local_date) OVER in_pair AS gap
                FROM (SELECT DISTINCT site, other, local_date FROM site_twins)
                WINDOW in_pair AS (PARTITION BY site, other ORDER BY local_date))
            WINDOW in_pair AS (PARTITION BY site, other ORDER BY local_date
                               ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)),
        spans AS (
            SELECT site, other, stretch, min(local_date) AS first, max(local_date) AS last
            FROM stretches GROUP BY ALL),
        nets AS (
            SELECT DISTINCT site, season, protocol, gear_unit
            FROM {events} SEMI JOIN twin_rows USING (row_id)),
        days AS (
            SELECT site, net, local_date, twin,
                   unnest([{', '.join(map(repr, TELLING))}]) AS field,
                   unnest([{', '.join(TELLING)}]) AS value
            FROM (
                SELECT e.site, hash(e.site, e.season, e.protocol, e.gear_unit) AS net, e.local_date,
                       e.row_id IN (SELECT row_id FROM twin_rows) AS twin,
                       {read}
                FROM {events} e JOIN nets n ON n.site = e.site AND n.season = e.season
                    AND n.protocol = e.protocol AND n.gear_unit IS NOT DISTINCT FROM e.gear_unit
                LEFT JOIN (SELECT local_date, {weather} FROM site_days GROUP BY ALL) w
                    ON w.local_date = e.local_date
                WHERE e.net_status IS DISTINCT FROM 'lifted')),
        scatter AS (
            SELECT net, field, 1.4826 * nullif(median(step), 0) / sqrt(2) AS spread FROM (
                SELECT net, field, abs(value - lag(value) OVER (
                    PARTITION BY net, field ORDER BY local_date)) AS step
                FROM days WHERE value IS NOT NULL)
            GROUP BY ALL),
        told AS (
            SELECT s.site, s.other, s.stretch, net, field,
                   avg(value) FILTER (twin) AS here,
                   avg(value) FILTER (NOT twin AND local_date < first) AS before,
                   avg(value) FILTER (NOT twin AND local_date > last) AS after,
                   count(value) FILTER (NOT twin) / count(*) FILTER (NOT twin) AS taken,
                   count(*) FILTER (twin) AS twins
            FROM spans s JOIN days d ON d.site = s.site
                AND d.local_date BETWEEN first - {_ABOUT} AND last + {_ABOUT}
                AND (NOT twin OR d.local_date BETWEEN first AND last)
            GROUP BY ALL HAVING twins > 0),
        far AS (
            SELECT site, other, stretch, field,
                   avg(abs(here - (coalesce(before, after) + coalesce(after, before)) / 2)
                       / spread) AS far,
                   bool_or(here IS NULL AND taken > 0.8) AS wanting
            FROM told LEFT JOIN scatter USING (net, field) GROUP BY ALL),
        fits AS (
            SELECT f.site, f.other, f.stretch,
                   avg(least(f.far, {_MOST})) FILTER (f.far IS NOT NULL AND o.far IS NOT NULL)
                       + {_WANTING} * count(*) FILTER (f.wanting) AS misfit
            FROM far f LEFT JOIN far o ON o.site = f.other AND o.other = f.site
                AND o.stretch = f.stretch AND o.field = f.field
            GROUP BY ALL)
        SELECT s.site, s.other, s.local_date,
               CASE WHEN b.misfit >= greatest(a.misfit + {_APART}, a.misfit * {_TIMES}) THEN TRUE
                    WHEN a.misfit >= greatest(b.misfit + {_APART}, b.misfit * {_TIMES}) THEN FALSE
               END AS mine
        FROM stretches s JOIN fits a USING (site, other, stretch)
        JOIN fits b ON b.site = s.other AND b.other = s.site AND b.stretch = s.stretch""")
    con.execute("UPDATE site_twins t SET mine = v.mine FROM twin_verdicts v WHERE v.site = t.site "
                "AND v.other = t.other AND v.local_date = t.local_date")
