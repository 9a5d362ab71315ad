"""Judging: every rule over every row, in the connection that the caller brings.

:func:`detect` finds which probe hits which row, set-based; :func:`judge` also puts the
hits into words, which costs time only for rows that something is odd about.
"""

from __future__ import annotations

import datetime as dt
import gc
import json
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

import duckdb

from checks.catalogue import CATALOGUE
from checks.causes import with_causes
from checks.chemistry import build_water
from checks.closing import lay_out_none
from checks.explaining import explain
from checks.relations import (
    OF_CATCH,
    RELATIONS,
    SCANNED,
    Relations,
    build_followers,
    build_kinds,
    build_local_medians,
    build_row_relations,
    build_series,
    columns_read,
    extremes,
    local_median_sql,
    naming_rows,
    narrowed,
    source_of,
    sweep,
)
from checks.rule import Case, Limits, Outside, Over, Probe, Rule
from checks.trying import TRIED, lay_out_tried
from shared.fields import FIELDS, NUMERIC_KINDS, Group, Level
from shared.findings import Finding
from shared.flags import Effect, Flag
from shared.settings import Network
from shared.sheets import cell_name

_FOLLOWING = frozenset(over for over in Over if RELATIONS[over].follows) - {Over.SERIES}
_ROW_PROBES = frozenset(Over) - _FOLLOWING - {Over.SERIES}
"""What can be looked at before it is known which rows are misdated."""

_DOUBTING_CHECK = frozenset(
    {"set-after-check", "date-out-of-season", "date-in-future", "date-out-of-order",
     "date-unreadable"}
)
"""Rules whose finding means that a row may belong to another day than it says."""

_MISDATING = _DOUBTING_CHECK | {"soak-too-long"}
"""Rules whose finding means that a row's times cannot be trusted as a neighbour's."""

_DOUBTING_ROW = _DOUBTING_CHECK | {"duplicate-event"}
"""Rules whose finding means that a row does not stand where, or does not count as, it says."""

RawText = Callable[[str, str, int, int], str]
"""(file sha256, sheet, 1-based row, 0-based column) -> the cell's text as received."""


@dataclass(frozen=True, slots=True)
class Place:
    """Which column of which sheet holds a field (a row of ``staged_places``)."""

    file_sha256: str
    sheet: str
    column_index: int
    field: str
    taxon: str | None
    life_stage: str | None
    unit: str | None


@dataclass(frozen=True, slots=True)
class Bound:
    """A probe with its rule and its number in this judgement."""

    number: int
    rule: Rule
    probe: Probe
    limits: Limits


def bind(network: Network, rules: Iterable[Rule] | None = None) -> list[Bound]:
    """Every probe of ``rules`` (the whole catalogue) under the network's thresholds."""
    bound: list[Bound] = []
    for rule in CATALOGUE.values() if rules is None else rules:
        limits = rule.limits(network)
        for probe in rule.probes(limits, network):
            bound.append(Bound(len(bound), rule, probe, limits))
    return bound


def _filled(sql: str, names: Relations, as_of: dt.date, field_id: str) -> str:
    """SQL of a probe with its placeholders filled."""
    for placeholder, meant in {
        "{events}": names.events,
        "{catches}": names.catches,
        "{oddities}": names.oddities,
        "{as_of}": f"DATE '{as_of}'",
    }.items():
        sql = sql.replace(placeholder, meant)
    if "{local_median}" in sql:
        sql = sql.replace("{local_median}", local_median_sql(field_id))
    return sql


