"""A warehouse in a fresh folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.warehouse.by_hand import lay_empty
from warehouse.folder import database_path
from warehouse.store import Warehouse


@pytest.fixture
def wh(tmp_path: Path) -> Iterator[Warehouse]:
    """An open, empty warehouse; its folder is ``wh.network_dir``."""
    lay_empty(database_path(tmp_path / "network"))
    with Warehouse.open(tmp_path / "network") as opened:
        yield opened
