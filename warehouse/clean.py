"""Loading: from the rows that speak for a site and what was found about them, its clean rows.

What a finding does: ``hold`` keeps its whole event out, ``mask`` withholds the value,
``query`` lets it stand with its flag, ``note`` changes nothing. Nothing is guessed: no
effort is imputed, and no zero is made that was not written.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import astuple, dataclass
from typing import TYPE_CHECKING, Any

import duckdb

from shared.columnar import arriving, sql_text
from shared.fields import EVENT_FIELDS, FIELDS, NUMERIC_KINDS, Field, Kind
from shared.findings import Finding
from shared.flags import PRECEDENCE, Flag
from shared.identity import short_digest
from shared.problems import RowsUnaccounted
from shared.protocol import protocols
from shared.taxa import ALL_STAGES, TAXA, UNSTAGED
from warehouse import record
from warehouse.lineage import named
from warehouse.store import Warehouse
from warehouse.tables import (
    COUNT_FIELDS,
    EFFORT_FIELDS,
    EVENT_IDENTITY,
    clean_count_columns,
    clean_event_columns,
    clean_type,
    column_list,
    finding_columns,
    flag_column,
    measured_catch_fields,
    measured_event_fields,
    plain_catch_fields,
    plain_event_fields,
    quoted,
)

if TYPE_CHECKING:
    import pyarrow as pa

DECIMALS = 6
"""Decimals kept of a number: far below any instrument, above the dust that conversion leaves."""

CLOCK_FIELDS = ("local_date", "set_date", "set_time", "check_date", "check_time")
"""Fields that the elapsed time between setting and checking rests on."""


@dataclass(frozen=True, slots=True)
class SiteAccount:
    """What became of a site's rows. Rows are rows of sheets, as the lead counts them.

    Every row speaking for the site is in exactly one of ``clean``, ``masked``,
    ``queried``, ``held`` and ``skipped``, by the gravest finding on its event; ``rows``
    is the sum of the first four.
    """

    site: str
    rows: int
    clean: int
    masked: int
    queried: int
    held: int
    skipped: int
    events: int
    """Events in the clean table."""
    counts: int
    """Counts (event x taxon x life stage) in the clean table."""
    vanished: int
    """Rows carried from superseded files."""
    findings: int
    content_digest: str
    """Changes whenever the site's clean rows or findings do."""
    changed: bool
    """Whether it differs from the load before."""

    @property
    def loaded(self) -> int:
        """Rows whose event is in the clean table."""
        return self.clean + self.masked + self.queried


def load_site(
    warehouse: Warehouse,
    site_id: str,
    findings: Sequence[Finding],
    as_of: dt.date,
    work_digest: str,
) -> SiteAccount:
    """As :func:`load_sites` for one site, and its account.

    Needs the tables of :func:`warehouse.lineage.lay_out` for the same site.
    """
    return load_sites(warehouse, findings, as_of, {site_id: work_digest})[site_id]


