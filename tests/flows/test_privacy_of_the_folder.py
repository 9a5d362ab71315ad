"""``health`` says when other users of the machine can look into a network's folder."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from flows.network_folder import load_network
from flows.watching.health import Matter, matters

pytestmark = pytest.mark.skipif(os.name != "posix", reason="folders there have lists of their own")


@pytest.fixture
def reachable(bay: Path) -> Iterator[Path]:
    """The network where every user of the machine comes by."""
    outside = Path(tempfile.mkdtemp())
    if not all(folder.stat().st_mode & 0o001 for folder in outside.parents):
        shutil.rmtree(outside)
        pytest.skip("the folder for passing files is closed to others here")
    outside.chmod(0o755)
    yield Path(shutil.copytree(bay, outside / "bay"))
    shutil.rmtree(outside)


def _privacy(bay: Path) -> list[Matter]:
    return [item for item in matters(bay, load_network(bay)) if item.name == "privacy"]


def test_a_folder_that_others_can_look_into_is_told(reachable: Path) -> None:
    (reachable / "inbox").chmod(0o755)
    (told,) = _privacy(reachable)
    assert told.state == "watch" and f"chmod 700 {(reachable / 'inbox').resolve()}" in told.told
    (reachable / "inbox").chmod(0o750)
    assert _privacy(reachable) == []


def test_within_a_closed_folder_nothing_is_told(reachable: Path) -> None:
    (reachable / "inbox").chmod(0o755)
    reachable.chmod(0o700)
    assert _privacy(reachable) == []
