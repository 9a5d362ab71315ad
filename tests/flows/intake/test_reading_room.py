"""Files of strangers are gone through apart: what one does costs itself and nothing else."""

from __future__ import annotations

import io
import os
import pickle
import sys
from pathlib import Path

import pytest

from flows.intake.reader_apart import take_in
from flows.intake.reading_room import (
    Bounds,
    ReaderStopped,
    ReadingRoom,
    TakenIn,
    _Values,
)
from flows.network_folder import inbox_files, load_network
from flows.secrets import NAMES
from shared.problems import Trouble
from shared.settings import lone_site
from tests.sheets.harmful import long_string_often

SHEET = b"Date,Glass eels,Elvers\n2026-04-17,3,0\n2026-04-18,12,1\n2026-04-19,5,0\n"
NETWORK = lone_site()
SITE = NETWORK.sites["site"]
SHA = "ab" * 32


def _taken(room: ReadingRoom, content: bytes = SHEET) -> TakenIn | Trouble:
    return room.take_in(content, "counts.csv", SITE, NETWORK, SHA)


def test_a_sheet_gives_apart_what_it_gives_here(bay: Path) -> None:
    room, network = ReadingRoom(), load_network(bay)
    seen = 0
    for site in network.sites:
        for path, _ in inbox_files(bay, site):
            given = (path.read_bytes(), path.name, network.sites[site], network, SHA)
            here, apart = take_in(*given), room.take_in(*given)
            assert isinstance(apart, TakenIn)
            assert ("taken in", apart.workbook, apart.recognised_json, apart.staged) == here[:4]
            assert set(apart.seconds) == {"read", "recognise", "standardize"}
            seen += 1
    assert seen > 10


def test_a_refusal_is_a_trouble_with_its_sentence() -> None:
    refused = _taken(ReadingRoom(), b"%PDF-1.7 and so on")
    assert isinstance(refused, Trouble)
    assert refused.code == "file-not-a-sheet" and refused.where == "counts.csv"


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux bounds memory closely")
def test_a_file_that_fells_its_reader_costs_only_itself() -> None:
    room = ReadingRoom(Bounds(memory=600_000_000))
    with pytest.raises(ReaderStopped, match="more time or memory") as stopped:
        room.take_in(long_string_often(20_000_000, 5_000), "bomb.xlsx", SITE, NETWORK, SHA)
    assert stopped.value.where == "bomb.xlsx"
    assert isinstance(_taken(room), TakenIn)


@pytest.mark.parametrize("bounds", [
    Bounds(clock=0.0),
    pytest.param(Bounds(processor=1), marks=pytest.mark.skipif(
        sys.platform == "win32", reason="the system bounds no processor time"))])
def test_a_file_that_takes_its_time_is_ended(bounds: Bounds) -> None:
    season = SHEET + b"2026-04-19,5,0\n" * 400_000
    with pytest.raises(ReaderStopped):
        _taken(ReadingRoom(bounds), season)


def test_one_process_takes_many_files_and_a_dead_one_is_replaced() -> None:
    room = ReadingRoom(at_once=1)
    _taken(room)
    (process,) = room._idle
    _taken(room)
    assert room._idle == [process]
    process.kill()
    process.wait(10)
    assert isinstance(_taken(room), TakenIn)
    assert room._idle != [process]


def test_nothing_that_comes_back_is_ever_run(tmp_path: Path) -> None:
    class Order:
        def __reduce__(self) -> tuple[object, ...]:
            return os.mkdir, (str(tmp_path / "made"),)

    for message in (pickle.dumps(("taken in", Order()), 5), pickle.dumps(Path("/"), 5)):
        with pytest.raises(pickle.UnpicklingError, match="no value of a sheet"):
            _Values(io.BytesIO(message)).load()
    assert not (tmp_path / "made").exists()


def test_the_process_gets_no_password(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in NAMES:
        monkeypatch.setenv(name, "a password")
    room = ReadingRoom(at_once=1)
    _taken(room)
    around = Path(f"/proc/{room._idle[0].pid}/environ")
    if not around.exists():
        pytest.skip("this system does not show a process's environment")
    assert b"a password" not in around.read_bytes()
