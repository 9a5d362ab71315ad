"""A part of what `python -m bench.two_hosts` shows: two workers, one of them killed."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.two_hosts import WORKERS, compare
from flows.network_folder import load_network
from flows.weekly import run_in_order
from tests.flows.real_servers import postgres_missing

SITES = ("hobnail-brook", "jackstraw-creek", "cinderpath-brook", "kettlelid-brook")


@pytest.mark.slow
@pytest.mark.skipif(bool(postgres_missing()), reason=postgres_missing())
def test_two_workers_release_the_same_bytes_and_so_does_one_that_is_left(tmp_path: Path) -> None:
    told = compare(
        tmp_path, only_sites=SITES, history=False, kill=(True,),
        alone=lambda bay, as_of: run_in_order(bay, load_network(bay), as_of))
    print(told.hosts)
    assert told.equal, told.digests
    (handed_in,) = told.by_whom.values()
    assert set(handed_in) == set(WORKERS) and sum(handed_in.values()) >= 2 * len(SITES)
    assert handed_in[WORKERS[1]] > 0
