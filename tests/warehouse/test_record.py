"""The record of decisions: read from its file, by whoever asks, never half."""

from __future__ import annotations

import datetime as dt
import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.warehouse.by_hand import AS_OF
from warehouse import ledger, letters, record
from warehouse.folder import record_path
from warehouse.receipts import receive
from warehouse.serious import Serious, not_yet_told, note_told
from warehouse.store import Warehouse


def _line(number: int) -> str:
    return json.dumps({"kind": "decision", "seq": number, "decided": "2026-04-01"}) + "\n"


def _write(network: Path, text: str) -> None:
    path = record_path(network)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode("utf-8"))


def _numbers(network: Path) -> list[int]:
    return [line["seq"] for line in record.read(network)["decision"]]


def test_what_is_appended_is_read_on(tmp_path: Path) -> None:
    _write(tmp_path, _line(1))
    assert _numbers(tmp_path) == [1]
    _write(tmp_path, _line(1) + _line(2) + _line(3)[:9])
    assert _numbers(tmp_path) == [1, 2], "the last line is cut short: it was never acted on"
    _write(tmp_path, _line(1) + _line(2) + _line(3))
    assert _numbers(tmp_path) == [1, 2, 3]


def test_a_damaged_line_is_named_and_nothing_is_counted_twice_after_it_is_mended(
    tmp_path: Path,
) -> None:
    _write(tmp_path, _line(1))
    assert _numbers(tmp_path) == [1]
    _write(tmp_path, _line(1) + _line(2) + "{broken\n" + _line(4))
    for _ in range(2):
        with pytest.raises(record.RecordDamaged) as caught:
            record.read(tmp_path)
        assert "record.jsonl" in str(caught.value.where)
    _write(tmp_path, _line(1) + _line(2) + _line(3) + _line(4))
    assert _numbers(tmp_path) == [1, 2, 3, 4]


def test_a_record_taken_away_or_put_back_from_an_older_backup_is_read_anew(
    tmp_path: Path,
) -> None:
    _write(tmp_path, _line(1) + _line(2))
    assert _numbers(tmp_path) == [1, 2]
    _write(tmp_path, _line(1))
    assert _numbers(tmp_path) == [1]
    record_path(tmp_path).unlink()
    assert _numbers(tmp_path) == []


def test_a_longer_record_put_in_the_place_of_the_one_read_is_read_anew(tmp_path: Path) -> None:
    _write(tmp_path, _line(1) + _line(2))
    assert _numbers(tmp_path) == [1, 2]
    _write(tmp_path, _line(5) + _line(6) + _line(7))
    assert _numbers(tmp_path) == [5, 6, 7]


def test_a_reader_may_do_with_its_list_what_it_likes(tmp_path: Path) -> None:
    _write(tmp_path, _line(1) + _line(2))
    record.read(tmp_path)["decision"].clear()
    assert _numbers(tmp_path) == [1, 2]


def test_many_may_read_at_once(tmp_path: Path) -> None:
    _write(tmp_path, "".join(_line(number) for number in range(1, 2001)))
    with ThreadPoolExecutor(8) as readers:
        seen = list(readers.map(_numbers, [tmp_path] * 32))
    assert all(numbers == list(range(1, 2001)) for numbers in seen)


# -- the record and the database, each made whole from the other ---------------------------


def _received(wh: Warehouse) -> list[tuple[object, ...]]:
    return wh.connection.execute("FROM receipts ORDER BY seq").fetchall()


@pytest.mark.parametrize("left", ["nothing", "a part of a line", "all but the last"])
def test_a_record_that_lost_its_end_gets_it_again_from_the_database(
    wh: Warehouse, left: str
) -> None:
    for number in range(3):
        receive(wh, "alder", f"alder/{number}.csv", str(number).encode(), AS_OF)
    place = record_path(wh.network_dir)
    whole = place.read_bytes()
    lines = whole.splitlines(keepends=True)
    cut = {"nothing": b"", "a part of a line": lines[0] + lines[1][:9],
           "all but the last": lines[0] + lines[1]}[left]
    place.write_bytes(cut)
    before = _received(wh)
    assert record.catch_up(wh) == 0
    assert place.read_bytes() == whole and _received(wh) == before
    assert receive(wh, "alder", "alder/3.csv", b"3", AS_OF).seq == 4


