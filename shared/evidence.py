"""What the sites of a network tell of each other day by day, in tables.

Laid out by :mod:`checks.neighbours` from the sheets as they stand, a season at a time; kept
by :mod:`warehouse.neighbourhood`, so that a week looks at the season that something came for.
"""

from __future__ import annotations

NEIGHBOUR_FIELDS = ("water_temperature", "air_temperature", "precipitation")
"""What other sites of the same day are asked for."""

DAYS, CATCHES, CORES = "site_days", "site_catches", "site_cores"
"""What a site has by itself: a row a day, a day with a catch, and an event."""
TWINS, ORDERS = "site_twins", "day_orders"
"""What the sites of a season have together."""

TABLES: dict[str, dict[str, str]] = {
    DAYS: {"site": "VARCHAR", "local_date": "DATE"} | dict.fromkeys(NEIGHBOUR_FIELDS, "DOUBLE"),
    CATCHES: {"site": "VARCHAR", "local_date": "DATE", "times": "DOUBLE"},
    CORES: {"site": "VARCHAR", "local_date": "DATE", "core": "UBIGINT", "row_id": "BIGINT"},
    TWINS: {"site": "VARCHAR", "other": "VARCHAR", "local_date": "DATE", "core": "UBIGINT",
            "mine": "BOOLEAN"},
    ORDERS: {"local_date": "DATE", "field": "VARCHAR", "sites": "BIGINT", "n": "BIGINT"}
    | dict.fromkeys(
        ("least", "next_least", "low", "mid", "high", "next_most", "most"), "DOUBLE"),
}
"""Table -> column -> DuckDB type. Of :data:`ORDERS`: ``sites`` that were there on a day, ``n`` of
them with a value of the field, and values of these by their place in order: the two least, those
at n // 2 and the two places after, the two most; NULL where there is none."""


def spelt(table: str) -> str:
    """The columns of ``table`` as SQL that lays it out."""
    return ", ".join(f"{name} {kind}" for name, kind in TABLES[table].items())
