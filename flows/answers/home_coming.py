"""Answers that came since the last run: each looked at once, its outcome kept and told.

A workbook is known by its content, an answer by what it says to which question of which
workbook: the same workbook under another name, or with more lines filled in, settles only
what is new.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from checks.catalogue import CATALOGUE
from flows.answers.pending import Told
from flows.answers.reading import Line, read_answers
from flows.answers.settling import Came, Outcome, Rejudge, settle_answers
from flows.intake.reading import read_workbook
from flows.returns.workbook import ANSWERED
from shared.decisions import Answer, Channel
from shared.findings import Finding
from shared.identity import short_digest
from shared.problems import Problem, Trouble
from shared.settings import Network
from warehouse import decisions, receipts
from warehouse.store import Warehouse

RULE_VERSIONS = {rule.id: rule.version for rule in CATALOGUE.values()}

OF_ANOTHER_SITE = "answers-of-another-site"
"""Code of the trouble that a workbook came to the wrong inbox."""

_NOTHING = "nothing"
"""Outcome kept for a workbook in which no line was filled in."""


@dataclass(frozen=True, slots=True)
class Book:
    """Our workbook, come back and not yet settled."""

    sha256: str
    path: str


def unsettled_books(warehouse: Warehouse, site_id: str) -> list[Book]:
    """Workbooks of the site that came back and were not looked at yet, in order of receipt."""
    with warehouse.lock:
        rows = warehouse.connection.execute(
            """
            SELECT r.sha256, min_by(r.path, r.seq), min(r.seq) AS seq
            FROM receipts AS r
            WHERE r.site = $site
              AND r.sha256 IN (SELECT sha256 FROM tables_seen
                               WHERE site = $site AND layout = $layout)
              AND r.sha256 NOT IN (SELECT sha256 FROM answers WHERE site = $site)
            GROUP BY r.sha256 ORDER BY seq
            """, {"site": site_id, "layout": ANSWERED}).fetchall()
    return [Book(str(row[0]), str(row[1])) for row in rows]


def sites_with_unsettled_books(warehouse: Warehouse) -> set[str]:
    """The sites that :func:`unsettled_books` would have any of."""
    with warehouse.lock:
        return {site for (site,) in warehouse.connection.execute(
            "SELECT DISTINCT site FROM (SELECT site, sha256 FROM tables_seen WHERE layout = ?) "
            "SEMI JOIN receipts USING (site, sha256) ANTI JOIN answers USING (site, sha256)",
            [ANSWERED]).fetchall()}


def settle_all(
    warehouse: Warehouse, network: Network, network_dir: Path, site_id: str,
    books: Sequence[Book], told: Sequence[Told], findings: Sequence[Finding], rejudge: Rejudge,
    as_of: dt.date,
) -> tuple[list[Finding], list[Trouble]]:
    """Settle ``books``, then ``told``; the findings with what was decided, and troubles.

    The rows are laid out as they are with it when this returns.
    """
    troubles: list[Trouble] = []
    current = list(findings)
    for book in books:
        try:
            content = receipts.file_bytes(network_dir, book.sha256)
            returned = read_answers(read_workbook(content, Path(book.path).name), site_id)
        except Problem as problem:
            troubles.append(problem.trouble)
            continue
        if returned.site and returned.site != site_id:
            where = network.sites.get(returned.site)
            name = where.name if where else returned.site
            troubles.append(Trouble(
                OF_ANOTHER_SITE, f"These are answers of {name}.",
                f"Move the workbook to the inbox of {name}; nothing in it was used here.",
                book.path.removeprefix(f"{site_id}/")))
            continue
        known = _keys(warehouse, site_id)
        lines = [line for line in returned.lines if line.key not in known]
        settle_lines(warehouse, network, site_id, lines, current, rejudge, as_of,
                     Channel.WORKBOOK, book.path, book.sha256)
        if lines:
            current = rejudge(())[0]
    for item in told:
        key = short_digest("page", item.path.name)
        if key in _keys(warehouse, site_id):
            continue
        line = Line(key, item.answer.about, _said(item.answer), item.answer, "",
                    item.answer.note, item.answer.who)
        settle_lines(warehouse, network, site_id, [line], current, rejudge, as_of,
                     item.channel, f"page, {item.at}", "")
        current = rejudge(())[0]
    return current, troubles


def settle_lines(
    warehouse: Warehouse, network: Network, site_id: str, lines: Sequence[Line],
    findings: Sequence[Finding], rejudge: Rejudge, as_of: dt.date, channel: Channel,
    source: str, sha256: str,
) -> None:
    """Settle ``lines``, record their decisions and outcomes."""
    clear = [line for line in lines if line.answer is not None]
    outcomes = settle_answers(
        warehouse, network, site_id, [line.answer for line in clear if line.answer], findings,
        rejudge, as_of=as_of, channel=channel)
    came = dict(zip((line.key for line in clear), outcomes, strict=True))
    made = [decision for outcome in outcomes for decision in outcome.decisions]
    rows = [_row(site_id, line, came.get(line.key), source, sha256, as_of) for line in lines]
    if not rows:
        rows = [_row(site_id, Line("", "", "", None), None, source, sha256, as_of)
                | {"outcome": _NOTHING}]
    decisions.append(warehouse, made, rows)


def _row(
    site_id: str, line: Line, outcome: Outcome | None, source: str, sha256: str, as_of: dt.date
) -> dict[str, Any]:
    return {
        "site": site_id, "key": line.key, "source": source, "sha256": sha256, "ask": line.ask,
        "says": line.says, "note": line.note, "who": line.who,
        "outcome": (outcome.came if outcome else Came.UNCLEAR).value,
        "why": outcome.why if outcome else line.why, "answered": as_of,
    }


def _said(answer: Answer) -> str:
    return f"{answer.action.value}: {answer.value}" if answer.value else answer.action.value


def _keys(warehouse: Warehouse, site_id: str) -> set[str]:
    rows = warehouse.connection.execute(
        "SELECT DISTINCT key FROM answers WHERE site = ?", [site_id]).fetchall()
    return {str(row[0]) for row in rows if row[0]}
