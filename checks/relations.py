"""The relations that probes run over, built in the caller's DuckDB connection.

The caller names three relations of staged rows (see :mod:`shared.staging`); the
events also carry ``vanished BOOLEAN``. What is derived here lives in temporary
tables of the connection, replaced at each judgement.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace

import duckdb

from checks.rule import Over
from checks.sequences import (
    Asked,
    build_apart,
    build_changes,
    build_copies,
    build_courses,
    build_nets,
    build_readings,
)
from shared import past
from shared.columnar import sql_text
from shared.evidence import NEIGHBOUR_FIELDS
from shared.fields import FIELDS
from shared.past import TYPICAL_FIELDS
from shared.protocol import protocols
from shared.staging import ROWS_A_FILE
from shared.taxa import ALL_STAGES

LOCAL_MEDIAN_FIELDS = (
    "water_temperature", "air_temperature", "dissolved_oxygen", "dissolved_oxygen_saturation",
    "salinity", "conductivity", "specific_conductance", "observers",
)
"""Fields whose median of some days about is offered to the rules' words."""


_ENOUGH = 100_000
"""A median of so many rows, evenly taken out of more, is one of all as far as anybody can tell."""

_FILE = f"row_id // {ROWS_A_FILE}"
"""SQL: a number of the file that a row came from, to group by instead of its long digest."""


@dataclass(frozen=True, slots=True)
class Relations:
    """Names of the relations judged, in the connection's catalogue.

    ``neighbours`` has ``local_date`` and, for each of :data:`NEIGHBOUR_FIELDS`, its median over
    the other sites, how many (``<field>_sites``), the least and the most of them
    (``<field>_least``, ``<field>_most``); None: nothing is known of other sites.
    """

    events: str = "judged_events"
    catches: str = "judged_catches"
    oddities: str = "judged_oddities"
    neighbours: str | None = None
    pulse: str | None = None
    """``local_date, pulse``: how many times their usual catch the other sites had."""
    twins: str | None = None
    """``site, local_date, core``: other sites' rows that say what a row here says."""
    earlier: str | None = None
    """Rows as the site's sheets before the standing ones had them, with ``sent``, a date."""
    earlier_catches: str | None = None
    by_home: bool = False
    """Whether rows of several sites are judged together: ``neighbours, pulse`` and ``twins`` then
    also have ``home``, the site judged whose evidence it is."""
    past: bool = False
    """Whether the connection has the tables of :mod:`shared.past`; else all rows are judged."""
    alike: str | None = None
    """Of vanished events ``event_id, place, sheet, sheet_row, local_date``: a row of the newest
    sheet that looks like it, ``place`` 1 the most."""


@dataclass(frozen=True, slots=True)
class Relation:
    """One entry of the relations that probes run over.

    ``source``: SQL after FROM, with ``{events}``, ``{catches}`` and ``{oddities}`` and the
    aliases that probes use. ``names``: the relation whose ``row_id`` names the few events it
    has, None for one of all rows. ``event, catch, taxon``: what a hit points at, as SQL.
    ``same``: SQL that finds a hit's row again, of ``hit`` and ``{field}``.
    ``follows``: built when it is known which rows and values are doubted already.
    """

    source: str
    names: str | None = None
    event: str = "e.row_id"
    catch: str | None = None
    taxon: str | None = None
    same: str = "e.row_id = hit.row_id"
    follows: bool = False

    @property
    def keys(self) -> str:
        """A hit's keys, as the select list of ``rule_hits``."""
        return (f"{self.event} AS row_id, {self.catch or 'NULL::BIGINT'} AS catch_id, "
                f"{self.taxon or 'NULL::VARCHAR'} AS taxon")


_EVENT = "{events} e"
_CAUGHT = "c.catch_id = hit.catch_id"