def load_sites(
    warehouse: Warehouse,
    findings: Sequence[Finding],
    as_of: dt.date,
    works: Mapping[str, str],
) -> dict[str, SiteAccount]:
    """Replace findings, clean rows and account of sites by what their rows now give.

    ``works``: site -> its work digest. Needs the tables of
    :func:`warehouse.lineage.lay_out_sites` for the same sites, and joins the caller's
    transaction. Only rows that differ are written. Raises :class:`RowsUnaccounted`, naming site
    and file, when a row in is not a row loaded, held or skipped; the transaction then undoes
    everything.
    """
    sites = list(works)
    of_sites = named(sites)
    with warehouse.transaction() as connection:
        other = connection.execute(
            f"SELECT count(*) FROM judged_events WHERE NOT {of_sites}").fetchone()
        if other is None or other[0]:
            raise RuntimeError(f"lay_out() was last called for a site other than {sites[0]}")
        before = dict(connection.execute(
            f"SELECT site, content_digest FROM site_state WHERE {of_sites}").fetchall())

        with arriving(connection, _findings_table(findings)) as these:
            connection.execute(f"CREATE OR REPLACE TEMP TABLE load_findings AS FROM {these}")
        for statement in (
            _REACHES, _CATCH_QUALITY, _event_quality(), _LOAD_EVENTS, _LOAD_ROWS,
            _clean_events(), _clean_counts(), _LOAD_ACCOUNT,
        ):
            connection.execute(statement)
        _assert_accounted(warehouse, of_sites)

        had = list(before)
        _replace(connection, "clean_events", "site_id", had)
        _replace(connection, "clean_counts", "site_id", had)
        _replace(connection, "row_account", "site", had)
        if had:
            connection.execute(f"DELETE FROM findings WHERE {named(had)}")
            connection.execute(f"DELETE FROM site_state WHERE {named(had)}")
        _note_seasons(connection, "load_clean_events", "load_clean_counts", of_sites)
        # Findings are read in the order they were judged: they are written anew.
        names = column_list(finding_columns())
        connection.execute(f"INSERT INTO findings ({names}) SELECT {names} FROM load_findings")
        departed = connection.execute(
            "SELECT site, event_id, sha256 FROM judged_departed WHERE NOT noted ORDER BY ALL"
        ).fetchall()
        if departed:
            record.append(warehouse, "departure", [
                {"site": site, "event_id": event, "file_sha256": sha256, "why": "held",
                 "noted": as_of} for site, event, sha256 in departed])
        accounts = _accounts(warehouse, sites, before)
        received = dict(connection.execute(
            f"SELECT site, max(received) FROM receipts WHERE {of_sites} GROUP BY site").fetchall())
        _insert_states(connection, [
            (one.site, works[one.site], one.content_digest, one.rows, one.clean, one.masked,
             one.queried, one.held, one.skipped, one.events, one.counts, one.vanished,
             received.get(one.site), as_of) for one in accounts.values()])
    return accounts


def _replace(
    connection: duckdb.DuckDBPyConnection, table: str, site: str, had: Sequence[str]
) -> None:
    """Have ``table`` say of the sites that are loaded what ``load_<table>`` says.

    ``had``: those of them that it may have rows of. What it says already is left alone: nearly
    all of a sheet that is sent again is as it was.
    """
    columns = column_list(_WRITTEN[table])
    if not had:
        connection.execute(f"INSERT INTO {table} ({columns}) SELECT {columns} FROM load_{table}")
        return
    connection.execute(f"""
        CREATE OR REPLACE TEMP TABLE load_had AS
        SELECT rowid AS place, hash({columns}) AS said FROM {table} WHERE {named(had, site)};
        CREATE OR REPLACE TEMP TABLE load_says AS
        SELECT rowid AS place, hash({columns}) AS said FROM load_{table};
        DELETE FROM {table} WHERE {named(had, site)}
            AND rowid IN (SELECT place FROM load_had ANTI JOIN load_says USING (said));
        INSERT INTO {table} ({columns}) SELECT {columns} FROM load_{table}
        WHERE rowid IN (SELECT place FROM load_says ANTI JOIN load_had USING (said));
        DROP TABLE load_had; DROP TABLE load_says""")


_WORD = 1 << 61
"""Sums of hashes are kept below it, to be a number that a text can show."""


def _note_seasons(
    connection: duckdb.DuckDBPyConnection, events: str, counts: str, of_sites: str
) -> None:
    """Note what the clean rows of each season of the sites come to, from these relations."""
    protected = ", ".join(sql_text(taxon.id) for taxon in TAXA.values() if taxon.protected)
    of_event, of_count = (column_list(_WRITTEN[name]) for name in ("clean_events", "clean_counts"))
    connection.execute(f"""
        DELETE FROM site_seasons WHERE {of_sites};
        INSERT INTO site_seasons
        SELECT e.site_id, e.season, e.n, coalesce(c.n, 0),
               format('{{:x}}-{{:x}}', e.said, coalesce(c.said, 0)), coalesce(c.protected, false)
        FROM (SELECT site_id, season, count(*) AS n, (sum(hash({of_event})) % {_WORD})::UBIGINT
                     AS said FROM {events} GROUP BY ALL) AS e
        LEFT JOIN (
            SELECT site_id, season, count(*) AS n,
                   (sum(said) % {_WORD})::UBIGINT AS said, bool_or(protected) AS protected
            FROM (SELECT site_id, event_id, hash({of_count}) AS said,
                         "count" > 0 AND taxon_id IN ({protected or "''"}) AS protected
                  FROM {counts}) AS k
            JOIN (SELECT event_id, season FROM {events}) USING (event_id) GROUP BY ALL) AS c
        ON c.site_id = e.site_id AND c.season IS NOT DISTINCT FROM e.season""")


