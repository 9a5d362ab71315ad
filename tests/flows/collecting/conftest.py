"""A warehouse with nothing in it, and a network of two sites that can be given sources."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from shared.settings import Network, parse_network
from tests.flows.real_servers import Authority
from warehouse.store import Warehouse

HEAD = """
[network]
id = "bay"
name = "Lantern Bay count"
season_start = "02-01"
season_end = "06-15"
coordinator = "coordinator@example.org"
"""
SITES = """
[sites.alder-creek]
name = "Alder Creek"
zone = "EST5EDT"
contact = "alder@example.org"
[sites.hobnail-brook]
name = "Hobnail Brook"
zone = "EST5EDT"
contact = "hobnail@example.org"
"""


@pytest.fixture
def warehouse(tmp_path: Path) -> Iterator[Warehouse]:
    with Warehouse.open(tmp_path / "bay") as opened:
        yield opened


@pytest.fixture
def network() -> Callable[..., Network]:
    """Settings from tables and the sites' own entries."""
    def made(tables: str = "", alder: str = "", hobnail: str = "") -> Network:
        first, second = SITES.split("[sites.hobnail-brook]")
        return parse_network(HEAD + tables + first + alder + "\n[sites.hobnail-brook]" + second
                             + hobnail)
    return made


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))
