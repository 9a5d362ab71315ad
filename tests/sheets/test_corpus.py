"""The corpus of made sheets is understood as it was planned (see ``make.py``)."""

from __future__ import annotations

import json
from collections import Counter
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from flows.intake.reading import read_workbook
from flows.intake.recognising import CONFIDENCE_LINE, recognise
from flows.intake.standardizing import standardize
from shared.fields import CATCH_FIELDS, EVENT_FIELDS
from shared.settings import Network, Site
from shared.sheets import Recognised, column_letters
from shared.staging import Staged
from tests.sheets.forms import sheets_by_form

MADE = Path(__file__).parent / "made"
PLANS = sorted(MADE.glob("*.json"))
_DERIVED = {"site", "check_date", "net_status", "gear_unit"}
"""Worked out by the intake even where a sheet does not state them."""
_EVENT = [f.id for f in EVENT_FIELDS if f.id not in _DERIVED]
_CATCH = [f.id for f in CATCH_FIELDS if f.id not in ("taxon", "life_stage")]


@cache
def _plan(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return found


@cache
def _read(path: Path) -> tuple[Recognised, Staged]:
    plan = _plan(path)
    site = Site(
        "alder-creek",
        "Alder Creek",
        "EST5EDT",
        protocols=("fyke", "seine"),
        nets=tuple(plan["nets"]),
    )
    network = Network("n", "N", (2, 1), (6, 30), "", "", "", {site.id: site}, {})
    workbook = read_workbook((MADE / plan["file"]).read_bytes(), plan["file"])
    recognised = recognise(workbook, site, network)
    return recognised, standardize(workbook, recognised, site, network, "ab" * 32)


def _columns(path: Path) -> tuple[int, list[str], list[str]]:
    """How many columns were planned, which are missed, which wrongly assigned."""
    missed: list[str] = []
    wrong: list[str] = []
    planned = 0
    recognised, _ = _read(path)
    tables = {table.sheet: table for table in recognised.tables}
    for expected in _plan(path)["tables"]:
        table = tables.get(expected["sheet"])
        found = {} if table is None else {column_letters(c.index): c for c in table.columns}
        for letters, meant in expected["columns"].items():
            planned += 1
            column = found.pop(letters, None)
            where = f"{path.stem} {expected['sheet']} {letters} {meant['heading']!r}"
            if column is None:
                if meant["field"] is not None:
                    missed.append(where)
                continue
            mine = (column.field, column.unit, column.taxon, column.life_stage)
            theirs = (meant["field"], meant["unit"], meant["taxon"], meant["life_stage"])
            if mine == theirs:
                continue
            missed.append(f"{where}: {mine}")
            if column.field is not None and column.confidence >= CONFIDENCE_LINE:
                wrong.append(f"{where}: {mine} for {theirs}")
        wrong += [
            f"{path.stem} {expected['sheet']} {letters}: {column.heading!r} was never planned"
            for letters, column in found.items()
            if column.field is not None
        ]
    return planned, missed, wrong


def test_the_corpus_is_as_large_and_as_small_as_promised() -> None:
    assert len(PLANS) >= 150
    assert sum(path.stat().st_size for path in MADE.iterdir()) < 6_000_000
    forms = [_plan(path)["forms"] for path in PLANS]
    for kind in ("layout", "writer", "dates", "times", "units"):
        assert min(Counter(form[kind] for form in forms).values()) >= 2, kind
    pairs = {(form["layout"], form["writer"]) for form in forms}
    assert len(pairs) >= 150


def test_each_form_is_met_twice_and_beside_other_forms() -> None:
    seldom = {}
    for form, sheets in sheets_by_form().items():
        beside = {tuple(sorted(_plan(MADE / f"{sheet}.json")["forms"].items())) for sheet in sheets}
        if len(beside) < 2:
            seldom[form] = sheets
    assert seldom == {}


def test_columns_are_understood_as_planned() -> None:
    results = [_columns(path) for path in PLANS]
    planned = sum(count for count, _, _ in results)
    missed = [where for _, entries, _ in results for where in entries]
    wrong = [where for _, _, entries in results for where in entries]
    assert wrong == []
    assert planned > 1500
    assert len(missed) <= 0.01 * planned, missed


@pytest.mark.parametrize("path", PLANS, ids=lambda path: path.stem)
def test_cells_are_read_as_planned(path: Path) -> None:
    recognised, staged = _read(path)
    plan = _plan(path)
    assert sorted(t.sheet for t in recognised.tables) == sorted(t["sheet"] for t in plan["tables"])
    assert {t.sheet: t.protocol for t in recognised.tables} == {
        t["sheet"]: t["protocol"] for t in plan["tables"]
    }
    events = staged.events
    at = {
        key: place
        for place, key in enumerate(zip(events["sheet"], events["sheet_row"], strict=True))
    }
    catches: dict[tuple[str, int, str, str, str], Any] = {}
    for place in range(len(staged.catches["count"])):
        given = {name: staged.catches[name][place] for name in staged.catches}
        for name in _CATCH:
            if given[name] is not None:
                key = (
                    given["sheet"],
                    given["sheet_row"],
                    name,
                    given["taxon"],
                    given["life_stage"],
                )
                catches[key] = given[name]
    different: list[str] = []
    seen: set[tuple[str, int]] = set()
    for expected in plan["tables"]:
        sheet = expected["sheet"]
        for row, meant in expected["rows"].items():
            where = (sheet, int(row))
            seen.add(where)
            for key, value in meant.items():
                if ":" in key:
                    name, taxon, stage = key.split(":")
                    mine = catches.pop((*where, name, taxon, stage), None)
                    if mine != value:
                        different.append(f"{where} {key}: {mine!r} for {value!r}")
            if where not in at:
                if any(":" not in key for key in meant):
                    different.append(f"{where} is no event")
                continue
            place = at.pop(where)
            for name in (*_EVENT, *({"gear_unit"} & set(meant))):
                mine, value = events[name][place], meant.get(name)
                if hasattr(mine, "isoformat"):
                    mine = mine.isoformat() if name.endswith("date") else f"{mine:%H:%M}"
                if isinstance(mine, float) and isinstance(value, (int, float)):
                    mine = value if abs(mine - value) < 1e-6 else mine
                if mine != value:
                    different.append(f"{where} {name}: {mine!r} for {value!r}")
    assert different == []
    assert at == {}, "events that were not planned"
    assert catches == {}, "catches that were not planned"
    odd = {
        (s, c): k
        for s, c, k in zip(
            staged.oddities["sheet"], staged.oddities["cell"], staged.oddities["kind"], strict=True
        )
    }
    assert odd == {
        (t["sheet"], cell): kind for t in plan["tables"] for cell, kind in t["odd"].items()
    }
    skipped = {
        (s, r)
        for s, r, why in zip(
            staged.rows["sheet"], staged.rows["sheet_row"], staged.rows["skipped"], strict=True
        )
        if why is not None
    }
    assert skipped >= {(t["sheet"], row) for t in plan["tables"] for row in t["skipped"]}
    assert not skipped & seen
