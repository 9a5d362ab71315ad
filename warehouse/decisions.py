"""Decisions in the warehouse: recorded, read, and laid over the rows before they are judged.

What callers use:

- :func:`append` records decisions (append-only, in ``record.jsonl`` and the database);
  :func:`of_site` and :func:`of_event` read them.
- :func:`decision_on` makes the decision that a person's word on a finding comes to: it
  looks up what the sheet says and which row it is. :func:`decision_at` does so for an event
  and a field that nobody asked about.
- :func:`lay_over`, after :func:`warehouse.lineage.lay_out`, applies the site's decisions to
  the rows laid out and tells which of them are in force.
- :func:`settle`, after judging, takes what was confirmed or released out of the questions.

The clean layer so stays a function of raw, decisions, dictionary and thresholds.

A decision is in force while the sheet still says what it said (``old``). Of several on one
value the last in force stands. Corrections that a site made by resending its sheet are
recorded and never laid over anything: the sheet already says them.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from shared.columnar import arriving, to_arrow
from shared.decisions import ROW, UNREAD, Action, Channel, Decision, canonical_text, value_of
from shared.fields import CATCH_FIELDS, EVENT_FIELDS, FIELDS, Level
from shared.findings import Finding
from shared.flags import GRAVITY, Effect, Flag
from shared.identity import event_id as identity
from shared.identity import short_digest, to_utc
from shared.problems import Problem
from shared.settings import Network
from shared.staging import CATCH_COLUMNS, EVENT_COLUMNS
from warehouse import record
from warehouse.store import Warehouse
from warehouse.tables import column_list, quoted

ABOUT_THE_ROW = frozenset({
    "vanished-row", "duplicate-event", "copied-down", "wrong-site", "soak-overlap",
})
"""Rules that doubt the row as a whole: what is confirmed to them is the whole row."""

CLOCK = frozenset({"local_date", "check_date", "check_time", "set_date", "set_time", "gear_unit"})
"""Fields from which an event's identity, its moments or its soak follow."""

_SHAPE = tuple(entry.id for entry in EVENT_FIELDS
               if entry.id not in CLOCK | {"site", "remarks"} and not entry.private)
_CATCH_SHAPE = tuple(entry.id for entry in CATCH_FIELDS if not entry.private)


class NothingToDecide(Problem, LookupError):
    """What a decision should be about is not there."""

    code = "nothing-to-decide"


# -- the record ----------------------------------------------------------------------------


def append(
    warehouse: Warehouse, decisions: Sequence[Decision],
    answers: Sequence[Mapping[str, Any]] = (),
) -> list[Decision]:
    """Record ``decisions`` in their order; the same with their place in the record.

    On the disk before this returns, whatever becomes of the caller's transaction. ``answers``
    are the record's lines of what they follow from: a stop leaves both there, or neither.
    """
    with warehouse.transaction():
        first = _last_seq(warehouse) + 1
        numbered = [replace(decision, seq=first + place)
                    for place, decision in enumerate(decisions)]
        rows = record.append_together(warehouse, {
            "decision": [_as_row(item) for item in numbered], "answer": answers})["decision"]
    return [replace(item, seq=int(row["seq"])) for item, row in zip(numbered, rows, strict=True)]


def _last_seq(warehouse: Warehouse) -> int:
    record.catch_up(warehouse)
    found = warehouse.connection.execute("SELECT coalesce(max(seq), 0) FROM decisions").fetchone()
    return int(found[0]) if found else 0


def _as_row(decision: Decision) -> dict[str, Any]:
    return {
        "id": decision.id, "site": decision.site, "event_id": decision.event_id,
        "taxon": decision.taxon, "life_stage": decision.life_stage, "field": decision.field,
        "action": decision.action.value, "old": decision.old, "new": decision.new,
        "becomes": decision.becomes, "copy": decision.copy, "reason": decision.reason,
        "who": decision.who, "channel": decision.channel.value, "decided": decision.decided,
        "rule": decision.rule, "rule_version": decision.rule_version,
    }


_COLUMNS = ("site", "event_id", "action", "field", "taxon", "life_stage", "old", "new", "becomes",
            "copy", "reason", "who", "channel", "decided", "rule", "rule_version", "seq")


def _read(warehouse: Warehouse, where: str, parameters: list[Any]) -> list[Decision]:
    with warehouse.lock:
        rows = warehouse.connection.execute(
            f"SELECT {column_list(list(_COLUMNS))} FROM decisions WHERE {where} ORDER BY seq",
            parameters).fetchall()
    out = []
    for row in rows:
        values = dict(zip(_COLUMNS, row, strict=True))
        values["action"] = Action(values["action"])
        values["channel"] = Channel(values["channel"])
        out.append(Decision(**values))
    return out


