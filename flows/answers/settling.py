"""Answers become decisions, or are refused with a sentence.

What callers use: :func:`settle_answers`, with the site's findings as judged now and a way to
judge the rows again with decisions that are not yet recorded. Nothing is recorded here.

An answer is refused when the row, judged again with it, breaks a rule; it is a conflict when
the sheet has changed the value since it was asked about, or somebody decided otherwise; it is
there already when the same stands decided or the sheet says it by now.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache

from checks.catalogue import CATALOGUE
from flows.intake.cells import parse_date_text, settle
from flows.intake.columns import Setting, read_column
from flows.returns.gathering import CANNOT_STAND
from shared.decisions import Action, Answer, Channel, Decision, canonical_text
from shared.fields import FIELDS, Kind
from shared.findings import Finding
from shared.flags import Effect
from shared.settings import Network
from warehouse import decisions as kept
from warehouse.decisions import NothingToDecide, Overlay
from warehouse.held import site_findings
from warehouse.store import Warehouse

Rejudge = Callable[[Sequence[Decision]], tuple[list[Finding], Overlay]]
"""(decisions not recorded) -> the site's findings with them laid over, and what is in force."""

LastLoad = Callable[[], dict[str, Finding]]
"""The findings of the site's last load, by id; read when the first of them is wanted."""

_ROUNDS = 5