RELATIONS: dict[Over, Relation] = {
    Over.EVENTS: Relation(_EVENT),
    Over.CATCHES: Relation("{catches} c", event="c.row_id", catch="c.catch_id", same=_CAUGHT),
    Over.KINDS: Relation(
        f"{{catches}} c JOIN {_EVENT} USING (row_id) JOIN rule_kinds k USING (catch_id)",
        "rule_kinds", catch="c.catch_id", same=_CAUGHT),
    Over.NEIGHBOURS: Relation(
        f"{_EVENT} LEFT JOIN rule_neighbours n ON n.local_date = e.local_date{{at_home}} "
        "LEFT JOIN rule_typical y ON y.site = e.site"),
    Over.TALLIES: Relation(
        f"{_EVENT} JOIN rule_tallies t USING (row_id)", "rule_tallies", taxon="t.taxon",
        same="e.row_id = hit.row_id AND t.taxon IS NOT DISTINCT FROM hit.taxon"),
    Over.SHEETS: Relation(f"{_EVENT} JOIN rule_sheets g USING (row_id)", "rule_sheets"),
    Over.GONE: Relation(f"{_EVENT} JOIN rule_gone v USING (row_id)", "rule_gone"),
    Over.WATER: Relation(f"{_EVENT} JOIN rule_water w USING (row_id)", "rule_water"),
    Over.BLANKS: Relation(
        f"{{catches}} c JOIN {_EVENT} USING (row_id) JOIN rule_blanks b USING (catch_id)",
        "rule_blanks", catch="c.catch_id", same=_CAUGHT),
    Over.ODDITIES: Relation(
        f"{{oddities}} o JOIN {_EVENT} USING (row_id)", "{oddities}", event="o.row_id",
        catch="o.catch_id", same="o.row_id = hit.row_id AND o.catch_id IS NOT DISTINCT FROM "
        "hit.catch_id AND o.field = '{field}'"),
    Over.SERIES: Relation(
        f"{_EVENT} JOIN rule_series s USING (row_id)", "rule_series", follows=True),
    Over.READINGS: Relation(
        f"{_EVENT} JOIN rule_readings x USING (row_id)", "rule_readings", follows=True,
        same="e.row_id = hit.row_id AND x.field = '{field}'"),
    Over.COURSES: Relation(
        f"{{catches}} c JOIN {_EVENT} USING (row_id) JOIN rule_courses x USING (catch_id)",
        "rule_courses", catch="c.catch_id", same=_CAUGHT, follows=True),
    Over.COPIES: Relation(
        f"{_EVENT} JOIN rule_copies k USING (row_id)", "rule_copies", follows=True),
    Over.APART: Relation(
        f"{_EVENT} JOIN rule_apart a USING (row_id)", "rule_apart", follows=True,
        same="e.row_id = hit.row_id AND a.field = '{field}'"),
    Over.CHANGES: Relation(
        f"{_EVENT} JOIN rule_changes h USING (row_id)", "rule_changes", catch="h.catch_id",
        same="e.row_id = hit.row_id AND h.field = '{field}' "
        "AND h.catch_id IS NOT DISTINCT FROM hit.catch_id", follows=True),
}
"""What each relation is made of. A new one is an entry here and what builds it."""

OF_CATCH = frozenset({Over.CATCHES, Over.KINDS, Over.BLANKS, Over.COURSES})
"""Relations of catches: a hit is of one each, and its row is known by it."""


def source_of(over: Over, names: Relations) -> str:
    """SQL ``FROM`` clause of a relation, with the aliases that probes use."""
    return RELATIONS[over].source.format(
        events=names.events, catches=names.catches, oddities=names.oddities,
        at_home=" AND n.home = e.site" if names.by_home else "")


SCANNED = frozenset(over for over, relation in RELATIONS.items() if relation.names is None)
"""Relations of all rows."""


def naming_rows(over: Over, names: Relations) -> str:
    """The relation whose ``row_id`` names the few events that ``over`` has, if not all."""
    named = RELATIONS[over].names
    assert named is not None
    return named.format(oddities=names.oddities)


def columns_read(alias: str, conditions: Iterable[str]) -> set[str]:
    """Names of the columns of ``alias`` that SQL conditions read."""
    return set(re.findall(rf"\b(?:{alias})\.(\w+)", " ".join(conditions)))