def test_what_was_told_and_sent_is_known_to_a_database_made_from_the_record(
    wh: Warehouse, tmp_path: Path
) -> None:
    item = Serious("mortality:e:t:9:8", "mortality", "alder", "A", AS_OF, "t", 9, 8)
    note_told(wh, [item, item], "2026-W11")
    note_told(wh, [item], "2026-W12")
    ledger.record_return(wh, "alder", "digest", AS_OF, "outbox/alder/2026-W12")
    text = record_path(wh.network_dir).read_text(encoding="utf-8")
    assert text.count('"told"') == 1
    with Warehouse.open(wh.network_dir, tmp_path / "made.duckdb") as made:
        record.catch_up(made)
        assert not_yet_told(made, [item], "2026-W13") == []
        assert not_yet_told(made, [item], "2026-W11") == [item]
        assert ledger.last_return(made, "alder") == ("digest", AS_OF, "outbox/alder/2026-W12")


_NOW = dt.datetime(2026, 3, 16, 3, 0)


def _queue(wh: Warehouse) -> bool:
    return letters.queue(wh, "week", "alder", "someone@example.org", "2026-W11", "Alder",
                         "<1.week@example.org>", b"Subject: Alder\r\n\r\nx", _NOW)


def _id() -> str:
    return letters.letter_id("week", "alder", "someone@example.org", "2026-W11")


@pytest.mark.parametrize("state", ["sent", "refused", "bounced"])
def test_a_letter_that_went_does_not_go_again_from_a_database_made_anew(
    wh: Warehouse, tmp_path: Path, state: str
) -> None:
    assert _queue(wh)
    letters.settle(wh, _id(), "sending", _NOW, "")
    letters.settle(wh, _id(), "sent" if state == "bounced" else state, _NOW, "250")
    if state == "bounced":
        assert letters.note_bounce(wh, "<1.week@example.org>", "no such person", _NOW)
    assert "someone@" not in record_path(wh.network_dir).read_text(encoding="utf-8")
    with Warehouse.open(wh.network_dir, tmp_path / "made.duckdb") as made:
        record.catch_up(made)
        assert not _queue(made)
        assert letters.letters(made) == []


def test_a_letter_that_was_cut_off_is_looked_up_by_a_database_made_anew(
    wh: Warehouse, tmp_path: Path
) -> None:
    assert _queue(wh)
    letters.settle(wh, _id(), "sending", _NOW, "")
    with Warehouse.open(wh.network_dir, tmp_path / "made.duckdb") as made:
        record.catch_up(made)
        assert _queue(made)
        (letter,) = letters.letters(made)
        assert (letter.state, letter.changed) == ("sending", _NOW)
        # It had not gone, and goes again.
        letters.settle(made, _id(), "queued", _NOW, "", _NOW)
    with Warehouse.open(wh.network_dir, tmp_path / "again.duckdb") as again:
        record.catch_up(again)
        assert _queue(again)
        assert [letter.state for letter in letters.letters(again)] == ["queued"]


def test_the_record_knows_better_than_a_database_that_stopped_before_it(wh: Warehouse) -> None:
    assert _queue(wh)
    with pytest.raises(ZeroDivisionError), wh.transaction():
        letters.settle(wh, _id(), "sent", _NOW, "250")
        raise ZeroDivisionError
    assert [letter.state for letter in letters.letters(wh)] == ["queued"]
    record.catch_up(wh)
    assert [letter.state for letter in letters.letters(wh)] == ["sent"]
