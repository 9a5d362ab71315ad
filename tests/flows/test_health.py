"""Other machines that a network leans on are looked after too."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from fixtures import lay_out
from flows.cli import main
from flows.network_folder import load_network
from flows.watching.health import BAD, GOOD, WATCH, Matter, matters
from tests.flows.real_servers import Database, postgres_missing


@contextmanager
def _listening() -> Iterator[int]:
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        yield server.getsockname()[1]


def _nobody_listens() -> int:
    with _listening() as port:
        return port


def _bay(folder: Path, lake: str, scheduler: str = "") -> Path:
    lay_out(folder, weeks=1, only_sites=("hobnail-brook",), history=False)
    with (folder / "network.toml").open("a", encoding="utf-8") as handle:
        handle.write(f'\n[warehouse]\nlake = "{lake}"\n')
        if scheduler:
            handle.write(f'[workers]\nscheduler = "{scheduler}"\n')
    return folder


def _told(bay: Path) -> dict[str, Matter]:
    return {matter.name: matter for matter in matters(bay, load_network(bay))}


def test_a_catalogue_and_a_scheduler_that_do_not_answer_are_named_without_the_password(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("TALLYWEIR_LAKE_PASSWORD", "glass-eel-7")
    port = _nobody_listens()
    bay = _bay(tmp_path / "bay", f"host=127.0.0.1 port={port} dbname=bay user=bay",
               f"tcp://127.0.0.1:{port}")
    told = _told(bay)
    assert told["lake"].state == told["workers"].state == BAD
    assert "\n" not in told["lake"].told
    assert str(port) in told["lake"].told and "See that PostgreSQL runs" in told["lake"].told
    assert f"tallyweir work {bay} --scheduler" in told["workers"].told
    assert not (bay / "lake").exists(), "asking makes nothing"
    assert main(["health", str(bay), "--json"]) == 2
    said = capsys.readouterr().out
    assert "glass-eel-7" not in said
    assert {"lake", "workers"} <= {matter["name"] for matter in json.loads(said)["matters"]}


@pytest.mark.skipif(bool(postgres_missing()), reason=postgres_missing())
def test_a_catalogue_and_a_scheduler_that_answer_are_well(
    tmp_path: Path, postgres: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TALLYWEIR_LAKE_PASSWORD", postgres.PASSWORD)
    with _listening() as port:
        bay = _bay(tmp_path / "bay", postgres.make(), f"tcp://127.0.0.1:{port}")
        (bay / "lake").mkdir()
        told = _told(bay)
        assert told["lake"].state == told["workers"].state == GOOD
        (bay / "lake").rmdir()
        told = _told(bay)
    assert told["lake"].state == WATCH and str(bay / "lake") in told["lake"].told
    assert not (bay / "lake").exists()


def test_a_network_with_neither_is_told_of_neither(tmp_path: Path) -> None:
    lay_out(tmp_path / "bay", weeks=1, only_sites=("hobnail-brook",), history=False)
    assert not {"lake", "workers"} & set(_told(tmp_path / "bay"))