def seasons_noted(warehouse: Warehouse) -> None:
    """See to it that ``site_seasons`` tells of all clean rows, as each load notes of its sites."""
    with warehouse.transaction() as connection:
        told = connection.execute(
            "SELECT (SELECT count(*) FROM clean_events), (SELECT count(*) FROM clean_counts), "
            "coalesce(sum(events), 0), coalesce(sum(counts), 0) FROM site_seasons").fetchone()
        if told is None or told[:2] != tuple(map(int, told[2:])):
            _note_seasons(connection, "clean_events", "clean_counts", "TRUE")


def _insert_states(
    connection: duckdb.DuckDBPyConnection, rows: Sequence[tuple[Any, ...]]
) -> None:
    import pyarrow as pa

    names = ("site", "work_digest", "content_digest", "rows", "clean", "masked", "queried", "held",
             "skipped", "events", "counts", "vanished", "last_received", "loaded")
    arrow = pa.table(dict(zip(names, map(list, zip(*rows, strict=True)), strict=True)))
    with arriving(connection, arrow) as these:
        connection.execute(f"INSERT INTO site_state BY NAME FROM {these}")


def work_digests(warehouse: Warehouse) -> dict[str, str]:
    """Site -> ``work_digest`` of its last load, of those that were ever loaded."""
    with warehouse.lock:
        return dict(warehouse.connection.execute(
            "SELECT site, work_digest FROM site_state").fetchall())


# -- findings -> what each event, value and count gets ------------------------------------

_RANK = {int(flag): place for place, flag in enumerate(PRECEDENCE)}


def _findings_table(findings: Sequence[Finding]) -> pa.Table:
    import pyarrow as pa

    types = {"VARCHAR": pa.string(), "BIGINT": pa.int64(), "INTEGER": pa.int32()}
    columns = finding_columns()
    rows = [(finding.id, *astuple(finding)) for finding in findings]
    values: list[tuple[Any, ...]] = (
        list(zip(*rows, strict=True)) if rows else [()] * len(columns)
    )
    plain: dict[str, Callable[[Any], Any]] = {"effect": str, "flag": int}
    return pa.table({
        name: pa.array(
            [plain[name](value) for value in column] if name in plain else column, types[kind]
        )
        for (name, kind), column in zip(columns.items(), values, strict=True)
    })


def _flag_of(rank: str) -> str:
    """SQL: the flag at ``rank`` of the order of precedence."""
    return f"[{', '.join(str(int(flag)) for flag in PRECEDENCE)}][{rank} + 1]"


def _flag(withheld: str, missing: str, rank: str) -> str:
    """SQL: the flag of one value.

    A withheld value has the flag of what withheld it, one that is not there is missing,
    any other has the strongest flag asked for, or passes.
    """
    passed = _RANK[int(Flag.PASS)]
    return (
        f"CASE WHEN {withheld} AND {rank} IS NOT NULL THEN {_flag_of(rank)} "
        f"WHEN {missing} THEN {int(Flag.MISSING)} "
        f"ELSE {_flag_of(f'least(coalesce({rank}, {passed}), {passed})')} END"
    )


def _names(names: tuple[str, ...]) -> str:
    return "(" + ", ".join(sql_text(name) for name in names) + ")"


_RANK_SQL = "CASE flag " + " ".join(f"WHEN {f} THEN {r}" for f, r in _RANK.items()) + " END"

# Findings on rows, with the event's row known and the flag as a rank; notes touch nothing.
_REACHES = f"""
CREATE OR REPLACE TEMP TABLE load_reaches AS
SELECT coalesce(f.row_id, c.row_id) AS row_id, f.catch_id, f.field, f.rule, f.effect,
       coalesce(f.taxon, '') AS taxon, coalesce(f.life_stage, '') AS life_stage,
       {_RANK_SQL} AS rank
FROM load_findings AS f LEFT JOIN judged_catches AS c ON c.catch_id = f.catch_id
WHERE f.effect <> 'note' AND coalesce(f.row_id, c.row_id) IS NOT NULL
"""

