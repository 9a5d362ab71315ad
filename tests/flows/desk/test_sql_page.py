"""The SQL page reads the release and can do nothing else, whatever it is asked."""

from __future__ import annotations

import csv
import io
import re
from html import unescape
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.desk import analyst_pages
from flows.desk.cells import as_csv
from flows.desk.links import Role
from shared.sheets import harmless
from tests.flows.desk.conftest import Browser, Visitor


@pytest.fixture
def analyst(visitor: Visitor) -> Browser:
    """An analyst."""
    return visitor(Role.ANALYST, "")


def asked(browser: Browser, sql: str) -> tuple[int, str]:
    """Status, and what the page says is the trouble."""
    answer = browser.post("/data/ask", data={"mark": browser.mark("/data/ask"), "sql": sql})
    trouble = re.search(r'role="alert">([^<]+)', answer.text)
    return answer.status_code, unescape(trouble[1]) if trouble else ""


def test_a_question_is_answered(analyst: Browser) -> None:
    answer = analyst.post("/data/ask", data={
        "mark": analyst.mark("/data/ask"),
        "sql": "SELECT count(*) AS n, 'a<b' AS t FROM counts"})
    assert answer.status_code == 200 and "a&lt;b" in answer.text


def test_whatever_it_is_asked_it_reads_the_release_alone(
    analyst: Browser, bay: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    before = {path: path.read_bytes() for path in (bay / "releases").rglob("*")
              if path.is_file()}
    for sql in (
        f"COPY counts TO '{out}'", f"EXPORT DATABASE '{out}'", "DELETE FROM counts",
        "CREATE TABLE t AS SELECT 1", "DROP TABLE counts", f"ATTACH '{out}' AS other",
        "INSTALL httpfs", "LOAD httpfs", "SET enable_external_access = true",
        "SET lock_configuration = false", "PRAGMA database_list; SELECT 1", "CALL pragma_version()",
        "SELECT * FROM read_text('/etc/passwd')", "SELECT * FROM '/etc/passwd'",
        f"SELECT * FROM read_csv('{bay}/network.toml')", "SELECT * FROM glob('/*')",
        f"SELECT * FROM read_blob('{bay}/warehouse/desk/key')", "SELECT 1; DROP TABLE counts",
        "SELECT * FROM read_parquet('https://example.org/x.parquet')", "BEGIN", "CHECKPOINT",
        f"SELECT * FROM sqlite_scan('{out}', 't')", "", ";", "nonsense",
    ):
        status, trouble = asked(analyst, sql)
        assert status == 400 and trouble, sql
        assert "Traceback" not in trouble
    assert not out.exists()
    assert {path: path.read_bytes() for path in (bay / "releases").rglob("*")
            if path.is_file()} == before


def test_a_question_that_fells_the_engine_costs_only_itself(
    analyst: Browser, tmp_path: Path
) -> None:
    """DuckDB takes the order to log to a file, which it then may not open, and falls over."""
    asked(analyst, "SELECT * FROM enable_logging(level = 'trace', storage = 'file', "
                   f"storage_config = {{'path': '{tmp_path / 'log'}'}})")
    assert not (tmp_path / "log").exists()
    assert asked(analyst, "SELECT count(*) FROM counts") == (200, "")


def test_a_question_that_goes_on_is_stopped(
    analyst: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(analyst_pages, "SECONDS", 0.5)
    status, trouble = asked(
        analyst, "SELECT count(*) FROM range(1000000000) a, range(1000000) b "
                 "WHERE hash(a.range + b.range) = 1")
    assert status == 400 and "stopped" in trouble


def test_a_question_for_too_much_memory_is_stopped(analyst: Browser) -> None:
    for sql in ("SELECT repeat('x', 2000000000)",
                "SELECT list(a.range) FROM range(300000000) a"):
        status, trouble = asked(analyst, sql)
        assert status == 400 and trouble, sql


def test_a_long_answer_is_cut_and_says_so(analyst: Browser) -> None:
    answer = analyst.post("/data/ask", data={
        "mark": analyst.mark("/data/ask"), "sql": "SELECT * FROM range(5000)"})
    assert "1,000 rows, and there are more" in answer.text
    assert answer.text.count("<tr>") == 1 + analyst_pages.MOST_ROWS


def test_an_exported_cell_is_no_formula(analyst: Browser) -> None:
    sql = "SELECT '=1+1' AS \"=a\", '@SUM(A1)' AS b, '-2+3' AS c, -2.5 AS d, chr(9) || '=1' AS e"
    answer = analyst.post("/data/ask", data={"mark": analyst.mark("/data/ask"), "sql": sql,
                                             "form": "csv"})
    assert "attachment" in answer.headers["content-disposition"]
    head, row = csv.reader(io.StringIO(answer.text))
    assert head[0] == "'=a"
    assert row == ["'=1+1", "'@SUM(A1)", "'-2+3", "-2.5", "'\t=1"]


@given(st.text(max_size=30))
def test_no_cell_begins_like_a_formula_unless_it_is_a_number(text: str) -> None:
    out = harmless(text)
    if out.lstrip().startswith(("=", "+", "-", "@")):
        float(out)
    assert out in (text, "'" + text)
    assert list(csv.reader(io.StringIO(as_csv(["a", "b"], [[text, None]]), newline="")))[1:] == [
        [out, ""]]


def test_files_have_addresses_that_stay_and_are_never_shown_inline(
    analyst: Browser, bay: Path
) -> None:
    version = (bay / "releases" / "latest").read_text(encoding="utf-8").strip()
    answer = analyst.get("/data/latest/files/counts.csv")
    assert str(answer.url).endswith(f"/data/{version}/files/counts.csv")
    assert answer.content == (bay / "releases" / version / "counts.csv").read_bytes()
    assert "attachment" in answer.headers["content-disposition"]
    for name in ("..%2f..%2fnetwork.toml", "%2e%2e", "..\\manifest.json", ".hidden",
                 "nothing.csv", "%2fetc%2fpasswd"):
        assert analyst.get(f"/data/{version}/files/{name}").status_code == 404
    for strange in ("..", "%2e%2e", "..%2fwarehouse", "2026.99.0"):
        assert analyst.get(f"/data/{strange}/files/counts.csv").status_code == 404