def _scans(bound: Iterable[Bound], names: Relations, as_of: dt.date) -> Iterator[str]:
    """SQL of the hits of ``bound``: one scan for those that can be asked together.

    Probes whose guards read the same columns are, those of ranges and those of other
    conditions apart: their conditions see only the few rows that a guard lets through. So
    are probes over a relation of few rows. Each other probe scans for itself. A scan so
    touches hardly more than one column, and skips the blocks whose minimum and maximum rule
    a hit out, which the engine does not do where a range is one of several conditions. One
    scan for all guards would read every column whole and skip nothing: on a million events it
    takes twice as long, and one scan for all conditions ten times.
    """
    together: dict[tuple[str, frozenset[str], bool], list[tuple[Bound, str]]] = {}
    for item in bound:
        over, guard = item.probe.over, item.probe.guard
        when = _filled(item.probe.when, names, as_of, item.probe.field)
        if "SELECT" in when or (guard is None and over in SCANNED):
            yield (
                f"SELECT {item.number} AS probe, {RELATIONS[over].keys} "
                f"FROM {source_of(over, names)} WHERE {when} AND ({_any_of([guard])})"
            )
        else:
            kind = "catches" if over is Over.CATCHES else "events" if over in SCANNED else over
            read = columns_read("e|c", [_any_of([guard])])
            alike = (kind, frozenset(read), over in SCANNED and isinstance(guard, Outside))
            together.setdefault(alike, []).append((item, when))
    for asked in together.values():
        overs = {item.probe.over for item, _ in asked}
        # What is known of the neighbours is joined beside an event and takes none away.
        over = Over.NEIGHBOURS if Over.NEIGHBOURS in overs else overs.pop()
        guards = [item.probe.guard for item, _ in asked]
        hit = ", ".join(f"CASE WHEN {when} THEN {item.number} END" for item, when in asked)
        yield (
            f"SELECT unnest([{hit}]) AS probe, {RELATIONS[over].keys} "
            f"FROM {source_of(over, names)} WHERE {_any_of(guards)}"
        )


def _any_of(guards: Iterable[Outside | str | None]) -> str:
    """SQL: one of ``guards`` holds. Of all the bounds of a column only the tightest are asked."""
    lows: dict[str, dict[str, None]] = {}
    highs: dict[str, dict[str, None]] = {}
    conditions: dict[str, None] = {}
    for guard in guards:
        if isinstance(guard, Outside):
            for bound, bounds in ((guard.low, lows), (guard.high, highs)):
                if bound is not None:
                    bounds.setdefault(guard.column, {})[str(bound)] = None
        else:
            conditions[guard or "TRUE"] = None
    tightest = [f"{column} < greatest({', '.join(bounds)})" for column, bounds in lows.items()]
    tightest += [f"{column} > least({', '.join(bounds)})" for column, bounds in highs.items()]
    return " OR ".join([*tightest, *(f"({condition})" for condition in conditions)])


def _collect(
    con: duckdb.DuckDBPyConnection, bound: Iterable[Bound], names: Relations, as_of: dt.date
) -> None:
    """Append the hits of ``bound`` to ``rule_hits``."""
    scans = " UNION ALL ".join(_scans(bound, names, as_of))
    if "{" in scans:
        for name, value in extremes(con).items():
            scans = scans.replace(name, value)
    if scans:
        con.execute(f"INSERT INTO rule_hits FROM ({scans}) WHERE probe IS NOT NULL")


def _beside(con: duckdb.DuckDBPyConnection, few: Sequence[Bound], names: Relations) -> Relations:
    """The relations with only those events and catches that the relations of ``few`` name."""
    overs = {b.probe.over for b in few}
    return narrowed(
        con,
        names,
        [naming_rows(over, names) for over in sorted(overs)],
        [naming_rows(over, names) for over in sorted(overs & OF_CATCH)],
        [b.probe.when for b in few] + [str(b.probe.guard) for b in few if b.probe.guard],
        "rule_beside",
    )


