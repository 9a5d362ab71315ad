"""What the other sites measured and caught on the same days: evidence for a site's own rows."""

from __future__ import annotations

from collections.abc import Sequence

import duckdb

from checks.relations import Relations
from checks.twin_sites import lay_out_cores
from shared.columnar import sql_text
from shared.evidence import CATCHES, DAYS, NEIGHBOUR_FIELDS, ORDERS, TWINS, spelt
from shared.fields import FIELDS
from shared.protocol import protocols

STEPS = {"water_temperature": 0.5, "air_temperature": 0.5, "precipitation": 1.0}
"""Medians are rounded to these, so that a slip at one site does not stir all the others."""

EVIDENCE = Relations(neighbours="neighbour_days", pulse="neighbour_pulse", twins="neighbour_twins",
                     by_home=True)
"""The relations of sites judged with what :func:`lay_out_evidence` lays out."""

_LEAST_SITES = 3
"""Fewer other sites do not tell whether the run pulses."""

VERSION = "1"
"""Raised when the same sheets would come to other evidence."""


def lay_out_days(con: duckdb.DuckDBPyConnection, events: str) -> None:
    """Lay out ``site_days``: each site's median of a day's readings, possible ones only.

    ``events`` is a relation of staged events, each once.
    """
    spans = {name: FIELDS[name].possible for name in NEIGHBOUR_FIELDS}
    own = ", ".join(
        f"median({name}) FILTER ({name} BETWEEN {span.low!r} AND {span.high!r}) AS {name}"
        for name, span in spans.items() if span is not None)
    con.execute(f"CREATE OR REPLACE TEMP TABLE {DAYS} AS SELECT site, local_date, {own} "
                f"FROM {events} WHERE local_date IS NOT NULL GROUP BY site, local_date")


def lay_out_own_days(con: duckdb.DuckDBPyConnection, events: str, catches: str) -> None:
    """Lay out what each site has by itself: days, catches and the cores of its rows.

    ``catches`` is a relation of the catches of ``events``. ``site_catches`` has how many times
    its catch of the days about a site caught that day. Done a season at a time it comes to the
    same: no day is in two.
    """
    lay_out_days(con, events)
    target = protocols()["fyke"].targets[0]
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE {CATCHES} AS
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
    lay_out_cores(con, events, catches)


def lay_out_order(con: duckdb.DuckDBPyConnection) -> None:
    """Lay out ``day_orders`` of the days and catches that are laid out.

    The ends and the middle of each day's values: from them the median of all sites but one is
    told without a look at each.
    """
    con.execute(f"CREATE OR REPLACE TEMP TABLE {ORDERS} ({spelt(ORDERS)})")
    for table, names in ((DAYS, NEIGHBOUR_FIELDS), (CATCHES, ("times",))):
        for name in names:
            con.execute(f"""
                INSERT INTO {ORDERS} BY NAME
                SELECT local_date, '{name}' AS field, sites, len(v) AS n, v[1] AS least,
                       v[2] AS next_least, v[len(v) // 2] AS low, v[len(v) // 2 + 1] AS mid,
                       v[len(v) // 2 + 2] AS high, v[len(v) - 1] AS next_most, v[len(v)] AS most
                FROM (SELECT local_date, count(*) AS sites, coalesce(
                          list({name} ORDER BY {name}) FILTER ({name} IS NOT NULL), []) AS v
                      FROM {table} GROUP BY local_date)""")


