"""Our workbook come back: what was answered on each line, however it was renamed or re-saved.

The hidden sheet tells which findings stand behind a line; where a program has dropped it (a
csv, a phone), the line's own reference does. Lines are known by their reference or number,
never by where they stand, so that a sorted or filtered sheet says the same.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from flows.intake.reading import cell_text
from flows.returns.gathering import Answer as Choice
from flows.returns.workbook import (
    ANSWER_HEADINGS,
    MARK,
    NOT_NEEDED,
    REF_HEADING,
    REF_MARK,
    SEARCHED,
)
from shared.decisions import Action, Answer
from shared.identity import short_digest
from shared.sheets import Cell, Sheet, Workbook

_WORDS: dict[Choice, frozenset[str]] = {
    Choice.SUGGESTION: frozenset({
        "use the suggestion", "suggestion", "use suggestion", "use your suggestion", "agreed",
        "accept", "as suggested", "your suggestion"}),
    Choice.RIGHT: frozenset({
        "it is right as written", "right as written", "right", "correct", "ok", "it is right",
        "is right", "correct as written", "confirm", "confirmed", "as written", "yes it is right",
        "keep", "leave as is"}),
    Choice.MINE: frozenset({"use my value", "my value", "use mine", "mine", "changed"}),
    Choice.STRIKE: frozenset({
        "strike the row", "strike", "delete", "delete the row", "remove", "remove the row",
        "strike row", "delete row", "remove row"}),
}
"""What people type where the list does not open."""

_OF_WORD = {word: choice for choice, words in _WORDS.items() for word in words}

ACTIONS = {Choice.SUGGESTION: Action.CORRECT, Choice.MINE: Action.CORRECT,
           Choice.RIGHT: Action.CONFIRM, Choice.STRIKE: Action.WITHDRAW}


@dataclass(frozen=True, slots=True)
class Line:
    """One line that holds anything. ``answer`` is None where it is not clear, ``why`` says so."""

    key: str
    """The same whenever the same is answered to the same question of the same workbook."""
    ask: str
    says: str
    answer: Answer | None
    why: str = ""
    note: str = ""
    who: str = ""


@dataclass(frozen=True, slots=True)
class Returned:
    """A workbook that came back. ``site`` is empty where its hidden sheet is gone."""

    site: str
    as_of: str
    lines: tuple[Line, ...]


def read_answers(workbook: Workbook, site_id: str) -> Returned:
    """What ``workbook`` (see :func:`flows.returns.workbook.holds_answers`) answers.

    Lines on which nothing was filled in are left out.
    """
    facts, members = _about(workbook)
    site = facts.get("site", "")
    found: dict[str, list[Line]] = defaultdict(list)
    for sheet in workbook.sheets:
        head = _headings(sheet)
        if head is None:
            continue
        row, columns = head
        for cells in sheet.rows[row + 1:]:
            line = _line(cells, columns, facts, members, site or site_id)
            if line is not None:
                found[line.ask].append(line)
    lines = []
    for told in found.values():
        if len({line.key for line in told}) > 1:
            said = " and ".join(f'"{line.says}"' for line in told)
            lines.append(_unclear(told[0], f"The line is there twice and says {said}."))
        else:
            lines.append(told[0])
    return Returned(site, facts.get("as_of", ""), tuple(lines))


def _unclear(line: Line, why: str) -> Line:
    return Line(line.key, line.ask, line.says, None, why, line.note, line.who)


def _about(workbook: Workbook) -> tuple[dict[str, str], dict[str, tuple[str, tuple[str, ...]]]]:
    """Facts of the hidden sheet, and No. -> (question, its findings)."""
    for sheet in workbook.sheets:
        texts = [[cell_text(cell).strip() for cell in row] for row in sheet.rows]
        begin = next((n for n, row in enumerate(texts) if row[:2] == ["what", MARK]), None)
        if begin is None:
            continue
        facts: dict[str, str] = {}
        asks: dict[str, tuple[str, list[str]]] = {}
        for row in texts[begin:]:
            if len(row) > 3 and row[2] and row[0] not in ("", "no"):
                asks.setdefault(_number(row[0]), (row[2], []))[1].append(row[3])
            elif len(row) > 1 and row[0] and (len(row) < 3 or not row[2]):
                facts[row[0]] = row[1]
        return facts, {no: (ask, tuple(ids)) for no, (ask, ids) in asks.items()}
    return {}, {}


def _number(text: str) -> str:
    return text.removesuffix(".0")


def _headings(sheet: Sheet) -> tuple[int, dict[str, int]] | None:
    for number, row in enumerate(sheet.rows[:SEARCHED]):
        texts = {cell_text(cell).strip(): place for place, cell in enumerate(row)}
        if set(ANSWER_HEADINGS) <= set(texts):
            return number, texts
    return None


def _line(
    cells: Sequence[Cell], columns: dict[str, int], facts: dict[str, str],
    members: dict[str, tuple[str, tuple[str, ...]]], site: str,
) -> Line | None:
    def cell(heading: str) -> Cell:
        place = columns.get(heading)
        return cells[place] if place is not None and place < len(cells) else None

    def text(heading: str) -> str:
        return " ".join(cell_text(cell(heading)).split())

    number, ref = _number(text("No.")), text(REF_HEADING).removeprefix(REF_MARK)
    ask, findings = members.get(number, ("", ()))
    if ref and ask != ref:
        ask, findings = next(((known, ids) for known, ids in members.values() if known == ref),
                             (ref, ()))
    says, value = text("Your answer"), _value_text(cell("Your value"))
    if value == NOT_NEEDED:
        value = ""
    note, who = text("Note"), text("Answered by")
    if not (says or value or note):
        return None
    key = short_digest("line", site, facts.get("as_of", ""), ask or number, says.lower(), value)
    line = Line(key, ask, _said(says, value), None, "", note, who)
    if not ask:
        return _unclear(line, "We could not tell which question the line answers.")
    choice = _choice(says)
    if choice is None and says:
        return _unclear(line, f'We did not understand the answer "{says}".')
    if choice is None and not value:
        return _unclear(line, "There is a note and no answer.")
    if choice is None or (choice is Choice.MINE and value):
        answer = Answer(site, ask, Action.CORRECT, value, note, who, findings)
        return Line(key, ask, line.says, answer, "", note, who)
    if choice is Choice.MINE:
        return _unclear(line, f'It says "{Choice.MINE}" and gives none.')
    if value:
        return _unclear(line, f'It says "{says}" and gives the value {value} as well.')
    answer = Answer(site, ask, ACTIONS[choice], None, note, who, findings)
    return Line(key, ask, line.says, answer, "", note, who)


def _said(says: str, value: str) -> str:
    return f"{says}: {value}" if says and value else says or value


def _value_text(cell: Cell) -> str:
    """A value as a person would type it: a date without its midnight, a time without seconds."""
    if isinstance(cell, dt.datetime):
        return (cell.date().isoformat() if cell.time() == dt.time(0)
                else cell.isoformat(sep=" ", timespec="minutes"))
    if isinstance(cell, dt.time):
        return cell.isoformat(timespec="minutes")
    if isinstance(cell, dt.timedelta):
        minutes = round(cell.total_seconds() / 60)
        return f"{minutes // 60:02d}:{minutes % 60:02d}"
    return " ".join(cell_text(cell).split())


def _choice(says: str) -> Choice | None:
    words = " ".join(says.lower().replace("'", "").replace(".", " ").split())
    if words in _OF_WORD:
        return _OF_WORD[words]
    near = get_close_matches(words, list(_OF_WORD), n=1, cutoff=0.85)
    return _OF_WORD[near[0]] if near else None