def detect(
    con: duckdb.DuckDBPyConnection,
    network: Network,
    as_of: dt.date,
    names: Relations,
    bound: Sequence[Bound] | None = None,
    closing: bool = False,
) -> list[Bound]:
    """Fill temporary table ``rule_hits(probe, row_id, catch_id, taxon)``.

    Returns the probes, whose ``number`` the hits carry. Consequences are not yet
    silenced and column units not yet looked at; :func:`judge` does both. With ``closing``
    :func:`checks.closing.lay_out_past` may be called next.
    """
    bound = bind(network) if bound is None else list(bound)
    if not names.past:
        lay_out_none(con)
    con.execute(
        "CREATE OR REPLACE TEMP TABLE rule_hits (probe INTEGER, row_id BIGINT, "
        "catch_id BIGINT, taxon VARCHAR)"
    )
    tallying = [b.probe for b in bound if b.probe.over is Over.TALLIES]
    summed = [_filled(p.rows, names, as_of, p.field) for p in tallying if p.rows is not None]
    some = len(summed) == len(tallying)
    overs = {b.probe.over for b in bound}
    build_row_relations(con, names, overs, summed if some else None)
    _build_kinds(con, bound, names)
    if Over.WATER in overs:
        watery = (b.probe for b in bound if b.probe.over is Over.WATER)
        build_water(con, names.events, dict.fromkeys(
            _filled(p.rows, names, as_of, p.field) for p in watery if p.rows is not None))
    _collect(con, (b for b in bound if b.probe.over in SCANNED), names, as_of)
    few = [b for b in bound if b.probe.over in _ROW_PROBES - SCANNED]
    _collect(con, few, _beside(con, few, names), as_of)
    misdating, doubting = (
        ", ".join(str(b.number) for b in bound if b.rule.id in rules) or "NULL"
        for rules in (_MISDATING, _DOUBTING_CHECK)
    )
    con.execute(
        "CREATE OR REPLACE TEMP TABLE rule_misdated AS "
        f'SELECT row_id, bool_or(probe IN ({doubting})) AS "check" '
        f"FROM rule_hits WHERE probe IN ({misdating}) GROUP BY row_id"
    )
    series = [b for b in bound if b.probe.over is Over.SERIES]
    if series:
        conditions = [_filled(b.probe.when, names, as_of, b.probe.field) for b in series]
        build_series(con, names, "rule_misdated", conditions)
        sweep(con, "rule_twins")
        _collect(con, series, _beside(con, series, names), as_of)
    following = [b for b in bound if b.probe.over in _FOLLOWING]
    if following:
        _doubt(con, bound)
        asked: dict[Over, list[tuple[str, str]]] = {}
        for item in following:
            when = _filled(item.probe.when, names, as_of, item.probe.field)
            asked.setdefault(item.probe.over, []).append((item.probe.field, when))
        build_followers(con, names, asked, closing)
        _collect(con, following, _beside(con, following, names), as_of)
    return list(bound)


def _build_kinds(
    con: duckdb.DuckDBPyConnection, bound: Iterable[Bound], names: Relations
) -> None:
    build_kinds(con, names, dict.fromkeys(
        str(b.probe.guard or "TRUE") for b in bound if b.probe.over is Over.KINDS))


def _doubt(con: duckdb.DuckDBPyConnection, bound: Sequence[Bound]) -> None:
    """Lay out which rows and which values the rules so far doubt: nobody's neighbours.

    ``rule_doubted_rows``: rows whose time or identity is; ``rule_doubted(row_id, field)``.
    """
    def numbers(wanted: Iterable[Bound]) -> str:
        return ", ".join(str(b.number) for b in wanted) or "NULL"

    of_rows = [b for b in bound if b.rule.id in _DOUBTING_ROW]
    # Where readings disagree by the water's laws, which of them is wrong is told afterwards. The
    # temperature has its own days and neighbours to tell it by, and stays among them.
    of_values = [b for b in bound if b.probe.effect is not Effect.NOTE
                 and not (b.rule.pairs and b.probe.field == "water_temperature")]
    fields = ", ".join(f"({b.number}, '{b.probe.field}')" for b in of_values) or "(NULL, NULL)"
    con.execute("CREATE OR REPLACE TEMP TABLE rule_doubted_rows AS SELECT DISTINCT row_id "
                f"FROM rule_hits WHERE probe IN ({numbers(of_rows)})")
    con.execute("CREATE OR REPLACE TEMP TABLE rule_doubted AS SELECT DISTINCT row_id, field "
                f"FROM rule_hits JOIN (VALUES {fields}) p(probe, field) USING (probe)")


