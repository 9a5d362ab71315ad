"""Judging one spreadsheet by itself: what ``tallyweir check`` does. Loads nothing."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from checks.belonging import other_site_named
from checks.judging import Place, judge
from checks.relations import Relations
from flows.intake.account import contract_sheets, unmatched_names
from flows.intake.reading import cell_text, read_workbook
from flows.intake.recognising import recognise
from flows.intake.standardizing import standardize
from flows.returns.workbook import holds_answers
from shared.columnar import to_sql
from shared.findings import Finding
from shared.flags import GRAVITY, Effect
from shared.problems import NothingRecognised, Problem, Trouble, UnreadableFile
from shared.settings import Network, Site
from shared.sheets import Recognised, Workbook
from shared.staging import (
    CATCH_COLUMNS,
    EVENT_COLUMNS,
    ODDITY_COLUMNS,
    Staged,
)


@dataclass(frozen=True, slots=True)
class Checked:
    """A judged spreadsheet."""

    name: str
    network: Network
    site: Site
    workbook: Workbook
    recognised: Recognised
    staged: Staged
    findings: list[Finding]
    trouble: Trouble | None
    """That the sheet seems to be another site's, if it does."""

    def summary(self) -> dict[str, int]:
        """Data rows by the gravest effect of their findings (the contract's ``summary``)."""
        words = {Effect.HOLD: "held", Effect.MASK: "masked", Effect.QUERY: "queried"}
        rows = [row_id for row_id in self.staged.rows["row_id"] if row_id is not None]
        worst: dict[int, Effect] = {}
        for finding in self.findings:
            if finding.row_id is None or finding.effect not in words:
                continue
            before = worst.get(finding.row_id)
            if before is None or GRAVITY.index(finding.effect) < GRAVITY.index(before):
                worst[finding.row_id] = finding.effect
        out = {"rows": len(rows), "clean": 0, "masked": 0, "queried": 0, "held": 0}
        for row_id in rows:
            effect = worst.get(row_id)
            out[words[effect] if effect is not None else "clean"] += 1
        return out

    def as_contract(self) -> dict[str, Any]:
        """The document that ``check --json`` prints (design contract)."""
        document: dict[str, Any] = {
            "file": self.name,
            "sheets": contract_sheets(self.workbook, self.recognised, self.staged),
            "findings": [finding.as_contract() for finding in self.findings],
            "summary": self.summary(),
        }
        if self.recognised.left_aside:
            document["left_aside"] = [
                {"name": name, "why": why} for name, why in self.recognised.left_aside
            ]
        unmatched = [written for written, _ in unmatched_names(self.recognised, self.site)]
        if unmatched:
            document["not_there"] = unmatched
        if self.trouble is not None:
            document["trouble"] = self.trouble.sentence()
        return document


def refused(name: str, problem: Problem) -> dict[str, Any]:
    """The document that ``check --json`` prints of a file that could not be judged."""
    return {
        "file": name,
        "sheets": [],
        "findings": [],
        "summary": {"rows": 0, "clean": 0, "masked": 0, "queried": 0, "held": 0},
        "refused": {"code": problem.code, "what": problem.what, "remedy": problem.remedy},
    }


def places_of(staged: Staged) -> list[Place]:
    """Where each field stands, as judging wants it."""
    columns = staged.places
    return [
        Place(*entry)
        for entry in zip(columns["file_sha256"], columns["sheet"], columns["column_index"],
                         columns["field"], columns["taxon"], columns["life_stage"],
                         columns["unit"], strict=True)
    ]


def check_file(path: Path, network: Network, site_id: str, as_of: dt.date) -> Checked:
    """Judge the spreadsheet at ``path`` as if ``site_id`` had sent it.

    Raises a :class:`~shared.problems.Problem` when it cannot be read or nothing in it is
    recognised.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise UnreadableFile(
            f"The file cannot be opened ({error.strerror or error}).",
            "Check the name and that you may read it.", str(path)) from error
    return check_bytes(content, path.name, network, site_id, as_of)


def check_bytes(
    content: bytes, name: str, network: Network, site_id: str, as_of: dt.date
) -> Checked:
    """As :func:`check_file`, for bytes already in hand."""
    import duckdb

    site = network.sites[site_id]
    sha = hashlib.sha256(content).hexdigest()
    workbook = read_workbook(content, name)
    if holds_answers(workbook):
        raise NothingRecognised(
            "This is a workbook of ours with answers, not a count sheet.",
            "Check the site's own sheet instead.", name)
    recognised = recognise(workbook, site, network)
    staged = standardize(workbook, recognised, site, network, sha)
    sheets = {sheet.name: sheet for sheet in workbook.sheets}

    def raw_text(_: str, sheet: str, row: int, column: int) -> str:
        cells = sheets[sheet].rows[row - 1]
        return cell_text(cells[column]) if column < len(cells) else ""

    with duckdb.connect() as con:
        tables: Mapping[str, tuple[Any, dict[str, str]]] = {
            "staged_events": (staged.events, EVENT_COLUMNS),
            "judged_catches": (staged.catches, CATCH_COLUMNS),
            "judged_oddities": (staged.oddities, ODDITY_COLUMNS),
        }
        for table, (rows, columns) in tables.items():
            con.execute(f"CREATE TABLE {table} AS {to_sql(rows, columns)}")
        con.execute("CREATE TABLE judged_events AS "
                    "SELECT *, FALSE AS vanished FROM staged_events")
        findings = judge(con, network, site_id, as_of, Relations(), places_of(staged),
                         raw_text, {sha: name})
    return Checked(name, network, site, workbook, recognised, staged, findings,
                   other_site_named(workbook, staged, site, network))
