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

from shared import past
from shared.fields import FIELDS, Group, Kind
from shared.protocol import protocols
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


def _at_best(condition: str, bounds: Mapping[str, str]) -> str:
    """SQL: ``condition`` with each column of ``o`` at the bound it could do best at.

    Where this does not hold, neither does the condition, so what a bound stands for need not
    be reckoned there.
    """
    for column, bound in bounds.items():
        condition = re.sub(rf"\bo\.{column}\b", bound, condition)
    return condition


def _reading(conditions: Iterable[str], column: str, aliases: str) -> tuple[list[str], list[str]]:
    """Those of ``conditions`` that read ``column``, of the relation ``o``; and the others."""
    spelt = [_any([condition], aliases, "o") for condition in conditions]
    reads = re.compile(rf"\bo\.{column}\b")
    return ([sql for sql in spelt if reads.search(sql)],
            [sql for sql in spelt if not reads.search(sql)])


def _or(conditions: Iterable[str]) -> str:
    """SQL: one of ``conditions`` holds."""
    return " OR ".join(conditions) or "FALSE"


def _repeats(column: str, run: str) -> str:
    """SQL: how often ``column``'s values, those of ``run`` left out, are the one before.

    One more than seen of two more looked at, so that nothing is certain. With few others to
    tell by it is certain: a column that never changes is a habit.
    """
    return (f"CASE WHEN {column}.pairs - {run} >= {_OTHERS} THEN "
            f"({column}.same - {run} + 2) / ({column}.pairs - {run} + 3) ELSE 1 END")


def neighbouring(value: str, steps: Mapping[str, int]) -> str:
    """SQL columns: ``value`` so many rows on in the same net, by name; NULL beyond its end.

    Over rows that lie in the order of their nets: nothing is sorted, rows just pass by.
    """
    def at(column: str, step: int) -> str:
        return f"{'lag' if step < 0 else 'lead'}({column}, {abs(step)}) OVER ()"

    return ", ".join(f"CASE WHEN {at('net', step)} = net THEN {at(value, step)} END AS {name}"
                     for name, step in steps.items())


def _at_home(evidence: str, row: str, by_home: bool) -> str:
    """SQL: ``evidence`` is told of the site that ``row`` is of; nothing where there is one only."""
    return f" AND {evidence}.home = {row}.home" if by_home else ""


_STEPS = {"previous": -1, "next": 1, "before_previous": -2, "after_next": 2}
_FURTHER = {"third_before": -3, "third_after": 3, "fourth_before": -4, "fourth_after": 4}
_DAYS = {"day_before": -1, "third_day_before": -3, "third_day_after": 3}
_SO_FAR = "OVER (ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)"

_IN_THREE = ("({0} = previous AND ({0} = before_previous OR {0} = next) "
             "OR {0} = next AND {0} = after_next)")
"""SQL: the value is one of three or more of its kind one after another."""


def _by_field(asked: Asked) -> Mapping[str, list[str]]:
    out: dict[str, list[str]] = {}
    for field, condition in asked:
        out.setdefault(field, []).append(condition)
    return out


_OF_A_NET = ("hours_fished", "soak_hours")
_ROBUST = 1.4826
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
    "catch_id", "row_id", "previous", "next", "about", "about_checks", "about_most",
    "about_second", "about_rest", "about_leap", "usual",
    "usual_most", "pulse", "run", "run_id", "rises", "run_first", "run_last", "run_start",
    "run_total", "summed", "alike", "alike_id", "alike_first", "alike_last",
    "repeats", "large", "round", "latest", "far", "skipped", "nights", "sides", "kin", "kin_about",
    "exchanged",
)