def _with_hits(
    con: duckdb.DuckDBPyConnection, fired: Sequence[Bound], names: Relations, as_of: dt.date
) -> Relations:
    """The relations with only the rows that have a hit, and of these what cases are made of."""
    asked = [_filled(sql, names, as_of, item.probe.field)
             for item in fired for sql in item.probe.facts.values()]
    names = build_local_medians(con, names, "rule_hits", asked)
    asked += [f"{alias}.{item.probe.field}" for item in fired for alias in "ec"
              if (FIELDS[item.probe.field].level is Level.EVENT) == (alias == "e")]
    asked += [f"e.{name}" for name in _EVENT_CASE] + [f"c.{name}" for name in _CATCH_CASE]
    return narrowed(con, names, ["rule_hits"], ["rule_hits"], asked, "rule_hit")


_EVENT_CASE = ("file_sha256", "sheet", "sheet_row", "water_sheet", "water_row", "event_id",
               "local_date", "site")
_CATCH_CASE = ("sheet", "sheet_row", "taxon", "life_stage")
"""Columns of an event and of a catch that every case has."""


def _cases(
    con: duckdb.DuckDBPyConnection, fired: Iterable[Bound], names: Relations, as_of: dt.date
) -> list[tuple[Bound, tuple[Any, ...]]]:
    """Value, place and facts of each hit, by probe and row.

    Probes over one relation are asked in one statement: planning it costs more than its rows.
    """
    alike: dict[tuple[Over, Level], list[Bound]] = {}
    for item in fired:
        alike.setdefault((item.probe.over, FIELDS[item.probe.field].level), []).append(item)
    out: list[tuple[Bound, tuple[Any, ...]]] = []
    for (over, level), items in alike.items():
        by_number = {item.number: item for item in items}
        out += [(by_number[number], tuple(hit)) for number, *hit in con.execute(
            _cases_sql(over, level, items, names, as_of)).fetchall()]
    return sorted(out, key=lambda case: case[0].number)


def _cases_sql(
    over: Over, level: Level, items: Sequence[Bound], names: Relations, as_of: dt.date
) -> str:
    """SQL of the cases of ``items``, all over one relation and of fields of one level."""

    def of_each(told: Callable[[Probe], str]) -> str:
        cases = " ".join(f"WHEN {item.number} THEN {told(item.probe)}" for item in items)
        return f"CASE hit.probe {cases} END"

    def facts(probe: Probe) -> str:
        named = ", ".join(f"'{name}', {_filled(sql, names, as_of, probe.field)}"
                          for name, sql in probe.facts.items())
        return f"json_object({named})"

    def value(probe: Probe) -> str:
        if FIELDS[probe.field].kind not in NUMERIC_KINDS:
            return "NULL::DOUBLE"
        if over is Over.ODDITIES and level is Level.CATCH:
            return (f"(SELECT k.{probe.field} FROM {names.catches} k "
                    "WHERE k.catch_id = o.catch_id)")
        if over in OF_CATCH and level is Level.CATCH:
            return f"c.{probe.field}"
        if over is not Over.CATCHES and level is Level.EVENT:
            return f"e.{probe.field}"
        return "NULL::DOUBLE"

    # Hits name their row; the relation is read again for these few rows only.
    keys = RELATIONS[over].same.replace("'{field}'", of_each(lambda probe: f"'{probe.field}'"))
    event = "v" if over is Over.CATCHES else "e"
    source = source_of(over, names)
    if over is Over.CATCHES:
        source += f" JOIN {names.events} v ON v.row_id = c.row_id"
    catch = "NULL, NULL"
    if over is Over.TALLIES and level is Level.CATCH:
        catch = "hit.taxon, NULL"
    where = f"{event}.sheet, {event}.sheet_row"
    if over in OF_CATCH:
        catch, where = "c.taxon, c.life_stage", "c.sheet, c.sheet_row"
    cell, raw = "NULL", "NULL"
    if over is Over.ODDITIES:
        where, cell, raw = "o.sheet, o.sheet_row", "o.cell", "o.raw"
    if over in (Over.ODDITIES, Over.CHANGES):
        catch = (
            f"(SELECT struct_pack(t := k.taxon, s := k.life_stage) FROM {names.catches} k "
            "WHERE k.catch_id = hit.catch_id)"
        )
        catch = f"{catch}.t, {catch}.s"
    numbers = ", ".join(str(item.number) for item in items)
    return (
        f"SELECT DISTINCT hit.probe, hit.row_id, hit.catch_id, {event}.file_sha256, {where}, "
        f"{event}.water_sheet, {event}.water_row, {catch}, {event}.event_id, {event}.site, "
        f"{event}.local_date, {of_each(value)}, {cell}, {raw}, {of_each(facts)} "
        f"FROM {source}, rule_hits hit WHERE hit.probe IN ({numbers}) AND {keys} "
        "ORDER BY 1, 2, 3"
    )


