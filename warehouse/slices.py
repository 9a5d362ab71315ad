"""How the database is cut into slices: what of it belongs to which site, and to nobody's.

A lake (:mod:`warehouse.lake`) is written a slice at a time. Every table is named here once,
in a group of tables that change together. Within its slice a group falls into parts, so that
a week's sheet moves its own part and leaves the seasons before it where they are.

What the record (:mod:`warehouse.record`) holds belongs to no slice: its lines are numbered
through the whole network, so they are handed on in the order of their numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from warehouse import record
from warehouse.tables import STAGED_TABLES, closed_tables, loaded_tables, local_tables

OF_THE_NETWORK = ""
"""The slice of what is no site's."""


@dataclass(frozen=True, slots=True)
class Cut:
    """Where a row of a table belongs. All are SQL expressions over the table's row ``t``.

    ``also``: what the table must be joined with to tell. ``ordered``: whether the order in
    which the rows were put in means something. ``drops``: whether rows that are no longer any
    part's go; bytes that two sites sent are one set of rows for both.
    """

    site: str
    part: str = "''"
    also: str = ""
    ordered: bool = False
    drops: bool = True


@dataclass(frozen=True, slots=True)
class Group:
    """Tables that change together. ``told_by``: the table that tells by itself whether a part
    has changed, as it names all that the others follow from; empty: all are looked at."""

    name: str
    tables: Mapping[str, Cut] = field(default_factory=dict)
    told_by: str = ""

    def telling(self) -> Mapping[str, Cut]:
        """The tables that tell of a change."""
        return {self.told_by: self.tables[self.told_by]} if self.told_by else self.tables


_READ_BY = "JOIN (SELECT DISTINCT site, sha256 FROM readings) AS r ON r.sha256 = t.sha256"

_SHEETS = Group("sheets", {
    "readings": Cut("t.site", "t.sha256"),
    "staged_events": Cut("t.site", "t.file_sha256"),
    "staged_catches": Cut("t.site", "t.file_sha256"),
}, told_by="readings")
"""What a file gave: a function of its bytes and the reader's key, which ``readings`` has."""

_CELLS = Group("cells", {
    "tables_seen": Cut("t.site", "t.sha256"),
    **{table: Cut("t.site", "t.file_sha256") for table in STAGED_TABLES
       if table not in _SHEETS.tables},
    "raw_rows": Cut("r.site", "t.sha256", _READ_BY, drops=False),
})
"""Where in the sheets it stood, for whoever judges the site itself or writes to it."""

GROUPS: tuple[Group, ...] = (
    _SHEETS,
    _CELLS,
    Group("refused", {"file_troubles": Cut("t.site")}),
    Group("clean", {
        "clean_events": Cut("t.site_id", "t.source_file_sha256"),
        "clean_counts": Cut("t.site_id", "t.source_file_sha256"),
        "row_account": Cut("t.site", "t.file_sha256"),
    }),
    Group("judged", {
        "findings": Cut("t.site", ordered=True),
        "site_state": Cut("t.site"),
        **{table: Cut("t.site") for table in loaded_tables()},
    }),
    Group("closed", {table: Cut("t.site") for table in closed_tables()}),
    Group("runs", {"runs": Cut("''", "strftime(t.as_of, '%Y')")}),
    Group("activities", {"activities": Cut("''", "strftime(t.due, '%Y-%m')", ordered=True)}),
    Group("arrivals", {"arrivals": Cut("''", "strftime(t.came, '%Y-%m')", ordered=True)}),
    Group("letters", {"letters": Cut("''", "t.period", ordered=True)}),
    Group("sources", {"sources": Cut("''"), "source_troubles": Cut("''", ordered=True)}),
)

RECORDED: Mapping[str, str] = {
    **{table: "seq" for table, _ in record.TABLES.values()},
    # What is known of a file before it is read follows from its first receipt.
    "files": "first_seq",
}
"""Table of the record -> the number by which its lines are handed on."""

NOT_SHARED = frozenset({"migrations", *local_tables()})
"""Tables that say how this very database is laid out, or save it work and follow from others."""

EVIDENCE: tuple[str, ...] = (_SHEETS.name,)
"""Groups of the other sites that judging one of them looks at."""
