"""Tables that have nothing to do with net checks: no traceback, and nothing taken for what
it is not.

They are the data files inside installed packages: statsmodels, and great_tables and
pointblank, which come with the bench group.
"""

from __future__ import annotations

import datetime as dt
from importlib.util import find_spec
from pathlib import Path

import pytest

from flows.checking import check_bytes
from shared.problems import Problem
from shared.settings import lone_site

_RIGHT = {
    # Read by hand: what these columns hold is what the field means.
    ("x-airquality.csv", "Wind", "wind_speed"),
    ("x-airquality.csv", "Month", "local_date"),
    ("x-airquality.csv", "Day", "local_date"),
    ("11-gibraltar.csv", "date", "local_date"),
    ("11-gibraltar.csv", "time", "check_time"),
    ("11-gibraltar.csv", "wind_dir", "wind_direction"),
    ("11-gibraltar.csv", "wind_speed", "wind_speed"),
}
_KINDS = frozenset({".csv", ".tsv", ".txt", ".xls", ".xlsx", ".ods", ".zip"})


def _tables() -> list[Path]:
    found: list[Path] = []
    for package, folder in (
        ("great_tables", "data"),
        ("pointblank", "data"),
        ("statsmodels", "datasets"),
    ):
        spec = find_spec(package)
        if spec is not None and spec.origin is not None:
            place = Path(spec.origin).parent / folder
            found += [p for p in place.rglob("*") if p.suffix in _KINDS and p.is_file()]
    return sorted(path for path in found if path.stat().st_size < 4_000_000)


TABLES = _tables()


def test_there_are_tables_to_try() -> None:
    assert len(TABLES) >= 50
    assert any("statsmodels" in path.parts for path in TABLES)


@pytest.mark.parametrize("path", TABLES, ids=lambda path: path.name)
def test_an_open_table_gives_a_sentence_or_only_true_columns(path: Path) -> None:
    try:
        checked = check_bytes(
            path.read_bytes(), path.name, lone_site(), "site", dt.date(2026, 6, 1)
        )
    except Problem as problem:
        assert problem.what and problem.remedy
        return
    taken = {
        (path.name, column.heading, column.field)
        for table in checked.recognised.tables
        for column in table.columns
        if column.field is not None
    }
    assert taken <= _RIGHT
