"""Relations of rows one after another: readings in their course, catches in theirs, rows again.

Built in the caller's connection after the row rules, so that a value or a row that is doubted
already is nobody's neighbour: its fault is not told a second time on the rows beside it. As in
:mod:`checks.relations`, a builder gets the conditions that will be asked and keeps only rows
that meet one; how many rows there were costs time and no memory to speak of.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

import duckdb

from shared.fields import FIELDS, Group, Kind
from shared.staging import ROWS_A_FILE
from shared.taxa import ALL_STAGES

Asked = Sequence[tuple[str, str]]
"""(field, SQL condition) of each probe over a relation."""

TELLING = tuple(
    entry.id for entry in FIELDS.values()
    if entry.kind is Kind.NUMBER and entry.group in (Group.WATER, Group.WEATHER)
    and entry.id not in ("precipitation", "cloud_cover")
)
"""Readings that hardly ever repeat all together: what a copied row is known by."""

CLIMATE_DAYS = 10
"""Length of the spans of the year that a site's own climate is told by."""

_NET = "site, protocol, gear_unit, season"
_SPAN = f"dayofyear(day) // {CLIMATE_DAYS}"
_FILE = f"row_id // {ROWS_A_FILE}"


def _any(conditions: Iterable[str], aliases: str, instead: str) -> str:
    """SQL: one of ``conditions`` holds, their ``aliases`` standing for one relation."""
    return " OR ".join(
        f"({re.sub(rf'{chr(92)}b[{aliases}]{chr(92)}.', f'{instead}.', condition)})"
        for condition in conditions)


def _repeats(column: str, run: str) -> str:
    """SQL: how often ``column``'s values, those of ``run`` left out, are the one before.

    One more than seen of two more looked at, so that nothing is certain. With few others to
    tell by it is certain: a column that never changes is a habit.
    """
    return (f"CASE WHEN {column}.pairs - {run} >= {_OTHERS} THEN "
            f"({column}.same - {run} + 2) / ({column}.pairs - {run} + 3) ELSE 1 END")


def _by_field(asked: Asked) -> Mapping[str, list[str]]:
    out: dict[str, list[str]] = {}
    for field, condition in asked:
        out.setdefault(field, []).append(condition)
    return out


_OTHERS = 12
"""Fewer pairs of days outside a run do not tell how often a column repeats."""

_TOGETHER = 200_000
"""Up to so many events all fields are looked at together; of more, one after another."""

_READINGS = {
    "row_id": "BIGINT", "field": "VARCHAR", "value": "DOUBLE",
    "previous": "DOUBLE", "next": "DOUBLE",
    "before_previous": "DOUBLE", "days_before": "BIGINT", "days_after": "BIGINT",
    "stray": "DOUBLE", "step": "DOUBLE", "run": "BIGINT", "run_id": "BIGINT",
    "run_first": "INTEGER", "run_last": "INTEGER", "repeats": "DOUBLE", "least": "DOUBLE",
    "most": "DOUBLE", "seasons": "BIGINT",
}
_COURSES = (
    "catch_id", "row_id", "previous", "next", "about", "about_checks", "about_most", "usual",
    "usual_most", "pulse", "run", "run_id", "rises", "run_first", "run_last", "run_start",
    "run_total", "run_leap", "run_then", "alike", "alike_id", "alike_first", "alike_last",
    "repeats", "large", "round", "latest",
)