def of_site(warehouse: Warehouse, site_id: str) -> list[Decision]:
    """Every decision on the site's rows, in order."""
    return _read(warehouse, "site = ?", [site_id])


def of_event(warehouse: Warehouse, event_id: str) -> list[Decision]:
    """Every decision that names the event, under its own identity or as what one became."""
    return _read(warehouse, "event_id = ? OR becomes = ?", [event_id, event_id])


def work_states(warehouse: Warehouse, of_sites: str = "TRUE") -> dict[str, str]:
    """Site -> what changes whenever a decision that shapes its clean rows is recorded.

    ``of_sites``: SQL, which sites. Those without any decision are not named.
    """
    with warehouse.lock:
        return {site: f"{number}:{last}" for site, number, last in warehouse.connection.execute(
            "SELECT site, count(*), max(seq) FROM decisions "
            f"WHERE channel <> 'resend' AND {of_sites} GROUP BY site").fetchall()}


# -- making a decision ---------------------------------------------------------------------


def decision_on(
    warehouse: Warehouse, network: Network, finding: Finding, action: Action, *,
    value: str = "", reason: str, who: str, channel: Channel, decided: dt.date,
    rule_version: int = 1,
) -> Decision:
    """The decision that ``action`` on what ``finding`` speaks of comes to.

    ``value``: canonical text, for :attr:`Action.CORRECT`. Withdrawing, holding and
    releasing concern the whole row. Raises :class:`NothingToDecide` when the finding
    speaks of no row (a file as a whole), or the row is gone.
    """
    if finding.row_id is None:
        raise NothingToDecide("The question is about a file and not about a row.",
                              "Mend the file and send it again.", finding.file)
    whole = (action in (Action.WITHDRAW, Action.HOLD, Action.RELEASE)
             or (action is Action.CONFIRM and finding.rule in ABOUT_THE_ROW))
    return _decide(
        warehouse, network, finding.site, finding.row_id, finding.catch_id, action,
        "" if whole else finding.field, finding.taxon, finding.life_stage, value,
        Decision(finding.site, "", action, reason=reason, who=who, channel=channel,
                 decided=decided, rule=finding.rule,
                 rule_version=f"{rule_version} {finding.effect.value}"))


def decision_at(
    warehouse: Warehouse, network: Network, event_id: str, action: Action, *, field: str = "",
    taxon: str = "", life_stage: str = "", value: str = "", reason: str, who: str,
    channel: Channel, decided: dt.date,
) -> Decision:
    """The decision that ``action`` on an event's row, or one of its values, comes to.

    ``event_id`` is the event's identity in the clean table or in the sheet; ``field``
    empty: the whole row. Raises :class:`NothingToDecide` when there is no such row or
    value.
    """
    site_id = event_id.split(":")[0]
    with warehouse.lock:
        found = warehouse.connection.execute(
            "SELECT site, row_id FROM (SELECT site_id AS site, row_id, 0 AS rank "
            "FROM clean_events WHERE event_id = $id "
            "UNION ALL SELECT e.site, e.row_id, 1 FROM staged_events AS e "
            "JOIN row_account AS a ON a.site = e.site AND a.file_sha256 = e.file_sha256 "
            "AND a.sheet = e.sheet AND a.sheet_row = e.sheet_row "
            "WHERE e.event_id = $id OR a.event_id = $id) ORDER BY rank, row_id",
            {"id": event_id}).fetchall()
    if not found:
        raise NothingToDecide(f'No sheet of {site_id} has the event "{event_id}".',
                              "`tallyweir query` on the table events lists them.", event_id)
    site, row_id = found[0]
    if field in FIELDS and FIELDS[field].level is Level.CATCH:
        # Of the rows that were joined to one check, the one with the animal.
        row_id = next((other for _, other in found
                       if (row := staged_row(warehouse, site, other)) is not None
                       and row.catch_at(field, None, taxon, life_stage)[0] is not None), row_id)
    return _decide(
        warehouse, network, site, row_id, None, action, field, taxon, life_stage,
        value, Decision(site, "", action, reason=reason, who=who, channel=channel,
                        decided=decided))