def extremes(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """What ``{least n.x}`` and its like in a guard stand for, as SQL; of nothing, NULL."""
    out: dict[str, str] = {}
    for alias, table, fields in (
        ("n", "rule_neighbours", NEIGHBOUR_FIELDS), ("y", "rule_typical", TYPICAL_FIELDS)
    ):
        asked = {f"{{{name} {alias}.{field_id}}}": f"{how}({field_id})"
                 for field_id in fields for name, how in (("least", "min"), ("most", "max"))}
        found = con.execute(f"SELECT {', '.join(asked.values())} FROM {table}").fetchone()
        values = found or (None,) * len(asked)
        out |= {
            # A bare decimal would be reckoned as DECIMAL, which overflows; these are doubles.
            name: "NULL::DOUBLE" if value is None else f"{value!r}::DOUBLE"
            for name, value in zip(asked, values, strict=True)
        }
    return out


def narrowed(
    con: duckdb.DuckDBPyConnection, names: Relations, rows: Iterable[str], catches: Iterable[str],
    conditions: Iterable[str], called: str,
) -> Relations:
    """Copy the few events and catches that other relations name, to stand for all of them.

    ``rows`` are relations with a ``row_id``, ``catches`` with a ``catch_id``. The copies, in
    temporary tables that begin with ``called``, have the columns that ``conditions`` read.
    """
    conditions = list(conditions)
    for alias, what, key, naming in (
        ("e", "events", "row_id", rows), ("c", "catches", "catch_id", catches)
    ):
        these = " UNION ALL ".join(f"SELECT {key} FROM {relation}" for relation in naming)
        if these:
            columns = columns_read(alias, conditions) | {"row_id", key}
            con.execute(
                f"CREATE OR REPLACE TEMP TABLE {called}_{what} AS "
                f"SELECT {', '.join(sorted(columns))} FROM {getattr(names, what)} "
                f"WHERE {key} IN ({these})"
            )
            names = (replace(names, events=f"{called}_events") if what == "events"
                     else replace(names, catches=f"{called}_catches"))
    return names


def build_row_relations(
    con: duckdb.DuckDBPyConnection,
    names: Relations,
    wanted: Set[Over],
    summed: Sequence[str] | None,
) -> None:
    """Build those of the row rules' relations that are ``wanted``.

    ``summed``: queries of the rows whose catches are summed for :data:`Over.TALLIES`;
    None: all.
    """
    if Over.TALLIES in wanted:
        _build_tallies(con, names, summed)
    if Over.BLANKS in wanted:
        _build_blanks(con, names)
    if wanted & {Over.NEIGHBOURS, Over.APART}:
        _build_neighbours(con, names)
    if Over.SHEETS in wanted:
        _build_sheets(con, names)
    if Over.GONE in wanted:
        _build_gone(con, names)


def build_kinds(
    con: duckdb.DuckDBPyConnection, names: Relations, guards: Iterable[str]
) -> None:
    """``rule_kinds``: catches that one of ``guards`` (SQL of ``c``) lets through."""
    let_through = " OR ".join(f"({guard})" for guard in guards) or "FALSE"
    con.execute("CREATE OR REPLACE TEMP TABLE rule_kinds AS "
                f"SELECT catch_id, row_id FROM {names.catches} c WHERE {let_through}")


def _build_tallies(
    con: duckdb.DuckDBPyConnection, names: Relations, summed: Sequence[str] | None
) -> None:
    only = "" if summed is None else f"WHERE row_id IN ({' UNION ALL '.join(summed)})"
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_tallies AS
        SELECT row_id, taxon,
               count(count) FILTER (life_stage <> '{ALL_STAGES}') AS parts,
               count(count) AS counted,
               max(count) FILTER (life_stage = '{ALL_STAGES}') AS stated_total,
               coalesce(sum(count) FILTER (life_stage <> '{ALL_STAGES}'),
                        max(count) FILTER (life_stage = '{ALL_STAGES}')) AS counted_sum,
               sum(count) FILTER (released IS NOT NULL AND life_stage <> '{ALL_STAGES}')
                   AS counted_beside,
               sum(released) AS released, sum(mortality) AS mortality, sum(kept) AS kept
        FROM {names.catches} {only} GROUP BY row_id, taxon""")


def _build_blanks(con: duckdb.DuckDBPyConnection, names: Relations) -> None:
    targets = ", ".join(
        f"('{protocol.id}', '{target.taxon}', '{target.life_stage}', {place})"
        for protocol in protocols().values()
        for place, target in enumerate(protocol.targets)
    )
    # A protocol that names no targets expects a count wherever the sheet has a column kept.
    untargeted = ", ".join(
        f"'{protocol.id}'" for protocol in protocols().values()
        if not protocol.targets and "count" in protocol.required
    ) or "NULL"
    aimed_at = {(t.taxon, t.life_stage) for p in protocols().values() for t in p.targets}
    # In steps: a planner that knows how few rows are left joins the right way round.
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_uncounted AS
        SELECT catch_id, row_id, taxon, life_stage FROM {names.catches}
        WHERE count IS NULL AND ({_of_kinds(aimed_at)})
        UNION
        SELECT c.catch_id, c.row_id, c.taxon, c.life_stage
        FROM (FROM {names.events} WHERE protocol IN ({untargeted})) e
        JOIN {names.catches} c USING (row_id) WHERE c.count IS NULL""")
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_blank_cells AS
        WITH targets(protocol, taxon, life_stage, place) AS (VALUES {targets}),
        fished AS MATERIALIZED (
            SELECT row_id, sheet, protocol FROM {names.events}
            WHERE row_id IN (SELECT row_id FROM rule_uncounted)
              AND net_status IS DISTINCT FROM 'lifted')
        SELECT c.*, {_FILE} AS file, e.sheet, coalesce(g.place = 0, FALSE) AS first_target
        FROM rule_uncounted c JOIN fished e USING (row_id)
        LEFT JOIN targets g ON g.protocol = e.protocol AND g.taxon = c.taxon
             AND g.life_stage = c.life_stage
        WHERE (g.place IS NOT NULL OR e.protocol IN ({untargeted}))
          AND NOT EXISTS (SELECT 1 FROM {names.oddities} o
                          WHERE o.catch_id = c.catch_id AND o.field = 'count'
                            AND o.kind <> 'no-value')""")
    kinds = con.execute("SELECT DISTINCT taxon, life_stage FROM rule_blank_cells").fetchall()
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_blanks AS
        WITH filled AS (
            SELECT {_FILE} AS file, sheet, taxon, life_stage,
                   count(count) / count(*) AS share_filled
            FROM (FROM {names.catches} WHERE {_of_kinds(kinds)})
            ANTI JOIN (FROM {names.events} WHERE net_status = 'lifted') USING (row_id)
            GROUP BY ALL),
        counted AS (
            SELECT row_id, taxon, count(count) AS counts FROM {names.catches}
            WHERE row_id IN (SELECT row_id FROM rule_blank_cells) GROUP BY ALL)
        SELECT k.catch_id, k.row_id, k.first_target, f.share_filled,
               coalesce(t.counts, 0) = 0 AS none_counted
        FROM rule_blank_cells k JOIN filled f USING (file, sheet, taxon, life_stage)
        LEFT JOIN counted t USING (row_id, taxon)""")


