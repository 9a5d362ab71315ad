"""A small Lantern Bay network, laid out once and copied for each test."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest

from fixtures import lay_out
from flows.network_folder import load_network
from flows.weekly import run_in_order
from shared.settings import Network

SITES = ("alder-creek", "cinderpath-brook", "hobnail-brook", "kettlelid-brook", "inkwell-burn")
AS_OF = dt.date(2026, 4, 19)


@pytest.fixture(scope="session")
def _laid_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("laid-out") / "bay"
    layout = lay_out(directory, only_sites=SITES)
    assert layout.as_of == AS_OF
    return directory


@pytest.fixture
def bay(_laid_out: Path, tmp_path: Path) -> Path:
    """Folder of a network of five sites that nobody has run yet."""
    return Path(shutil.copytree(_laid_out, tmp_path / "bay"))


@pytest.fixture(scope="session")
def undisturbed(_laid_out: Path) -> Path:
    """The same after its weekly run; nobody's to write in."""
    directory = Path(shutil.copytree(_laid_out, _laid_out.with_name("run-once")))
    run_in_order(directory, load_network(directory), AS_OF)
    return directory


@pytest.fixture
def ran(undisturbed: Path, tmp_path: Path) -> Path:
    """Folder of a network of five sites that had its weekly run."""
    return Path(shutil.copytree(undisturbed, tmp_path / "bay"))


@pytest.fixture
def network(_laid_out: Path) -> Network:
    """Its settings."""
    return load_network(_laid_out)


def published(directory: Path) -> dict[str, bytes]:
    """Every file of the latest release but the snapshot, whose bytes DuckDB does not repeat."""
    version = (directory / "releases" / "latest").read_text(encoding="utf-8").strip()
    folder = directory / "releases" / version
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())
            if path.suffix != ".duckdb"}