def build_nets(con: duckdb.DuckDBPyConnection, events: str, fields: Iterable[str]) -> None:
    """``rule_nets``: events in the order of their nets, narrow, for the relations here.

    ``net`` a number of the net in its season, ``place`` of site and protocol, ``day``,
    ``season``, ``sheet_row``, ``ord`` their order, and ``fields``. Rows whose time or identity
    is doubted are left out. Numbers sort and join many times quicker than names.
    """
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_nets AS
        SELECT *, row_number() OVER () AS ord FROM (
            SELECT row_id, hash({_NET}) AS net, hash(site, protocol) AS place,
                   hash(site, protocol, gear_unit) AS gear, season, local_date AS day, sheet_row,
                   coalesce(checked_at, local_date::TIMESTAMP) AS moment,
                   net_status IS NOT DISTINCT FROM 'lifted' AS lifted
                   {"".join(f", {field}" for field in sorted({*fields, "water_temperature"}))}
            FROM {events} ANTI JOIN rule_doubted_rows USING (row_id)
            WHERE local_date IS NOT NULL
            ORDER BY net, moment, row_id)""")


def build_readings(con: duckdb.DuckDBPyConnection, asked: Asked) -> None:
    """``rule_readings``: readings that meet a condition, each with what came before and after.

    ``x``: ``value, previous, next, before_previous``, days between (``days_before,
    days_after``); ``stray`` and ``step``, robust standard deviations at the site of a reading
    from the mean of its neighbours and from its predecessor (1.4826 x median absolute value,
    which for normal errors is the standard deviation; Iglewicz & Hoaglin 1993); ``run`` rows
    of one value one after another, the ``run_id`` they share, and ``repeats``, how often
    otherwise the site's reading is that of the day before; ``least`` and ``most`` of the days
    about in the site's other seasons, of which there are ``seasons``. Of many events one field
    at a time is looked at, so that memory is one column's.
    """
    typed = ", ".join(f"{name} {kind}" for name, kind in _READINGS.items())
    con.execute(f"CREATE OR REPLACE TEMP TABLE rule_readings ({typed})")
    by_field = _by_field(asked)
    counted = con.execute("SELECT count(*) FROM rule_nets").fetchone()
    few = counted is not None and counted[0] <= _TOGETHER
    for fields in ([list(by_field)] if few else [[field] for field in by_field]):
        conditions = [condition for field in fields for condition in by_field[field]]
        _build_readings_of(con, fields, conditions)


def _build_readings_of(
    con: duckdb.DuckDBPyConnection, fields: Sequence[str], conditions: Sequence[str]
) -> None:
    met = _any(conditions, "ex", "o")
    told = {"least": "NULL::DOUBLE", "most": "NULL::DOUBLE", "seasons": "NULL::BIGINT"}
    ran = {"run": "NULL::BIGINT", "run_id": "NULL::BIGINT", "run_first": "NULL::INTEGER",
           "run_last": "NULL::INTEGER"}
    seasons = runs = with_seasons = with_runs = ""
    if any("x.seasons" in condition for condition in conditions):
        told = {name: f"m.{name}" for name in told}
        seasons = f"""
            spans AS (
                SELECT place, season, {_SPAN} AS span, min(value) AS low, max(value) AS high,
                       count(*) AS n
                FROM placed WHERE season IS NOT NULL GROUP BY ALL),
            about AS (
                SELECT place, season, span + near AS span, min(low) AS low, max(high) AS high,
                       sum(n) AS n
                FROM spans, (VALUES (-1), (0), (1)) beside(near) GROUP BY ALL),
            climate AS (
                SELECT m.place, m.season, m.span, min(o.low) AS least, max(o.high) AS most,
                       count(*) AS seasons
                FROM spans m JOIN about o ON o.place = m.place AND o.span = m.span
                     AND o.season <> m.season AND o.n >= 5
                GROUP BY ALL),"""
        with_seasons = ("LEFT JOIN climate m ON m.place = r.place AND m.season = r.season "
                        f"AND m.span = {_SPAN.replace('day)', 'r.day)')}")
    if any("x.run" in condition for condition in conditions):
        ran = {name: f"u.{name}" for name in ran}
        runs = """
            stretched AS (
                SELECT net, row_id, sheet_row,
                       count(*) FILTER (previous IS DISTINCT FROM value)
                           OVER (PARTITION BY net ORDER BY ord) AS stretch
                FROM placed WHERE value = previous OR value = next),
            stretches AS (
                SELECT net, stretch, count(*) AS run, min(row_id) AS run_id,
                       min(sheet_row) AS run_first, max(sheet_row) AS run_last
                FROM stretched GROUP BY ALL HAVING count(*) > 2),
            runs AS (
                SELECT net, row_id, run, run_id, run_first, run_last
                FROM stretched JOIN stretches USING (net, stretch)),"""
        with_runs = "LEFT JOIN runs u ON u.net = r.net AND u.row_id = r.row_id"
    made = {name: f"r.{name}" for name in _READINGS} | told | ran | {
        "stray": "s.stray", "step": "s.step",
        "repeats": _repeats("s", ran["run"]),
    }
    columns = "row_id, season, day, sheet_row, ord"
    if len(fields) == 1:
        spelt = (f"SELECT {columns}, net, place, '{fields[0]}' AS field, {fields[0]} AS value "
                 "FROM rule_nets")
    else:
        spelt = (
            f"SELECT * REPLACE (hash(net, field) AS net, hash(place, field) AS place) FROM ("
            f"SELECT {columns}, net, place, "
            f"unnest([{', '.join(repr(field) for field in fields)}]) AS field, "
            f"unnest([{', '.join(fields)}]) AS value FROM rule_nets)")
    con.execute(f"""
        INSERT INTO rule_readings BY NAME
        WITH spelt AS ({spelt}),
        placed AS MATERIALIZED (
            SELECT *, lag(value) OVER in_net AS previous, lead(value) OVER in_net AS next,
                   lag(value, 2) OVER in_net AS before_previous,
                   day - lag(day) OVER in_net AS days_before,
                   lead(day) OVER in_net - day AS days_after
            FROM spelt ANTI JOIN rule_doubted USING (row_id, field)
            WHERE value IS NOT NULL
            WINDOW in_net AS (PARTITION BY net ORDER BY ord)),
        {seasons} {runs}
        usual AS (
            SELECT place,
                   1.4826 * median(abs(value - (previous + next) / 2)) AS stray,
                   1.4826 * median(abs(value - previous)) AS step,
                   count(*) FILTER (value = previous) AS same, count(previous) AS pairs
            FROM placed GROUP BY ALL)
        SELECT o.* FROM (
            SELECT {", ".join(f"{sql} AS {name}" for name, sql in made.items())}
            FROM placed r JOIN usual s USING (place) {with_runs} {with_seasons}) o
        WHERE {met}""")


def build_courses(
    con: duckdb.DuckDBPyConnection, catches: str, pulse: str, asked: Asked
) -> None:
    """``rule_courses``: catches that meet a condition, each within the catches of its net.

    ``x``: ``previous`` and ``next`` count; ``about`` and ``about_most``, mean and most of the
    four checks before and the four after, ``about_checks`` of them; ``usual``, mean of the
    days about in the site's other seasons (NULL without), ``usual_most`` the most; ``pulse``,
    how many times their own usual the other sites had that day (a power of two, NULL without);
    ``run`` checks of counts that never fall, of which ``rises`` rise, from ``run_first`` to
    ``run_last`` of the sheet, from ``run_start`` to ``run_total`` animals by ``run_leap`` at
    most, and the count thereafter (``run_then``, -1: none); ``alike`` checks of one same
    count, and ``repeats`` as of readings; on the net's ``latest`` catch of the season, how many
    counts were ``large`` (20 and more, counted one by one) and of these ``round``.
    """
    met = _any([condition for _, condition in asked], "ecx", "o")
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_courses AS
        WITH caught AS MATERIALIZED (
            SELECT catch_id, row_id, c.taxon, c.count, hash(net, taxon, life_stage) AS net,
                   hash(gear, taxon, life_stage) AS place, season, day, e.sheet_row, ord,
                   water_temperature, c.subsample_count IS NULL AS counted_whole
            FROM {catches} c JOIN (FROM rule_nets WHERE NOT lifted) e USING (row_id)
            ANTI JOIN (FROM rule_doubted WHERE field = 'count') q USING (row_id)
            WHERE c.count >= 0 AND c.life_stage <> '{ALL_STAGES}' AND taxon IS NOT NULL),
        beside AS MATERIALIZED (
            SELECT *, lag(count) OVER in_net AS previous, lead(count) OVER in_net AS next,
                   avg(count) OVER near AS about, count(*) OVER near AS about_checks,
                   max(count) OVER near AS about_most
            FROM caught
            WINDOW in_net AS (PARTITION BY net ORDER BY ord, catch_id),
                   near AS (PARTITION BY net ORDER BY ord, catch_id
                            ROWS BETWEEN 4 PRECEDING AND 4 FOLLOWING EXCLUDE CURRENT ROW)),
        placed AS MATERIALIZED (
            SELECT *, count(*) FILTER (count < previous OR previous IS NULL OR previous = 0)
                          OVER in_net AS climb,
                      count(*) FILTER (count IS DISTINCT FROM previous) OVER in_net AS flat
            FROM beside
            WINDOW in_net AS (PARTITION BY net ORDER BY ord, catch_id)),
        spans AS (
            SELECT place, season, {_SPAN} AS span, sum(count) AS total, max(count) AS most,
                   count(*) AS n
            FROM placed WHERE season IS NOT NULL GROUP BY ALL),
        around AS (
            SELECT * REPLACE (span + near AS span) FROM spans, (VALUES (-1), (0), (1)) b(near)),
        others AS (
            SELECT m.place, m.season, m.span, sum(o.total) / sum(o.n) AS usual,
                   max(o.most) AS usual_most
            FROM spans m JOIN around o USING (place, span)
            WHERE o.season <> m.season GROUP BY ALL HAVING sum(o.n) >= 8),
        rising AS (
            SELECT net, climb, count(*) AS run, arg_min(row_id, ord) AS run_id,
                   count(*) FILTER (count > previous AND previous > 0) AS rises,
                   min(sheet_row) AS run_first, max(sheet_row) AS run_last,
                   min(count) AS run_start, max(count) AS run_total,
                   max(count - previous) FILTER (count >= previous AND previous > 0) AS run_leap,
                   arg_max(coalesce(next, -1), ord) AS run_then
            FROM placed WHERE count > 0 GROUP BY ALL HAVING count(*) > 2),
        level AS (
            SELECT net, flat, count(*) AS alike, arg_min(row_id, ord) AS alike_id,
                   min(sheet_row) AS alike_first, max(sheet_row) AS alike_last
            FROM placed WHERE count > 0 GROUP BY ALL HAVING count(*) > 2),
        rounds AS (
            SELECT count(*) AS large, count(*) FILTER (count % 5 = 0) AS round,
                   arg_max(catch_id, ord) AS latest
            FROM placed WHERE count >= 20 AND counted_whole GROUP BY net),
        repeating AS (
            SELECT place, count(*) FILTER (count = previous) AS same, count(previous) AS pairs
            FROM placed GROUP BY ALL)
        SELECT {", ".join(f"o.{name}" for name in _COURSES)}
        FROM (
            SELECT l.*, i.* EXCLUDE (net, climb), f.* EXCLUDE (net, flat), u.usual, u.usual_most,
                   n.pulse, q.large, q.round, q.latest,
                   {_repeats("p", "f.alike")} AS repeats
            FROM placed l
            LEFT JOIN rising i ON i.net = l.net AND i.climb = l.climb
            LEFT JOIN level f ON f.net = l.net AND f.flat = l.flat
            LEFT JOIN repeating p ON p.place = l.place
            LEFT JOIN rounds q ON q.latest = l.catch_id
            LEFT JOIN others u ON u.place = l.place AND u.season = l.season
                AND u.span = {_SPAN.replace("day)", "l.day)")}
            LEFT JOIN {pulse} n ON n.local_date = l.day
            WHERE l.count > 0) o
        WHERE {met}""")


