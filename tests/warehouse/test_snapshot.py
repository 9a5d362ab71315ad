"""Analysts read the latest release, and nothing else, and are never cut off."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from tests.warehouse.by_hand import days, load, send
from tests.warehouse.test_release import publish, season
from warehouse.snapshot import BadQuestion, NoRelease, query, snapshot_path
from warehouse.store import Warehouse


def test_without_a_release_the_question_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(NoRelease) as told:
        query(tmp_path, "FROM counts")
    assert "tallyweir run" in told.value.remedy


def test_a_question_is_answered_while_the_warehouse_is_held(wh: Warehouse) -> None:
    season(wh)
    publish(wh)
    with wh.transaction():
        answer = query(wh.network_dir, "SELECT sum(count) AS eels, max(local_date) AS day "
                                       "FROM counts")
    assert answer.columns == ["eels", "day"]
    assert answer.types == ["HUGEINT", "DATE"]
    assert int(answer.rows[0][0]) == 60


@pytest.mark.parametrize(("sql", "says"), [
    ("SELECT nothing FROM counts", "nothing"),
    ("SELEC 1", "syntax"),
    ("FROM cuonts", "cuonts"),
    ("DELETE FROM counts", "read-only"),
    ("", "no question"),
    ("-- only a remark", "no question"),
])
def test_a_bad_question_is_told_in_a_sentence(wh: Warehouse, sql: str, says: str) -> None:
    season(wh)
    publish(wh)
    with pytest.raises(BadQuestion, match=says) as told:
        query(wh.network_dir, sql)
    assert "\n" not in str(told.value)


def test_a_question_reaches_no_other_file_and_no_setting(wh: Warehouse, tmp_path: Path) -> None:
    season(wh)
    publish(wh)
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n", encoding="utf-8")
    target = tmp_path / "out.csv"
    for sql in (f"FROM read_csv('{secret.as_posix()}')", f"FROM '{secret.as_posix()}'",
                f"COPY counts TO '{target.as_posix()}'",
                f"ATTACH '{(tmp_path / 'x.duckdb').as_posix()}'",
                "SET enable_external_access = true", "INSTALL httpfs"):
        with pytest.raises(BadQuestion):
            query(wh.network_dir, sql)
    assert not target.exists()


@pytest.mark.parametrize("sql", [
    "FROM read_text('{secret}')", "FROM glob('{folder}/*')", "FROM sniff_csv('{secret}')",
    "EXPLAIN ANALYZE COPY (SELECT 1) TO '{out}'", "SELECT 1; COPY counts TO '{out}'",
    "EXPORT DATABASE '{out}'", "IMPORT DATABASE '{folder}'", "FROM duckdb_secrets()",
    "CREATE SECRET (TYPE s3)", "FROM read_parquet('https://example.org/x.parquet')",
    "PRAGMA profiling_output = '{out}'", "PRAGMA log_query_path = '{out}'",
    "SET temp_directory = '{out}'", "LOAD httpfs", "FROM getenv('HOME')",
])
def test_no_way_round_leads_out_of_the_release(wh: Warehouse, tmp_path: Path, sql: str) -> None:
    season(wh)
    publish(wh)
    (tmp_path / "secret.csv").write_text("a\n1\n", encoding="utf-8")
    held = sorted(tmp_path.iterdir())
    with pytest.raises(BadQuestion):
        query(wh.network_dir, sql.format(
            secret=(tmp_path / "secret.csv").as_posix(), folder=tmp_path.as_posix(),
            out=(tmp_path / "out").as_posix()))
    assert sorted(tmp_path.iterdir()) == held


def test_a_question_sees_nothing_of_the_program_that_asks_it(wh: Warehouse) -> None:
    """A DuckDB connection in Python can else read the caller's own variables as tables."""
    import pyarrow as pa

    season(wh)
    publish(wh)
    passwords = pa.table({"word": ["secret"]})
    with pytest.raises(BadQuestion, match="passwords"):
        query(wh.network_dir, "FROM passwords")
    assert passwords.num_rows == 1


def test_an_analyst_at_work_is_not_cut_off_by_a_new_release(wh: Warehouse) -> None:
    season(wh)
    publish(wh)
    with duckdb.connect(str(snapshot_path(wh.network_dir)), read_only=True) as analyst:
        first = analyst.execute("SELECT count(*) FROM counts").fetchone()
        season(wh, 9)
        assert publish(wh).new
        assert analyst.execute("SELECT count(*) FROM counts").fetchone() == first == (10,)
        assert analyst.execute("SELECT sum(cpue) FROM daily_cpue").fetchone() is not None
    assert query(wh.network_dir, "SELECT count(*) FROM counts").rows == [(18,)]


def test_a_pointer_to_a_release_that_is_gone_is_told(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 3))
    load(wh, "alder")
    publish(wh)
    snapshot_path(wh.network_dir).unlink()
    with pytest.raises(NoRelease, match=r"2026\.12\.0"):
        query(wh.network_dir, "FROM counts")