def _of_kinds(kinds: Iterable[tuple[str | None, str | None]]) -> str:
    """SQL: the catch is of one of ``kinds`` (taxon and stage); few, and no join is needed."""
    named = sorted((taxon, stage) for taxon, stage in kinds if taxon and stage)
    return " OR ".join(
        f"taxon = {sql_text(taxon)} AND life_stage = {sql_text(stage)}" for taxon, stage in named
    ) or "FALSE"


def _build_neighbours(con: duckdb.DuckDBPyConnection, names: Relations) -> None:
    if names.neighbours is None:
        columns = ", ".join(
            f"NULL::DOUBLE AS {name}, 0 AS {name}_sites, NULL::DOUBLE AS {name}_least, "
            f"NULL::DOUBLE AS {name}_most"
            for name in NEIGHBOUR_FIELDS
        )
        source = (f"SELECT NULL::VARCHAR AS home, NULL::DATE AS local_date, {columns} "
                  "WHERE FALSE")
    else:
        source = f"SELECT * FROM {names.neighbours}"
    con.execute(f"CREATE OR REPLACE TEMP TABLE rule_neighbours AS {source}")
    medians = ", ".join(_plausible_median(name) for name in TYPICAL_FIELDS)
    counted = con.execute(f"SELECT count(*) FROM {names.events}").fetchone()
    every = max(1, (counted[0] if counted else 0) // _ENOUGH)
    frozen = ", ".join(f"coalesce(w.{name}, m.{name}) AS {name}" for name in TYPICAL_FIELDS)
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE rule_typical AS SELECT site, {frozen} FROM "
        f"(SELECT site, {medians} FROM {names.events} WHERE row_id % {every} = 0 "
        "GROUP BY site) m "
        f"LEFT JOIN {past.TYPICAL} w USING (site)"
    )