def print_columns(events: str, catches: str) -> str:
    """SQL query: each event's print: ``row_id, readings, told, tally, animals, kinds``.

    ``readings`` is a hash of its telling readings, of which ``told`` are there and not zero;
    ``tally`` one of what was caught, ``animals`` of ``kinds`` in all. Rows of equal prints say
    the same.
    """
    rounded = [f"round({name}, 3)" for name in TELLING]
    told = " + ".join(f"coalesce({name} <> 0, FALSE)::INTEGER" for name in TELLING)
    return f"""
        SELECT e.row_id, e.readings, e.told, coalesce(c.tally, 0) AS tally,
               coalesce(c.animals, 0) AS animals, coalesce(c.kinds, 0) AS kinds
        FROM (SELECT row_id, hash({', '.join(rounded)}) AS readings, {told} AS told
              FROM {events} WHERE local_date IS NOT NULL) e
        LEFT JOIN (
            SELECT row_id, bit_xor(hash(taxon, life_stage, count)) AS tally, sum(count) AS animals,
                   count(*) AS kinds
            FROM {catches} WHERE count > 0 GROUP BY row_id) c USING (row_id)
        WHERE e.told + coalesce(c.kinds, 0) >= 3"""


def build_copies(con: duckdb.DuckDBPyConnection, events: str, catches: str, elsewhere: str | None,
                 asked: Asked) -> None:
    """``rule_copies``: events that say just what another event of the site, or elsewhere, says.

    ``k``: ``twin_row, twin_sheet, twin_file, twin_date, twin_site`` of the row that was there
    first; ``how``: ``before`` (the check before at the same net), ``again`` (another day of
    the site) or ``elsewhere``; ``told`` readings and ``kinds`` of catch alike, ``same_tally``
    whether the catches are; ``days`` between the two; ``rows`` of the sheet that are so copied
    from one sheet, one after another or not; ``run_id``, the same for all of them.
    """
    met = _any([condition for _, condition in asked], "k", "o")
    con.execute(f"CREATE OR REPLACE TEMP TABLE rule_prints AS {print_columns(events, catches)}")
    abroad = "" if elsewhere is None else f"""
            UNION ALL BY NAME
            SELECT p.row_id, 'elsewhere' AS how, NULL::BIGINT AS twin_id, p.told, p.kinds,
                   p.animals, TRUE AS same_tally, 0 AS days, t.site AS twin_site
            FROM prints p JOIN {elsewhere} t
            ON t.local_date = p.day AND t.readings = p.readings AND t.tally = p.tally"""
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_copies AS
        WITH prints AS MATERIALIZED (
            SELECT p.*, e.net, e.place, e.day, e.ord
            FROM rule_prints p JOIN rule_nets e USING (row_id)),
        in_order AS (
            SELECT *, lag(row_id) OVER in_net AS twin_id, lag(readings) OVER in_net AS was,
                   lag(tally) OVER in_net AS was_caught, day - lag(day) OVER in_net AS days
            FROM prints WINDOW in_net AS (PARTITION BY net ORDER BY ord)),
        pasted AS (
            SELECT row_id, 'before' AS how, twin_id, told, kinds, animals,
                   tally = was_caught AS same_tally, days, NULL::VARCHAR AS twin_site
            FROM in_order WHERE readings = was AND days > 0 AND told >= 2),
        repeated AS (
            SELECT place, readings, tally FROM prints WHERE told >= 2
            GROUP BY ALL HAVING min(day) < max(day)),
        again AS (
            SELECT p.row_id, 'again' AS how, min(t.row_id) AS twin_id, p.told, p.kinds, p.animals,
                   TRUE AS same_tally, min(abs(p.day - t.day)) AS days, NULL AS twin_site
            FROM (FROM prints SEMI JOIN repeated USING (place, readings, tally)
                  ANTI JOIN pasted USING (row_id)) p
            JOIN prints t USING (place, readings, tally)
            WHERE t.day < p.day GROUP BY ALL),
        copied AS (FROM pasted UNION ALL BY NAME FROM again {abroad}),
        told AS (
            SELECT c.*, e.sheet_row AS own_row, {_FILE.replace('row_id', 'c.row_id')} AS file,
                   e.sheet, w.sheet_row AS twin_row, w.sheet AS twin_sheet,
                   w.file_sha256 AS twin_file, w.local_date AS twin_date
            FROM copied c JOIN {events} e ON e.row_id = c.row_id
            LEFT JOIN {events} w ON w.row_id = c.twin_id)
        SELECT o.* FROM (
            SELECT *, count(*) OVER lot AS rows, min(row_id) OVER lot AS run_id FROM told
            WINDOW lot AS (PARTITION BY file, sheet, how, twin_site,
                           coalesce(twin_id // {ROWS_A_FILE}, 0))) o
        WHERE {met}""")


def build_apart(con: duckdb.DuckDBPyConnection, neighbours: str, asked: Asked) -> None:
    """``rule_apart``: readings that meet a condition, beside the other sites' median of the day.

    ``a``: ``apart``, the reading less the median; ``usual`` its median at the site (a warm
    creek is not a wrong one); ``spread``, robust standard deviation about it; ``lately`` the
    mean of ``apart - usual`` over this check and the thirteen before in the season,
    ``above`` how many of these ``checks`` are above it; ``sites`` how many other sites.
    """
    con.execute(
        "CREATE OR REPLACE TEMP TABLE rule_apart (row_id BIGINT, field VARCHAR, value DOUBLE, "
        "median DOUBLE, apart DOUBLE, usual DOUBLE, spread DOUBLE, lately DOUBLE, "
        "above BIGINT, checks BIGINT, sites BIGINT, drift_id BIGINT)")
    for field, conditions in _by_field(asked).items():
        met = _any(conditions, "ea", "o")
        con.execute(f"""
            INSERT INTO rule_apart BY NAME
            WITH placed AS MATERIALIZED (
                SELECT row_id, net, place, day, ord, e.{field} AS value, n.{field} AS median,
                       n.{field}_sites AS sites, e.{field} - n.{field} AS apart
                FROM rule_nets e ANTI JOIN (FROM rule_doubted WHERE field = '{field}')
                     USING (row_id)
                JOIN {neighbours} n ON n.local_date = e.day
                WHERE e.{field} IS NOT NULL AND n.{field}_sites >= 3),
            fortnights AS (
                SELECT place, date_diff('day', DATE '2000-01-01', day) // 14 AS fortnight,
                       median(apart) AS apart
                FROM placed GROUP BY ALL HAVING count(*) > 3),
            usual AS (SELECT place, median(apart) AS usual FROM fortnights GROUP BY ALL),
            spreads AS (
                SELECT place, 1.4826 * median(abs(apart - usual)) AS spread
                FROM placed JOIN usual USING (place) GROUP BY ALL),
            lately AS (
                SELECT p.*, '{field}' AS field, u.usual, s.spread,
                       avg(apart - usual) OVER far AS lately,
                       count(*) FILTER (apart > usual) OVER far AS above,
                       count(*) OVER far AS checks
                FROM placed p JOIN usual u USING (place) JOIN spreads s USING (place)
                WINDOW far AS (PARTITION BY p.net ORDER BY p.ord
                               ROWS BETWEEN 13 PRECEDING AND CURRENT ROW))
            SELECT o.row_id, o.field, o.value, o.median, o.apart, o.usual, o.spread,
                   o.lately, o.above, o.checks, o.sites,
                   o.row_id // {ROWS_A_FILE} AS drift_id
            FROM lately o WHERE {met}""")


COMPARED = tuple(
    entry.id for entry in FIELDS.values()
    if entry.kind is Kind.NUMBER and entry.group in (Group.WATER, Group.WEATHER, Group.EFFORT))
"""Numbers of an event that are compared with what an earlier sheet said."""


def build_changes(con: duckdb.DuckDBPyConnection, events: str, catches: str, earlier: str | None,
                  earlier_catches: str | None, asked: Asked) -> None:
    """``rule_changes``: what an earlier sheet of the site had otherwise, that meets a condition.

    ``h``: ``field``, ``catch_id`` (of a count), ``was`` and ``now``, ``sent`` the day the
    earlier sheet came; ``shifted``: ``now`` is what the row before (``"down"``) or after
    (``"up"``) had; ``shifted_rows`` how many of the column's; ``was_date``: the day that a row
    with just these cells had, of ``moved_rows`` such rows of the sheet.
    """
    con.execute(
        "CREATE OR REPLACE TEMP TABLE rule_changes (row_id BIGINT, catch_id BIGINT, field VARCHAR, "
        "was DOUBLE, now DOUBLE, sent DATE, shifted VARCHAR, shifted_rows BIGINT, was_date DATE, "
        "moved_rows BIGINT, run_id BIGINT)")
    if earlier is None or earlier_catches is None:
        return
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_resent AS
        SELECT e.row_id, o.row_id AS was_id, o.sent, o.event_id IS NOT DISTINCT FROM e.event_id
                   AS same_event, o.local_date AS was_date
        FROM {events} e JOIN {earlier} o ON o.event_id = e.event_id
        WHERE o.content IS DISTINCT FROM e.content
        UNION ALL
        SELECT e.row_id, o.row_id, o.sent, FALSE, o.local_date
        FROM (FROM {events} ANTI JOIN {earlier} USING (event_id)
              QUALIFY count(*) OVER (PARTITION BY site, protocol, content) = 1) e
        JOIN (FROM {earlier} ANTI JOIN {events} USING (event_id)
              QUALIFY count(*) OVER (PARTITION BY site, protocol, content) = 1) o
        USING (site, protocol, content)
        WHERE content IS NOT NULL AND e.local_date <> o.local_date""")
    found = con.execute("SELECT count(*) FROM rule_resent").fetchone()
    if found is None or found[0] == 0:
        return
    met = _any([condition for _, condition in asked], "h", "o")
    numbers = " UNION ALL ".join(
        f"SELECT r.row_id, NULL::BIGINT AS catch_id, '{name}' AS field, o.{name} AS was, "
        f"e.{name} AS now, o.above_{name} AS above, o.below_{name} AS below, r.sent "
        f"FROM pairs r JOIN {events} e USING (row_id) JOIN old o ON o.row_id = r.was_id "
        f"WHERE abs(e.{name} - o.{name}) > 1e-6 OR (e.{name} IS NULL) <> (o.{name} IS NULL)"
        for name in COMPARED)
    beside = ", ".join(
        f"lag({name}) OVER net AS above_{name}, lead({name}) OVER net AS below_{name}"
        for name in COMPARED)
    con.execute(f"""
        INSERT INTO rule_changes BY NAME
        WITH pairs AS (FROM rule_resent WHERE same_event),
        old AS (
            SELECT row_id, {", ".join(COMPARED)}, {beside} FROM {earlier}
            WINDOW net AS (PARTITION BY file_sha256, sheet, protocol, gear_unit
                           ORDER BY row_id)),
        old_catch AS (
            SELECT c.row_id, c.taxon, c.life_stage, c.count,
                   lag(c.count) OVER net AS above, lead(c.count) OVER net AS below
            FROM {earlier_catches} c JOIN {earlier} e USING (row_id)
            WINDOW net AS (PARTITION BY e.file_sha256, e.sheet, e.protocol, e.gear_unit, c.taxon,
                           c.life_stage ORDER BY e.row_id)),
        changed AS (
            {numbers}
            UNION ALL
            SELECT r.row_id, c.catch_id, 'count', o.count, c.count, o.above, o.below, r.sent
            FROM pairs r JOIN {catches} c USING (row_id)
            JOIN old_catch o ON o.row_id = r.was_id AND o.taxon = c.taxon
                 AND o.life_stage = c.life_stage
            WHERE c.count IS DISTINCT FROM o.count),
        placed AS (
            SELECT w.*, e.row_id // {ROWS_A_FILE} AS file, e.sheet, c.taxon, c.life_stage,
                   CASE WHEN now = above THEN 'down' WHEN now = below THEN 'up' END AS shifted
            FROM changed w JOIN {events} e USING (row_id) LEFT JOIN {catches} c USING (catch_id))
        SELECT o.row_id, o.catch_id, o.field, o.was, o.now, o.sent, o.shifted, o.shifted_rows,
               o.run_id
        FROM (
            SELECT *, count(*) OVER lot AS shifted_rows, min(row_id) OVER lot AS run_id,
                   NULL::DATE AS was_date, 0 AS moved_rows
            FROM placed
            WINDOW lot AS (PARTITION BY file, sheet, field, taxon, life_stage, shifted)) o
        WHERE {met}""")
    con.execute(f"""
        INSERT INTO rule_changes BY NAME
        SELECT o.row_id, 'local_date' AS field, o.sent, o.was_date, o.moved_rows, o.run_id
        FROM (
            SELECT r.row_id, r.sent, r.was_date, NULL AS shifted, 0 AS shifted_rows,
                   'local_date' AS field, NULL::DOUBLE AS was, NULL::DOUBLE AS now,
                   count(*) OVER lot AS moved_rows, min(row_id) OVER lot AS run_id
            FROM rule_resent r WHERE NOT same_event
            WINDOW lot AS (PARTITION BY row_id // {ROWS_A_FILE})) o
        WHERE {met}""")