def lay_out_evidence(
    con: duckdb.DuckDBPyConnection, site_ids: Sequence[str] | None = None
) -> None:
    """Lay out the evidence for ``site_ids`` (None: for all) from what the sites have.

    For each ``home`` of these, for days on which it has an event, over the other sites:
    ``neighbour_days`` medians, least and most; ``neighbour_pulse`` how many times their usual
    catch they had, in powers of two, so that only a pulse or a lull stirs a site;
    ``neighbour_twins`` rows just like one of the site's, which a day without any does not have.
    """
    named = "TRUE" if site_ids is None else f"site IN ({', '.join(map(sql_text, site_ids))})"
    # Every home's own value is taken out of the day's order: what is left is the other sites'.
    measured = ", ".join(
        f"{_rounded(_median(name), name)} AS {name}, {_others(name)} AS {name}_sites, "
        f"{_rounded(_end(name, 'least'), name)} AS {name}_least, "
        f"{_rounded(_end(name, 'most'), name)} AS {name}_most"
        for name in NEIGHBOUR_FIELDS)
    ordered = " ".join(
        f"JOIN {ORDERS} of_{name} ON of_{name}.field = '{name}' "
        f"AND of_{name}.local_date = h.local_date" for name in NEIGHBOUR_FIELDS)
    for table, query in {
        EVIDENCE.neighbours: f"""
            SELECT h.site AS home, h.local_date, {measured}
            FROM (FROM {DAYS} WHERE {named}) h {ordered}
            WHERE of_{NEIGHBOUR_FIELDS[0]}.sites > 1 ORDER BY ALL""",
        EVIDENCE.pulse: f"""
            SELECT home, local_date, pow(2, round(log2({_median("times")}))) AS pulse
            FROM (SELECT d.site AS home, d.local_date, c.times
                  FROM (FROM {DAYS} WHERE {named}) d
                  LEFT JOIN (FROM {CATCHES} WHERE {named}) c
                  ON c.site = d.site AND c.local_date = d.local_date) h
            JOIN (FROM {ORDERS} WHERE field = 'times') of_times USING (local_date)
            WHERE {_others("times")} >= {_LEAST_SITES} AND pulse <> 1 ORDER BY ALL""",
        EVIDENCE.twins: f"""
            SELECT site AS home, other AS site, local_date, core, mine FROM {TWINS}
            WHERE {named} ORDER BY ALL""",
    }.items():
        con.execute(f"CREATE OR REPLACE TEMP TABLE {table} AS {query}")


def evidence_hashes() -> str:
    """SQL: ``home, kind, rows, hashed`` of the evidence that is laid out, in order."""
    return " UNION ALL ".join(
        f"SELECT home, {kind} AS kind, count(*) AS rows, sum(hash(t))::VARCHAR AS hashed "
        f"FROM {table} t GROUP BY home"
        for kind, table in enumerate((EVIDENCE.neighbours, EVIDENCE.pulse, EVIDENCE.twins))
    ) + " ORDER BY 1, 2"


def _others(name: str) -> str:
    """SQL: how many sites but ``h`` have a value, of ``of_<name>``."""
    return f"(of_{name}.n - (h.{name} IS NOT NULL)::INTEGER)"


def _end(name: str, end: str) -> str:
    """SQL: the least or the most of the other sites' values."""
    of, sign = f"of_{name}", "<=" if end == "least" else ">="
    return f"CASE WHEN h.{name} {sign} {of}.{end} THEN {of}.next_{end} ELSE {of}.{end} END"


def _median(name: str) -> str:
    """SQL: the median of the other sites' values.

    ``low``, ``mid`` and ``high`` stand in the middle of the order of all of them, from place
    n // 2. Where ``h`` has a value, those above it come one place down.
    """
    of, own = f"of_{name}", f"h.{name}"
    first = f"CASE WHEN {own} <= {of}.low THEN {of}.mid ELSE {of}.low END"
    second = f"CASE WHEN {own} <= {of}.mid THEN {of}.high ELSE {of}.mid END"
    return (f"CASE WHEN {_others(name)} = 0 THEN NULL "
            f"WHEN {own} IS NULL AND {of}.n % 2 = 1 THEN {of}.mid "
            f"WHEN {own} IS NULL THEN ({of}.low + {of}.mid) / 2 "
            f"WHEN {of}.n % 2 = 0 THEN {first} ELSE (({first}) + ({second})) / 2 END")


def _rounded(sql: str, name: str) -> str:
    return f"round(({sql}) / {STEPS[name]!r}) * {STEPS[name]!r}"