def build_nets(
    con: duckdb.DuckDBPyConnection, events: str, fields: Iterable[str], by_home: bool = False
) -> None:
    """``rule_nets``: events in the order of their nets, narrow, for the relations here.

    ``net`` a number of the net in its season, ``place`` of site and protocol, ``day``,
    ``season``, ``sheet_row``, ``warmth`` the water's temperature as it stands, and ``fields``,
    NULL where they are doubted; with ``by_home`` the ``home`` whose neighbours it has. Their
    ``rowid`` is their order. Rows whose time or identity is doubted are left out. Numbers sort
    and join many times quicker than names.
    """
    named = sorted(set(fields))
    bits = "".join(f" WHEN '{field}' THEN {1 << place}" for place, field in enumerate(named))
    # A net that was out had no hours, whatever stands there.
    sure = "".join(f", CASE WHEN d.doubted & {1 << place} <> 0"
                   f"{' OR lifted' if field in _OF_A_NET else ''} THEN NULL ELSE {field} END "
                   f"AS {field}" for place, field in enumerate(named))
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_nets AS
        SELECT * EXCLUDE (moment) FROM (
            SELECT row_id, hash({_NET}) AS net, hash(site, protocol) AS place,
                   hash(site, protocol, gear_unit) AS gear, season, local_date AS day, sheet_row,
                   coalesce(checked_at, local_date::TIMESTAMP) AS moment,
                   net_status IS NOT DISTINCT FROM 'lifted' AS lifted,
                   water_temperature AS warmth{", site AS home" if by_home else ""}{sure}
            FROM {events} ANTI JOIN rule_doubted_rows USING (row_id)
            LEFT JOIN (SELECT row_id, bit_or(CASE field{bits or " WHEN '' THEN 0"} END) AS doubted
                       FROM rule_doubted GROUP BY row_id) d USING (row_id)
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
    about in the site's other seasons, of which there are ``seasons``. Of many events two fields
    at a time are looked at, so that memory is two columns'.

    A condition may ask of ``stray, step`` and ``repeats`` only to be small, of ``run`` to be
    large, and with ``seasons`` of the value to lie beyond something: what they are is then
    reckoned only where it could be met.
    """
    typed = ", ".join(f"{name} {kind}" for name, kind in _READINGS.items())
    con.execute(f"CREATE OR REPLACE TEMP TABLE rule_readings ({typed})")
    by_field = _by_field(asked)
    counted = con.execute("SELECT count(*) FROM rule_nets").fetchone()
    few = counted is not None and counted[0] <= _TOGETHER
    # Rows are followed one by one, which keeps one processor busy: two fields, two of them.
    fields = [{field: conditions} for field, conditions in by_field.items()]
    pairs = [fields[at:at + 2] for at in range(0, len(fields), 2)]
    for together in [[by_field]] if few else pairs:
        queries = " UNION ALL BY NAME ".join(f"({_readings_of(con, one)})" for one in together)
        con.execute(f"INSERT INTO rule_readings BY NAME {queries}")


def _readings_of(con: duckdb.DuckDBPyConnection, asked: Mapping[str, Sequence[str]]) -> str:
    """SQL query: the rows of ``rule_readings`` of some fields, with the conditions on them.

    Of several fields their readings are laid out first, as ``rule_spelt``.
    """
    fields = list(asked)
    conditions = [condition for sought in asked.values() for condition in sought]
    met = _any(conditions, "ex", "o")
    of_season, others = _reading(conditions, "seasons", "ex")
    of_run, of_steps = _reading(others, "run", "ex")
    told = {"least": "NULL::DOUBLE", "most": "NULL::DOUBLE", "seasons": "NULL::BIGINT"}
    ran = {"run": "NULL::BIGINT", "run_id": "NULL::BIGINT", "run_first": "NULL::INTEGER",
           "run_last": "NULL::INTEGER"}
    # Which field it is need not be asked of every row where there is one only.
    alone = len(fields) == 1
    named = {"field": f"'{fields[0]}'"} if alone else {}
    which = f", '{fields[0]}' AS field" if alone else ""
    sought = [f"({_at_best(sql, {'stray': '0', 'step': '0'} | named)})" for sql in of_steps]
    # Fields that are looked at together each have their own places.
    key = "place" if alone else "hash(place, field)"
    was = (f"(SELECT * REPLACE ({key} AS place) FROM {{}} "
           f"WHERE field IN ({', '.join(map(repr, fields))}))")
    seasons = runs = with_seasons = with_runs = ""
    if of_season:
        told = {name: f"m.{name}" for name in told}
        # A span of days is looked into only if its own highest or lowest is beyond.
        beyond = _or(_at_best(sql, {"value": f"o.{end}"}) for sql in of_season
                     for end in ("high", "low"))
        seasons = f"""
            spans AS MATERIALIZED (
                SELECT {named.get("field", "field")} AS field, place, season, {_SPAN} AS span,
                       min(value) AS low, max(value) AS high, count(*) AS n
                FROM placed WHERE season IS NOT NULL GROUP BY ALL),
            about AS (
                SELECT place, season, span + near AS span, min(low) AS low, max(high) AS high,
                       sum(n) AS n
                FROM (FROM spans UNION ALL BY NAME {was.format(past.SPANS)}),
                     (VALUES (-1), (0), (1)) beside(near) GROUP BY ALL),
            climate AS MATERIALIZED (
                SELECT o.* FROM (
                    SELECT m.field, m.place, m.season, m.span, m.low, m.high,
                           min(o.low) AS least, max(o.high) AS most, count(*) AS seasons
                    FROM spans m JOIN about o ON o.place = m.place AND o.span = m.span
                         AND o.season <> m.season AND o.n >= 5
                    GROUP BY ALL) o
                WHERE {beyond}),"""
        sought.append(f"(place, season, {_SPAN}) IN (SELECT (place, season, span) FROM climate)")
        with_seasons = ("LEFT JOIN climate m ON m.place = r.place AND m.season = r.season "
                        f"AND m.span = {_SPAN.replace('day)', 'r.day)')}")
    if of_run:
        ran = {name: f"u.{name}" for name in ran}
        best = _or(_at_best(sql, {"run": "1e9", "run_id": "-1", "repeats": "0"} | named)
                   for sql in of_run)
        in_run = f"({_IN_THREE.format('value')} AND ({best}))"
        sought.append(in_run)
        runs = f"""
            stretched AS (
                SELECT net, row_id, sheet_row,
                       count(*) FILTER (previous IS DISTINCT FROM value)
                           OVER (PARTITION BY net ORDER BY ord) AS stretch
                FROM odd o WHERE {in_run}),
            runs AS (
                SELECT row_id, count(*) OVER of_one AS run, min(row_id) OVER of_one AS run_id,
                       min(sheet_row) OVER of_one AS run_first,
                       max(sheet_row) OVER of_one AS run_last, net
                FROM stretched WINDOW of_one AS (PARTITION BY net, stretch)),"""
        with_runs = "LEFT JOIN runs u ON u.net = r.net AND u.row_id = r.row_id"
    made = {name: f"r.{name}" for name in _READINGS} | told | ran | {
        "stray": "s.stray", "step": "s.step",
        "repeats": _repeats("s", ran["run"]),
    }
    columns = "row_id, season, day, sheet_row, rowid AS ord"
    if alone:
        spelt = (f"SELECT {columns}, net, place, {fields[0]} AS value FROM rule_nets "
                 f"WHERE {fields[0]} IS NOT NULL")
    else:
        con.execute(
            f"CREATE OR REPLACE TEMP TABLE rule_spelt AS "
            f"SELECT * REPLACE (hash(net, field) AS net, hash(place, field) AS place) FROM ("
            f"SELECT {columns}, net, place, "
            f"unnest([{', '.join(repr(field) for field in fields)}]) AS field, "
            f"unnest([{', '.join(fields)}]) AS value FROM rule_nets) "
            "WHERE value IS NOT NULL ORDER BY field, ord")
        spelt = "FROM rule_spelt"
    usual = {"stray": "abs(value - (previous + next) / 2)", "step": "abs(value - previous)"}
    medians = ", ".join(
        (f"1.4826 * median({sql})" if of_steps else "NULL::DOUBLE") + f" AS {name}"
        for name, sql in usual.items())
    steps = neighbouring("value", _STEPS)
    return f"""
        WITH placed AS MATERIALIZED (
            SELECT *, day - day_before AS days_before, day_after - day AS days_after FROM (
                SELECT *, {steps}, {neighbouring("day", {"day_before": -1, "day_after": 1})}
                FROM ({spelt}))),
        {seasons}
        odd AS MATERIALIZED (SELECT o.*{which} FROM placed o WHERE {_or(sought)}),
        {runs}
        now AS (
            SELECT place, {medians},
                   count(*) FILTER (value = previous) AS same, count(previous) AS pairs
            FROM placed SEMI JOIN odd USING (place) GROUP BY ALL),
        usual AS (
            SELECT place, coalesce(w.stray, n.stray) AS stray, coalesce(w.step, n.step) AS step,
                   n.same + coalesce(w.same, 0) AS same, n.pairs + coalesce(w.pairs, 0) AS pairs
            FROM now n LEFT JOIN {was.format(past.USUAL)} w USING (place))
        SELECT o.* FROM (
            SELECT {", ".join(f"{sql} AS {name}" for name, sql in made.items())}
            FROM odd r JOIN usual s USING (place) {with_runs} {with_seasons}) o
        WHERE {met}"""


_OUT = """
    SELECT max(ord) AS last, count(*) AS checks
    FROM (SELECT rowid AS ord, rowid - row_number() OVER (ORDER BY rowid) AS run
          FROM rule_nets WHERE lifted)
    GROUP BY run"""
"""SQL query: the ``last`` of so many ``checks`` one after another at which the net was out."""

_MOST_BESIDE, _LESS_BESIDE = (
    f"{how}(coalesce(o.previous, 0), coalesce(o.next, 0))" for how in ("greatest", "least"))
"""SQL: the larger of the counts before and after, and the smaller."""

_BESIDE = _STEPS | _FURTHER
_MOST_BEFORE, _MOST_AFTER = (
    "coalesce(greatest("
    + ", ".join(f"o.{name}" for name, step in _BESIDE.items() if (step > 0) == after)
    + "), 0)" for after in (False, True))
"""SQL: the largest of the four counts before, and of the four after."""

_SECOND_AT_LEAST = f"least({_MOST_BEFORE}, {_MOST_AFTER})"
"""SQL: the second largest of the eight is no less than the smaller of the sides' largest."""

_MEAN_AT_LEAST = f"({' + '.join(f'coalesce(o.{name}, 0)' for name in _BESIDE)}) / 8"
"""SQL: the mean of those of the eight that are there is no less than this."""

_SIDES = f"greatest({', '.join(f'o.{name}' for name in _STEPS)})"
_SKIPPED, _NIGHTS = "(o.day - o.day_before - 1)", "(o.third_day_after - o.third_day_before)"

_SIZE = 1.2
"""Size of the negative binomial that counts of one net from check to check are much like."""

_USUAL_OF_OWN = "(a.about_rest + 0.5 / greatest(a.about_checks - 1, 1))"
"""SQL: what the stage has of a usual check about, which is never quite none."""


_WITHOUT_THE_LARGEST = 0.77
"""Share of the mean that eight geometric nights but the largest have (3/4; of fewer, less)."""


def _logarithm_of_sum(logarithms: str) -> str:
    """SQL: the logarithm of the sum of what a list has the logarithms of."""
    return (f"list_max({logarithms}) + ln(list_sum(list_transform({logarithms}, "
            f"lambda v: exp(v - list_max({logarithms})))))")


def _geometric(animals: str, mean: str) -> str:
    """SQL: the log likelihood of a night's ``animals``, geometric (negative binomial of size 1)."""
    return f"{animals} * ln({mean} / (1 + {mean})) - ln(1 + {mean})"


# Of normal differences the mean distance is 0.8 of a standard deviation; ``swing`` is of a sum
# of two counts, hence twice.
_COMES_AGAIN = """least(1, CASE WHEN l.count % 5 = 0 THEN 3 ELSE 1 END * 0.4
    / greatest(sqrt(2 * l.count), 2.5 * coalesce(w.swing, 0) * l.count))"""
"""SQL: how often a count comes again, of what swings as this catch does."""


def swings_of(placed: str) -> str:
    """SQL query: ``place, pairs`` of counts one after another, ``swing`` summed of ``swings``."""
    large = "FILTER (count + previous >= 6)"
    return (f"SELECT place, count(previous) AS pairs, count(*) {large} AS swings, "
            f"sum(abs(count - previous) / (count + previous)) {large} AS swing "
            f"FROM {placed} GROUP BY ALL")


def again_of(placed: str) -> str:
    """SQL query: ``place, count``, how often the ``same`` comes next, of ``pairs``."""
    return (f"SELECT place, count, count(*) FILTER (count = next) AS same, count(next) AS pairs "
            f"FROM {placed} GROUP BY ALL")


def _halves(con: duckdb.DuckDBPyConnection) -> list[tuple[int, str]]:
    """Halves of ``rule_caught`` with no net in common: each's first row, and SQL of its rows.

    A few rows are one half.
    """
    # In a transaction that is open the numbers of rows begin far above 0.
    found = con.execute("""
        SELECT min(rowid), min(rowid) - first FROM rule_caught, (
            SELECT first, rowid AS middle, net AS there FROM rule_caught,
                 (SELECT min(rowid) AS first, count(*) // 2 AS half FROM rule_caught)
            WHERE rowid = first + half)
        WHERE rowid > middle AND net <> there GROUP BY first""").fetchone()
    if found is None or found[1] <= _TOGETHER:
        return [(0, ">= 0")]
    return [(0, f"< {found[0]}"), (found[0], f">= {found[0]}")]


def build_courses(
    con: duckdb.DuckDBPyConnection, catches: str, pulse: str, asked: Asked, by_home: bool = False
) -> None:
    """``rule_courses``: catches that meet a condition, each within the catches of its net.

    ``x``: ``previous`` and ``next`` count; ``about`` and ``about_most``, mean and most of the
    four checks before and the four after, ``about_checks`` of them; ``usual``, mean of the
    days about in the site's other seasons (NULL without), ``usual_most`` the most; ``pulse``,
    how many times their own usual the other sites had that day (a power of two, NULL without);
    ``run`` checks of counts that never fall, of which ``rises`` rise, from ``run_first`` to
    ``run_last`` of the sheet, from ``run_start`` to ``run_total`` animals, this being the one so
    ``far`` in it, and ``summed``, how much likelier they are as a sum that grows (the natural
    logarithm of how many times); ``skipped`` days before this check without one, ``nights`` from
    the third check before to the third after, ``sides`` the most of the two on either side;
    ``about_second`` and ``about_rest`` most and mean about without the largest, and ``about_leap``
    how many times that second this is; of a leap, ``kin`` animals of the taxon's other stages in
    the row, ``kin_about`` as ``about``, and ``exchanged``, how much likelier the row is with the
    two stages exchanged (the natural logarithm of how many times);
    ``alike`` checks of one same count, and ``repeats``, how often it would come again; on the
    net's ``latest`` catch of the season, how many counts were ``large`` (20 and more, counted
    one by one) and of these ``round``.

    Counts swing: that one comes again is as likely as a normal deviate at its middle, 0.4 of a
    standard deviation of the differences from check to check, which is that of this catch and
    never less than a Poisson count's (the root of twice the count); thrice so likely for a
    number that ends in 0 or 5; or as this very count has come again outside the run, of so many
    and ten of that likelihood. Only checks one after another count: where a sheet leaves out
    what was not caught, a check between broke the run.

    ``summed``: daily catches are much like geometric ones (negative binomial of size 1) of some
    mean, times the night's ``pulse``. Both ways, of the counts as they stand and of their steps,
    the mean should be that of the four checks before and the four after but the largest, which
    may be a slip of its own, within a factor of about two (normal in the logarithm, standard
    deviation ln 2), and wider where the means before and after differ (its square grows by that
    of three tenths of their logarithms' difference); the likelihoods are summed over such means
    from a sixteenth to sixteen times, by thirds of a factor of two.

    ``exchanged``: each stage of a row as a negative binomial count (size ``_SIZE``) of the mean
    about, that of its own stage without the largest. What does not hang on the mean cancels out.

    As of readings, what is dear is reckoned only where a condition could be met. It may ask
    of ``about, about_most, about_second, about_rest, sides, usual, usual_most, pulse, repeats,
    run_start, skipped, nights`` and ``kin`` only to be small, of ``about_checks, about_leap,
    alike, kin_about, exchanged, rises`` and ``summed`` only to be large.
    """
    conditions = [condition for _, condition in asked]
    met = _any(conditions, "ecx", "o")
    of_net, others = _reading(conditions, "latest", "ecx")
    of_climb, others = _reading(others, "run", "ecx")
    of_level, of_days = _reading(others, "alike", "ecx")
    unsure = {
        "about_checks": "8", "usual": "NULL::DOUBLE", "usual_most": "NULL::DOUBLE",
        "about_rest": "0", "about_leap": "1e9", "exchanged": "1e9", "kin": "0", "kin_about": "1e9",
        "pulse": "NULL::DOUBLE"}
    # By one count or two on either side first: only what these let through has all eight asked.
    beside = " AND ".join(
        f"({_or(_at_best(sql, unsure | bounds) for sql in of_days)})" for bounds in (
            {"about": "0", "about_most": _MOST_BESIDE, "about_second": _LESS_BESIDE,
             "sides": _MOST_BESIDE, "skipped": "1", "nights": "7"},
            {"about": _MEAN_AT_LEAST, "about_most": f"greatest({_MOST_BEFORE}, {_MOST_AFTER})",
             "about_second": _SECOND_AT_LEAST, "sides": _SIDES, "skipped": _SKIPPED,
             "nights": _NIGHTS}))
    level = _or(_at_best(sql, {"alike": "1e9", "alike_id": "-1", "repeats": "0"})
                for sql in of_level)
    levels = f"{_IN_THREE.format('count')} AND ({level})"
    climbed = _or(_at_best(sql, {
        "run": "o.far", "run_total": "o.count", "rises": "o.far - 1", "summed": "1e9",
        "run_start": "0", "run_id": "-1"}) for sql in of_climb)
    home = ", home" if by_home else ""
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_caught AS
        SELECT catch_id, row_id, c.taxon, c.count, hash(net, taxon, life_stage) AS net,
               hash(gear, taxon, life_stage) AS place, season, day, e.sheet_row, ord,
               out_before, warmth AS water_temperature, hours_fished, soak_hours,
               c.subsample_count IS NULL AS counted_whole{home}
        FROM {catches} c
        JOIN (SELECT n.*, n.rowid AS ord, coalesce(o.checks, 0) AS out_before
              FROM rule_nets n LEFT JOIN ({_OUT}) o ON o.last + 1 = n.rowid
              WHERE NOT lifted) e USING (row_id)
        ANTI JOIN (FROM rule_doubted WHERE field = 'count') q USING (row_id)
        WHERE c.count >= 0 AND c.life_stage <> '{ALL_STAGES}' AND taxon IS NOT NULL
        ORDER BY 5, ord, catch_id""")
    steps = (f"{neighbouring('count', _BESIDE)}, "
             f"{neighbouring('ord', {'ord_before': -1})}, {neighbouring('day', _DAYS)}")
    # Rows are followed one by one, which keeps one processor busy: two halves, two of them.
    placed = " UNION ALL ".join(f"""
            SELECT *, place_in_order - max(place_in_order) FILTER (starts) {_SO_FAR} + 1 AS far,
                   {least} + count(*) FILTER (starts) {_SO_FAR} AS climb,
                   count(*) FILTER (apart OR count <> previous) {_SO_FAR} AS flat
            FROM (SELECT * EXCLUDE (out_before, ord_before),
                         ord - ord_before - out_before IS DISTINCT FROM 1 AS apart,
                         apart OR previous = 0 OR count < previous AS starts
                  FROM (SELECT *, rowid AS place_in_order, {steps}
                        FROM rule_caught WHERE rowid {within}))"""
        for least, within in _halves(con))
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_courses AS
        WITH placed AS MATERIALIZED ({placed}),
        climbs AS MATERIALIZED (
            SELECT climb FROM placed o
            WHERE count > 0 AND far > 2 AND (next IS NULL OR next < count) AND ({climbed})),
        rounds AS MATERIALIZED (
            SELECT o.* FROM (
                SELECT *, latest AS catch_id FROM (
                    SELECT count(*) AS large, count(*) FILTER (count % 5 = 0) AS round,
                           arg_max(catch_id, ord) AS latest
                    FROM placed WHERE count >= 20 AND counted_whole GROUP BY net)) o
            WHERE {_or(of_net)}),
        odd AS MATERIALIZED (
            -- As a condition each is asked of rows that those before it leave open; else of all.
            SELECT o.*, CASE WHEN {beside} THEN TRUE ELSE FALSE END AS stands_out,
                   CASE WHEN {levels} THEN TRUE ELSE FALSE END AS levels
            FROM placed o
            WHERE count > 0 AND (({beside}) OR ({levels}) OR climb IN (FROM climbs)
                                 OR catch_id IN (SELECT latest FROM rounds))),
        near AS (
            SELECT catch_id, list_avg(beside) AS about, len(beside) AS about_checks,
                   beside[1] AS about_most, coalesce(beside[2], 0) AS about_second,
                   coalesce((list_sum(beside) - about_most) / nullif(about_checks - 1, 0), 0)
                       AS about_rest,
                   about_most / greatest(about_second, 1) AS about_leap,
                   {_SIDES} AS sides, {_SKIPPED} AS skipped, {_NIGHTS} AS nights
            FROM (SELECT *, list_reverse_sort(list_filter(
                      [{", ".join(_BESIDE)}], lambda v: v IS NOT NULL)) AS beside
                  FROM odd WHERE stands_out) o
            WHERE len(beside) > 0),
        kin AS (
            SELECT catch_id, sum(kin) AS kin, sum(kin_about) AS kin_about FROM (
                SELECT k.catch_id, k.net, max(p.count) FILTER (step = 0) AS kin,
                       avg(p.count) FILTER (step <> 0) AS kin_about
                FROM (SELECT b.catch_id, q.net, q.place_in_order,
                             unnest([-4, -3, -2, -1, 0, 1, 2, 3, 4]) AS step
                      FROM (FROM odd o WHERE stands_out AND count > 3 * {_SECOND_AT_LEAST}) b
                      JOIN placed q USING (row_id, taxon) WHERE q.net <> b.net) k
                JOIN placed p ON p.place_in_order = k.place_in_order + k.step AND p.net = k.net
                GROUP BY ALL)
            GROUP BY ALL),
        spans AS (
            SELECT place, season, {_SPAN} AS span, sum(count) AS total, max(count) AS most,
                   count(*) AS n
            FROM placed SEMI JOIN (FROM odd WHERE stands_out) USING (place)
            WHERE season IS NOT NULL GROUP BY ALL),
        around AS (
            SELECT * REPLACE (span + near AS span)
            FROM (FROM spans UNION ALL BY NAME FROM {past.CATCHES} SEMI JOIN spans USING (place)),
                 (VALUES (-1), (0), (1)) b(near)),
        others AS (
            SELECT m.place, m.season, m.span, sum(o.total) / sum(o.n) AS usual,
                   max(o.most) AS usual_most
            FROM (SELECT DISTINCT place, season, {_SPAN} AS span FROM odd WHERE stands_out) m
            JOIN around o USING (place, span)
            WHERE o.season <> m.season GROUP BY ALL HAVING sum(o.n) >= 8),
        risen AS (
            SELECT net, climb, count(*) AS run, arg_min(row_id, ord) AS run_id,
                   count(*) FILTER (count > previous AND NOT starts) AS rises,
                   min(sheet_row) AS run_first, max(sheet_row) AS run_last,
                   min(count) AS run_start, max(count) AS run_total, avg(count) AS run_mean,
                   min(place_in_order) AS low, max(place_in_order) AS high
            FROM odd WHERE climb IN (FROM climbs) GROUP BY ALL),
        nights AS (
            SELECT o.*, coalesce(n.pulse, 1) AS times FROM (
                SELECT climb, day, count, TRUE AS inside{home},
                       count - CASE WHEN place_in_order > low THEN previous ELSE 0 END AS step
                FROM odd JOIN risen USING (net, climb)
                UNION ALL BY NAME
                SELECT s.climb, p.day, p.count, FALSE AS inside, before{home}
                FROM (SELECT climb, net, step < 0 AS before,
                             CASE WHEN before THEN low ELSE high END + step AS at
                      FROM risen, (SELECT unnest([-4, -3, -2, -1, 1, 2, 3, 4]) AS step)) s
                JOIN placed p ON p.place_in_order = s.at AND p.net = s.net) o
            LEFT JOIN {pulse} n ON n.local_date = o.day{_at_home("n", "o", by_home)}),
        beside AS (
            SELECT climb, sum(count) FILTER (kept) / sum(times) FILTER (kept)
                       / {_WITHOUT_THE_LARGEST} AS beside,
                   coalesce(ln((sum(count) FILTER (before) + 0.5) / sum(times) FILTER (before)
                               / (sum(count) FILTER (NOT before) + 0.5)
                               * sum(times) FILTER (NOT before)), 0.5) AS changed
            FROM (SELECT *, count(*) OVER (PARTITION BY climb) < 4 OR row_number() OVER (
                      PARTITION BY climb ORDER BY count / times DESC, day) > 1 AS kept
                  FROM nights WHERE NOT inside)
            GROUP BY ALL),
        likely AS (
            SELECT climb, list(summed_up) AS summed_up, list(each_day) AS each_day FROM (
                SELECT climb, sum({_geometric("step", "mean")}) - any_value(far_off) AS summed_up,
                       sum({_geometric("count", "mean")}) - any_value(far_off) AS each_day
                FROM (SELECT *, (beside + 0.3) * pow(2, g / 3) * times AS mean,
                             pow(g * ln(2) / 3, 2)
                                 / (2 * (pow(ln(2), 2) + pow(0.3 * changed, 2))) AS far_off
                      FROM nights JOIN beside USING (climb), range(-12, 13) r(g) WHERE inside)
                GROUP BY climb, g)
            GROUP BY ALL),
        rising AS (
            SELECT r.* EXCLUDE (low, high, run_mean),
                   coalesce({_logarithm_of_sum("summed_up")} - ({_logarithm_of_sum("each_day")}),
                            rises * ln(run_mean * run / run_total)) AS summed
            FROM risen r LEFT JOIN likely USING (climb)),
        level AS (
            SELECT net, flat, place, count, count(*) AS alike, arg_min(row_id, ord) AS alike_id,
                   min(sheet_row) AS alike_first, max(sheet_row) AS alike_last
            FROM odd WHERE levels GROUP BY ALL),
        swings AS (
            SELECT place, sum(pairs) AS pairs, sum(swing) / nullif(sum(swings), 0) AS swing
            FROM ({swings_of("placed SEMI JOIN level USING (place)")}
                  UNION ALL BY NAME FROM {past.REPEATS} SEMI JOIN level USING (place))
            GROUP BY ALL),
        again AS (
            SELECT place, count, sum(same) AS same, sum(pairs) AS pairs
            FROM ({again_of("placed SEMI JOIN level USING (place, count)")}
                  UNION ALL BY NAME FROM {past.AGAIN} SEMI JOIN level USING (place, count))
            GROUP BY ALL)
        SELECT {", ".join(f"o.{name}" for name in _COURSES)}
        FROM (
            SELECT l.*, i.* EXCLUDE (net, climb), f.* EXCLUDE (net, flat, place, count),
                   u.usual, u.usual_most, a.skipped, a.nights, a.sides, k.kin, k.kin_about,
                   a.about, coalesce(a.about_checks, 0) AS about_checks, a.about_most,
                   a.about_second, a.about_rest, a.about_leap,
                   (l.count - k.kin) * ln(
                       (k.kin_about + 0.5 / a.about_checks) * ({_SIZE} + {_USUAL_OF_OWN})
                       / ({_USUAL_OF_OWN} * ({_SIZE} + k.kin_about + 0.5 / a.about_checks))
                   ) AS exchanged,
                   n.pulse, q.large, q.round, q.latest,
                   CASE WHEN w.pairs - f.alike >= {_OTHERS} THEN greatest(
                       {_COMES_AGAIN}, (v.same - f.alike + 1 + 10 * {_COMES_AGAIN})
                           / (greatest(v.pairs - f.alike, 0) + 10))
                   ELSE 1 END AS repeats
            FROM odd l
            LEFT JOIN near a ON a.catch_id = l.catch_id
            LEFT JOIN rising i ON i.net = l.net AND i.climb = l.climb
            LEFT JOIN level f ON f.net = l.net AND f.flat = l.flat
            LEFT JOIN swings w ON w.place = l.place
            LEFT JOIN again v ON v.place = l.place AND v.count = l.count
            LEFT JOIN kin k ON k.catch_id = l.catch_id
            LEFT JOIN rounds q ON q.latest = l.catch_id
            LEFT JOIN others u ON u.place = l.place AND u.season = l.season
                AND u.span = {_SPAN.replace("day)", "l.day)")}
            LEFT JOIN {pulse} n ON n.local_date = l.day{_at_home("n", "l", by_home)}) o
        WHERE {met}""")


