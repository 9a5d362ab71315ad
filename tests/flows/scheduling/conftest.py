"""A small network that has been laid out, with a fixture for certificates."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from fixtures import lay_out
from tests.flows.collecting.conftest import authority

__all__ = ["authority"]

SITES = ("cinderpath-brook", "hobnail-brook")


@pytest.fixture(scope="session")
def _two_sites(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bay = tmp_path_factory.mktemp("two-sites") / "bay"
    lay_out(bay, weeks=6, only_sites=SITES)
    return bay


@pytest.fixture
def bay(_two_sites: Path, tmp_path: Path) -> Path:
    """Folder of a network of two sites that nobody has run yet."""
    return Path(shutil.copytree(_two_sites, tmp_path / "bay"))
