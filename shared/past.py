"""Closed seasons: what judging needs to know of them, so that their rows are not read again.

A season that is over is judged once, whole. What its rows tell the seasons after it is then laid
out in the tables here (:mod:`checks.closing`), small and of one size however many rows there
were: the least and most of ten days of each season, how often a column repeats, first records.
A sheet of the season under way is judged with them as with the rows themselves.

Merged exactly, so that findings are those of judging all: :data:`SPANS`, :data:`CATCHES`,
:data:`REPEATS`, :data:`AGAIN`, :data:`FISHED`, :data:`RECORDS`, :data:`PRINTS`. Medians do not
merge: a site's usual spread, step, distance from the others and conductivity (:data:`USUAL`,
:data:`APART`, :data:`TYPICAL`) are those of its closed seasons, where it has any, and stand as
they were when the last one closed; the season under way does not move its own measure.
"""

from __future__ import annotations

TYPICAL_FIELDS = ("conductivity", "specific_conductance", "hours_fished", "water_level")
"""What a site's own median (of plausible values) is asked for."""

SPANS, CATCHES, REPEATS, AGAIN = "past_spans", "past_catches", "past_repeats", "past_again"
FISHED, RECORDS, PRINTS = "past_fished", "past_records", "past_prints"
USUAL, APART, TYPICAL = "past_usual", "past_apart", "past_typical"

_SPELT = {
    SPANS: "field VARCHAR, place UBIGINT, season BIGINT, span BIGINT, low DOUBLE, high DOUBLE, "
           "n BIGINT",
    USUAL: "field VARCHAR, place UBIGINT, stray DOUBLE, step DOUBLE, same BIGINT, pairs BIGINT",
    CATCHES: "place UBIGINT, season BIGINT, span BIGINT, total DOUBLE, most DOUBLE, n BIGINT",
    REPEATS: "place UBIGINT, pairs BIGINT, swing DOUBLE, swings BIGINT",
    AGAIN: "place UBIGINT, count DOUBLE, same BIGINT, pairs BIGINT",
    APART: "field VARCHAR, place UBIGINT, usual DOUBLE, spread DOUBLE",
    TYPICAL: ", ".join(f"{name} DOUBLE" for name in TYPICAL_FIELDS),
    FISHED: "season BIGINT, checks BIGINT",
    RECORDS: "taxon VARCHAR, records BIGINT, row_id BIGINT, season BIGINT, local_date DATE",
    PRINTS: "row_id BIGINT, place UBIGINT, day DATE, readings UBIGINT, tally UBIGINT, "
            "sheet_row INTEGER, sheet VARCHAR, file_sha256 VARCHAR",
}

TABLES: dict[str, dict[str, str]] = {
    name: {"site": "VARCHAR"} | dict(column.split() for column in spelt.split(", "))
    for name, spelt in _SPELT.items()
}
"""Each table and its columns; ``site`` is the one told of."""
