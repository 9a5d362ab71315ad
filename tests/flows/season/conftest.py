"""Reports of a made-up network of six sites and five seasons, written once."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import pytest

from bench.season import FIRST, made_up_network
from flows.season import write_season
from shared.settings import Network
from warehouse.season.account import SeasonAccount

SEASONS = 5


class Written(NamedTuple):
    """Where the reports are, and what they were made of."""

    network_dir: Path
    network: Network
    folder: Path
    account: SeasonAccount


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    """The reports of the last season."""
    directory = tmp_path_factory.mktemp("season") / "network"
    network, _ = made_up_network(directory, 6, SEASONS)
    return Written(directory, network, *write_season(directory, network, FIRST + SEASONS - 1))