_EEL = protocols()["fyke"].targets[0]


def print_columns(events: str, catches: str) -> str:
    """SQL query: each event's print: ``row_id, readings, told, tally, animals, kinds, core``.

    ``readings`` is a hash of its telling readings, of which ``told`` are there and not zero;
    ``tally`` one of what was caught, ``animals`` of ``kinds`` in all. Rows of equal prints say
    the same. ``core`` is a hash of what nearly every sheet has a column for, by which sheets of
    two sites are compared: both temperatures and the eels counted; of the whole print where
    one of the temperatures is not there. Where the water's readings come from a sheet of their
    own, ``sky`` and ``water`` are hashes of the readings of either, and ``of_sky`` and
    ``of_water`` tell how many of these are there and not zero.
    """
    def hashed(names: Iterable[str]) -> str:
        # To three decimals; with these as an argument the engine takes a power for each value.
        return f"hash({', '.join(f'round({name} * 1000) / 1000' for name in names)})"

    def counted(names: Iterable[str]) -> str:
        return " + ".join(f"coalesce({name} <> 0, FALSE)::INTEGER" for name in names)

    sky = [*(name for name in TELLING if FIELDS[name].group is Group.WEATHER), "precipitation"]
    water = [name for name in TELLING if FIELDS[name].group is Group.WATER]
    parts = ", ".join(
        f"CASE WHEN water_sheet IS NOT NULL THEN {of} END AS {name}" for name, of in (
            ("sky", hashed(sky)), ("of_sky", counted(sky)),
            ("water", hashed(water)), ("of_water", counted(water))))
    eel = f"taxon = '{_EEL.taxon}' AND life_stage = '{_EEL.life_stage}'"
    return f"""
        SELECT e.row_id, e.readings, e.told, coalesce(c.tally, 0) AS tally,
               coalesce(c.animals, 0) AS animals, coalesce(c.kinds, 0) AS kinds,
               e.sky, e.of_sky, e.water, e.of_water,
               CASE WHEN temperatures IS NULL THEN hash(readings, coalesce(c.tally, 0))
               ELSE hash(temperatures, coalesce(c.eels, 0)) END AS core
        FROM (SELECT row_id, {hashed(TELLING)} AS readings, {counted(TELLING)} AS told, {parts},
                     CASE WHEN air_temperature + water_temperature IS NOT NULL
                     THEN {hashed(("air_temperature", "water_temperature"))} END AS temperatures
              FROM {events} WHERE local_date IS NOT NULL) e
        LEFT JOIN (
            SELECT row_id, bit_xor(hash(taxon, life_stage, count)) AS tally, sum(count) AS animals,
                   count(*) AS kinds, sum(count) FILTER ({eel}) AS eels
            FROM {catches} WHERE count > 0 GROUP BY row_id) c USING (row_id)
        WHERE e.told + coalesce(c.kinds, 0) >= 3"""


