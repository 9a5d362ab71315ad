"""The record of decisions: read from its file, by whoever asks, never half."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from warehouse import record
from warehouse.folder import record_path


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


def test_a_reader_may_do_with_its_list_what_it_likes(tmp_path: Path) -> None:
    _write(tmp_path, _line(1) + _line(2))
    record.read(tmp_path)["decision"].clear()
    assert _numbers(tmp_path) == [1, 2]


def test_many_may_read_at_once(tmp_path: Path) -> None:
    _write(tmp_path, "".join(_line(number) for number in range(1, 2001)))
    with ThreadPoolExecutor(8) as readers:
        seen = list(readers.map(_numbers, [tmp_path] * 32))
    assert all(numbers == list(range(1, 2001)) for numbers in seen)
