"""The demo network's twelve house styles, laid out without errors, come back as they were."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fixtures.laying_out import lay_out
from flows.intake.reading import read_workbook
from flows.intake.recognising import recognise
from flows.intake.standardizing import standardize
from shared.settings import parse_network
from shared.sheets import Recognised, Workbook
from shared.staging import Staged
from shared.taxa import TAXA

# Not staged as such, or kept under another name.
_NAMES_APART = {
    "site",
    "season",
    "file",
    "sheet",
    "row",
    "water_sheet",
    "net_status",
    "set_local",
    "check_local",
    "hours_fished",
}
_LISTED = {"Moon", "Sky"}
"""Headings of the demo that mean nothing in the dictionary: listed, never guessed."""

Read = dict[str, tuple[Workbook, Recognised, Staged]]


def _records(path: Path) -> dict[str, list[dict[str, str]]]:
    by_file: dict[str, list[dict[str, str]]] = defaultdict(list)
    with path.open(encoding="utf-8", newline="") as held:
        for record in csv.DictReader(held):
            by_file[record["file"]].append(record)
    return by_file


@pytest.fixture(scope="module")
def laid_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder: Path = tmp_path_factory.mktemp("bay")
    lay_out(folder, weeks=20, errors=False)
    return folder


@pytest.fixture(scope="module")
def read(laid_out: Path) -> Read:
    network = parse_network((laid_out / "network.toml").read_text(encoding="utf-8"))
    found: Read = {}
    for path in sorted((laid_out / "inbox").rglob("*.*")):
        content = path.read_bytes()
        site = network.sites[path.parent.name]
        workbook = read_workbook(content, path.name)
        recognised = recognise(workbook, site, network)
        sha = hashlib.sha256(content).hexdigest()
        found[path.relative_to(laid_out).as_posix()] = (
            workbook,
            recognised,
            standardize(workbook, recognised, site, network, sha),
        )
    return found


def test_every_column_is_assigned_or_listed(read: Read) -> None:
    aside = {
        c.heading
        for _, recognised, _ in read.values()
        for t in recognised.tables
        for c in t.columns
        if c.field is None
    }
    assert aside == _LISTED


def test_rows_of_data_are_those_that_were_written(laid_out: Path, read: Read) -> None:
    for file, records in _records(laid_out / "truth" / "rows.csv").items():
        workbook, recognised, _ = read[file]
        for record in records:
            if not record["first_data_row"]:
                continue
            name = record["sheet"] if len(workbook.sheets) > 1 else workbook.sheets[0].name
            (table,) = [t for t in recognised.tables if t.sheet == name]
            assert (table.data_rows[0] + 1, table.data_rows[-1] + 1, len(table.data_rows)) == (
                int(record["first_data_row"]),
                int(record["last_data_row"]),
                int(record["data_rows"]),
            ), (file, name)


def _same(mine: Any, theirs: str) -> bool:
    if theirs == "" or mine is None:
        return theirs == "" and mine is None
    if isinstance(mine, float):
        return mine == pytest.approx(float(theirs), rel=1e-4, abs=1e-4)
    if isinstance(mine, dt.datetime):
        return mine.isoformat(timespec="minutes") == theirs
    return str(mine) == theirs


def _differences(events: dict[str, list[Any]], at: int, truth: dict[str, str]) -> Iterator[str]:
    for name, theirs in truth.items():
        if name not in _NAMES_APART and not _same(events[name][at], theirs):
            if name == "gear_unit" and not theirs:
                continue  # a seine is named by the site, not by the sheet
            yield f"{name}: {events[name][at]!r} for {theirs!r}"
    status = {"fished": "fishing"}.get(truth["net_status"], truth["net_status"])
    if status and events["net_status"][at] != status:
        yield f"net_status: {events['net_status'][at]} for {status}"
    for name, theirs in (("set_at", truth["set_local"]), ("checked_at", truth["check_local"])):
        if not _same(events[name][at], theirs):
            yield f"{name}: {events[name][at]} for {theirs}"
    hours = events["hours_fished"][at] if events["hours_stated"][at] else events["soak_hours"][at]
    lifted_formula = status == "lifted" and hours == 0
    if not lifted_formula and not _same(hours, truth["hours_fished"]):
        yield f"hours: {hours} for {truth['hours_fished']}"


def test_events_are_those_that_were_written(laid_out: Path, read: Read) -> None:
    wrong: list[str] = []
    compared = 0
    for file, records in _records(laid_out / "truth" / "events.csv").items():
        workbook, _, staged = read[file]
        events = staged.events
        place = {
            (s, r): at
            for at, (s, r) in enumerate(zip(events["sheet"], events["sheet_row"], strict=True))
        }
        for truth in records:
            name = truth["sheet"] if len(workbook.sheets) > 1 else workbook.sheets[0].name
            at = place[name, int(truth["row"])]
            wrong += [f"{file} {name} {truth['row']}: {d}" for d in _differences(events, at, truth)]
            compared += 1
    assert compared > 4000
    assert wrong == []


def test_counts_are_those_that_were_written(laid_out: Path, read: Read) -> None:
    ids = {taxon.scientific_name: taxon.id for taxon in TAXA.values()}
    wrong: list[str] = []
    for file, records in _records(laid_out / "truth" / "catches.csv").items():
        workbook, _, staged = read[file]
        catches = staged.catches
        place = {
            key: at
            for at, key in enumerate(
                zip(
                    catches["sheet"],
                    catches["sheet_row"],
                    catches["taxon"],
                    catches["life_stage"],
                    strict=True,
                )
            )
        }
        for truth in records:
            name = truth["sheet"] if len(workbook.sheets) > 1 else workbook.sheets[0].name
            taxon = ids[truth["taxon"]]
            at = place[name, int(truth["row"]), taxon, truth["life_stage"] or "unspecified"]
            wrong += [
                f"{file} {name} {truth['row']} {field}: {catches[field][at]} for {truth[field]}"
                for field in (
                    "count",
                    "subsample_count",
                    "subsample_volume",
                    "total_volume",
                    "released",
                    "mortality",
                    "kept",
                    "length",
                )
                if not _same(catches[field][at], truth[field])
            ]
    assert wrong == []


def test_no_cell_of_a_sheet_without_errors_is_odd(read: Read) -> None:
    assert [o for _, _, staged in read.values() for o in staged.oddities["raw"]] == []