def build_copies(con: duckdb.DuckDBPyConnection, events: str, catches: str, elsewhere: str | None,
                 asked: Asked, by_home: bool = False) -> None:
    """``rule_copies``: events that say just what another event of the site, or elsewhere, says.

    ``k``: ``twin_row, twin_sheet, twin_file, twin_date, twin_site`` of the row that was there
    first; ``how``: ``before`` (the check before at the same net), ``visit`` (of that only what
    its own sheet says, the water having another), ``water`` (of that only the water's),
    ``again`` (another day of the site) or ``elsewhere`` (the core of it, unless that is this
    site's own; ``theirs`` where it surely is the other's); ``told`` readings and
    ``kinds`` of catch alike, ``same_tally`` whether the catches are; ``days`` between the two;
    ``rows`` of the sheet that are so copied from one sheet, one after another or not, with
    ``lot`` animals; ``run_id``, the same for all of them.
    """
    met = _any([condition for _, condition in asked], "k", "o")
    con.execute(f"CREATE OR REPLACE TEMP TABLE rule_prints AS {print_columns(events, catches)}")
    abroad = "" if elsewhere is None else f"""
            UNION ALL BY NAME
            SELECT p.row_id, 'elsewhere' AS how, NULL::BIGINT AS twin_id, p.told, p.kinds,
                   p.animals, TRUE AS same_tally, 0 AS days, t.site AS twin_site,
                   NOT t.mine AS theirs
            FROM prints p JOIN {elsewhere} t
            ON t.local_date = p.day AND t.core = p.core{_at_home("t", "p", by_home)}
            AND t.mine IS NOT TRUE"""
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE rule_copies AS
        WITH prints AS MATERIALIZED (
            SELECT p.*, e.net, e.place, e.day, e.rowid AS ord{", e.home" if by_home else ""}
            FROM rule_prints p JOIN rule_nets e USING (row_id)),
        in_order AS (
            SELECT *, lag(row_id) OVER in_net AS twin_id, lag(readings) OVER in_net AS was,
                   lag(tally) OVER in_net AS was_caught, lag(sky) OVER in_net AS was_sky,
                   lag(water) OVER in_net AS was_water, day - lag(day) OVER in_net AS days
            FROM prints WINDOW in_net AS (PARTITION BY net ORDER BY ord)),
        before AS (FROM {past.PRINTS} SEMI JOIN prints USING (place, readings, tally)),
        pasted AS (
            SELECT row_id, 'before' AS how, twin_id, told, kinds, animals,
                   tally = was_caught AS same_tally, days, NULL::VARCHAR AS twin_site,
                   NULL::BOOLEAN AS theirs
            FROM in_order WHERE readings = was AND days > 0 AND told >= 2
            UNION ALL
            SELECT row_id, 'visit', twin_id, of_sky, kinds, animals, TRUE, days, NULL, NULL
            FROM in_order WHERE sky = was_sky AND tally = was_caught AND days > 0
                 AND readings <> was
            UNION ALL
            SELECT row_id, 'water', twin_id, of_water, kinds, animals, FALSE, days, NULL, NULL
            FROM in_order WHERE water = was_water AND days > 0 AND readings <> was),
        repeated AS (
            SELECT place, readings, tally FROM (
                SELECT place, readings, tally, day FROM prints WHERE told >= 2
                UNION ALL SELECT place, readings, tally, day FROM before)
            GROUP BY ALL HAVING min(day) < max(day)),
        again AS (
            SELECT p.row_id, 'again' AS how, min(t.row_id) AS twin_id, p.told, p.kinds, p.animals,
                   TRUE AS same_tally, min(abs(p.day - t.day)) AS days, NULL AS twin_site,
                   NULL AS theirs
            FROM (FROM prints SEMI JOIN repeated USING (place, readings, tally)
                  ANTI JOIN pasted USING (row_id)) p
            JOIN (SELECT row_id, place, readings, tally, day FROM prints
                  UNION ALL SELECT row_id, place, readings, tally, day FROM before) t
            USING (place, readings, tally)
            WHERE t.day < p.day GROUP BY ALL),
        copied AS (FROM pasted UNION ALL BY NAME FROM again {abroad}),
        told AS (
            SELECT c.*, e.sheet_row AS own_row, {_FILE.replace('row_id', 'c.row_id')} AS file,
                   e.sheet, coalesce(w.sheet_row, b.sheet_row) AS twin_row,
                   coalesce(w.sheet, b.sheet) AS twin_sheet,
                   coalesce(w.file_sha256, b.file_sha256) AS twin_file,
                   coalesce(w.local_date, b.day) AS twin_date
            FROM copied c JOIN {events} e ON e.row_id = c.row_id
            LEFT JOIN {events} w ON w.row_id = c.twin_id
            LEFT JOIN before b ON b.row_id = c.twin_id)
        SELECT o.* FROM (
            SELECT *, count(*) OVER lot AS rows, sum(animals) OVER lot AS lot,
                   min(row_id) OVER lot AS run_id FROM told
            WINDOW lot AS (PARTITION BY file, sheet, how, twin_site,
                           coalesce(twin_id // {ROWS_A_FILE}, 0))) o
        WHERE {met}""")


def readings_apart(field: str, neighbours: str, by_home: bool = False) -> str:
    """SQL query of a field's readings beside the other sites' median of the day."""
    return f"""
        SELECT row_id, net, place, day, e.rowid AS ord, e.{field} AS value, n.{field} AS median,
               n.{field}_sites AS sites, e.{field} - n.{field} AS apart
        FROM rule_nets e JOIN {neighbours} n
            ON n.local_date = e.day{_at_home("n", "e", by_home)}
        WHERE e.{field} IS NOT NULL AND n.{field}_sites >= 3"""


USUALLY_APART = f"""
            fortnights AS (
                SELECT place, date_diff('day', DATE '2000-01-01', day) // 14 AS fortnight,
                       median(apart) AS apart
                FROM placed GROUP BY ALL HAVING count(*) > 3),
            usual AS (SELECT place, median(apart) AS usual FROM fortnights GROUP BY ALL),
            spreads AS (
                SELECT place, {_ROBUST!r} * median(abs(apart - usual)) AS spread
                FROM placed JOIN usual USING (place) GROUP BY ALL)"""
"""SQL: how far apart a site usually is, and how widely that scatters; of ``placed``."""


def build_apart(
    con: duckdb.DuckDBPyConnection, neighbours: str, asked: Asked, by_home: bool = False
) -> None:
    """``rule_apart``: readings that meet a condition, beside the other sites' median of the day.

    ``a``: ``apart``, the reading less the median; ``usual`` its median at the site (a warm
    creek is not a wrong one); ``spread``, robust standard deviation about it; ``lately`` the
    mean of ``apart - usual`` over this check and the thirteen before in the season,
    ``above`` how many of these ``checks`` are above it; ``sites`` how many other sites. All fields
    are looked at in one statement.
    """
    con.execute(
        "CREATE OR REPLACE TEMP TABLE rule_apart (row_id BIGINT, field VARCHAR, value DOUBLE, "
        "median DOUBLE, apart DOUBLE, usual DOUBLE, spread DOUBLE, lately DOUBLE, "
        "above BIGINT, checks BIGINT, sites BIGINT, drift_id BIGINT)")
    together = []
    for field, conditions in _by_field(asked).items():
        met = _any(conditions, "ea", "o")
        was = f"(FROM {past.APART} WHERE field = '{field}')"
        late = {"lately": "avg(apart - usual)", "above": "count(*) FILTER (apart > usual)",
                "checks": "count(*)"}
        # Windows are dear, and most fields are not asked what they were lately.
        some = any(re.search(rf"\b[ea]\.{name}\b", sql) for sql in conditions for name in late)
        lately = ", ".join(f"{sql if some else 'NULL'} {'OVER far ' if some else ''}AS {name}"
                           for name, sql in late.items())
        together.append(f"""(
            WITH placed AS MATERIALIZED ({readings_apart(field, neighbours, by_home)}),
            {USUALLY_APART},
            lately AS (
                SELECT p.*, '{field}' AS field, u.usual, u.spread, {lately}
                FROM placed p
                JOIN (SELECT place, coalesce(w.usual, u.usual) AS usual,
                             coalesce(w.spread, s.spread) AS spread
                      FROM (SELECT DISTINCT place FROM placed) LEFT JOIN usual u USING (place)
                      LEFT JOIN spreads s USING (place) LEFT JOIN {was} w USING (place)) u
                USING (place)
                WINDOW far AS (PARTITION BY p.net ORDER BY p.ord
                               ROWS BETWEEN 13 PRECEDING AND CURRENT ROW))
            SELECT o.row_id, o.field, o.value, o.median, o.apart, o.usual, o.spread,
                   o.lately, o.above, o.checks, o.sites,
                   o.row_id // {ROWS_A_FILE} AS drift_id
            FROM lately o WHERE {met})""")
    con.execute(f"INSERT INTO rule_apart BY NAME {' UNION ALL BY NAME '.join(together)}")


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