def _decide(
    warehouse: Warehouse, network: Network, site: str, row_id: int, catch_id: int | None,
    action: Action, field_id: str, taxon: str, life_stage: str, value: str, begun: Decision,
) -> Decision:
    row_id = _rows_of_catches(warehouse, [catch_id]).get(catch_id, row_id)
    row = staged_row(warehouse, site, row_id)
    if row is None:
        raise NothingToDecide("The row is no longer in any sheet.", "Run, and look again.", "")
    shape = short_of(row)
    fields: dict[str, Any] = {"event_id": anchor_of(row, shape)}
    if not field_id:
        fields |= {"old": ROW + shape, "copy": _copy_of_row(warehouse, row, shape)}
        if action is Action.CONFIRM:
            fields["new"] = ROW + shape
        return replace(begun, **fields)
    if field_id not in FIELDS:
        raise NothingToDecide(f'"{field_id}" is no field.',
                              "Use a field id such as water_temperature.", str(row.event_id))
    if FIELDS[field_id].level is Level.CATCH:
        at, copy = row.catch_at(field_id, catch_id, taxon, life_stage)
        if at is None:
            raise NothingToDecide(
                f"The row has no place for {field_id} of {taxon or 'any animal'}.",
                "Name the taxon and life stage as the release has them.", str(row.event_id))
        fields |= {"taxon": at.values["taxon"] or "", "life_stage": at.values["life_stage"] or "",
                   "old": row.says(field_id, at), "copy": copy}
    else:
        fields |= {"old": row.says(field_id, None),
                   "copy": _copy_of_row(warehouse, row, shape)}
    fields["field"] = field_id
    if action is Action.CORRECT:
        try:
            value_of(value, field_id)
        except ValueError as error:
            raise NothingToDecide(
                f'"{value}" cannot stand as {FIELDS[field_id].title.lower()}.',
                "Give a value of the field's kind, in its canonical unit.",
                str(row.event_id)) from error
        fields["new"] = value
        if field_id in CLOCK:
            changed = _with_clock(row.values, field_id, value_of(value, field_id), network)
            if changed["event_id"] != row.event_id:
                fields["becomes"] = changed["event_id"] or ""
    elif action is Action.CONFIRM:
        fields["new"] = _standing_text(warehouse, begun.site, row, field_id, fields)
    return replace(begun, **fields)


def _rows_of_catches(
    warehouse: Warehouse, catches: Sequence[int | None]
) -> dict[int | None, int]:
    """Catch -> the row that it stands in in its sheet, which may be joined to another since."""
    ids = [catch for catch in catches if catch is not None]
    if not ids:
        return {}
    return dict(warehouse.connection.execute(
        "SELECT catch_id, row_id FROM staged_catches WHERE list_contains(?, catch_id)", [ids]
    ).fetchall())


def _standing_text(
    warehouse: Warehouse, site: str, row: SheetRow, field_id: str, fields: Mapping[str, Any]
) -> str:
    """What the value says with the corrections in force: that is what is confirmed."""
    said = str(fields["old"])
    for had in of_site(warehouse, site):
        if (had.action is Action.CORRECT and had.channel is not Channel.RESEND
                and had.field == field_id and had.old == fields["old"]
                and had.event_id == fields["event_id"]
                and had.taxon == fields.get("taxon", "")
                and had.life_stage == fields.get("life_stage", "")):
            said = had.new
    return said


def targets(
    warehouse: Warehouse, site_id: str, findings: Sequence[Finding]
) -> dict[str, dict[str, str]]:
    """Finding -> what a decision on it would name: event_id, field, taxon, life_stage, old."""
    with warehouse.lock:
        own = _rows_of_catches(warehouse, [item.catch_id for item in findings])
        of = {item.id: own.get(item.catch_id, item.row_id) for item in findings}
        ids = sorted({row_id for row_id in of.values() if row_id is not None})
        rows = {row.row_id: row for row in _rows(
            warehouse, "staged_events", "staged_catches", "staged_oddities",
            "site = ? AND list_contains(?, row_id)", [site_id, ids])}
    out: dict[str, dict[str, str]] = {}
    for item in findings:
        row = rows.get(of[item.id] or -1)
        said = {"event_id": item.event_id, "field": item.field, "taxon": item.taxon,
                "life_stage": item.life_stage, "old": item.value}
        if row is not None:
            shape = short_of(row)
            said["event_id"] = anchor_of(row, shape)
            if item.rule in ABOUT_THE_ROW or item.field not in FIELDS:
                said["old"] = ROW + shape
            elif FIELDS[item.field].level is Level.CATCH:
                at, _ = row.catch_at(item.field, item.catch_id, item.taxon, item.life_stage)
                said["old"] = row.says(item.field, at)
            else:
                said["old"] = row.says(item.field, None)
        out[item.id] = said
    return out


