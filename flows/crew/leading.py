"""The leader's side of a crew: errands go to the scheduler, reports come back.

Which worker does an errand is Dask's business, and so is giving it to another when one is gone.
"""

from __future__ import annotations

import datetime as dt
import math
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from flows.crew.at_sites import Errand, Report, judge_sites, read_sites, version
from shared.operating import CrewSettings
from shared.problems import Problem
from warehouse.lake_session import library

_REACHED_SECONDS = 30
_LOOK_SECONDS = 10.0
_ALONE_SECONDS = 300.0
"""How long a run waits while no worker is there, before it gives up."""
_ROUNDS = 4
"""Errands for each worker: the more, the less is lost with one and the more evenly they end."""


class CrewOutOfReach(Problem, ConnectionError):
    """The scheduler cannot be reached, or no worker is there."""

    code = "crew-out-of-reach"


def dask() -> Any:
    """Dask's library. Raises :class:`~warehouse.lake.LakeNotInstalled` where it is not there."""
    return library("distributed")


def security_of(settings: CrewSettings) -> Any:
    """Dask's settings of TLS; None where the network trusts its wires."""
    if not settings.ca_file:
        return None
    return dask().Security(
        require_encryption=True, tls_ca_file=settings.ca_file,
        **{f"tls_{role}_{what}": path for role in ("client", "scheduler", "worker")
           for what, path in (("cert", settings.cert_file), ("key", settings.key_file))})


class Crew:
    """The workers of one run. Errands may be given from several threads."""

    def __init__(self, client: Any, settings: CrewSettings, run_id: str, as_of: dt.date) -> None:
        self._client, self._settings = client, settings
        self._run_id, self._as_of, self._version = run_id, as_of, version()

    def groups(self, sites: Sequence[str]) -> list[tuple[str, ...]]:
        """``sites`` in errands: few enough for all workers to have some, and none too large."""
        workers = max(1, len(self._workers()))
        size = min(self._settings.at_once,
                   max(1, math.ceil(len(sites) / (workers * _ROUNDS))))
        return [tuple(sites[first:first + size]) for first in range(0, len(sites), size)]

    def read(self, sites: tuple[str, ...]) -> list[Report]:
        """Have somebody read what the sites sent."""
        return self._errand(read_sites, Errand(self._run_id, self._as_of, sites, self._version))

    def judge(self, sites: tuple[str, ...], standing: dict[str, set[str]]) -> list[Report]:
        """Have somebody judge and load the sites. ``standing``: what is in their inboxes."""
        return self._errand(judge_sites, Errand(
            self._run_id, self._as_of, sites, self._version,
            {site: frozenset(standing.get(site, ())) for site in sites}))

    def _errand(self, work: Callable[[Errand], list[Report]], errand: Errand) -> list[Report]:
        future = self._client.submit(work, errand, pure=False)
        alone_since: float | None = None
        while True:
            try:
                reports: list[Report] = future.result(timeout=_LOOK_SECONDS)
                return reports
            except TimeoutError:
                if self._workers():
                    alone_since = None
                    continue
                alone_since = alone_since or time.monotonic()
                if time.monotonic() - alone_since > _ALONE_SECONDS:
                    raise _nobody(self._settings) from None

    def _workers(self) -> dict[str, Any]:
        found: dict[str, Any] = self._client.scheduler_info(n_workers=-1)["workers"]
        return found


@contextmanager
def crew_of(settings: CrewSettings, run_id: str, as_of: dt.date) -> Iterator[Crew | None]:
    """The crew of a run; None where the leader works alone.

    Raises :class:`CrewOutOfReach` when the scheduler or any worker is not there.
    """
    if not settings.scheduler:
        yield None
        return
    distributed = dask()
    try:
        client = distributed.Client(
            settings.scheduler, security=security_of(settings), timeout=_REACHED_SECONDS,
            set_as_default=False, name="tallyweir-leader")
    except (OSError, TimeoutError) as error:
        raise CrewOutOfReach(
            "The scheduler of the workers cannot be reached.",
            "Start it with `tallyweir work DIR --scheduler` where [workers] says it is, or take "
            "[workers] out of network.toml: then the run is done here alone.",
            settings.scheduler) from error
    try:
        try:
            client.wait_for_workers(1, timeout=_REACHED_SECONDS)
        except (OSError, TimeoutError) as error:
            raise _nobody(settings) from error
        yield Crew(client, settings, run_id, as_of)
    finally:
        client.close()


def _nobody(settings: CrewSettings) -> CrewOutOfReach:
    return CrewOutOfReach(
        "No worker is there to do the sites' work.",
        "Start one or more with `tallyweir work DIR` on any machine that sees the network's "
        "folder, then run it again. What was handed in is kept.", settings.scheduler)
