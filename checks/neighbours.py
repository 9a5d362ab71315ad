"""What the other sites measured on the same days: evidence for a site's own readings."""

from __future__ import annotations

import duckdb

from checks.relations import NEIGHBOUR_FIELDS
from shared.fields import FIELDS
from shared.identity import short_digest

STEPS = {"water_temperature": 0.5, "air_temperature": 0.5, "precipitation": 1.0}
"""Medians are rounded to these, so that a slip at one site does not stir all the others."""


def neighbour_evidence(con: duckdb.DuckDBPyConnection, site_id: str, events: str) -> str:
    """Lay out ``neighbour_days`` for one site and return a digest of it.

    ``events`` is a relation of staged events of every site, each once. A site's day is the
    median of its readings, the evidence the median over the other sites, for days on which
    the site has an event.
    """
    spans = {name: FIELDS[name].possible for name in NEIGHBOUR_FIELDS}
    own = ", ".join(
        f"median({name}) FILTER ({name} BETWEEN {span.low!r} AND {span.high!r}) AS {name}"
        for name, span in spans.items() if span is not None)

    def rounded(how: str, name: str) -> str:
        return f"round({how}({name}) / {STEPS[name]!r}) * {STEPS[name]!r}"

    medians = ", ".join(
        f"{rounded('median', name)} AS {name}, count({name}) AS {name}_sites, "
        f"{rounded('min', name)} AS {name}_least, {rounded('max', name)} AS {name}_most"
        for name in NEIGHBOUR_FIELDS)
    con.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE neighbour_days AS
        WITH days AS (SELECT DISTINCT local_date FROM {events} WHERE site = $site),
        site_days AS (
            SELECT site, local_date, {own}
            FROM {events} SEMI JOIN days USING (local_date)
            WHERE site <> $site GROUP BY site, local_date)
        SELECT local_date, {medians}
        FROM site_days GROUP BY local_date ORDER BY local_date""",
        {"site": site_id})
    return short_digest(*con.execute("FROM neighbour_days").fetchall())
