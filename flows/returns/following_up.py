"""Following up: how long a question has been open, and what came of the answers to others."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from flows.returns import wording
from flows.returns.gathering import Ask, gather
from shared.flags import Effect
from warehouse import decisions, record
from warehouse.held import findings_of
from warehouse.lineage import named
from warehouse.store import Warehouse

LONG_DAYS = 21
"""A question open for so long is shown to the coordinator."""

_REASONS = 2
"""Reasons told of answers whose question is closed; the others stand with their question."""


def open_questions(warehouse: Warehouse, site_id: str, as_of: dt.date) -> list[Ask]:
    """The site's open questions: oldest first, then gravest first.

    Each knows since when it has been asked, and an answer to it that was not taken stands
    before its message with the reason.
    """
    return open_questions_of(warehouse, [site_id], as_of).get(site_id, [])


def open_questions_of(
    warehouse: Warehouse, site_ids: Sequence[str], as_of: dt.date
) -> dict[str, list[Ask]]:
    """As :func:`open_questions` of each of ``site_ids`` that has any, asked all at once."""
    if not site_ids:
        return {}
    these = named(site_ids)
    since: dict[str, dict[str, dt.date]] = defaultdict(dict)
    same: dict[str, dict[str, str]] = defaultdict(dict)
    refused: dict[str, dict[str, str]] = defaultdict(dict)
    with warehouse.lock:
        for site, finding, first, ask in warehouse.connection.execute(
            f"SELECT site, finding, min(first_asked), max_by(ask, seq) FROM asked WHERE {these} "
            "GROUP BY site, finding").fetchall():
            since[site][finding] = first
            same[site][finding] = ask
        for site, ask, why in warehouse.connection.execute(
            f"SELECT site, ask, max_by(why, seq) FROM answers WHERE {these} GROUP BY site, ask "
            "HAVING max_by(outcome, seq) IN ('refused', 'conflict', 'unclear') "
            "OR (max_by(outcome, seq) = 'applied' AND max_by(why, seq) <> '')").fetchall():
            refused[site][ask] = why
    found = findings_of(warehouse, site_ids)
    return {site: _asks(gather(of_site, since[site], as_of), same[site], refused[site])
            for site, of_site in found.items()}


def _asks(
    asks: Sequence[Ask], same: Mapping[str, str], refused: Mapping[str, str]
) -> list[Ask]:
    out = []
    for ask in asks:
        # A sheet sent again gives a cause another id; its findings are the same.
        names = [ask.id, *(same[item.id] for item in ask.findings if item.id in same)]
        why = next((refused[name] for name in names if name in refused), "")
        if why:
            ask = replace(ask, message=f"Your answer could not be used: {why} {ask.message}")
        out.append(ask)
    return out


def note_asked(
    warehouse: Warehouse, site_id: str, asks: Sequence[Ask], as_of: dt.date
) -> int:
    """Record the findings of ``asks`` that were never asked about before; how many."""
    with warehouse.lock:
        known = {row[0] for row in warehouse.connection.execute(
            "SELECT finding, ask FROM asked WHERE site = ?", [site_id]).fetchall()}
        new = [(ask, item) for ask in asks for item in ask.findings if item.id not in known]
        if not new:
            return 0
        targets = decisions.targets(warehouse, site_id, [item for _, item in new])
        rows = [
            {"site": site_id, "finding": item.id, "ask": ask.id, "rule": item.rule,
             "first_asked": as_of} | targets[item.id]
            for ask, item in new]
        record.append(warehouse, "asked", rows)
    return len(rows)


@dataclass(frozen=True, slots=True)
class Echo:
    """What came of a site's answers since the return before."""

    by_workbook: int = 0
    by_sheet: int = 0
    unused: tuple[tuple[str, str], ...] = ()
    """Of an answer that could not be used (or not for all of its rows) what it says, and why."""

    def words(self, asks: Sequence[Ask]) -> str:
        """``You fixed 3; 1 still open.``; empty when nothing was answered.

        ``asks``: the questions open now.
        """
        fixed = self.by_workbook + self.by_sheet
        if not fixed and not self.unused:
            return ""
        still = len(asks)
        ways = [f"{number} {words}" for number, words in (
            (self.by_workbook, "by your answers"), (self.by_sheet, "in your sheet")) if number]
        how = f" ({' and '.join(ways)})" if len(ways) > 1 else ""
        line = f"You fixed {fixed}{how}; " + (
            f"{still:,} still open." if still else "nothing is open any more. Thank you.")
        past = [f'"{says}": {why}' for says, why in self.unused
                if not any(why in ask.message for ask in asks)]
        asked_again = len(self.unused) - len(past)
        if asked_again:
            line += (" One answer could not be used: its question says why." if asked_again == 1
                     else f" {asked_again} answers could not be used: their questions say why.")
        line += "".join(f" Not used: {wording.plain(reason, 160)}" for reason in past[:_REASONS])
        if len(past) > _REASONS:
            line += f" And {len(past) - _REASONS} more."
        return line


def echo_since(warehouse: Warehouse, site_id: str, as_of: dt.date) -> Echo:
    """What the site answered since its last return before ``as_of``, and what came of it."""
    with warehouse.lock:
        con = warehouse.connection
        last = con.execute("SELECT max(as_of) FROM returns WHERE site = ? AND as_of < ?",
                           [site_id, as_of]).fetchone()
        since = last[0] if last is not None and last[0] is not None else dt.date.min
        lines = con.execute(
            "SELECT outcome, says, why FROM answers WHERE site = ? AND answered > ? "
            "AND answered <= ? AND outcome <> 'nothing' ORDER BY seq",
            [site_id, since, as_of]).fetchall()
        resent = con.execute(
            "SELECT count(DISTINCT (event_id, field, taxon, life_stage)) FROM decisions "
            "WHERE site = ? AND channel = 'resend' AND decided > ? AND decided <= ?",
            [site_id, since, as_of]).fetchone()
    return Echo(
        sum(outcome == "applied" for outcome, _, _ in lines),
        int(resent[0]) if resent else 0,
        tuple((str(says), str(why)) for outcome, says, why in lines
              if why and outcome in ("refused", "conflict", "unclear", "applied")))


def long_open(asks: Sequence[Ask], as_of: dt.date) -> list[str]:
    """A sentence for each question that has been open for three weeks or more, oldest first."""
    out = []
    for ask in asks:
        if ask.asked is not None and (as_of - ask.asked).days >= LONG_DAYS:
            weeks = (as_of - ask.asked).days // 7
            title = f", {ask.title}" if ask.title else ""
            held = " (row held)" if ask.effect is Effect.HOLD else ""
            out.append(f"Open for {weeks} weeks: {ask.where}"
                       + (f", {ask.dates}" if ask.dates else "")
                       + f"{title}{held}; rule {ask.rule}, question {ask.id}.")
    return out


def due_again(asks: Sequence[Ask], as_of: dt.date) -> str:
    """What makes a week's message due though nothing is new: an older question is still open."""
    monday = as_of - dt.timedelta(days=as_of.weekday())
    older = any(ask.asked is not None and ask.asked < monday for ask in asks)
    return monday.isoformat() if older else ""