# -- rows as decisions see them --------------------------------------------------------------


@dataclass(slots=True)
class _Catch:
    catch_id: int
    values: dict[str, Any]
    changed: bool = False


@dataclass(slots=True)
class SheetRow:
    """An event's row with its catches and unreadable cells, as the sheet has it."""

    values: dict[str, Any]
    catches: list[_Catch]
    unread: dict[tuple[int | None, str], str]
    """(catch, field) -> the text of a cell that could not be read."""
    shape: str = ""
    raw: dict[str, Any] = field(default_factory=dict)
    changed: bool = False
    joined: SheetRow | None = None
    """The row of the same check that it belongs to, by its date or time as corrected."""

    @property
    def row_id(self) -> int:
        return int(self.values["row_id"])

    @property
    def event_id(self) -> str | None:
        found = self.values["event_id"]
        return None if found is None else str(found)

    def says(self, field_id: str, catch: _Catch | None) -> str:
        """Canonical text of what the sheet says."""
        value = (catch.values if catch else self.values).get(field_id)
        word = self.unread.get((catch.catch_id if catch else None, field_id))
        return UNREAD + word if value is None and word else canonical_text(value)

    def catch_at(
        self, field_id: str, catch_id: int | None, taxon: str, life_stage: str
    ) -> tuple[_Catch | None, int]:
        """The catch meant, and which of those alike it is."""
        if catch_id is None:
            fitting = [c for c in self.catches
                       if (not taxon or c.values["taxon"] == taxon)
                       and (not life_stage or c.values["life_stage"] == life_stage)]
            # A finding on fates names no catch where the sheet has them once a row.
            fitting = [c for c in fitting if c.values.get(field_id) is not None] or fitting
            if not fitting:
                return None, 1
            chosen = fitting[0]
        else:
            chosen = next(c for c in self.catches if c.catch_id == catch_id)
        said = self.says(field_id, chosen)
        alike = [c.catch_id for c in self.catches
                 if c.values["taxon"] == chosen.values["taxon"]
                 and c.values["life_stage"] == chosen.values["life_stage"]
                 and self.says(field_id, c) == said]
        return chosen, alike.index(chosen.catch_id) + 1


def short_of(row: SheetRow) -> str:
    """Digest of everything counted and measured in a row, without dates, times and remarks."""
    v = row.values
    catches = sorted(
        tuple(canonical_text(c.values.get(name)) for name in ("taxon", "life_stage",
                                                              *_CATCH_SHAPE))
        for c in row.catches
        if any(c.values.get(name) is not None for name in _CATCH_SHAPE
               if name not in ("taxon", "life_stage")))
    return short_digest(
        v["protocol"], [(name, canonical_text(v[name])) for name in _SHAPE if v[name] is not None],
        catches, sorted((name, text) for (_, name), text in row.unread.items()))


def anchor_of(row: SheetRow, shape: str) -> str:
    """How decisions name the row: its event, or for a row without a date what it says."""
    if row.event_id is not None:
        return row.event_id
    v = row.values
    return f"{v['site']}:{v['protocol']}:{v['gear_unit'] or ''}:undated:{shape}"


def _copy_of_row(warehouse: Warehouse, row: SheetRow, shape: str) -> int:
    """Which of the rows alike in identity and content this is, in sheet order."""
    others = warehouse.connection.execute(
        "SELECT row_id FROM staged_events WHERE site = ? AND file_sha256 = ? "
        "AND event_id IS NOT DISTINCT FROM ? AND row_id < ? ORDER BY row_id",
        [row.values["site"], row.values["file_sha256"], row.event_id, row.row_id]).fetchall()
    alike = 1
    for (other,) in others:
        found = staged_row(warehouse, str(row.values["site"]), int(other))
        alike += found is not None and short_of(found) == shape
    return alike


def staged_row(warehouse: Warehouse, site: str, row_id: int) -> SheetRow | None:
    """The row as its sheet has it, with its catches; None when no file has it."""
    rows = _rows(warehouse, "staged_events", "staged_catches", "staged_oddities",
                 f"site = ? AND row_id = {row_id}", [site])
    return rows[0] if rows else None