# A finding that names a catch reaches that catch; one that names only a field of catches
# reaches every catch of the event (of its taxon and stage, where it names them).
_CATCH_QUALITY = f"""
CREATE OR REPLACE TEMP TABLE load_catch_quality AS
SELECT c.catch_id,
       coalesce(list(DISTINCT r.field) FILTER (r.effect = 'mask'), []) AS withheld,
       min(r.rank) FILTER (r.field IN {_names(COUNT_FIELDS)}) AS count_rank,
       {", ".join(
           f"min(r.rank) FILTER (r.field = {sql_text(f.id)}) AS {quoted(f.id + '_rank')}"
           for f in measured_catch_fields())}
FROM judged_catches AS c JOIN load_reaches AS r ON r.row_id = c.row_id
WHERE r.catch_id = c.catch_id
   OR (r.catch_id IS NULL
       AND r.field IN {_names(tuple(f.id for f in FIELDS.values() if f.level == "catch"))}
       AND r.taxon IN ('', c.taxon) AND r.life_stage IN ('', c.life_stage))
GROUP BY c.catch_id
"""


def _event_quality() -> str:
    ranks = ", ".join(
        f"min(rank) FILTER (field = {sql_text(f.id)}) AS {quoted(f.id + '_rank')}"
        for f in measured_event_fields()
    )
    return f"""
    CREATE OR REPLACE TEMP TABLE load_quality AS
    SELECT row_id,
           string_agg(DISTINCT rule, ', ' ORDER BY rule) FILTER (effect = 'hold') AS held_by,
           bool_or(effect = 'mask') AS masked,
           bool_or(effect = 'query') AS queried,
           coalesce(list(DISTINCT field) FILTER (effect = 'mask'), []) AS withheld,
           min(rank) FILTER (field IN {_names(EVENT_IDENTITY)} OR rule = 'vanished-row')
               AS event_rank,
           min(rank) FILTER (field IN {_names(EFFORT_FIELDS)}) AS effort_rank,
           {ranks}
    FROM load_reaches GROUP BY row_id
    """


# What becomes of each event. The last two cases are a net under the rules, which hold a row
# without a date and ask about a net check given twice: an event_id must name one event.
_LOAD_EVENTS = """
CREATE OR REPLACE TEMP TABLE load_events AS
WITH held_anyhow AS (
    SELECT row_id, coalesce(q.held_by, h.why) AS held_by, q.masked, q.queried
    FROM load_quality AS q FULL JOIN judged_held AS h USING (row_id)
),
told AS (
    SELECT e.row_id, e.event_id, e.content, e.sheet, e.sheet_row, e.file,
           e.vanished, q.held_by, coalesce(q.masked, false) AS masked,
           coalesce(q.queried, false) AS queried,
           q.held_by IS NULL AND e.event_id IS NOT NULL AS loads,
           row_number() OVER (PARTITION BY e.event_id, loads
                              ORDER BY e.vanished, f.seq DESC, e.row_id) AS place
    FROM judged_events AS e
    JOIN judged_files AS f ON f.sha256 = e.file_sha256
    LEFT JOIN held_anyhow AS q USING (row_id)
)
SELECT t.row_id, t.event_id, t.vanished, t.masked, t.queried,
       CASE WHEN t.held_by IS NOT NULL OR t.event_id IS NULL THEN 'held'
            WHEN t.place = 1 THEN 'loaded'
            WHEN t.content = first.content THEN 'skipped'
            ELSE 'held' END AS disposition,
       CASE WHEN t.held_by IS NOT NULL THEN t.held_by
            WHEN t.event_id IS NULL THEN 'no date could be read'
            WHEN t.place > 1 AND t.content = first.content
                THEN 'the same row is in ' || first.file || ', ' || first.sheet
                     || ', row ' || first.sheet_row
            WHEN t.place > 1
                THEN 'another row gives this event: ' || first.file || ', ' || first.sheet
                     || ', row ' || first.sheet_row
       END AS why
FROM told AS t
LEFT JOIN told AS first ON first.event_id = t.event_id AND first.loads AND first.place = 1
"""