def _plausible_median(field_id: str) -> str:
    """SQL: a field's median over plausible values, so that a slip is not its own measure."""
    span = FIELDS[field_id].plausible or FIELDS[field_id].possible
    assert span is not None
    inside = f"{field_id} BETWEEN {span.low!r} AND {span.high!r}"
    return f"median({field_id}) FILTER ({inside}) AS {field_id}"


def _build_sheets(con: duckdb.DuckDBPyConnection, names: Relations) -> None:
    # Rows above and below that are near each other: this one, far from both, is not where it
    # says. How far is the rule's to say.
    out_of_order = ("p.day_below - p.day_above BETWEEN 0 AND 21 "
                    "AND p.day NOT BETWEEN p.day_above AND p.day_below")
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_sheets AS
        WITH seasons AS (
            SELECT {_FILE} AS file, sheet, protocol, season, count(*) AS rows
            FROM {names.events} WHERE season IS NOT NULL GROUP BY ALL),
        mixed AS (
            SELECT file, sheet, protocol, arg_max(season, rows) AS sheet_season,
                   sum(rows) AS sheet_rows, max(rows) / sum(rows) AS season_share
            FROM seasons GROUP BY ALL HAVING count(*) > 1),
        placed AS (
            SELECT row_id, {_FILE} AS file, sheet, protocol, season,
                   local_date AS day, lag(local_date) OVER in_sheet AS day_above,
                   lead(local_date) OVER in_sheet AS day_below,
                   lag(season) OVER in_sheet AS previous_season,
                   lead(season) OVER in_sheet AS next_season,
                   least(abs(local_date - lag(local_date) OVER in_sheet),
                         abs(local_date - lead(local_date) OVER in_sheet)) AS days_away
            FROM {names.events} WHERE season IS NOT NULL
            WINDOW in_sheet AS (PARTITION BY {_FILE}, sheet, protocol ORDER BY row_id))
        SELECT p.row_id, m.sheet_season, m.sheet_rows, m.season_share, p.previous_season,
               p.next_season, p.days_away, p.day_above, p.day_below
        FROM placed p LEFT JOIN mixed m USING (file, sheet, protocol)
        WHERE p.season <> m.sheet_season OR {out_of_order}""")


def _build_gone(con: duckdb.DuckDBPyConnection, names: Relations) -> None:
    alike = names.alike or (
        "(SELECT NULL::VARCHAR AS event_id, 1 AS place, NULL::VARCHAR AS sheet, "
        "NULL::INTEGER AS sheet_row, NULL::DATE AS local_date WHERE false)")
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_gone AS
        SELECT e.row_id, count(a.event_id) AS alike,
               string_agg(format('{{}}{{}}{{}}', a.sheet_row,
                   CASE WHEN a.sheet = e.sheet THEN '' ELSE format(' of tab {{}}', a.sheet) END,
                   coalesce(strftime(a.local_date, ' (%-d %b %Y)'), '')), ' and '
                   ORDER BY a.place) AS alike_rows
        FROM {names.events} e LEFT JOIN {alike} a USING (event_id)
        WHERE e.vanished GROUP BY e.row_id""")