def _rows(
    warehouse: Warehouse, events: str, catches: str, oddities: str, where: str,
    parameters: list[Any],
) -> list[SheetRow]:
    connection = warehouse.connection
    names, catch_names = list(EVENT_COLUMNS), list(CATCH_COLUMNS)
    rows = {
        int(found[names.index("row_id")]): SheetRow(dict(zip(names, found, strict=True)), [], {})
        for found in connection.execute(
            f"SELECT {column_list(names)} FROM {events} WHERE {where} ORDER BY row_id",
            parameters).fetchall()
    }
    if not rows:
        return []
    mine = list(rows)
    for found in connection.execute(
        f"SELECT DISTINCT {column_list(catch_names)} FROM {catches} "
        "WHERE list_contains(?, row_id) ORDER BY catch_id", [mine]
    ).fetchall():
        values = dict(zip(catch_names, found, strict=True))
        rows[int(values["row_id"])].catches.append(_Catch(int(values["catch_id"]), values))
    for row_id, catch_id, name, raw in connection.execute(
        f"SELECT row_id, catch_id, field, raw FROM {oddities} WHERE list_contains(?, row_id) "
        "AND kind IN ('not-understood', 'not-in-list')", [mine]
    ).fetchall():
        rows[int(row_id)].unread[catch_id, name] = raw or ""
    return list(rows.values())


# -- laying decisions over the rows ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class InForce:
    """A decision in force and the row (and catch) it is on."""

    decision: Decision
    row_id: int
    catch_id: int | None = None


@dataclass(frozen=True, slots=True)
class Overlay:
    """What :func:`lay_over` did. ``lapsed``: decisions whose value the sheet has changed."""

    in_force: tuple[InForce, ...] = ()
    lapsed: tuple[Decision, ...] = ()

    def corrections(self) -> list[InForce]:
        """Corrected and withdrawn values: what the judged rows say otherwise than the sheet."""
        return [item for item in self.in_force
                if item.decision.field and item.decision.action is not Action.CONFIRM]


def lay_over(
    warehouse: Warehouse, site_id: str, network: Network, extra: Sequence[Decision] = ()
) -> Overlay:
    """Apply the site's decisions, then ``extra`` (not recorded), to the rows laid out.

    Corrected values are in ``judged_events`` and ``judged_catches`` afterwards, with the
    identity, moments and soak that follow from them; withdrawn rows are out and accounted
    for in ``judged_rows``; ``judged_decided``, ``judged_withdrawn`` and ``judged_held`` are
    filled. Needs :func:`warehouse.lineage.lay_out` for the same site just before.
    """
    decisions = [item for item in (*of_site(warehouse, site_id), *extra)
                 if item.channel is not Channel.RESEND and item.site == site_id]
    if not decisions:
        return Overlay()
    with warehouse.transaction() as connection:
        moved = dict(connection.execute(
            "SELECT event_id, becomes FROM judged_moved WHERE becomes IS NOT NULL").fetchall())
        named = {item.event_id for item in decisions} | {
            item.becomes for item in decisions if item.becomes}
        for event in list(named):
            named |= set(_chain(event, moved))
        rows = _rows(warehouse, "judged_events", "judged_catches", "judged_oddities",
                     "site = ? AND (event_id IS NULL OR list_contains(?, event_id))",
                     [site_id, sorted(named)])
        laying = _Laying(rows, moved, network)
        for decision in decisions:
            laying.apply(decision)
        laying.join()
        overlay = laying.overlay()
        _write_back(warehouse, rows, overlay)
    return overlay


def _chain(event: str, moved: Mapping[str, str]) -> Iterable[str]:
    seen = {event}
    while event in moved and moved[event] not in seen:
        event = moved[event]
        seen.add(event)
        yield event


_Key = tuple[int, int | None, str]
"""Row, catch and field; the field empty for the whole row."""


