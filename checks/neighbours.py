"""What the other sites measured and caught on the same days: evidence for a site's own rows."""

from __future__ import annotations

import duckdb

from checks.relations import NEIGHBOUR_FIELDS, Relations
from checks.sequences import print_columns
from shared.fields import FIELDS
from shared.identity import short_digest
from shared.protocol import protocols

STEPS = {"water_temperature": 0.5, "air_temperature": 0.5, "precipitation": 1.0}
"""Medians are rounded to these, so that a slip at one site does not stir all the others."""

EVIDENCE = Relations(neighbours="neighbour_days", pulse="neighbour_pulse", twins="neighbour_twins")
"""The relations of a site judged with what :func:`neighbour_evidence` lays out."""

_LEAST_SITES = 3
"""Fewer other sites do not tell whether the run pulses."""


def lay_out_site_days(
    con: duckdb.DuckDBPyConnection, events: str, catches: str | None = None
) -> None:
    """Lay out what the sites have day by day, once a run; then :func:`neighbour_evidence` each.

    ``events`` is a relation of staged events of every site, each once, ``catches`` of their
    catches (None: of readings alone). ``site_days`` has each site's median of a day's
    readings, possible ones only; ``site_catches`` how many times its catch of the days about a
    site caught that day; ``site_twins`` rows that two sites have alike.
    """
    spans = {name: FIELDS[name].possible for name in NEIGHBOUR_FIELDS}
    own = ", ".join(
        f"median({name}) FILTER ({name} BETWEEN {span.low!r} AND {span.high!r}) AS {name}"
        for name, span in spans.items() if span is not None)
    con.execute(f"CREATE OR REPLACE TEMP TABLE site_days AS SELECT site, local_date, {own} "
                f"FROM {events} WHERE local_date IS NOT NULL GROUP BY site, local_date")
    if catches is None:
        con.execute("CREATE OR REPLACE TEMP TABLE site_catches "
                    "(site VARCHAR, local_date DATE, times DOUBLE)")
        con.execute("CREATE OR REPLACE TEMP TABLE site_twins "
                    "(site VARCHAR, local_date DATE, core UBIGINT)")
        return
    target = protocols()["fyke"].targets[0]
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE site_catches AS
        WITH daily AS (
            SELECT e.site, season, local_date, sum(c.count) AS caught
            FROM {events} e JOIN {catches} c USING (row_id)
            WHERE c.taxon = '{target.taxon}' AND c.life_stage = '{target.life_stage}'
              AND c.count >= 0 AND e.protocol = 'fyke' AND local_date IS NOT NULL
              AND net_status IS DISTINCT FROM 'lifted'
            GROUP BY ALL)
        SELECT site, local_date, (caught + 1) / (avg(caught) OVER about + 1) AS times
        FROM daily
        WINDOW about AS (PARTITION BY site, season ORDER BY local_date
                         ROWS BETWEEN 4 PRECEDING AND 4 FOLLOWING EXCLUDE CURRENT ROW)""")
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE site_twins AS
        SELECT site, local_date, core FROM (
            SELECT DISTINCT e.site, e.local_date, p.core
            FROM ({print_columns(events, catches)}) p JOIN {events} e USING (row_id)
            WHERE p.told > 0)
        QUALIFY count(*) OVER (PARTITION BY local_date, core) > 1""")


def neighbour_evidence(con: duckdb.DuckDBPyConnection, site_id: str) -> str:
    """Lay out the evidence for one site from what the sites have; returns a digest of it.

    For days on which the site has an event, over the other sites: ``neighbour_days`` medians,
    least and most; ``neighbour_pulse`` how many times their usual catch they had, in powers of
    two, so that only a pulse stirs a site; ``neighbour_twins`` rows just like one of the
    site's, which a day without any does not have.
    """

    def rounded(how: str, name: str) -> str:
        return f"round({how}({name}) / {STEPS[name]!r}) * {STEPS[name]!r}"

    medians = ", ".join(
        f"{rounded('median', name)} AS {name}, count({name}) AS {name}_sites, "
        f"{rounded('min', name)} AS {name}_least, {rounded('max', name)} AS {name}_most"
        for name in NEIGHBOUR_FIELDS)
    days = "local_date IN (SELECT local_date FROM site_days WHERE site = $site)"
    for table, query in {
        EVIDENCE.neighbours: f"""
            SELECT local_date, {medians} FROM site_days WHERE site <> $site AND {days}
            GROUP BY local_date ORDER BY local_date""",
        EVIDENCE.pulse: f"""
            SELECT local_date, pow(2, greatest(round(log2(median(times))), 0)) AS pulse
            FROM site_catches WHERE site <> $site AND times IS NOT NULL AND {days}
            GROUP BY local_date HAVING count(*) >= {_LEAST_SITES} AND pulse > 1
            ORDER BY local_date""",
        EVIDENCE.twins: """
            SELECT t.site, t.local_date, t.core FROM site_twins t
            SEMI JOIN (FROM site_twins WHERE site = $site) USING (local_date, core)
            WHERE t.site <> $site ORDER BY ALL""",
    }.items():
        con.execute(f"CREATE OR REPLACE TEMP TABLE {table} AS {query}", {"site": site_id})
    return short_digest(*(
        con.execute(f"FROM {table}").fetchall()
        for table in (EVIDENCE.neighbours, EVIDENCE.pulse, EVIDENCE.twins)))