_LOAD_ROWS = """
CREATE OR REPLACE TEMP TABLE load_rows AS
SELECT f.site, r.file, r.file_sha256, r.sheet, r.sheet_row, r.vanished, e.event_id,
       CASE WHEN r.skipped IS NOT NULL THEN 'skipped' ELSE e.disposition END AS disposition,
       coalesce(r.skipped, e.why) AS why,
       CASE WHEN r.skipped IS NOT NULL OR e.disposition <> 'loaded' THEN NULL
            WHEN e.masked THEN 'masked' WHEN e.queried THEN 'queried' ELSE 'clean' END AS standing
FROM judged_rows AS r JOIN judged_files AS f ON f.sha256 = r.file_sha256
LEFT JOIN load_events AS e USING (row_id)
"""

_ACCOUNT_COLUMNS = ["site", "file", "file_sha256", "sheet", "sheet_row", "disposition", "why",
                    "event_id", "vanished"]

_LOAD_ACCOUNT = f"""
CREATE OR REPLACE TEMP TABLE load_row_account AS
SELECT {column_list(_ACCOUNT_COLUMNS)} FROM load_rows
"""

_WRITTEN: dict[str, list[str]] = {
    "clean_events": list(clean_event_columns()), "clean_counts": list(clean_count_columns()),
    "row_account": _ACCOUNT_COLUMNS,
}


def _assert_accounted(warehouse: Warehouse, of_sites: str) -> None:
    """Refuse to go on unless every row in is accounted for, and every event has its row."""
    lost = warehouse.connection.execute(
        f"""
        SELECT site, file, count(*), min(sheet || ' row ' || sheet_row), 'rows became no event'
        FROM load_rows WHERE disposition IS NULL GROUP BY ALL
        UNION ALL
        SELECT e.site, e.file, count(*), min(e.sheet || ' row ' || e.sheet_row),
               'events have no row'
        FROM judged_events AS e
        WHERE e.row_id NOT IN (SELECT row_id FROM judged_rows WHERE row_id IS NOT NULL
                                                                AND skipped IS NULL)
        GROUP BY ALL
        UNION ALL
        SELECT f.site, f.path, count(*), min(c.sheet || ' row ' || c.sheet_row),
               'counts have no event'
        FROM staged_catches AS c
        JOIN judged_files AS f ON f.sha256 = c.file_sha256 AND f.current AND f.site = c.site
        -- By catch and not by row: rows of one check may have been joined.
        WHERE c.{of_sites} AND c.catch_id NOT IN (
                SELECT catch_id FROM judged_catches SEMI JOIN judged_events USING (row_id))
          AND c.row_id NOT IN (SELECT row_id FROM judged_withdrawn)
        GROUP BY ALL
        UNION ALL
        SELECT site, file, count(*) - count(DISTINCT (file_sha256, sheet, sheet_row)),
               min(sheet || ' row ' || sheet_row), 'rows are counted twice'
        FROM load_rows GROUP BY ALL
        HAVING count(*) <> count(DISTINCT (file_sha256, sheet, sheet_row))
        ORDER BY 1, 2, 5
        """
    ).fetchall()
    if lost:
        site, file, number, example, what = lost[0]
        raise RowsUnaccounted(
            f"Rows in are not rows out: {number} {what}, the first at {example}.",
            "Nothing of this site was changed. This is a fault in Tallyweir: report it with "
            "the sheet.",
            f"{site}, {file}",
        )


# -- events and counts --------------------------------------------------------------------

def _withheld(names: tuple[str, ...], where: str = "q") -> str:
    """SQL: whether any of the fields ``names`` is withheld."""
    listed = ", ".join(sql_text(name) for name in names)
    # Nearly no row has anything withheld: a CASE looks at the lists of those alone.
    return (f"CASE WHEN {where}.withheld IS NULL THEN false "
            f"ELSE list_has_any({where}.withheld, [{listed}]) END")


def _value(entry: Field, source: str, quality: str) -> str:
    """SQL: the clean value of a field, NULL where withheld.

    A whole number that came as a fraction is never rounded: where no rule has dealt
    with it, it does not enter.
    """
    column = f"{source}.{quoted(entry.id)}"
    if entry.kind is Kind.WHOLE:
        column = f"CASE WHEN {column} = floor({column}) THEN {column}::{clean_type(entry)} END"
    elif entry.kind is Kind.NUMBER:
        column = f"round({column}, {DECIMALS})"
    return f"CASE WHEN NOT ({_withheld((entry.id,), quality)}) THEN {column} END"


