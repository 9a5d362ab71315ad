"""What the other sites measured and caught on the same days: evidence for a site's own rows."""

from __future__ import annotations

from collections.abc import Sequence

import duckdb

from checks.relations import NEIGHBOUR_FIELDS, Relations
from checks.twin_sites import lay_out_twins
from shared.columnar import sql_text
from shared.fields import FIELDS
from shared.identity import short_digest
from shared.protocol import protocols

STEPS = {"water_temperature": 0.5, "air_temperature": 0.5, "precipitation": 1.0}
"""Medians are rounded to these, so that a slip at one site does not stir all the others."""

EVIDENCE = Relations(neighbours="neighbour_days", pulse="neighbour_pulse", twins="neighbour_twins",
                     by_home=True)
"""The relations of sites judged with what :func:`neighbour_evidence` lays out."""

_LEAST_SITES = 3
"""Fewer other sites do not tell whether the run pulses."""


def lay_out_site_days(
    con: duckdb.DuckDBPyConnection, events: str, catches: str | None = None
) -> None:
    """Lay out what the sites have day by day, once a run; then :func:`neighbour_evidence` each.

    ``events`` is a relation of staged events of every site, each once, ``catches`` of their
    catches (None: of readings alone). ``site_days`` has each site's median of a day's
    readings, possible ones only; ``site_catches`` how many times its catch of the days about a
    site caught that day; ``site_twins`` rows that two sites have alike
    (:mod:`checks.twin_sites`).
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
                    "(site VARCHAR, other VARCHAR, local_date DATE, core UBIGINT, mine BOOLEAN)")
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
    lay_out_twins(con, events, catches)


def neighbour_evidence(con: duckdb.DuckDBPyConnection, site_ids: Sequence[str]) -> dict[str, str]:
    """Lay out the evidence for ``site_ids`` from what the sites have; a digest of each one's.

    For each ``home`` of these, for days on which it has an event, over the other sites:
    ``neighbour_days`` medians, least and most; ``neighbour_pulse`` how many times their usual
    catch they had, in powers of two, so that only a pulse or a lull stirs a site;
    ``neighbour_twins`` rows just like one of the site's, which a day without any does not have.
    """

    def rounded(how: str, name: str) -> str:
        return f"round({how}({name}) / {STEPS[name]!r}) * {STEPS[name]!r}"

    medians = ", ".join(
        f"{rounded('median', name)} AS {name}, count({name}) AS {name}_sites, "
        f"{rounded('min', name)} AS {name}_least, {rounded('max', name)} AS {name}_most"
        for name in NEIGHBOUR_FIELDS)
    named = f"site IN ({', '.join(map(sql_text, site_ids))})"
    days = f"(SELECT site AS home, local_date FROM site_days WHERE {named}) h"
    for table, query in {
        EVIDENCE.neighbours: f"""
            SELECT home, local_date, {medians}
            FROM site_days o JOIN {days} USING (local_date) WHERE o.site <> home
            GROUP BY ALL ORDER BY ALL""",
        EVIDENCE.pulse: f"""
            SELECT home, local_date, pow(2, round(log2(median(times)))) AS pulse
            FROM site_catches o JOIN {days} USING (local_date)
            WHERE o.site <> home AND times IS NOT NULL
            GROUP BY ALL HAVING count(*) >= {_LEAST_SITES} AND pulse <> 1 ORDER BY ALL""",
        EVIDENCE.twins: f"""
            SELECT site AS home, other AS site, local_date, core, mine FROM site_twins
            WHERE {named} ORDER BY ALL""",
    }.items():
        con.execute(f"CREATE OR REPLACE TEMP TABLE {table} AS {query}")
    rows: dict[str, list[list[tuple[object, ...]]]] = {site: [[], [], []] for site in site_ids}
    for place, table in enumerate((EVIDENCE.neighbours, EVIDENCE.pulse, EVIDENCE.twins)):
        for home, *told in con.execute(f"FROM {table}").fetchall():
            rows[home][place].append(tuple(told))
    return {site: short_digest(*told) for site, told in rows.items()}
