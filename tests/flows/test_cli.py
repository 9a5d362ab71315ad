"""The command line: what it prints, where, and with which exit code."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from flows.cli import COULD_NOT, DONE, NEEDS_PEOPLE, main
from flows.network_folder import load_network
from flows.weekly import run_in_order

from .conftest import AS_OF


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
    assert main(["check", str(tmp_path / "none.xlsx")]) == COULD_NOT
    out, err = capsys.readouterr()
    assert out == "" and "none.xlsx" in err


@pytest.mark.parametrize(
    ("name", "content", "more", "code"),
    [
        ("none.xlsx", None, [], "file-unreadable"),
        ("scan.xlsx", b"%PDF-1.4 and so on", [], "file-not-a-sheet"),
        ("words.csv", b"Dear all,\nno eels today\n", [], "nothing-recognised"),
        ("log.csv", b"Date,Glass eels\n2026-03-20,12\n", ["--site", "x"], "settings"),
    ],
)
def test_a_refusal_is_a_document_too(
    name: str,
    content: bytes | None,
    more: list[str],
    code: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    assert main(["check", str(tmp_path / name), "--json", *more]) == COULD_NOT
    out, err = capsys.readouterr()
    document = json.loads(out)
    assert document["file"] == name
    assert document["refused"]["code"] == code
    assert document["refused"]["what"] in err and document["refused"]["remedy"] in err
    assert document["summary"]["rows"] == 0


def test_check_says_what_to_write_for_a_column_left_aside_and_how_dates_were_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "creek.csv"
    sheet.write_text("Date,Hours fished,Glass eels,Tubidness\n5/3/2026,24,12,5.5\n"
                     "17/3/2026,24,0,6.1\n", encoding="utf-8")
    assert main(["check", str(sheet), "--as-of", "2026-04-01"]) == DONE
    told = capsys.readouterr().out
    assert "[sites.SITE.profile.columns]" in told and '"Tubidness" = "turbidity"' in told
    assert "read day first (5 March 2026)" in " ".join(told.split())


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


def test_template_hands_out_a_sheet_and_a_form_for_a_site_of_the_network(
    bay: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["template", str(bay), "--site", "hobnail-brook", "--season", "2027",
                 "--out", str(tmp_path / "out")]) == DONE
    made = [Path(line) for line in capsys.readouterr().out.split("\n") if line.strip()]
    assert {path.suffix for path in made} == {".xlsx", ".pdf"}
    assert all(path.stat().st_size > 1000 for path in made)
    assert main(["template", str(bay), "--site", "nowhere"]) == COULD_NOT
    assert "hobnail-brook" in capsys.readouterr().err


def test_query_answers_from_the_release_and_refuses_to_write(
    bay: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["query", str(bay), "SELECT 1"]) == COULD_NOT
    assert "tallyweir run" in capsys.readouterr().err
    run_in_order(bay, load_network(bay), AS_OF)
    assert main(["query", str(bay), "SELECT count(*) AS n FROM events", "--format", "csv"]) == DONE
    heading, number = capsys.readouterr().out.split()
    assert heading == "n" and int(number) > 500
    assert main(["query", str(bay), "DELETE FROM events"]) == COULD_NOT
    assert main(["query", str(bay), "SELECT * FROM read_csv('/etc/hosts')"]) == COULD_NOT
    assert "Traceback" not in capsys.readouterr().err


def test_status_as_json_counts_the_weeks_that_a_site_is_late(
    ran: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["status", str(ran), "--json", "--as-of", "2026-05-10"]) == NEEDS_PEOPLE
    document = json.loads(capsys.readouterr().out)
    assert document["sites"]["alder-creek"]["weeks_overdue"] == 2
    assert {"rows", "clean", "held", "asked", "last_received"} <= set(
        document["sites"]["alder-creek"])


def test_the_demo_does_not_move_into_a_folder_of_something_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "letters.txt").write_text("private", encoding="utf-8")
    assert main(["demo", str(tmp_path)]) == COULD_NOT
    assert "not empty" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["letters.txt"]


def test_explain_tells_how_one_value_came_to_be(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "creek.csv"
    sheet.write_text("Date,Hours fished,Glass eels,Water temp (F)\n2026-03-20,24,12,41\n",
                     encoding="utf-8")
    assert main(["check", str(sheet), "--explain", "D2", "--as-of", "2026-04-01"]) == DONE
    told = capsys.readouterr().out
    assert "Water temp (F)" in told and "5 °C" in told
    assert main(["check", str(sheet), "--explain", "nowhere"]) == COULD_NOT
    assert "F41" in capsys.readouterr().err


def test_a_demo_that_is_there_keeps_what_was_changed_in_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", str(tmp_path / "bay"), "--weeks", "3"]) == DONE
    sheet = next((tmp_path / "bay" / "inbox" / "alder-creek").glob("*2024*"))
    sheet.write_bytes(b"changed")
    assert main(["demo", str(tmp_path / "bay"), "--weeks", "3"]) == DONE
    assert sheet.read_bytes() == b"changed"
    assert "--anew" in capsys.readouterr().out
    assert main(["demo", str(tmp_path / "bay"), "--weeks", "3", "--anew"]) == DONE
    assert sheet.read_bytes() != b"changed"


@pytest.mark.parametrize(("entry", "named"), [
    ("[thresholds.soak-tooo-long]\nquery_hours = 60", "soak-too-long"),
    ("[thresholds.soak-too-long]\nhours = 60", "query_hours"),
])
def test_a_mistyped_threshold_is_named_with_the_right_one(
    bay: Path, capsys: pytest.CaptureFixture[str], entry: str, named: str
) -> None:
    settings = bay / "network.toml"
    settings.write_text(settings.read_text(encoding="utf-8") + "\n" + entry, encoding="utf-8")
    assert main(["status", str(bay)]) == COULD_NOT
    assert named in capsys.readouterr().err


def test_a_wide_answer_is_shown_row_by_row(
    ran: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["query", str(ran), "SELECT * FROM counts LIMIT 1"]) == DONE
    told = capsys.readouterr().out
    assert "water_temperature_c" in told and "anguilla-rostrata" in told