def _laid(table: str, columns: dict[str, str]) -> str:
    """SQL: an empty temporary table with these columns, and the start of filling it."""
    spelt = ", ".join(f"{quoted(name)} {kind}" for name, kind in columns.items())
    return (f"CREATE OR REPLACE TEMP TABLE {table} ({spelt}); "
            f"INSERT INTO {table} ({column_list(columns)})")


def _clean_events() -> str:
    """SQL that fills ``load_clean_events`` from the loaded events of the sites at hand."""
    shapes = ", ".join(
        f"({sql_text(p.id)}, {sql_text(p.effort_field or '')}, "
        f"{sql_text(p.effort_unit)})"
        for p in protocols().values()
    )
    efforts = {p.effort_field for p in protocols().values() if p.effort_field}
    stated = " ".join(
        f"WHEN {sql_text(entry.id)} THEN {_value(entry, 'e', 'q')}"
        for entry in EVENT_FIELDS
        if entry.id in efforts and entry.kind in NUMERIC_KINDS
    )
    measured = measured_event_fields()
    select = {
        "site_id": "site",
        "event_start_utc": "CASE WHEN effort_field = 'hours_fished' THEN started ELSE ended END",
        "event_end_utc": "ended",
        "effort_value": "effort",
        "effort_unit": "CASE WHEN effort IS NOT NULL THEN shape_unit END",
        "effort_from": "CASE WHEN effort IS NOT NULL "
                       "THEN CASE WHEN stated IS NOT NULL THEN 'stated' ELSE 'times' END END",
        "qc_event": _flag("false", "false", "event_rank"),
        # No effort to give (a water reading, a net not fishing) is not effort missing. A
        # failed source that was not used makes the effort that was used suspect, not failed.
        "qc_effort": f"""
            CASE WHEN effort IS NOT NULL
                 THEN CASE WHEN effort_rank <= {_RANK[int(Flag.MISSING)]}
                           THEN {int(Flag.SUSPECT)} ELSE {int(Flag.PASS)} END
                 WHEN effort_field = '' OR NOT fishing
                 THEN coalesce({_flag_of("effort_rank")}, {int(Flag.NOT_EVALUATED)})
                 ELSE {_flag("effort_withheld", "true", "effort_rank")} END""",
        **{
            flag_column(entry): _flag(
                f"list_contains(withheld, {sql_text(entry.id)})",
                quoted(entry.clean_column) + " IS NULL",
                quoted(entry.id + "_rank"),
            )
            for entry in measured
        },
        "source_file_sha256": "file_sha256",
        "source_sheet": "sheet",
        "source_row": "sheet_row",
        "decided": "row_id IN (SELECT row_id FROM judged_decided)",
    }
    values = ", ".join(
        f"{_value(entry, 'e', 'q')} AS {quoted(entry.clean_column)}"
        for entry in (*plain_event_fields(), *measured, FIELDS["net_status"])
    )
    ranks = ", ".join(f"q.{quoted(entry.id + '_rank')}" for entry in measured)
    names = clean_event_columns()
    return f"""
    {_laid("load_clean_events", names)}
    WITH shape(protocol, effort_field, shape_unit) AS (VALUES {shapes}),
    valued AS (
        SELECT e.site, e.event_id, e.protocol, e.gear_unit, e.local_date, e.season, e.vanished,
               e.row_id, e.file_sha256, e.sheet, e.sheet_row, s.effort_field, s.shape_unit,
               {values},
               CASE WHEN NOT ({_withheld(("set_date", "set_time"))}) THEN e.set_at_utc END
                   AS started,
               CASE WHEN NOT ({_withheld(("local_date", "check_date", "check_time"))})
                    THEN e.checked_at_utc END AS ended,
               coalesce(CASE WHEN NOT ({_withheld(("net_status",))}) THEN e.net_status END,
                        'fishing') = 'fishing' AS fishing,
               CASE s.effort_field {stated} END AS stated,
               CASE WHEN s.effort_field = 'hours_fished' AND e.soak_hours > 0
                         AND NOT ({_withheld(CLOCK_FIELDS)})
                    THEN round(e.soak_hours, {DECIMALS}) END AS elapsed,
               CASE WHEN fishing THEN coalesce(stated, elapsed) END AS effort,
               {_withheld(EFFORT_FIELDS)} AS effort_withheld,
               coalesce(q.withheld, []) AS withheld, q.event_rank, q.effort_rank, {ranks}
        FROM judged_events AS e
        JOIN load_events AS l ON l.row_id = e.row_id AND l.disposition = 'loaded'
        JOIN shape AS s ON s.protocol = e.protocol
        LEFT JOIN load_quality AS q ON q.row_id = e.row_id
    )
    SELECT {", ".join(f"{select.get(name, quoted(name))} AS {quoted(name)}" for name in names)}
    FROM valued ORDER BY row_id
    """