class Came(StrEnum):
    """What came of an answer."""

    APPLIED = "applied"
    REFUSED = "refused"
    CONFLICT = "conflict"
    ALREADY = "already"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one answer. ``decisions`` are to be recorded, where it is applied."""

    answer: Answer
    came: Came
    why: str = ""
    decisions: tuple[Decision, ...] = ()


@dataclass(slots=True)
class _Open:
    """An answer on its way."""

    answer: Answer
    decisions: list[Decision]
    came: Came = Came.APPLIED
    why: str = ""


def settle_answers(
    warehouse: Warehouse,
    network: Network,
    site_id: str,
    answers: Sequence[Answer],
    findings: Sequence[Finding],
    rejudge: Rejudge,
    *,
    as_of: dt.date,
    channel: Channel,
) -> list[Outcome]:
    """What comes of each of ``answers``, in their order.

    ``findings``: the site's, as judged now, settled ones among them. Judges the site's rows
    again, as often as answers break a rule, at most five times.
    """
    by_id: dict[str, Finding] = {}
    by_cause: dict[str, list[str]] = defaultdict(list)
    for finding in findings:
        by_id.setdefault(finding.id, finding)
        by_cause[finding.cause or finding.id].append(finding.id)
    before = kept.of_site(warehouse, site_id)

    @cache
    def last_load() -> dict[str, Finding]:
        return {finding.id: finding for finding in site_findings(warehouse, site_id)}

    underway = []
    for answer in answers:
        if answer.site != site_id:
            underway.append(_Open(answer, [], Came.REFUSED,
                                  f"It answers for {answer.site}, and came as {site_id}'s."))
            continue
        ids = answer.findings or tuple(
            by_cause.get(answer.about) or ([answer.about] if answer.about in by_id else [])
        ) or _as_asked(warehouse, site_id, answer.about)
        underway.append(_decided(
            warehouse, network, answer, ids, by_id, last_load, before, as_of, channel))
    _refuse_both_right(underway, before)
    refuse_breaches(underway, findings, rejudge)
    return [Outcome(item.answer, item.came, item.why,
                    tuple(item.decisions) if item.came is Came.APPLIED else ())
            for item in underway]


def _refuse_both_right(underway: Sequence[_Open], before: Sequence[Decision]) -> None:
    """Of two different rows for one event only one can be right as it is written."""
    right: dict[str, set[str]] = defaultdict(set)

    def said(decision: Decision) -> bool:
        return (decision.action is Action.CONFIRM and decision.rule == "duplicate-event"
                and not decision.field)

    for item in underway:
        for decision in item.decisions:
            if said(decision):
                right[decision.event_id].add(decision.new)
    for decision in before:
        if said(decision) and decision.event_id in right:
            right[decision.event_id].add(decision.new)
    for item in underway:
        if any(said(decision) and len(right[decision.event_id]) > 1
               for decision in item.decisions):
            item.came = Came.REFUSED
            item.why = ("The other row for the same net and time was said to be right too: strike "
                        "one, or give each its own time.")


def _as_asked(warehouse: Warehouse, site_id: str, about: str) -> tuple[str, ...]:
    """Findings that were asked about under ``about``: a question's id, or a finding's."""
    with warehouse.lock:
        rows = warehouse.connection.execute(
            "SELECT finding FROM asked WHERE site = ? AND (ask = ? OR finding = ?) ORDER BY seq",
            [site_id, about, about]).fetchall()
    return tuple(dict.fromkeys(str(row[0]) for row in rows))


def _decided(
    warehouse: Warehouse, network: Network, answer: Answer, ids: Sequence[str],
    by_id: dict[str, Finding], last_load: LastLoad, before: Sequence[Decision],
    as_of: dt.date, channel: Channel,
) -> _Open:
    """The decisions that ``answer`` comes to, before they are judged."""
    if not ids:
        return _Open(answer, [], Came.UNCLEAR, "We do not know the question it answers.")
    made: list[Decision] = []
    troubles: list[tuple[Came, str]] = []
    for finding_id in ids:
        finding = by_id.get(finding_id)
        if finding is None:
            left = _no_longer_asked(warehouse, answer, finding_id, last_load, before)
            if not isinstance(left, Finding):
                troubles.append(left)
                continue
            finding = left
        try:
            decision = _on(warehouse, network, answer, finding, as_of, channel)
            if isinstance(decision, Decision) and _as_written(decision, before):
                # Whoever writes down what the sheet has says that it is right.
                decision = _on(warehouse, network, replace(answer, action=Action.CONFIRM),
                               finding, as_of, channel)
        except NothingToDecide as problem:
            troubles.append((Came.REFUSED, f"{problem.what} {problem.remedy}"))
            continue
        if isinstance(decision, str):
            troubles.append((Came.REFUSED, decision))
        elif _stands(decision, before):
            troubles.append((Came.ALREADY, "It was decided so before."))
        elif not any(decision.says_the_same(other) for other in made):
            made.append(decision)
    if made:
        bad = next((why for came, why in troubles if came in (Came.REFUSED, Came.CONFLICT)), "")
        return _Open(answer, made, Came.APPLIED,
                     f"Not for all of its rows: {bad}" if bad else "")
    for came in (Came.CONFLICT, Came.REFUSED, Came.ALREADY):
        why = next((why for kind, why in troubles if kind is came), None)
        if why is not None:
            return _Open(answer, [], came, why)
    return _Open(answer, [], Came.UNCLEAR, "We do not know the question it answers.")


def _as_written(decision: Decision, before: Sequence[Decision]) -> bool:
    """Whether a correction gives what the sheet says, and undoes no other correction."""
    return decision.action is Action.CORRECT and decision.new == decision.old and not any(
        had.action is Action.CORRECT and had.channel is not Channel.RESEND
        and (had.event_id, had.field, had.taxon, had.life_stage, had.copy)
        == (decision.event_id, decision.field, decision.taxon, decision.life_stage,
            decision.copy)
        for had in before)


def _stands(decision: Decision, before: Sequence[Decision]) -> bool:
    """Whether the last word on the value is this one."""
    same = [had for had in before
            if (had.event_id, had.field, had.taxon, had.life_stage, had.copy)
            == (decision.event_id, decision.field, decision.taxon, decision.life_stage,
                decision.copy)
            and had.channel is not Channel.RESEND
            and (had.action is not Action.CONFIRM or decision.action is not Action.CONFIRM
                 or had.rule == decision.rule)]
    return bool(same) and same[-1].says_the_same(decision) and (
        decision.action is not Action.CONFIRM or same[-1].rule_version == decision.rule_version)


def _on(
    warehouse: Warehouse, network: Network, answer: Answer, finding: Finding, as_of: dt.date,
    channel: Channel,
) -> Decision | str:
    """The decision on one finding, or why there can be none."""
    value = ""
    if answer.action is Action.CONFIRM and finding.rule in CANNOT_STAND:
        return ("It cannot be right as it is written: tell us what it should be, or strike "
                "the row.")
    if answer.action is Action.CORRECT:
        if answer.value is None:
            if not finding.suggested:
                return "We had no suggestion for it."
            # What the lead saw is what the lead agreed to, in the unit and decimals shown.
            value = _as_shown(warehouse, network, finding)
        else:
            read = written_value(warehouse, network, finding, answer.value)
            if read is None:
                entry = FIELDS[finding.field]
                return (f'"{answer.value}" could not be read as {entry.title.lower()}.'
                        + (" Write the month as a word, such as 6 Apr 2026."
                           if entry.kind is Kind.DATE else ""))
            value = read
    return kept.decision_on(
        warehouse, network, finding, answer.action, value=value,
        reason=answer.note or _reason(answer), who=answer.who or finding.site, channel=channel,
        decided=as_of, rule_version=CATALOGUE[finding.rule].version)


def _as_shown(warehouse: Warehouse, network: Network, finding: Finding) -> str:
    """The suggestion as it was shown; where it cannot be read back, as it was meant."""
    shown = written_value(warehouse, network, finding, finding.suggestion)
    try:
        near = shown is not None and math.isclose(
            float(shown), float(finding.suggested), rel_tol=0.05, abs_tol=0.1)
    except ValueError:
        near = shown == finding.suggested
    return shown if near and shown is not None else finding.suggested


def _reason(answer: Answer) -> str:
    return {
        Action.CORRECT: "took the suggestion" if answer.value is None else "gave the value",
        Action.CONFIRM: "said that it is right as written",
        Action.WITHDRAW: "struck the row",
        Action.HOLD: "held", Action.RELEASE: "released",
    }[answer.action]


def written_value(
    warehouse: Warehouse, network: Network, finding: Finding, text: str
) -> str | None:
    """``text``, as a lead writes it in the unit of the finding's column, in canonical form.

    None when it cannot be read as a value of the field.
    """
    if finding.field not in FIELDS:
        return None
    entry = FIELDS[finding.field]
    with warehouse.lock:
        found = warehouse.connection.execute(
            "SELECT unit FROM staged_places WHERE site = $site AND file_sha256 = $sha "
            "AND field = $field AND (taxon IS NULL OR $taxon = '' OR taxon = $taxon) "
            "ORDER BY sheet = $sheet DESC, "
            "coalesce(life_stage, '') = $stage DESC, column_index LIMIT 1",
            {"site": finding.site, "sha": finding.file_sha256, "field": finding.field,
             "taxon": finding.taxon, "sheet": finding.sheet, "stage": finding.life_stage},
        ).fetchone()
    unit = str(found[0]) if found is not None and found[0] else None
    order = network.sites[finding.site].profile.date_order or ""
    if entry.kind is Kind.DATE and not order:
        order = _order_beside(warehouse, finding, text)
    read = read_column([text], entry, unit, Setting(order=order))
    if any(kind in ("not-understood", "not-in-list", "no-value") for _, kind, _ in read.odd):
        return None
    value = read.values[0]
    if value is None:
        return None
    return canonical_text(value)


_NEAR_DAYS, _FAR_DAYS = 10, 20
"""A date is read the way that has it so near the rows beside it, and the other way so far."""


def _order_beside(warehouse: Warehouse, finding: Finding, text: str) -> str:
    """Day or month first in ``text``, as the rows beside the finding's have it; else empty."""
    dated = parse_date_text(text)
    if dated is None or not dated.numeric:
        return ""
    with warehouse.lock:
        beside = [day for day, in warehouse.connection.execute(
            "SELECT local_date FROM staged_events WHERE site = ? AND file_sha256 = ? "
            "AND sheet = ? AND sheet_row <> ? AND local_date IS NOT NULL "
            "ORDER BY abs(sheet_row - ?), sheet_row LIMIT 6",
            [finding.site, finding.file_sha256, finding.sheet, finding.row, finding.row]
        ).fetchall()]
    if not beside:
        return ""
    usual = sorted(beside)[len(beside) // 2]
    away = {order: abs((day - usual).days) for order in ("dmy", "mdy")
            if (day := settle(dated, order)) is not None}
    near = [order for order, days in away.items() if days <= _NEAR_DAYS]
    far = all(days >= _FAR_DAYS for order, days in away.items() if order not in near)
    return near[0] if len(near) == 1 and far else ""


def _no_longer_asked(
    warehouse: Warehouse, answer: Answer, finding_id: str, last_load: LastLoad,
    before: Sequence[Decision],
) -> Finding | tuple[Came, str]:
    """A finding that no rule raises now, as it stood; or what to say of an answer to it.

    It stands where the row still says what it said when we asked: what it was held against may be
    back tomorrow (a clock that is set right, a neighbour's sheet), and the lead answered what was
    asked.
    """
    with warehouse.lock:
        row = warehouse.connection.execute(
            "SELECT event_id, field, taxon, life_stage, rule, old FROM asked "
            "WHERE site = ? AND finding = ? ORDER BY seq LIMIT 1",
            [answer.site, finding_id]).fetchone()
    if row is None:
        return Came.UNCLEAR, "We do not know the question it answers."
    event, field, taxon, stage, rule, old = (str(item) for item in row)
    since = [had for had in before if had.event_id == event
             and had.field in ("", field) and had.rule in ("", rule)
             and had.taxon in ("", taxon) and had.life_stage in ("", stage)]
    if not since:
        stood = last_load().get(finding_id)
        if stood is not None and kept.targets(
                warehouse, answer.site, [stood])[finding_id]["old"] == old:
            return stood
        return Came.CONFLICT, ("It was not being asked when your answer came: the sheet, or what "
                               "we hold it against, had changed.")
    last = since[-1]
    when = last.decided.isoformat()
    if last.channel is Channel.RESEND:
        if answer.action is Action.CORRECT and answer.value is not None and last.new in (
                answer.value, canonical_text(_number(answer.value))):
            return Came.ALREADY, "The sheet says it by now."
        if answer.action is Action.WITHDRAW and last.action is Action.WITHDRAW:
            return Came.ALREADY, "The row is gone from the sheet by now."
        return Came.CONFLICT, (f"The sheet has changed since we asked: it said {old or 'nothing'} "
                               f"and says {last.new or 'nothing'} by now.")
    if last.action is answer.action and (
            answer.value is None or last.new == answer.value):
        return Came.ALREADY, "It was decided so before."
    return Came.CONFLICT, (f"It was {last.action.done}"
                           + (f" to {last.new}" if last.action is Action.CORRECT else "")
                           + f" on {when} ({last.channel}).")


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


# -- judging again ---------------------------------------------------------------------------


def refuse_breaches(
    underway: Sequence[_Open], findings: Sequence[Finding], rejudge: Rejudge
) -> None:
    """Refuse those of ``underway`` whose row breaks a rule once they are laid over it."""
    known = {_mark(finding) for finding in findings
             if finding.effect in (Effect.HOLD, Effect.MASK)}
    for _ in range(_ROUNDS):
        going = [item for item in underway if item.came is Came.APPLIED]
        trying = [decision for item in going for decision in item.decisions]
        if not trying:
            return
        after, overlay = rejudge(trying)
        at: dict[Decision, tuple[int, int | None]] = {
            force.decision: (force.row_id, force.catch_id) for force in overlay.in_force}
        refused = False
        bad = [finding for finding in after if finding.effect in (Effect.HOLD, Effect.MASK)]
        blamed = _blamed(going, at, bad, known)
        for item in going:
            if id(item) in blamed:
                item.came, item.why = Came.REFUSED, blamed[id(item)]
                refused = True
            elif item.answer.action is not Action.RELEASE and not any(
                    decision in at for decision in item.decisions) and not _overruled(
                    item, trying, at):
                item.came = Came.CONFLICT
                item.why = "The sheet has changed there since we asked."
                refused = True
        if not refused:
            return
    for item in underway:
        if item.came is Came.APPLIED and item.answer.action is Action.CORRECT:
            item.came, item.why = Came.REFUSED, "It could not be settled with the others."


def _overruled(
    item: _Open, trying: Sequence[Decision], at: dict[Decision, tuple[int, int | None]]
) -> bool:
    """Whether another answer that came with it has the last word on its values."""
    mine = {(d.event_id, d.field, d.taxon, d.life_stage) for d in item.decisions}
    return any((d.event_id, d.field, d.taxon, d.life_stage) in mine
               for d in trying if d in at and d not in item.decisions)


_Mark = tuple[str, str, int | None, int | None]


def _mark(finding: Finding) -> _Mark:
    return finding.rule, finding.field, finding.row_id, finding.catch_id


def _blamed(
    going: Sequence[_Open], at: dict[Decision, tuple[int, int | None]],
    bad: Iterable[Finding], known: set[_Mark],
) -> dict[int, str]:
    """id of an answer -> what it breaks."""
    values: dict[tuple[int, str], list[tuple[_Open, int | None]]] = defaultdict(list)
    rows: dict[int, list[_Open]] = defaultdict(list)
    for item in going:
        for decision in item.decisions:
            if decision.action is Action.CORRECT and decision in at:
                row_id, catch_id = at[decision]
                values[row_id, decision.field].append((item, catch_id))
                rows[row_id].append(item)
    out: dict[int, str] = {}
    for finding in bad:
        if finding.row_id is None:
            continue
        mine = [item for item, catch_id in values[finding.row_id, finding.field]
                if catch_id is None or finding.catch_id in (None, catch_id)]
        if not mine and _mark(finding) not in known:
            mine = rows[finding.row_id]
        for item in mine:
            out.setdefault(id(item), f"With it, the row breaks a rule. {finding.message}")
    return out