def judge(
    con: duckdb.DuckDBPyConnection,
    network: Network,
    site: str,
    as_of: dt.date,
    names: Relations,
    places: Sequence[Place],
    raw_text: RawText,
    file_names: dict[str, str],
) -> list[Finding]:
    """Findings of the whole catalogue on one site's rows, worst first, causes assigned.

    ``file_names``: sha256 -> name to show. Raises nothing for odd data; a fault in a
    rule's SQL surfaces as ``duckdb.Error``.
    """
    with _no_cycles_sought():
        found = _found(con, network, as_of, names, places, raw_text, file_names, site)
        sweep(con)
        return with_causes(found)


def judge_sites(
    con: duckdb.DuckDBPyConnection,
    network: Network,
    as_of: dt.date,
    names: Relations,
    places: Sequence[Place],
    raw_text: RawText,
    file_names: dict[str, str],
    closing: bool = False,
) -> dict[str, list[Finding]]:
    """As :func:`judge` of each site that the rows are of, in one pass over all of them.

    Planning some hundred statements costs more than a few sites' rows do. No file may be of two
    sites: rows are known by their file and place in it. Sites without findings are not named.
    With ``closing`` :func:`checks.closing.lay_out_past` may be called next.
    """
    by_site: dict[str, list[Finding]] = {}
    with _no_cycles_sought():
        found = _found(con, network, as_of, names, places, raw_text, file_names, None, closing)
        if not closing:
            sweep(con)
        for finding in found:
            by_site.setdefault(finding.site, []).append(finding)
        return {site: with_causes(found) for site, found in by_site.items()}


_pausing = threading.Lock()
_paused: list[bool] = []
"""Of each judgement under way, whether the collector ran when it began."""


@contextmanager
def _no_cycles_sought() -> Iterator[None]:
    """Python's collector paused: findings hold no cycles, and it would walk all of them often.

    A twentieth of the time that a million events take. It goes on when the last of several
    judgements at once has ended.
    """
    with _pausing:
        _paused.append(gc.isenabled())
        gc.disable()
    try:
        yield
    finally:
        with _pausing:
            ran = _paused.pop()
            if ran and not _paused:
                gc.enable()