def _clean_counts() -> str:
    """SQL that fills ``load_clean_counts``: one row per event x taxon x life stage.

    Several rows of one event for the same taxon and stage (a long sheet with a row an
    animal or a bucket) are summed; lengths and weights become their mean by number, and
    a text on which they differ is left empty.

    Zeros are only ever written ones. A target without a column was not looked for, a blank
    cell was not counted, and in a long sheet a target without a row may be either: the
    sheet does not say, so neither do we. A zero while the net was not fishing is no zero.

    A stated total over stages loads, as unstaged, only where no stage was counted.
    """
    shapes = ", ".join(
        f"({sql_text(p.id)}, {p.cpue_scale}, "
        f"{sql_text(p.cpue_unit) if p.cpue_unit else 'NULL'})"
        for p in protocols().values()
    )
    measured = measured_catch_fields()
    plain = plain_catch_fields()
    values = ", ".join(
        f"{_value(entry, 'c', 'q')} AS {quoted(entry.clean_column)}"
        for entry in (*plain, *measured)
    )
    weight = "greatest(count, 1)"
    gathered = []
    for entry in (*plain, *measured):
        column = quoted(entry.clean_column)
        if entry in measured:
            mean = (f"sum({column} * {weight}) / "
                    f"nullif(sum({weight}) FILTER ({column} IS NOT NULL), 0)")
            gathered.append(f"round({mean}, {DECIMALS}) AS {column}")
            gathered.append(f"bool_or(list_contains(withheld, {sql_text(entry.id)})) "
                            f"AS {quoted(entry.id + '_withheld')}")
            gathered.append(f"min({quoted(entry.id + '_rank')}) AS {quoted(entry.id + '_rank')}")
        elif entry.kind in NUMERIC_KINDS:
            gathered.append(f"sum({column})::{clean_type(entry)} AS {column}")
        else:
            gathered.append(f"CASE WHEN count(DISTINCT {column}) = 1 THEN any_value({column}) END "
                            f"AS {column}")
    select = {
        "subsample_fraction":
            f"round(subsample_volume_ml / nullif(total_volume_ml, 0), {DECIMALS})",
        "cpue": f"round(count / nullif(e.effort_value, 0) * s.scale, {DECIMALS})",
        "cpue_unit": "CASE WHEN e.effort_value > 0 THEN s.unit END",
        "qc_count": _flag("false", "false", "count_rank"),
        **{
            flag_column(entry): _flag(
                f"({quoted(entry.clean_column)} IS NULL AND {quoted(entry.id + '_withheld')})",
                quoted(entry.clean_column) + " IS NULL",
                quoted(entry.id + "_rank"),
            )
            for entry in measured
        },
        "site_id": "e.site_id",
        "event_id": "e.event_id",
        "source_file_sha256": "g.source_file_sha256",
        "source_sheet": "g.source_sheet",
        "source_row": "g.source_row",
        "decided": "g.decided",
    }
    names = clean_count_columns()
    ranks = ", ".join(f"q.{quoted(entry.id + '_rank')}" for entry in measured)
    return f"""
    {_laid("load_clean_counts", names)}
    WITH shape(protocol, scale, unit) AS (VALUES {shapes}),
    staged AS (
        SELECT c.catch_id, c.row_id, c.file_sha256, c.sheet, c.sheet_row, c.taxon,
               CASE WHEN c.life_stage = {sql_text(ALL_STAGES)}
                         OR {_withheld(("life_stage",))}
                    THEN {sql_text(UNSTAGED)}
                    ELSE coalesce(c.life_stage, {sql_text(UNSTAGED)}) END AS life_stage,
               {_value(FIELDS["count"], "c", "q")} AS count, {values},
               coalesce(q.withheld, []) AS withheld, q.count_rank,
               c.row_id IN (SELECT row_id FROM judged_decided WHERE catch_id IS NULL)
               OR c.catch_id IN (SELECT catch_id FROM judged_decided WHERE catch_id IS NOT NULL)
                   AS decided, {ranks}
        FROM judged_catches AS c LEFT JOIN load_catch_quality AS q USING (catch_id)
        WHERE c.count IS NOT NULL AND c.taxon IS NOT NULL
          AND (c.life_stage IS DISTINCT FROM {sql_text(ALL_STAGES)} OR NOT EXISTS (
                  FROM judged_catches AS o
                  WHERE o.row_id = c.row_id AND o.taxon = c.taxon AND o.count IS NOT NULL
                    AND o.life_stage IS DISTINCT FROM {sql_text(ALL_STAGES)}))
    ),
    gathered AS (
        SELECT row_id, taxon AS taxon_id, life_stage, sum(count)::BIGINT AS count,
               {", ".join(gathered)}, min(count_rank) AS count_rank,
               bool_or(decided) AS decided,
               arg_min(file_sha256, catch_id) AS source_file_sha256,
               arg_min(sheet, catch_id) AS source_sheet,
               arg_min(sheet_row, catch_id) AS source_row,
               min(catch_id) AS catch_id
        FROM staged GROUP BY row_id, taxon, life_stage
        -- A sum with a withheld part would be too small, and would not say so.
        HAVING count(count) = count(*)
    )
    SELECT {", ".join(f"{select.get(name, 'g.' + quoted(name))} AS {quoted(name)}"
                      for name in names)}
    FROM gathered AS g
    JOIN load_events AS l ON l.row_id = g.row_id AND l.disposition = 'loaded'
    JOIN load_clean_events AS e ON e.event_id = l.event_id
    JOIN shape AS s ON s.protocol = e.protocol
    WHERE NOT (g.count = 0 AND coalesce(e.net_status, 'fishing') <> 'fishing')
    ORDER BY g.catch_id
    """


