"""The warehouse made again from raw bytes and the record, and what the commands say of it."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

from flows.cli import main
from flows.network_folder import load_network
from flows.rebuilding import DAMAGED, REPLACED, rebuild
from flows.sending.monday import compose_monday, write_monday
from flows.sending.writing import Outbox, write_week
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
from warehouse import letters, record
from warehouse.folder import database_path, received_path, record_path
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


def _damage(folder: Path) -> None:
    """Turn a byte in every block of the database; its headers stay."""
    content = bytearray(database_path(folder).read_bytes())
    for at in range(3 * 4096 + 20_000, len(content), 1 << 18):
        content[at] ^= 0xFF
    database_path(folder).write_bytes(content)


def test_a_damaged_database_is_set_aside_and_made_again(
    bay: Path, capsys: pytest.CaptureFixture[str]  # noqa: F811
) -> None:
    fill_in(newest_book(bay), suggested, bay / "inbox" / SITE / "done.xlsx")
    run(bay, AS_OF + dt.timedelta(days=7))
    _damage(bay)
    assert main(["rebuild", str(bay)]) == 2
    told = capsys.readouterr().err
    assert "cannot be used" in told and "--swap" in told and len(told.splitlines()) == 1
    assert main(["rebuild", str(bay), "--swap"]) == 0
    assert (database_path(bay).parent / DAMAGED).exists()
    assert clean_value(bay, "water_temperature_c", "2026-02-27") == pytest.approx(3.888889)
    assert rebuild(bay, load_network(bay)).equal


def test_a_received_file_that_was_altered_is_named_before_anything_is_made_of_it(
    bay: Path, capsys: pytest.CaptureFixture[str]  # noqa: F811
) -> None:
    (line,) = record.read(bay)["receipt"]
    place = received_path(bay, line["sha256"])
    whole = place.read_bytes()
    place.write_bytes(whole[:-1] + b"?")
    database_path(bay).unlink()
    assert main(["rebuild", str(bay), "--swap"]) == 2
    told = capsys.readouterr().err
    assert line["path"] in told and line["sha256"][:12] in told and "backup" in told
    # The sheet still stands in the inbox: a run keeps it anew, and all is well.
    run(bay)
    assert place.read_bytes() == whole
    assert rebuild(bay, load_network(bay)).equal


def test_a_lost_record_is_written_again_and_rebuilt_from(bay: Path) -> None:  # noqa: F811
    fill_in(newest_book(bay), suggested, bay / "inbox" / SITE / "done.xlsx")
    run(bay, AS_OF + dt.timedelta(days=7))
    before = sorted(record_path(bay).read_text(encoding="utf-8").splitlines())
    record_path(bay).unlink()
    made = rebuild(bay, load_network(bay))
    assert made.equal and made.decisions >= 4
    assert sorted(record_path(bay).read_text(encoding="utf-8").splitlines()) == before


def test_what_was_sent_told_and_returned_before_a_loss_is_not_done_again(
    bay: Path  # noqa: F811
) -> None:
    (bay / "network.toml").write_text(
        (bay / "network.toml").read_text(encoding="utf-8")
        + '\n[mail]\nserver = "localhost"\nsecurity = "none"\nfrom = "a@example.org"\n'
        'mortality_percent = 0\n', encoding="utf-8", newline="\n")
    now = dt.datetime(2026, 4, 6, 3, 0)

    def write(at: dt.datetime, week: dt.date) -> tuple[list[str], tuple[str, ...]]:
        """The letters of a week that wait to go, and what serious things they tell."""
        standing = read_standing(bay)
        assert standing is not None
        with Warehouse.open(bay) as warehouse:
            outbox = Outbox(warehouse, load_network(bay), at)
            write_week(outbox, standing, week)
            monday, told = compose_monday(outbox, standing, week)
            write_monday(outbox, monday, told, week)
            waiting = letters.letters(warehouse, "queued")
            for letter in waiting:
                letters.settle(warehouse, letter.id, "sending", at, "")
                letters.settle(warehouse, letter.id, "sent", at, "250")
        return [letter.kind for letter in waiting], monday.serious

    with Warehouse.open(bay) as warehouse:
        warehouse.connection.execute("UPDATE clean_counts SET mortality = 3 WHERE count > 3")
    first, serious = write(now, AS_OF)
    assert first == ["week", "monday"] and serious
    database_path(bay).unlink()
    rebuild(bay, load_network(bay), swap=True)
    with Warehouse.open(bay) as warehouse:
        warehouse.connection.execute("UPDATE clean_counts SET mortality = 3 WHERE count > 3")
    assert write(now + dt.timedelta(hours=1), AS_OF) == ([], serious)
    # What the outbox holds for the week went as it is, and the week after nothing is new.
    again = run(bay)
    assert all(site.returned is None for site in again.outcome.sites.values())
    _, serious = write(now + dt.timedelta(days=7), AS_OF + dt.timedelta(days=7))
    assert serious == ()


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
