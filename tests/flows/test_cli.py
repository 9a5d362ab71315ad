"""The command line: what it prints, where, and with which exit code."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from flows.cli import COULD_NOT, DONE, NEEDS_PEOPLE, main


def test_a_folder_that_is_no_network_is_told_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["status", str(tmp_path)]) == COULD_NOT
    out, err = capsys.readouterr()
    assert out == ""
    assert "network.toml" in err and "tallyweir demo" in err and "Traceback" not in err


def test_a_file_that_is_not_there_is_told_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(tmp_path / "none.xlsx"), "--json"]) == COULD_NOT
    out, err = capsys.readouterr()
    assert out == "" and "none.xlsx" in err


def test_check_prints_the_contract_and_nothing_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "creek.csv"
    sheet.write_text(
        "Date,Time checked,Hours fished,Glass eels,Water temp (C)\n"
        "2026-03-20,08:10,24,12,5.1\n2026-03-21,08:00,24,-3,5.3\n"
        "2026-03-22,08:05,24,15,41\n2026-03-23,08:05,24,9,5.9\n", encoding="utf-8")
    assert main(["check", str(sheet), "--json", "--as-of", "2026-04-01"]) == NEEDS_PEOPLE
    document = json.loads(capsys.readouterr().out)
    assert document["summary"] == {"rows": 4, "clean": 2, "masked": 1, "queried": 0, "held": 1}
    assert [c["field"] for c in document["sheets"][0]["columns"]] == [
        "local_date", "check_time", "hours_fished", "count", "water_temperature"]
    by_cell = {f["cell"]: f for f in document["findings"]}
    assert by_cell["D3"]["rule"] == "count-negative"
    assert by_cell["E4"]["rule"] == "temperature-unit"
    assert by_cell["E4"]["suggestion"] == "5 degC"
    assert by_cell["E4"]["row"] == 4 and by_cell["E4"]["value"] == "41"


def test_a_clean_sheet_ends_with_nothing_held(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "creek.csv"
    sheet.write_text("Date,Hours fished,Glass eels\n2026-03-20,24,12\n2026-03-21,24,0\n",
                     encoding="utf-8")
    assert main(["check", str(sheet), "--as-of", "2026-04-01"]) == DONE
    assert "2 clean" in capsys.readouterr().out


_HEAVY = ("prefect", "great_expectations", "pandera", "pandas", "polars", "scipy")


@pytest.mark.parametrize("command", [["rules"], ["check", "creek.csv"], ["status", "."]])
def test_quick_commands_leave_heavy_libraries_alone(command: list[str], tmp_path: Path) -> None:
    (tmp_path / "creek.csv").write_text("Date,Hours fished,Glass eels\n2026-03-20,24,12\n",
                                        encoding="utf-8")
    code = (
        "import sys; from flows.cli import main; "
        f"main({command!r}); "
        f"sys.stderr.write(','.join(m for m in {_HEAVY!r} if m in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, text=True,
                          capture_output=True, check=False,
                          env={**__import__("os").environ,
                               "PYTHONPATH": str(Path(__file__).parents[2])})
    last = done.stderr.strip().splitlines()[-1:] or [""]
    assert not [name for name in _HEAVY if last[0].split(",").count(name)], done.stderr