def _found(
    con: duckdb.DuckDBPyConnection, network: Network, as_of: dt.date, names: Relations,
    places: Sequence[Place], raw_text: RawText, file_names: dict[str, str], site: str | None,
    closing: bool = False,
) -> list[Finding]:
    """Findings before causes; of ``site``, or where None each of the site its row is of."""
    bound = detect(con, network, as_of, names, closing=closing)
    counts = dict(con.execute("SELECT probe, count(*) FROM rule_hits GROUP BY 1").fetchall())
    fired = [item for item in bound if counts.get(item.number)]
    index: dict[tuple[str, str, str], list[Place]] = {}
    for place in places:
        index.setdefault((place.file_sha256, place.sheet, place.field), []).append(place)
    hit_rows = _with_hits(con, fired, names, as_of)
    hits: list[_Hit] = []
    for item, told in _cases(con, fired, hit_rows, as_of):
        hit = _hit(item, told, site, index, raw_text, file_names)
        if hit is not None:
            hits.append(hit)
    found = _without_unsure([_finding(hit, file_names) for hit in _without_consequences(hits)])
    return _with_tried_suggestions(con, found, bound, names, as_of)


_TRIED_OVER = frozenset({
    Over.EVENTS, Over.CATCHES, Over.KINDS, Over.NEIGHBOURS, Over.TALLIES, Over.WATER})
"""Relations of a row by itself, and of it beside the day and the site's usual."""


def _with_tried_suggestions(
    con: duckdb.DuckDBPyConnection, found: list[Finding], bound: Sequence[Bound],
    names: Relations, as_of: dt.date,
) -> list[Finding]:
    """Withdraw what is suggested where the row with it would still break a rule of rows.

    The site's usual and the neighbours stay those of the whole judgement. Rules that take the
    column's unit into account are not asked: what they suspect was read in no unit here.
    """
    if not lay_out_tried(con, names, found):
        return found
    tried = replace(TRIED, by_home=names.by_home)
    asked = [b for b in bound if b.probe.over in _TRIED_OVER and b.probe.keep is None
             and b.probe.effect is not Effect.NOTE]
    con.execute("TRUNCATE rule_hits")
    build_row_relations(con, tried, {Over.TALLIES}, None)
    _build_kinds(con, asked, tried)
    build_water(con, tried.events, [f"SELECT row_id FROM {tried.events}"])
    _collect(con, asked, tried, as_of)
    by_number = {b.number: b for b in asked}
    broken: dict[int, set[str]] = {}
    for number, row_id in con.execute("SELECT DISTINCT probe, row_id FROM rule_hits").fetchall():
        item = by_number[number]
        broken.setdefault(row_id, set()).update(
            map(_family, (item.probe.field, *item.rule.reads)))
    return [
        replace(finding, suggestion="", suggested="")
        if finding.suggested and _family(finding.field) in broken.get(finding.row_id or 0, ())
        else finding
        for finding in found
    ]


@dataclass(frozen=True, slots=True)
class _Hit:
    """A hit with all that is said of it, not yet put into words: these are dear, and most are few.

    ``row`` and ``cell`` are where a person finds the value, ``raw`` of ``case`` what stands there.
    """

    bound: Bound
    case: Case
    site: str
    file_sha256: str
    sheet: str
    row: int
    cell: str
    taxon: str
    life_stage: str
    event_id: str
    local_date: str
    cause: str
    row_id: int
    catch_id: int | None

    @property
    def rule(self) -> Rule:
        return self.bound.rule

    @property
    def field(self) -> str:
        return self.bound.probe.field


