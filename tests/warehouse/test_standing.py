"""`status` reads what the last run left, never the database."""

from __future__ import annotations

import datetime as dt
import json
import sys
from pathlib import Path

from shared.flags import Effect
from shared.problems import Trouble
from tests.warehouse.by_hand import AS_OF, Rule, days, load, network, send
from warehouse.folder import standing_path
from warehouse.ledger import last_return, record_return, record_run
from warehouse.receipts import receive
from warehouse.staging import reader_key, save_trouble
from warehouse.standing import read_standing, write_standing
from warehouse.store import Warehouse


def test_before_the_first_run_there_is_no_standing(tmp_path: Path) -> None:
    assert read_standing(tmp_path) is None


def test_the_standing_tells_of_every_site(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 4), as_of=dt.date(2026, 3, 9))
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 6))
    broken = receive(wh, "alder", "alder/b.pdf", b"%PDF", AS_OF)
    save_trouble(wh, "alder", broken.sha256, Trouble("file-not-a-sheet", "It is a PDF.",
                                                     "Send the sheet."),
                 reader_key("1", network(), "alder"))
    load(wh, "alder", Rule("local_date = '2026-03-01'", "count", Effect.HOLD),
         Rule("local_date = '2026-03-02'", "ph", Effect.NOTE),
         Rule("local_date = '2026-03-03'", "ph", Effect.QUERY))
    written = write_standing(wh, network(), AS_OF, "2026.12.0", "done")
    assert read_standing(wh.network_dir) == written
    alder, birch = written.sites
    assert (alder.name, alder.last_received, alder.files) == ("Alder Creek", "2026-03-16", 2)
    assert (alder.rows, alder.clean, alder.queried, alder.held, alder.skipped) == (6, 4, 1, 1, 1)
    assert alder.troubles == ("b.pdf: It is a PDF. Send the sheet.",)
    assert (alder.open_findings, alder.by_rule) == (2, {"implausible": 2})
    assert [(row.row, row.rule) for row in alder.held_rows] == [(4, "implausible")]
    assert (birch.last_received, birch.files, birch.rows, birch.troubles) == (None, 0, 0, ())


def test_a_file_in_trouble_that_was_replaced_is_no_trouble_any_more(wh: Warehouse) -> None:
    broken = receive(wh, "alder", "alder/a.xlsx", b"half", AS_OF)
    save_trouble(wh, "alder", broken.sha256, Trouble("file-unreadable", "No.", "Again."),
                 reader_key("1", network(), "alder"))
    assert write_standing(wh, network(), AS_OF, None, "done").sites[0].troubles
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 4))
    assert not write_standing(wh, network(), AS_OF, None, "done").sites[0].troubles


def test_what_a_run_adds_to_the_stock_comes_back(wh: Warehouse) -> None:
    written = write_standing(
        wh, network(), AS_OF, None, "done", asked={"birch": 3},
        failures={"birch": ["It could not be judged."]}, notices=["A folder has no site."],
    )
    assert read_standing(wh.network_dir) == written
    alder, birch = written.sites
    assert (alder.asked, alder.troubles) == (0, ())
    assert (birch.asked, birch.troubles) == (3, ("It could not be judged.",))
    assert written.notices == ("A folder has no site.",)


def test_a_newer_program_s_standing_is_read_as_far_as_it_is_known(wh: Warehouse) -> None:
    written = write_standing(wh, network(), AS_OF, None, "done")
    path = standing_path(wh.network_dir)
    newer = json.loads(path.read_text(encoding="utf-8"))
    newer["tide"] = "high"
    newer["sites"]["alder"]["mood"] = "fine"
    path.write_text(json.dumps(newer), encoding="utf-8")
    assert read_standing(wh.network_dir) == written
    path.write_text("{half", encoding="utf-8")
    assert read_standing(wh.network_dir) is None


def test_reading_the_standing_does_not_load_the_database_engine(wh: Warehouse) -> None:
    import subprocess

    write_standing(wh, network(), AS_OF, None, "done")
    code = ("import sys; from pathlib import Path; from warehouse.standing import read_standing; "
            "assert read_standing(Path(sys.argv[1])); "
            "print(sorted({'duckdb', 'pyarrow'} & set(sys.modules)))")
    told = subprocess.run([sys.executable, "-c", code, str(wh.network_dir)], text=True,
                          cwd=Path(__file__).parents[2], capture_output=True, check=False)
    assert told.stdout.strip() == "[]", told.stderr


def test_the_ledger_keeps_runs_and_returns_in_order(wh: Warehouse) -> None:
    record_run(wh, "r1", AS_OF, {"receive": 0.1}, "done")
    record_run(wh, "r2", AS_OF, {"receive": 0.2}, "done", "2026.12.0")
    assert wh.connection.execute("SELECT seq, id, release FROM runs").fetchall() == [
        (1, "r1", None), (2, "r2", "2026.12.0")]
    assert last_return(wh, "alder") is None
    record_return(wh, "alder", "d1", AS_OF, "outbox/alder/1")
    record_return(wh, "alder", "d2", AS_OF, "outbox/alder/2")
    assert last_return(wh, "alder") == ("d2", AS_OF, "outbox/alder/2")