class _Laying:
    """Applies decisions one after the other."""

    def __init__(self, rows: list[SheetRow], moved: Mapping[str, str], network: Network) -> None:
        self.network = network
        self.moved = moved
        self.rows = rows
        self.by_id: dict[str, list[SheetRow]] = defaultdict(list)
        """Identity (in the sheet, and as corrected) -> rows."""
        self.standing: dict[_Key, InForce] = {}
        """The last correction, withdrawal, hold or release of each value and row."""
        self.confirmed: list[InForce] = []
        self.lapsed: list[Decision] = []
        for row in rows:
            row.shape = short_of(row)
            row.raw = dict(row.values)
            self.by_id[anchor_of(row, row.shape)].append(row)
        self.raw_catches = {
            c.catch_id: dict(c.values) for row in rows for c in row.catches}

    def apply(self, decision: Decision) -> None:
        found = self._whole(decision) if not decision.field else self._value(decision)
        if not found:
            self.lapsed.append(decision)

    def _named(self, event: str) -> list[SheetRow]:
        for name in (event, *_chain(event, self.moved)):
            if name in self.by_id:
                return self.by_id[name]
        return []

    def _whole(self, decision: Decision) -> bool:
        fitting = [row for row in self._named(decision.event_id)
                   if decision.action is Action.HOLD or ROW + row.shape == decision.old]
        if decision.copy > len(fitting):
            return False
        row = fitting[decision.copy - 1]
        item = InForce(decision, row.row_id)
        if decision.action is Action.CONFIRM:
            self.confirmed.append(item)
            # That the row is right also ends an earlier word that it should go.
            before = self.standing.get((row.row_id, None, ""))
            if before is not None and before.decision.action is Action.WITHDRAW:
                del self.standing[row.row_id, None, ""]
            return True
        self.standing[row.row_id, None, ""] = item
        return True

    def _value(self, decision: Decision) -> bool:
        entry = FIELDS.get(decision.field)
        if entry is None:
            return False
        fitting: list[tuple[SheetRow, _Catch | None]] = []
        for row in self._named(decision.event_id):
            if entry.level is Level.CATCH:
                fitting += [
                    (row, catch) for catch in row.catches
                    if (self.raw_catches[catch.catch_id]["taxon"] or "") == decision.taxon
                    and (self.raw_catches[catch.catch_id]["life_stage"] or "")
                    == decision.life_stage
                    and self._fits(decision, row, catch)]
            elif self._fits(decision, row, None):
                fitting.append((row, None))
        if not fitting:
            return False
        # A row or catch that was one of several alike may be the only one by now.
        row, at = fitting[min(decision.copy, len(fitting)) - 1]
        key = (row.row_id, at.catch_id if at else None, decision.field)
        item = InForce(decision, row.row_id, at.catch_id if at else None)
        if decision.action is Action.CONFIRM:
            self.confirmed.append(item)
        else:
            self.standing[key] = item
            value = (value_of(decision.new, decision.field)
                     if decision.action is Action.CORRECT else None)
            self._set(row, at, decision.field, value)
        return True

    def _fits(self, decision: Decision, row: SheetRow, catch: _Catch | None) -> bool:
        raw = self.raw_catches[catch.catch_id] if catch else row.raw
        word = row.unread.get((catch.catch_id if catch else None, decision.field))
        value = raw.get(decision.field)
        said = UNREAD + word if value is None and word else canonical_text(value)
        if decision.action is Action.CONFIRM:
            now = canonical_text((catch.values if catch else row.values).get(decision.field))
            return decision.new in (said, now)
        return said == decision.old

    def _set(self, row: SheetRow, catch: _Catch | None, field_id: str, value: object) -> None:
        if catch is not None:
            catch.values[field_id] = value
            catch.changed = True
            return
        if field_id in CLOCK:
            row.values |= _with_clock(row.values, field_id, value, self.network)
            name = anchor_of(row, row.shape)
            if row not in self.by_id[name]:
                self.by_id[name].append(row)
        else:
            row.values[field_id] = value
        row.changed = True

    def join(self) -> None:
        """Join rows of one check that a long sheet has apart because a date was wrong.

        As the reading of a sheet joins them: same table, same check, each for other animals.
        Rows that say otherwise of the check itself stay two, and a rule asks about them.
        """
        checks: dict[tuple[str, str, str], list[SheetRow]] = defaultdict(list)
        for row in self.rows:
            # What is decided of a whole row is decided of that row alone.
            if row.event_id is not None and row.catches and (
                    (row.row_id, None, "") not in self.standing):
                checks[row.values["file_sha256"], row.values["sheet"], row.event_id].append(row)
        for rows in checks.values():
            if not any(row.changed for row in rows):
                continue
            heads: list[SheetRow] = []
            for row in rows:
                head = next((head for head in heads if _belongs(row, head)), None)
                if head is None:
                    heads.append(row)
                else:
                    _join(row, head)

    def overlay(self) -> Overlay:
        """What is in force, by row."""
        joined = {row.row_id: row.joined.row_id for row in self.rows if row.joined is not None}
        items = [replace(item, row_id=joined.get(item.row_id, item.row_id))
                 for item in (*self.standing.values(), *self.confirmed)]
        return Overlay(
            tuple(sorted(items, key=lambda item: (item.row_id, item.catch_id or 0,
                                                  item.decision.seq, item.decision.field))),
            tuple(self.lapsed))


