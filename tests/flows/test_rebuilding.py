"""The warehouse made again from raw bytes and the record, and what the commands say of it."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

from flows.cli import main
from flows.network_folder import load_network
from flows.rebuilding import REPLACED, rebuild
from shared.problems import NoRunYet
from tests.flows.answers.conftest import (  # noqa: F401
    AS_OF,
    SITE,
    _run_once,
    bay,
    clean_value,
    fill_in,
    newest_book,
    run,
    suggested,
)
from warehouse.folder import database_path
from warehouse.standing import read_standing
from warehouse.store import Warehouse

WARM = f"{SITE}:fyke:A:2026-02-27T0805"


def test_rebuilt_from_bytes_and_decisions_it_releases_the_same(bay: Path) -> None:  # noqa: F811
    fill_in(newest_book(bay), suggested, bay / "inbox" / SITE / "done.xlsx")
    run(bay, AS_OF + dt.timedelta(days=7))
    made = rebuild(bay, load_network(bay))
    assert made.equal and made.decisions >= 4 and not made.swapped
    with Warehouse.open(bay) as warehouse:
        warehouse.connection.execute(
            "UPDATE clean_events SET water_temperature_c = 9 WHERE event_id = ?", [WARM])
    # A live database that says otherwise is found out, and stays until someone looks.
    made = rebuild(bay, load_network(bay), swap=True)
    assert "events.csv" in made.differ or "events.parquet" in made.differ
    assert not made.swapped and clean_value(bay, "water_temperature_c", "2026-02-27") == 9


def test_a_lost_database_comes_back(bay: Path) -> None:  # noqa: F811
    fill_in(newest_book(bay), suggested, bay / "inbox" / SITE / "done.xlsx")
    run(bay, AS_OF + dt.timedelta(days=7))
    database_path(bay).unlink()
    made = rebuild(bay, load_network(bay), swap=True)
    assert made.swapped
    assert clean_value(bay, "water_temperature_c", "2026-02-27") == pytest.approx(3.888889)
    # The next run finds nothing new: the answers are not settled a second time.
    run(bay, AS_OF + dt.timedelta(days=7))
    with Warehouse.open(bay) as warehouse:
        assert warehouse.connection.execute(
            "SELECT count(*) = count(DISTINCT key) FROM answers WHERE key <> ''"
        ).fetchone() == (True,)
    assert (database_path(bay).parent / REPLACED).exists()


def test_without_a_record_there_is_nothing_to_rebuild(tmp_path: Path) -> None:
    (tmp_path / "network.toml").write_text(
        '[network]\nid = "x"\nname = "X"\nseason_start = "02-01"\nseason_end = "06-15"\n'
        '[sites.a]\nname = "A"\nzone = "UTC"\n', encoding="utf-8")
    with pytest.raises(NoRunYet):
        rebuild(tmp_path, load_network(tmp_path))
    assert not database_path(tmp_path).exists()


def test_decide_shows_first_and_then_does(
    bay: Path, capsys: pytest.CaptureFixture[str]  # noqa: F811
) -> None:
    wish = ["decide", str(bay), "--rule", "out-of-range", "--field", "water_temperature",
            "--correct", "--reason", "the points were lost", "--as-of", "2026-04-06", "--json"]
    standing = read_standing(bay)
    assert main([*wish, "--dry-run"]) == 0
    assert read_standing(bay) == standing
    shown = json.loads(capsys.readouterr().out)
    assert shown["recorded"] == [] and len(shown["answers"]) == 2
    assert {"event_id": WARM, "what": "water_temperature_c", "before": "",
            "after": "3.888889"} in shown["clean_table"]
    assert clean_value(bay, "water_temperature_c", "2026-02-27") is None
    assert main(wish) == 0
    assert json.loads(capsys.readouterr().out)["recorded"] == [1, 2]
    stood, standing = standing, read_standing(bay)
    assert stood is not None and standing is not None
    had, has = stood.sites[0], standing.sites[0]
    assert had.by_rule["out-of-range"] - has.by_rule.get("out-of-range", 0) == 2
    assert (had.asked - has.asked, had.files) == (2, has.files)
    assert clean_value(bay, "water_temperature_c", "2026-02-27") == pytest.approx(3.888889)
    with Warehouse.open(bay) as warehouse:
        returned = warehouse.connection.execute("FROM returns").fetchall()
    made = rebuild(bay, load_network(bay), swap=True)
    assert made.equal and made.swapped
    with Warehouse.open(bay) as warehouse:
        assert returned == warehouse.connection.execute("FROM returns").fetchall() != []

    assert main(["decide", str(bay), WARM, "--withdraw", "--reason", "net torn", "--json",
                 "--dry-run"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert {"event_id": WARM, "what": "event", "before": "in the record",
            "after": "out"} in shown["clean_table"]

    assert main(["history", str(bay), WARM]) == 0
    told = capsys.readouterr().out
    for word in ("Alder Creek 2026.xlsx", "the site was asked", "the points were lost",
                 "in the clean table"):
        assert word in told


@pytest.mark.parametrize(("arguments", "word"), [
    (["--confirm", "--reason", "x"], "not said what is decided"),
    (["nothing", "--confirm", "--reason", "x"], "no finding, cause or event"),
    (["--rule", "spike", "--site", "nowhere", "--confirm", "--reason", "x"], "no site"),
    ([WARM, "--correct", "5", "--reason", "x"], "needs --field"),
    ([WARM, "--confirm", "--reason", " "], "needs its reason"),
    ([f"{SITE}:fyke:A:1999-01-01", "--hold", "--reason", "x"], "No sheet"),
])
def test_a_wish_that_cannot_be_is_told_so(
    bay: Path, arguments: list[str], word: str,  # noqa: F811
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["decide", str(bay), *arguments]) == 2
    assert word in capsys.readouterr().err
