"""Every byte received is kept, once, and never altered."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.warehouse.by_hand import AS_OF, sha_of
from warehouse.folder import received_path
from warehouse.receipts import ReceivedDamaged, file_bytes, receive, received_files
from warehouse.store import Warehouse


def test_the_same_bytes_at_the_same_path_are_one_receipt(wh: Warehouse) -> None:
    first = receive(wh, "alder", "alder/a.csv", b"one", AS_OF)
    again = receive(wh, "alder", "alder/a.csv", b"one", AS_OF + dt.timedelta(days=7))
    assert first.new and not again.new
    assert (again.sha256, again.seq) == (first.sha256, first.seq)
    assert wh.connection.execute("SELECT count(*) FROM receipts").fetchone() == (1,)
    assert wh.connection.execute("FROM files").fetchall() == [(sha_of(b"one"), None, 3, 1)]


def test_each_change_at_a_path_is_kept_even_a_return_to_what_was(wh: Warehouse) -> None:
    for content in (b"one", b"two", b"one"):
        assert receive(wh, "alder", "alder/a.csv", content, AS_OF).new
    files = received_files(wh, "alder")
    assert [(file.sha256, file.seq, file.stands) for file in files] == [
        (sha_of(b"two"), 2, False), (sha_of(b"one"), 3, True),
    ]


def test_the_same_bytes_under_two_names_are_one_file_that_stands_while_either_does(
    wh: Warehouse,
) -> None:
    for path in ("alder/a.csv", "alder/copy.csv"):
        receive(wh, "alder", path, b"one", AS_OF)
    receive(wh, "alder", "alder/copy.csv", b"two", AS_OF)
    one, two = received_files(wh, "alder")
    assert (one.path, one.stands) == ("alder/a.csv", True)
    assert (two.path, two.stands) == ("alder/copy.csv", True)


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.binary(max_size=2000))
def test_what_is_received_comes_back_byte_for_byte(wh: Warehouse, content: bytes) -> None:
    receipt = receive(wh, "alder", "alder/any.bin", content, AS_OF)
    assert receipt.sha256 == sha_of(content)
    assert file_bytes(wh.network_dir, receipt.sha256) == content


def test_altered_bytes_are_noticed_and_mended_by_receiving_again(wh: Warehouse) -> None:
    sha256 = receive(wh, "alder", "alder/a.csv", b"one", AS_OF).sha256
    received_path(wh.network_dir, sha256).write_bytes(b"onf")
    with pytest.raises(ReceivedDamaged, match="altered"):
        file_bytes(wh.network_dir, sha256)
    assert not receive(wh, "alder", "alder/a.csv", b"one", AS_OF).new
    assert file_bytes(wh.network_dir, sha256) == b"one"


def test_bytes_that_are_gone_are_a_problem_with_a_remedy(tmp_path: Path) -> None:
    with pytest.raises(ReceivedDamaged) as told:
        file_bytes(tmp_path, "0" * 64)
    assert "backup" in told.value.remedy


def test_a_stop_between_keeping_and_noting_costs_nothing(
    wh: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(KeyboardInterrupt), wh.transaction():
        receive(wh, "alder", "alder/a.csv", b"one", AS_OF)
        raise KeyboardInterrupt
    assert received_files(wh, "alder") == []
    assert receive(wh, "alder", "alder/a.csv", b"one", AS_OF).new