_OF_ITS_OWN = frozenset({"row_id", "sheet_row", "content", "hours_stated", "count_columns"})
"""What a row has to itself, and no word on the check."""


def _belongs(row: SheetRow, head: SheetRow) -> bool:
    animals, others = (
        {(catch.values["taxon"], catch.values["life_stage"]) for catch in one.catches}
        for one in (row, head))
    return not animals & others and all(
        value is None or head.values[name] is None or value == head.values[name]
        for name, value in row.values.items() if name not in _OF_ITS_OWN)


def _join(row: SheetRow, head: SheetRow) -> None:
    row.joined = head
    head.values |= {name: value for name, value in row.values.items()
                    if head.values[name] is None}
    head.unread |= row.unread
    head.changed = True
    for catch in row.catches:
        catch.values["row_id"] = head.row_id
        catch.changed = True
    head.catches += row.catches


def _with_clock(
    values: Mapping[str, Any], field_id: str, value: object, network: Network
) -> dict[str, Any]:
    """What follows in a row when one of its dates, times or its net is ``value``."""
    out = dict(values)
    had = out[field_id]
    out[field_id] = value
    if field_id == "local_date" and out["check_date"] in (had, None):
        out["check_date"] = value
    if field_id == "check_date" and out["local_date"] in (had, None):
        out["local_date"] = value
    zone = network.sites[str(out["site"])].zone
    date, time = out["local_date"], out["check_time"]
    out["checked_at"] = (dt.datetime.combine(out["check_date"], time)
                         if out["check_date"] is not None and time is not None else None)
    out["set_at"] = _set_moment(out)
    for name in ("set_at", "checked_at"):
        moment = out[name]
        out[f"{name}_utc"] = None if moment is None else to_utc(moment, zone)
    both = out["set_at_utc"], out["checked_at_utc"]
    out["soak_hours"] = (None if None in both
                         else round((both[1] - both[0]).total_seconds() / 3600, 9))
    out["season"] = None if date is None else network.season_of(date)
    protocol = str(out["protocol"])
    out["event_id"] = (None if date is None else identity(
        str(out["site"]), protocol, out["gear_unit"] or _default_gear(network, out), date, time))
    return out


def _default_gear(network: Network, values: Mapping[str, Any]) -> str:
    from shared.protocol import protocols

    site = network.sites[str(values["site"])]
    return site.gear_units(protocols()[str(values["protocol"])])[0]


def _set_moment(values: Mapping[str, Any]) -> dt.datetime | None:
    """When the net was set: a time without a date is the last such time before the check."""
    time, date, checked = values["set_time"], values["set_date"], values["checked_at"]
    if time is None:
        return None
    if date is not None:
        return dt.datetime.combine(date, time)
    if checked is None:
        return None
    moment = dt.datetime.combine(checked.date(), time)
    return moment if moment < checked else moment - dt.timedelta(days=1)


def _write_back(warehouse: Warehouse, rows: list[SheetRow], overlay: Overlay) -> None:
    connection = warehouse.connection
    for table, columns, key, changed in (
        ("judged_events", EVENT_COLUMNS, "row_id",
         [row.values for row in rows if row.changed]),
        ("judged_catches", CATCH_COLUMNS, "catch_id",
         [catch.values for row in rows for catch in row.catches if catch.changed]),
    ):
        if not changed:
            continue
        arrow = to_arrow({name: [values[name] for values in changed] for name in columns},
                         dict(columns))
        with arriving(connection, arrow) as corrected:
            setting = ", ".join(f"{quoted(name)} = v.{quoted(name)}" for name in columns
                                if name != key)
            connection.execute(f"UPDATE {table} SET {setting} FROM {corrected} AS v "
                               f"WHERE {table}.{key} = v.{key}")
    joined = [(row.row_id, row.joined.row_id) for row in rows if row.joined is not None]
    for row_id, head in joined:
        connection.execute("DELETE FROM judged_events WHERE row_id = ?", [row_id])
        for table in ("judged_rows", "judged_oddities"):
            connection.execute(
                f"UPDATE {table} SET row_id = ? WHERE row_id = ?", [head, row_id])
    answered = [(item.row_id, item.catch_id, item.decision.field)
                for item in overlay.corrections()]
    if answered:
        # What was odd about a cell is settled by a value in its place.
        connection.execute("CREATE OR REPLACE TEMP TABLE answered_cells "
                           "(row_id BIGINT, catch_id BIGINT, field VARCHAR)")
        connection.executemany("INSERT INTO answered_cells VALUES (?, ?, ?)", answered)
        connection.execute(
            "DELETE FROM judged_oddities AS o WHERE EXISTS (FROM answered_cells AS a "
            "WHERE a.row_id = o.row_id AND a.field = o.field "
            "AND a.catch_id IS NOT DISTINCT FROM o.catch_id)")
    decided = sorted({(item.row_id, item.catch_id) for item in overlay.in_force},
                     key=lambda pair: (pair[0], pair[1] or 0))
    if decided:
        connection.executemany("INSERT INTO judged_decided VALUES (?, ?)", decided)
    for action, table in ((Action.WITHDRAW, "judged_withdrawn"), (Action.HOLD, "judged_held")):
        said = [
            (item.row_id,
             f"{'withdrawn' if action is Action.WITHDRAW else 'held by decision'}: "
             f"{item.decision.reason or 'no reason given'}")
            for item in overlay.in_force
            if item.decision.action is action and not item.decision.field]
        if said:
            connection.executemany(f"INSERT INTO {table} VALUES (?, ?)", said)
    for table in ("judged_events", "judged_catches", "judged_oddities"):
        connection.execute(
            f"DELETE FROM {table} WHERE row_id IN (SELECT row_id FROM judged_withdrawn)")
    connection.execute(
        "UPDATE judged_rows SET skipped = w.why FROM judged_withdrawn AS w "
        "WHERE judged_rows.row_id = w.row_id")


