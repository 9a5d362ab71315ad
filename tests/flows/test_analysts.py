"""The analysts' door: what the docs promise runs, and answers come in every form."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from flows.cli import main
from flows.network_folder import load_network
from flows.weekly import run_in_order
from warehouse.snapshot import latest_version

from .conftest import AS_OF

ANALYSTS = Path(__file__).parents[2] / "docs" / "analysts"


@pytest.fixture(scope="module")
def published_bay(
    _laid_out: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A network with a release."""
    directory = tmp_path_factory.mktemp("analysts") / "bay"
    shutil.copytree(_laid_out, directory)
    run_in_order(directory, load_network(directory), AS_OF)
    return directory


def test_the_notebook_redoes_the_published_figure(published_bay: Path) -> None:
    notebook = json.loads((ANALYSTS / "redo_a_figure.ipynb").read_text(encoding="utf-8"))
    cells = ["".join(cell["source"]) for cell in notebook["cells"] if cell["cell_type"] == "code"]
    done = subprocess.run(
        [sys.executable, "-c", "\n".join(cells)], capture_output=True, text=True, check=False,
        env=os.environ | {"TALLYWEIR_NETWORK": str(published_bay)})
    assert done.returncode == 0, done.stderr
    number = int(done.stdout.split()[0])
    assert number >= 10 and "all equal" in done.stdout


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed here")
def test_the_r_script_redoes_the_published_figure(published_bay: Path) -> None:
    done = subprocess.run(
        ["Rscript", str(ANALYSTS / "redo_a_figure.R")], capture_output=True, text=True,
        check=False, env=os.environ | {"TALLYWEIR_NETWORK": str(published_bay)})
    assert done.returncode == 0, done.stderr
    assert "all equal" in done.stdout


QUESTION = ("SELECT site_id, sum(count)::BIGINT AS n, max(local_date) AS last FROM counts "
            "GROUP BY ALL ORDER BY ALL")


@pytest.mark.parametrize("form", ["csv", "json", "parquet"])
def test_an_answer_can_be_had_as_a_file(published_bay: Path, tmp_path: Path, form: str) -> None:
    target = tmp_path / f"answer.{form}"
    assert main(["query", str(published_bay), QUESTION, "--out", str(target)]) == 0
    if form == "csv":
        with target.open(encoding="utf-8", newline="") as handle:
            rows = list(csv.DictReader(handle))
    elif form == "json":
        rows = json.loads(target.read_text(encoding="utf-8"))
    else:
        rows = pq.read_table(target).to_pylist()
    assert len(rows) == 5 and {str(row["last"])[:4] for row in rows} == {"2026"}
    assert [path.name for path in tmp_path.iterdir()] == [target.name]


def test_an_answer_prints_as_a_table_csv_and_json(
    published_bay: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["query", str(published_bay), QUESTION]) == 0
    assert "alder-creek" in capsys.readouterr().out
    assert main(["query", str(published_bay), QUESTION, "--format", "csv"]) == 0
    assert capsys.readouterr().out.startswith("site_id,n,last\n")
    assert main(["query", str(published_bay), QUESTION, "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out)[0]["site_id"] == "alder-creek"


@pytest.mark.parametrize(("arguments", "says"), [
    (["--out", "answer.txt"], "in what form"),
    (["--format", "parquet"], "needs a file"),
    (["--format", "table", "--out", "answer.csv"], "for reading here"),
])
def test_forms_that_do_not_go_together_are_told(
    published_bay: Path, arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["query", str(published_bay), QUESTION, *arguments]) == 2
    assert says in capsys.readouterr().err


def test_a_season_is_closed_from_the_command_line(
    published_bay: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    day = ["--as-of", AS_OF.isoformat()]
    before = latest_version(published_bay)
    assert main(["release", str(published_bay), "--close", "2025", *day]) == 0
    assert latest_version(published_bay) != before
    told = capsys.readouterr().out
    assert "Gate" in told and "index.html" in told
    assert main(["query", str(published_bay), "FROM seasons", "--format", "csv"]) == 0
    assert "2025,final\n2026,provisional" in capsys.readouterr().out
    assert main(["release", str(published_bay), "--close", "2026", *day]) == 2
    assert "2026-06-15" in capsys.readouterr().err
