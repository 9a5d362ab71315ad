"""The benchmark's record and its contenders: the same cells, or the figures mean nothing."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

import pytest

from bench.contenders import CONTENDERS, SUBSET, digest
from bench.judge import WHOLE, Measured, by_itself, quickest, table, verdicts
from bench.national_record import TABLES, make_record


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small record."""
    folder = tmp_path_factory.mktemp("record")
    make_record(folder, 4_000)
    return folder


def test_the_record_is_the_same_each_time(record: Path, tmp_path: Path) -> None:
    import polars as pl

    make_record(tmp_path, 4_000)
    for name in TABLES:
        first = pl.read_parquet(record / f"{name}.parquet").sort(pl.all())
        assert first.equals(pl.read_parquet(tmp_path / f"{name}.parquet").sort(pl.all())), name


def test_rules_contract_and_hand_written_sql_find_the_same_cells(record: Path) -> None:
    found: dict[str, set[tuple[int, str]]] = defaultdict(set)
    for contender in CONTENDERS:
        if contender.key.startswith(("ours", "sql", "pandera-polars", "dataframely")):
            prepared = contender.prepare(record)
            if prepared.cells is not None:
                found[contender.spans].add(digest(prepared.cells(prepared.run())))
    assert {contest: len(answers) for contest, answers in found.items()} == {
        "possible": 1, "both": 1}
    ((few, _),), ((more, _),) = found["possible"], found["both"]
    assert len(SUBSET) < few < more


def test_a_missed_target_is_said() -> None:
    def one(key: str, seconds: float) -> Measured:
        return Measured(key, 12, 12 * 10**6, 12, seconds, seconds, seconds, 2**30, 2**20,
                        (3, "abc"))

    quick = [one(c.key, 0.5 if c.key.startswith(("ours", "sql")) else 1.0) for c in CONTENDERS]
    slow = [one(c.key, 20.0 if c.key.startswith("ours") else 1.0) for c in CONTENDERS]
    met = [[fine for _, fine in verdicts(given, 1_000_000)] for given in (quick, slow)]
    assert met == [[True] * 11, [False, False, True] + [False] * 8]
    assert len(table(quick, 1_000_000).splitlines()) == len(CONTENDERS) + 2


def test_of_rounds_the_quickest_counts_and_the_most_memory() -> None:
    def one(first: float, warm: float, peak: int, found: str = "abc") -> Measured:
        return Measured("x", 12, 12, 12, first, warm, warm, peak, 1, (3, found))

    both = quickest([one(2.0, 0.5, 10), one(1.0, 0.75, 20)])
    assert (both.first, both.longest, both.warm, both.peak) == (1.0, 2.0, 0.5, 20)
    with pytest.raises(SystemExit, match="x finds other"):
        quickest([one(1.0, 1.0, 1), one(1.0, 1.0, 1, "def")])


def test_the_catalogue_by_itself_shows_every_call() -> None:
    def one(first: float, peak: int) -> Measured:
        return Measured("x", 12, 12, 12, first, first, first, peak, 1, None)

    text, met = by_itself({key: [one(20.0, 2**20), one(14.0, 2**20)] for key in WHOLE}, 10**6)
    assert met
    assert "| 14.0 | 17.0 | 20.0 |" in text
    assert "20.0, 14.0" in text
    assert not by_itself({key: [one(14.0, 2**20), one(14.0, 2**31)] for key in WHOLE}, 10**6)[1]
    assert not by_itself({key: [one(14.0, 2**20)] for key in WHOLE}, 10**5)[1]