def _hit(
    item: Bound,
    told: tuple[Any, ...],
    site: str | None,
    index: dict[tuple[str, str, str], list[Place]],
    raw_text: RawText,
    file_names: dict[str, str],
) -> _Hit | None:
    """A row of :func:`_cases` with its place in the sheet; None where the probe lets it go."""
    (row_id, catch_id, sha, sheet, row, water_sheet, water_row, taxon, stage, event_id, of_site,
     local_date, value, cell, raw, facts_json) = told
    facts = json.loads(facts_json)
    field_id = item.probe.field
    stage = facts.pop("stage", None) or stage
    cause = facts.pop("cause", None)
    twin_file = facts.pop("twin_file", None)
    if twin_file is not None and twin_file != sha:
        facts["other_file"] = file_names.get(twin_file, "")
    place, at_sheet, at_row = _place(
        index,
        sha,
        field_id,
        sheet,
        row,
        water_sheet,
        water_row,
        taxon,
        stage,
        (lambda at, tab, number: not raw_text(sha, tab, number, at.column_index))
        if item.probe.stands_for is Flag.MISSING
        else None,
    )
    if place is not None and cell is None:
        cell = cell_name(at_row - 1, place.column_index, at_sheet)
        raw = raw_text(sha, at_sheet, at_row, place.column_index)
    case = Case(
        field=field_id,
        value=None if value is None else float(value),
        raw=raw or "",
        unit=None if place is None else place.unit,
        facts=facts | {"taxon": taxon, "life_stage": stage, "sheet": at_sheet},
    )
    if item.probe.keep is not None and not item.probe.keep(case):
        return None
    return _Hit(
        bound=item,
        case=case,
        site=of_site if site is None else site,
        file_sha256=sha,
        sheet=at_sheet,
        row=at_row,
        cell=cell or "",
        taxon=taxon or "",
        life_stage=stage or "",
        event_id=event_id or "",
        local_date="" if local_date is None else str(local_date),
        cause="" if cause is None else str(cause),
        row_id=row_id,
        catch_id=catch_id,
    )


def _finding(hit: _Hit, file_names: dict[str, str]) -> Finding:
    """A hit put into words, with what is suggested for it."""
    item, case = hit.bound, hit.case
    suggestion = item.rule.suggest(case) if item.rule.suggest is not None else None
    return Finding(
        site=hit.site,
        file=file_names.get(hit.file_sha256, ""),
        file_sha256=hit.file_sha256,
        sheet=hit.sheet,
        row=hit.row,
        cell=hit.cell,
        field=hit.field,
        rule=item.rule.id,
        effect=item.probe.effect,
        flag=item.probe.stands_for,
        value=case.raw,
        suggestion=suggestion.shown if suggestion else "",
        suggested=suggestion.canonical if suggestion else "",
        message=explain(
            item.rule, item.probe, case, item.limits, suggestion.message if suggestion else None
        ),
        event_id=hit.event_id,
        taxon=hit.taxon,
        life_stage=hit.life_stage,
        local_date=hit.local_date,
        row_id=hit.row_id,
        catch_id=hit.catch_id,
        qualifier=str(case.facts.get("qualifier") or ""),
        cause=hit.cause,
    )


_STANDS_IN = {
    "local_date": ("check_date", "set_date"),
    "set_time": ("set_date", "hours_fished", "check_time"),
    "set_date": ("set_time", "local_date"),
    "hours_fished": ("set_time", "check_time", "local_date", "check_date"),
    "hauls": ("local_date",),
    "net_status": ("count", "remarks"),
    "released": ("count",),
    "count": ("local_date",),
    "taxon": ("local_date",),
}
"""Where to point when a field has no column of its own in the sheet."""
_CLOCKS = frozenset({"set_time", "check_time"})


def _place(
    index: dict[tuple[str, str, str], list[Place]],
    sha: str,
    field_id: str,
    sheet: str,
    row: int,
    water_sheet: str | None,
    water_row: int | None,
    taxon: str | None,
    stage: str | None,
    blank: Callable[[Place, str, int], bool] | None,
) -> tuple[Place | None, str, int]:
    """The column that holds a value, and the sheet and 1-based row it stands in.

    With ``blank``, of a value that is wanting: a time beside it is pointed at only where it
    is blank too, for a time that stands there is not what is asked about.
    """
    home: tuple[str | None, int | None] = (sheet, row)
    beside = (water_sheet, water_row)
    stands_in = _STANDS_IN.get(field_id, ())
    # What a water tab may hold is looked for there next; the event's own affairs last.
    order = [(field_id, home)]
    if FIELDS[field_id].group in (Group.WATER, Group.WEATHER):
        order += [(field_id, beside)]
    order += [(name, home) for name in stands_in]
    order += [(name, beside) for name in (field_id, *stands_in)]
    for name, (at_sheet, at_row) in order:
        there = None if at_sheet is None else index.get((sha, at_sheet, name))
        if there is None or at_sheet is None or at_row is None:
            continue
        exact = [
            p for p in there
            if p.taxon is not None and p.taxon == taxon and stage in (None, p.life_stage)
        ]
        loose = [p for p in there if p.taxon is None or taxon is None]
        for place in (*exact, *loose):
            beside_it = name in _CLOCKS and name != field_id
            if blank is not None and beside_it and not blank(place, at_sheet, at_row):
                continue
            return place, at_sheet, at_row
    return None, sheet, row