def set_apart(warehouse: Warehouse, findings: Sequence[Finding]) -> list[Finding]:
    """``findings``, those told apart that differ in nothing but the row they stand on.

    Two rows for one net on one day are asked about one by one: to strike one is not to
    strike both.
    """
    rows: dict[str, set[int | None]] = defaultdict(set)
    for item in findings:
        rows[item.id].add(item.row_id)
    out = []
    for item in findings:
        if len(rows[item.id]) > 1 and item.row_id is not None:
            row = staged_row(warehouse, item.site, item.row_id)
            assert row is not None
            shape = short_of(row)
            copy = _copy_of_row(warehouse, row, shape)
            apart = replace(item, apart=f"{shape}:{copy}")
            item = replace(apart, cause=apart.id) if item.cause in ("", item.id) else apart
        out.append(item)
    return out


# -- after judging ------------------------------------------------------------------------------


def settle(
    findings: Sequence[Finding], overlay: Overlay, versions: Mapping[str, int]
) -> list[Finding]:
    """``findings`` with those that a decision settles turned into notes, order kept.

    A confirmation settles what its rule says of its value, as long as the rule's version is
    the same (``versions``: rule -> version now) and it does not say something graver than
    what was confirmed. A release settles whatever holds its row.
    """
    confirmed: dict[tuple[int, str, str], list[InForce]] = defaultdict(list)
    released: set[int] = set()
    for item in overlay.in_force:
        if item.decision.action is Action.CONFIRM:
            confirmed[item.row_id, item.decision.rule, item.decision.field].append(item)
        elif item.decision.action is Action.RELEASE:
            released.add(item.row_id)
    out = []
    for finding in findings:
        row = finding.row_id
        word = ""
        if row is not None and finding.effect is not Effect.NOTE:
            if row in released and finding.effect is Effect.HOLD:
                word = "released"
            elif any(_covers(item, finding, versions) for name in (finding.field, "")
                     for item in confirmed.get((row, finding.rule, name), ())):
                word = "confirmed"
        if word:
            finding = replace(finding, effect=Effect.NOTE, flag=Flag.PASS, settled=word)
        out.append(finding)
    return out


def _covers(item: InForce, finding: Finding, versions: Mapping[str, int]) -> bool:
    decision = item.decision
    version, _, effect = decision.rule_version.partition(" ")
    if version and int(version) != versions.get(finding.rule, 1):
        return False
    if effect and GRAVITY.index(finding.effect) < GRAVITY.index(Effect(effect)):
        return False
    if item.catch_id is not None and finding.catch_id is not None:
        return item.catch_id == finding.catch_id
    return (not finding.taxon or not decision.taxon or finding.taxon == decision.taxon) and (
        not finding.life_stage or not decision.life_stage
        or finding.life_stage == decision.life_stage)


def lapsed_words(overlay: Overlay) -> Counter[str]:
    """How many decisions of each action no longer apply, because the sheet says otherwise."""
    return Counter(item.action.value for item in overlay.lapsed)