def build_series(
    con: duckdb.DuckDBPyConnection, names: Relations, misdated: str, conditions: Sequence[str]
) -> None:
    """Build, for events that meet one of ``conditions``, their twins and their predecessor.

    ``misdated`` is a relation of ``row_id`` whose times are doubted already, and ``check``,
    whether its check's are: such a row is nobody's predecessor, and with a doubtful check
    nobody's twin, else one slip would be reported on another row too.
    """
    dated = "local_date IS NOT NULL AND protocol <> 'water'"
    sure = f'{names.events} ANTI JOIN (FROM {misdated} WHERE "check") USING (row_id)'
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_twins AS
        WITH twinned AS (
            SELECT event_id FROM {sure} WHERE {dated} GROUP BY event_id HAVING count(*) > 1)
        SELECT row_id,
               count(*) OVER (PARTITION BY event_id) AS same_event,
               count(*) OVER (PARTITION BY event_id, content) AS same_content,
               row_number() OVER (PARTITION BY event_id, content ORDER BY row_id) AS copy_number,
               coalesce(lag(row_id) OVER in_order, lead(row_id) OVER in_order) AS twin_id
        FROM (SELECT row_id, event_id, content FROM {sure} WHERE {dated})
        SEMI JOIN twinned USING (event_id)
        WINDOW in_order AS (PARTITION BY event_id ORDER BY row_id)""")
    # A condition's two aliases mean one row here: the event's columns travel with it through
    # the window, and only rows that meet a condition are told who the others are.
    met = ") OR (".join(re.sub(r"\bs\.", "e.", condition) for condition in conditions)
    carried = ", ".join(sorted(columns_read("e", conditions) | {"checked_at", "local_date"}))
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_series AS
        WITH at_net AS (
            SELECT row_id, {carried},
                   lag(row_id) OVER net AS previous_id,
                   lag(checked_at) OVER net AS previous_checked_at,
                   lag(local_date) OVER net AS previous_date
            FROM {names.events} ANTI JOIN {misdated} USING (row_id) WHERE {dated}
            WINDOW net AS (PARTITION BY hash(site, protocol, gear_unit)
                           ORDER BY coalesce(checked_at, local_date + INTERVAL 86399 SECOND),
                                    row_id)),
        linked AS (
            FROM at_net LEFT JOIN rule_twins USING (row_id)
            UNION ALL BY NAME
            SELECT t.*, {carried} FROM rule_twins t JOIN {names.events} USING (row_id)
            SEMI JOIN {misdated} USING (row_id)),
        odd AS (FROM linked e WHERE ({met}))
        SELECT odd.row_id, odd.previous_checked_at, odd.previous_date, odd.same_event,
               odd.same_content, odd.copy_number,
               p.sheet_row AS previous_row, p.sheet AS previous_sheet,
               p.file_sha256 AS previous_file,
               w.sheet_row AS twin_row, w.sheet AS twin_sheet, w.file_sha256 AS twin_file
        FROM odd LEFT JOIN {names.events} p ON p.row_id = odd.previous_id
        LEFT JOIN {names.events} w ON w.row_id = odd.twin_id""")


def sweep(con: duckdb.DuckDBPyConnection, *only: str) -> None:
    """Drop the relations ``only``, or all that a judgement laid out: memory is for the next."""
    tables = only or [name for (name,) in con.execute(
        "SELECT table_name FROM duckdb_tables() WHERE temporary "
        "AND regexp_matches(table_name, '^(rule|tried)_')").fetchall()]
    if tables:
        con.execute("; ".join(f"DROP TABLE IF EXISTS temp.{name}" for name in tables))