def _without_consequences(hits: list[_Hit]) -> list[_Hit]:
    """Drop what a graver rule that hit the same value, or effort, of the row explains."""
    by_row: dict[int, set[tuple[str, str]]] = {}
    for hit in hits:
        named = _ROW if hit.rule.of_row else _family(hit.field)
        by_row.setdefault(hit.row_id, set()).add((hit.rule.id, named))
    kept: list[_Hit] = []
    seen: set[tuple[object, ...]] = set()
    for hit in hits:
        mine, there = hit.rule, by_row[hit.row_id]
        if len(there) > 1:
            doubted = {_ROW, _family(hit.field), *map(_family, mine.reads)}
            if any((rule, family) in there for rule in mine.yields_to for family in doubted):
                continue
        key = (hit.row_id, hit.catch_id, hit.taxon, hit.field, hit.rule.id)
        if key not in seen:
            seen.add(key)
            kept.append(hit)
    return kept


_DISAGREEING = frozenset({"oxygen-disagrees", "salinity-disagrees", "conductance-disagrees",
                          "unlike-neighbours"})
_NEAR_ROWS = 3


def _without_unsure(found: list[Finding]) -> list[Finding]:
    """Withdraw what is suggested where something else speaks against it.

    Two rules that would have one value otherwise, or one that has nothing to offer for it; and
    slips of the pen in rows near each other: then an instrument is off, not a pen.
    """
    offers: dict[tuple[object, ...], set[str]] = {}
    odd: dict[tuple[str, str, str], set[int]] = {}
    for finding in found:
        if finding.effect is not Effect.NOTE:
            offers.setdefault(_value(finding), set()).add(finding.suggested)
        if finding.rule in _DISAGREEING and finding.row is not None:
            odd.setdefault((finding.file_sha256, finding.sheet, finding.rule), set()).add(
                finding.row)

    def unsure(finding: Finding) -> bool:
        beside = odd.get((finding.file_sha256, finding.sheet, finding.rule), ())
        return len(offers[_value(finding)]) > 1 or any(
            0 < abs(row - (finding.row or 0)) <= _NEAR_ROWS for row in beside)

    return [
        replace(finding, suggestion="", suggested="")
        if finding.suggested and finding.effect is not Effect.NOTE and unsure(finding) else finding
        for finding in found
    ]


def _value(finding: Finding) -> tuple[object, ...]:
    return finding.row_id, finding.catch_id, finding.taxon, finding.field


_ROW = "the row"
"""The family of a rule that is about a row, which every field belongs to."""

_EFFORT = frozenset(
    {"set_date", "set_time", "check_date", "check_time", "hours_fished", "local_date"}
)
_COUNTS = frozenset(
    {
        "count",
        "released",
        "mortality",
        "kept",
        "net_status",
        "subsample_count",
        "subsample_volume",
        "total_volume",
    }
)


def _family(field_id: str) -> str:
    """Fields that tell of one thing: a fault in one explains oddities in the others."""
    if field_id in _EFFORT:
        return "effort"
    if field_id in _COUNTS:
        return "counts"
    return field_id
