"""What the other sites measured on the same days: evidence for a site's own readings."""

from __future__ import annotations

import duckdb

from checks.relations import NEIGHBOUR_FIELDS
from shared.fields import FIELDS
from shared.identity import short_digest

STEPS = {"water_temperature": 0.5, "air_temperature": 0.5, "precipitation": 1.0}
"""Medians are rounded to these, so that a slip at one site does not stir all the others."""


def lay_out_site_days(con: duckdb.DuckDBPyConnection, events: str) -> None:
    """Lay out ``site_days``: each site's median of a day's readings, possible ones only.

    ``events`` is a relation of staged events of every site, each once. Once a run; then
    :func:`neighbour_evidence` for each site.
    """
    spans = {name: FIELDS[name].possible for name in NEIGHBOUR_FIELDS}
    own = ", ".join(
        f"median({name}) FILTER ({name} BETWEEN {span.low!r} AND {span.high!r}) AS {name}"
        for name, span in spans.items() if span is not None)
    con.execute(f"CREATE OR REPLACE TEMP TABLE site_days AS SELECT site, local_date, {own} "
                f"FROM {events} WHERE local_date IS NOT NULL GROUP BY site, local_date")


def neighbour_evidence(con: duckdb.DuckDBPyConnection, site_id: str) -> str:
    """Lay out ``neighbour_days`` for one site from ``site_days``; returns a digest of it.

    Medians, least and most over the other sites, for days on which the site has an event.
    """

    def rounded(how: str, name: str) -> str:
        return f"round({how}({name}) / {STEPS[name]!r}) * {STEPS[name]!r}"

    medians = ", ".join(
        f"{rounded('median', name)} AS {name}, count({name}) AS {name}_sites, "
        f"{rounded('min', name)} AS {name}_least, {rounded('max', name)} AS {name}_most"
        for name in NEIGHBOUR_FIELDS)
    con.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE neighbour_days AS
        SELECT local_date, {medians}
        FROM site_days
        WHERE site <> $site AND local_date IN (SELECT local_date FROM site_days WHERE site = $site)
        GROUP BY local_date ORDER BY local_date""",
        {"site": site_id})
    return short_digest(*con.execute("FROM neighbour_days").fetchall())
