"""From findings to questions: one question per cause, the gravest first."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from flows.returns import wording
from shared.fields import FIELDS
from shared.findings import Finding
from shared.flags import GRAVITY, Effect


class Answer(StrEnum):
    """What a lead may answer. The value is the wording in the workbook's list."""

    SUGGESTION = "use the suggestion"
    RIGHT = "it is right as written"
    MINE = "use my value"
    STRIKE = "strike the row"


CANNOT_STAND = frozenset({
    "missing-required", "not-understood", "not-in-list", "out-of-range", "count-negative",
    "count-fractional", "effort-missing", "set-after-check", "date-in-future",
    "date-unreadable",
})
"""Rules whose finding cannot be settled by saying that the cell is right as it is."""

ABOUT_THE_ROW = frozenset({
    "vanished-row", "duplicate-event", "copied-down", "wrong-site", "soak-overlap",
})
"""Rules that doubt whether the row should be there at all."""

_ROW_IS_GONE = "vanished-row"


_WAYS = {
    Answer.MINE: "tell us what it should be",
    Answer.RIGHT: "say that it is right",
    Answer.STRIKE: "strike the row",
}
"""How each answer is asked for where we have no suggestion."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One question to a lead; one answer settles all of its ``findings``.

    ``id`` is the findings' cause (a lone finding's own id), so it is the same again
    next week. ``count`` is the number of findings, ``rows`` of distinct rows they
    stand in (at least 1). ``first`` and ``last`` are local dates, None when unknown.
    ``suggestion`` is empty when we have none; ``answers`` are those that make sense.
    """

    id: str
    effect: Effect
    rule: str
    field: str
    title: str
    findings: tuple[Finding, ...]
    count: int
    rows: int
    first: dt.date | None
    last: dt.date | None
    where: str
    says: str
    message: str
    suggestion: str
    answers: tuple[Answer, ...]
    asked: dt.date | None = None
    """Since when it has been asked; None: it is new."""

    @property
    def dates(self) -> str:
        """The date or span of dates in words."""
        return wording.days(self.first, self.last)

    @property
    def files(self) -> tuple[str, ...]:
        """Names of the files the findings stand in."""
        return tuple(dict.fromkeys(item.file for item in self.findings))

    @property
    def advice(self) -> str:
        """The suggestion, or where we have none what to do instead; never empty."""
        if self.rule == _ROW_IS_GONE:
            return ("Moved, or left out on purpose? Strike the row: this line of it goes. Lost "
                    "by accident? 'Right as written' keeps it as you sent it before.")
        if self.suggestion:
            return self.suggestion
        ways = [_WAYS[answer] for answer in self.answers if answer in _WAYS]
        return f"Please {' or '.join([', '.join(ways[:-1]), ways[-1]] if ways[1:] else ways)}."


def gather(
    findings: Iterable[Finding], asked: Mapping[str, dt.date] | None = None,
    as_of: dt.date = dt.date.max,
) -> list[Ask]:
    """The questions that one site's ``findings`` come to, in the order to ask them.

    Longest open first (``asked``: finding -> first asked), then gravest effect first (hold,
    mask, query), then most rows, then oldest date. Notes are never asked. The order does
    not depend on that of ``findings``.
    """
    since = {} if asked is None else asked
    by_cause: dict[str, list[Finding]] = {}
    for item in findings:
        if item.effect is not Effect.NOTE:
            by_cause.setdefault(item.cause or item.id, []).append(item)
    asks = [
        replace(_ask(cause, members), asked=min(
            (since[item.id] for item in members if item.id in since), default=None))
        for cause, members in by_cause.items()]
    return sorted(asks, key=lambda ask: (min(ask.asked or as_of, as_of), _urgency(ask)))


def notes_among(findings: Iterable[Finding]) -> int:
    """How many of ``findings`` are notes: told as a number, never asked."""
    return sum(item.effect is Effect.NOTE for item in findings)


def _urgency(ask: Ask) -> tuple[int, int, dt.date, str, int, str]:
    first = ask.findings[0]
    return (GRAVITY.index(ask.effect), -ask.rows, ask.first or dt.date.max, first.sheet,
            first.row or 0, ask.id)


def _reading_order(item: Finding) -> tuple[str, str, int, int, str, str]:
    # Cell addresses of one row sort by length first: Z4 stands left of AA4.
    return item.file, item.sheet, item.row or 0, len(item.cell), item.cell, item.id


def _ask(cause: str, members: list[Finding]) -> Ask:
    ordered = tuple(sorted(members, key=_reading_order))
    effect = min((item.effect for item in ordered), key=GRAVITY.index)
    lead = next(item for item in ordered if item.effect is effect)
    titles = list(dict.fromkeys(wording.field_title(item) for item in ordered))
    dates = sorted(date for item in ordered if (date := wording.date_of(item)) is not None)
    places = {(item.file, item.sheet, item.row) for item in ordered}
    return Ask(
        id=cause, effect=effect, rule=lead.rule, field=lead.field,
        title=titles[0] if len(titles) == 1 else _common_title(ordered, titles),
        findings=ordered, count=len(ordered), rows=len(places),
        first=dates[0] if dates else None, last=dates[-1] if dates else None,
        where=wording.place(ordered), says=_says(ordered),
        message=wording.explanation((lead, *(f for f in ordered if f is not lead))),
        suggestion=wording.proposals(ordered), answers=_answers(ordered, effect),
    )


def _says(ordered: tuple[Finding, ...]) -> str:
    """What the sheet says; a finding that quotes no cell speaks of a row or more."""
    if any(item.value or item.cell for item in ordered):
        return wording.values(ordered)
    if ordered[0].rule == _ROW_IS_GONE:
        return "(no longer there)"
    return "(the row as a whole)" if ordered[0].row is not None else "(as a whole)"


def _common_title(ordered: tuple[Finding, ...], titles: list[str]) -> str:
    """Title of findings on several columns: the shared field, else the columns' titles."""
    fields = {item.field for item in ordered}
    if len(fields) == 1 and (entry := FIELDS.get(ordered[0].field)) is not None:
        return entry.title
    shown = [title for title in titles if title]
    return ", ".join(shown[:2]) + (" and others" if len(shown) > 2 else "")


def _answers(ordered: tuple[Finding, ...], effect: Effect) -> tuple[Answer, ...]:
    rules = {item.rule for item in ordered}
    fields = {item.field for item in ordered}
    sensible: list[Answer] = []
    if all(item.suggestion for item in ordered) and _ROW_IS_GONE not in rules:
        sensible.append(Answer.SUGGESTION)
    if not rules & CANNOT_STAND:
        sensible.append(Answer.RIGHT)
    one_field = len(fields) == 1 and fields <= FIELDS.keys() and _ROW_IS_GONE not in rules
    # One value typed by the lead can replace many cells only where those say the same.
    if one_field and len({item.value for item in ordered}) == 1:
        sensible.append(Answer.MINE)
    if all(item.row is not None for item in ordered) and (
        effect is Effect.HOLD or rules & ABOUT_THE_ROW
    ):
        sensible.append(Answer.STRIKE)
    if not sensible:
        sensible.append(Answer.MINE if one_field else Answer.RIGHT)
    return tuple(sensible)