# -- the account --------------------------------------------------------------------------

def _accounts(
    warehouse: Warehouse, sites: Sequence[str], before: Mapping[str, str]
) -> dict[str, SiteAccount]:
    """The account of each of ``sites``, as it was loaded; ``before``: content digests then."""
    connection = warehouse.connection
    rows = {site: tuple(map(int, row)) for site, *row in connection.execute(
        """
        SELECT site, count(*) FILTER (standing = 'clean'), count(*) FILTER (standing = 'masked'),
               count(*) FILTER (standing = 'queried'), count(*) FILTER (disposition = 'held'),
               count(*) FILTER (disposition = 'skipped'), count(*) FILTER (vanished)
        FROM load_rows GROUP BY site
        """).fetchall()}
    said: dict[str, dict[str, tuple[int, int]]] = {site: {} for site in sites}
    for kind, table, site_column in (
        ("events", "clean_events", "site_id"), ("counts", "clean_counts", "site_id"),
        ("findings", "findings", "site"),
    ):
        for site, number, hashed in connection.execute(
            f"SELECT {site_column}, count(*), sum(hash(t)) FROM {table} AS t "
            f"WHERE {named(sites, site_column)} GROUP BY 1").fetchall():
            said[site][kind] = int(number), int(hashed)
    expected = dict(connection.execute(
        "SELECT e.site, count(*) FROM load_events AS l JOIN judged_events AS e USING (row_id) "
        "WHERE l.disposition = 'loaded' GROUP BY 1").fetchall())
    accounts = {}
    for site in sites:
        clean, masked, queried, held, skipped, vanished = rows.get(site, (0,) * 6)
        events, counts, findings = (
            said[site].get(kind, (0, 0)) for kind in ("events", "counts", "findings"))
        if events[0] != expected.get(site, 0):
            raise RowsUnaccounted(
                f"{expected.get(site, 0)} events were to be loaded and {events[0]} were.",
                "Nothing of this site was changed. This is a fault in Tallyweir: report it with "
                "the sheet.",
                site,
            )
        content = short_digest(events, counts, findings)
        accounts[site] = SiteAccount(
            site=site, rows=clean + masked + queried + held, clean=clean, masked=masked,
            queried=queried, held=held, skipped=skipped, events=events[0], counts=counts[0],
            vanished=vanished, findings=findings[0], content_digest=content,
            changed=content != before.get(site))
    return accounts