def build_followers(
    con: duckdb.DuckDBPyConnection, names: Relations, asked: Mapping[Over, Asked],
    closing: bool = False,
) -> None:
    """Build those relations of rows one after another that are ``asked``, with its conditions.

    With ``closing`` what these are made of stays for :mod:`checks.closing`; else it is dropped.
    """
    fields = [field for over in (Over.READINGS, Over.APART) for field, _ in asked.get(over, ())]
    build_nets(con, names.events, [*fields, "hours_fished", "soak_hours"], names.by_home)
    if Over.READINGS in asked:
        build_readings(con, asked[Over.READINGS])
        sweep(con, "rule_spelt")
    if Over.COURSES in asked:
        pulse = names.pulse or ("(SELECT NULL::VARCHAR AS home, NULL::DATE AS local_date, "
                                "NULL::DOUBLE AS pulse)")
        build_courses(con, names.catches, pulse, asked[Over.COURSES], names.by_home)
        if not closing:
            sweep(con, "rule_caught")
    if Over.COPIES in asked:
        build_copies(con, names.events, names.catches, names.twins, asked[Over.COPIES],
                     names.by_home)
        if not closing:
            sweep(con, "rule_prints")
    if Over.APART in asked:
        build_apart(con, "rule_neighbours", asked[Over.APART], names.by_home)
    if Over.CHANGES in asked:
        build_changes(con, names.events, names.catches, names.earlier, names.earlier_catches,
                      asked[Over.CHANGES])
    if not closing:
        sweep(con, "rule_nets")


def build_local_medians(
    con: duckdb.DuckDBPyConnection, names: Relations, rows: str, asked: Iterable[str]
) -> Relations:
    """The relations with what :func:`local_median_sql` names, of the ``rows`` with a ``row_id``.

    Medians over ten-day spans at each site, of plausible values only: a lookup of three
    neighbouring spans stands for "the days around" at the cost of an equality join, however
    long the history. Only those that ``asked``, SQL, reads; without any all stays as it is.
    """
    around = sorted(set(re.findall(r"\be\.around_(\d+)_(\w+)", " ".join(asked))))
    if not around:
        return names
    span = "date_diff('day', DATE '2000-01-01', local_date) // 10"
    medians = ", ".join(_plausible_median(name) for name in sorted({name for _, name in around}))
    told = []
    for of_rows, name in around:
        full = "FILTER (l.rows >= 3)" if int(of_rows) > 1 else ""
        told.append(f"CASE WHEN sum(l.rows) {full} >= {of_rows} THEN median(l.{name}) {full} END "
                    f"AS around_{of_rows}_{name}")
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_around AS
        WITH hit AS MATERIALIZED (
            SELECT row_id, site, {span} AS span FROM {names.events}
            WHERE row_id IN (SELECT row_id FROM {rows})),
        days AS MATERIALIZED (
            SELECT site, span + near AS span, span AS of
            FROM (SELECT DISTINCT site, span FROM hit WHERE span IS NOT NULL),
                 (VALUES (-1), (0), (1)) b(near)),
        local AS (
            SELECT site, {span} AS span, count(*) AS rows, {medians} FROM {names.events}
            WHERE (site, {span}) IN (SELECT (site, span) FROM days) GROUP BY ALL),
        about AS (
            SELECT d.site, d.of AS span, {", ".join(told)}
            FROM days d JOIN local l USING (site, span) GROUP BY ALL)
        SELECT row_id, about.* EXCLUDE (site, span) FROM hit LEFT JOIN about USING (site, span)""")
    return replace(names, events=f"(FROM {names.events} JOIN rule_around USING (row_id))")


def local_median_sql(field_id: str, of_rows: int = 1) -> str:
    """SQL expression over alias ``e``: the field's median at the site in the days around.

    NULL where these have fewer than ``of_rows`` rows, spans with one or two not counted: a
    few are no measure of one of them. For the facts of a probe, which are told of hits only.
    """
    return f"e.around_{of_rows}_{field_id}"
