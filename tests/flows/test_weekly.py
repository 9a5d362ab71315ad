"""The weekly run on real sheets: what comes out, twice, after a change, after bad input."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
import os
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import duckdb
import pytest

from fixtures import lay_out
from flows.network_folder import load_network
from flows.weekly import Outcome, judge_version, run_in_order
from shared.settings import Network
from warehouse.snapshot import snapshot_path
from warehouse.store import Warehouse

from .conftest import AS_OF, published


def _run(bay: Path, as_of: dt.date = AS_OF) -> Outcome:
    return run_in_order(bay, load_network(bay), as_of)


def test_every_row_of_every_sheet_is_accounted_for(tmp_path: Path) -> None:
    lay_out(tmp_path / "bay")
    outcome = _run(tmp_path / "bay")
    rows_in: Counter[str] = Counter()
    with (tmp_path / "bay" / "truth" / "rows.csv").open(encoding="utf-8", newline="") as handle:
        for entry in csv.DictReader(handle):
            rows_in[entry["site"]] += int(entry["data_rows"])
    assert len(rows_in) == 12
    for site, entry in outcome.standing["sites"].items():
        assert entry["rows"] == rows_in[site], site
        assert entry["rows"] == sum(
            entry[name] for name in ("clean", "masked", "queried", "held"))
        assert entry["troubles"] == ()


def test_an_undisturbed_season_loads_whole_and_asks_next_to_nothing(tmp_path: Path) -> None:
    lay_out(tmp_path / "bay", errors=False)
    outcome = _run(tmp_path / "bay")
    sites = outcome.standing["sites"].values()
    assert sum(entry["held"] for entry in sites) == 0
    assert sum(entry["queried"] + entry["masked"] for entry in sites) <= sum(
        entry["rows"] for entry in sites) / 100


def test_the_clean_table_says_what_the_sheets_truly_said(tmp_path: Path) -> None:
    lay_out(tmp_path / "bay", errors=False)
    _run(tmp_path / "bay")
    with duckdb.connect(str(snapshot_path(tmp_path / "bay")), read_only=True) as con:
        found = {
            (site, gear, protocol, date.isoformat(), taxon, stage): count
            for site, gear, protocol, date, taxon, stage, count in con.execute(
                "SELECT site_id, gear_unit, protocol, local_date, scientific_name, life_stage, "
                "sum(count)::BIGINT FROM counts GROUP BY ALL").fetchall()
        }
    truth: Counter[tuple[str, ...]] = Counter()
    with (tmp_path / "bay" / "truth" / "catches.csv").open(encoding="utf-8",
                                                           newline="") as handle:
        for row in csv.DictReader(handle):
            if row["protocol"] == "fyke" and row["count"] and row["taxon"] == "Anguilla rostrata":
                key = (row["site"], row["gear_unit"], row["protocol"], row["local_date"],
                       row["taxon"], row["life_stage"])
                truth[key] += int(row["count"])
    assert len(truth) > 3000
    wrong = {key: (count, found.get(key)) for key, count in truth.items()
             if found.get(key) != count}
    assert wrong == {}


def test_a_second_run_changes_no_release_and_sends_nothing(bay: Path) -> None:
    first = _run(bay)
    before = {path: path.read_bytes() for path in (bay / "outbox").rglob("*") if path.is_file()}
    release = published(bay)
    second = _run(bay)
    assert first.release is not None and first.release.new
    assert second.release is not None and not second.release.new
    assert not any(site.read or site.redone or site.returned for site in second.sites.values())
    assert published(bay) == release
    assert before == {path: path.read_bytes() for path in (bay / "outbox").rglob("*")
                      if path.is_file()}


def test_a_run_on_a_later_day_changes_nothing_either(ran: Path) -> None:
    later = _run(ran, AS_OF + dt.timedelta(days=9))
    assert later.release is not None and not later.release.new
    assert not any(site.read for site in later.sites.values())


def test_a_changed_sheet_has_only_its_own_site_redone(ran: Path) -> None:
    sheet = ran / "inbox" / "hobnail-brook" / "hobnail_2026.csv"
    lines = sheet.read_bytes().decode("cp1252").splitlines(keepends=True)
    cells = lines[-6].split(";")
    place = lines[2].rstrip().split(";").index("Glass eels")
    cells[place] = str(int(cells[place] or 0) + 1)
    lines[-6] = ";".join(cells)
    sheet.write_bytes("".join(lines).encode("cp1252"))
    second = _run(ran)
    assert {s.site for s in second.sites.values() if s.read} == {"hobnail-brook"}
    assert {s.site for s in second.sites.values() if s.redone} == {"hobnail-brook"}
    assert second.release is not None and second.release.new
    changes = published(ran)["changes.csv"].decode("utf-8")
    assert "hobnail-brook" in changes and "alder-creek" not in changes


def test_what_arrived_is_kept_byte_for_byte(ran: Path) -> None:
    for path in (ran / "inbox").rglob("*"):
        if path.is_file():
            sha = hashlib.sha256(path.read_bytes()).hexdigest()
            kept = ran / "warehouse" / "received" / sha[:2] / sha
            assert kept.read_bytes() == path.read_bytes()


def _protected_workbook() -> bytes:
    import msoffcrypto.format.ooxml
    import xlsxwriter

    plain, locked = io.BytesIO(), io.BytesIO()
    book = xlsxwriter.Workbook(plain)
    book.add_worksheet("Eels").write(0, 0, "Date")
    book.close()
    msoffcrypto.format.ooxml.OOXMLFile(plain).encrypt("a word", locked)
    return locked.getvalue()


def _headings_only() -> bytes:
    return b"Date,Hours fished,Glass eels\n"


BAD = {
    "empty.xlsx": (b"", "empty"),
    "scan of sheet.xlsx": (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj\n", "PDF"),
    "locked.xlsx": (_protected_workbook(), "password"),
    "no rows.csv": (_headings_only(), "row"),
    "noise.xls": (bytes(range(256)) * 40, "neither a spreadsheet"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_told_in_a_sentence_and_stops_nobody(
    bay: Path, undisturbed: Path, name: str
) -> None:
    content, word = BAD[name]
    (bay / "inbox" / "inkwell-burn" / name).write_bytes(content)
    outcome = _run(bay)
    troubles = outcome.standing["sites"]["inkwell-burn"]["troubles"]
    assert len(troubles) == 1
    assert name in troubles[0] and word.lower() in troubles[0].lower()
    assert "Traceback" not in troubles[0] and "Error" not in troubles[0]
    message = next((bay / "outbox" / "inkwell-burn").rglob("message.txt"))
    assert name in message.read_text(encoding="utf-8")
    sha = hashlib.sha256(content).hexdigest()
    assert (bay / "warehouse" / "received" / sha[:2] / sha).read_bytes() == content
    for kind in ("counts.csv", "events.csv"):
        assert published(bay)[kind] == published(undisturbed)[kind]


def test_another_sites_sheet_is_kept_and_not_loaded(bay: Path, undisturbed: Path) -> None:
    shutil.copy(bay / "inbox" / "alder-creek" / "Alder Creek 2026.xlsx",
                bay / "inbox" / "inkwell-burn" / "this week.xlsx")
    outcome = _run(bay)
    (told,) = outcome.standing["sites"]["inkwell-burn"]["troubles"]
    assert "Alder Creek" in told and "this week.xlsx" in told
    assert published(bay)["counts.csv"] == published(undisturbed)["counts.csv"]


def test_a_folder_of_no_site_is_told_to_the_coordinator(bay: Path) -> None:
    (bay / "inbox" / "alder creek (copy)").mkdir()
    outcome = _run(bay)
    assert any("alder creek (copy)" in notice for notice in outcome.standing["notices"])


def test_a_row_gone_from_a_resent_sheet_is_asked_about_and_stays(ran: Path) -> None:
    sheet = ran / "inbox" / "hobnail-brook" / "hobnail_2026.csv"
    lines = sheet.read_bytes().decode("cp1252").splitlines(keepends=True)
    gone = lines.pop(-7)
    sheet.write_bytes("".join(lines).encode("cp1252"))
    before = published(ran)["events.csv"].decode("utf-8").count("\n")
    _run(ran)
    after = published(ran)["events.csv"].decode("utf-8").count("\n")
    assert after == before, gone
    with Warehouse.open(ran) as warehouse:
        rules = warehouse.connection.execute(
            "SELECT rule FROM findings WHERE site = 'hobnail-brook' AND rule = 'vanished-row'"
        ).fetchall()
    assert len(rules) == 1


def test_the_standing_file_says_what_status_prints(bay: Path, network: Network) -> None:
    outcome = _run(bay)
    on_disk = json.loads((bay / "warehouse" / "standing.json").read_text(encoding="utf-8"))
    assert set(on_disk["sites"]) == set(network.sites)
    assert on_disk["release"] == (outcome.release.version if outcome.release else None)
    assert all(entry["last_received"] == AS_OF.isoformat()
               for entry in on_disk["sites"].values())


def test_the_judges_version_is_the_same_in_every_process() -> None:
    code = "from flows.weekly import judge_version; print(judge_version())"
    root = Path(__file__).parents[2]
    printed = {
        subprocess.run([sys.executable, "-c", code], cwd=root, text=True, capture_output=True,
                       check=True, env={**os.environ, "PYTHONHASHSEED": seed}).stdout.strip()
        for seed in ("1", "2")
    }
    assert printed == {judge_version()}


def test_our_own_workbook_come_back_is_kept_and_never_read_as_counts(ran: Path) -> None:
    before = published(ran)
    answers = next((ran / "outbox" / "kettlelid-brook").rglob("please-answer.xlsx"))
    shutil.copy(answers, ran / "inbox" / "kettlelid-brook" / "my answers.xlsx")
    outcome = _run(ran)
    assert outcome.standing["sites"]["kettlelid-brook"]["troubles"] == ()
    for kind in ("counts.csv", "events.csv", "findings.csv"):
        assert published(ran)[kind] == before[kind]


def test_two_bad_files_of_the_same_bytes_are_both_named(bay: Path) -> None:
    for name in ("first.xlsx", "second.csv"):
        (bay / "inbox" / "inkwell-burn" / name).write_bytes(b"")
    outcome = _run(bay)
    told = " ".join(outcome.standing["sites"]["inkwell-burn"]["troubles"])
    assert "first.xlsx" in told and "second.csv" in told


def test_a_bad_file_taken_away_again_troubles_nobody(bay: Path) -> None:
    bad = bay / "inbox" / "inkwell-burn" / "scan.pdf"
    bad.write_bytes(b"%PDF-1.7")
    assert _run(bay).standing["sites"]["inkwell-burn"]["troubles"]
    bad.unlink()
    assert not _run(bay).standing["sites"]["inkwell-burn"]["troubles"]
