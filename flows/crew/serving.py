"""The processes of a crew: the scheduler, and a worker that comes back when it went away."""

from __future__ import annotations

import asyncio
import logging
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from flows.crew.at_sites import Hand, take_on
from flows.crew.leading import dask, security_of
from flows.network_folder import load_network
from flows.watching.log import log_to
from shared.operating import CrewSettings
from shared.problems import BadSettings

_AGAIN_SECONDS = 3.0
_HERE_ALONE = "127.0.0.1:0"
"""Dask's page of its own state shows tasks to whoever can open it: on this machine alone."""

Say = Callable[[str], None]


def crew_settings(network_dir: Path) -> CrewSettings:
    """What network.toml says of the crew. Raises :class:`BadSettings` where it says nothing."""
    settings = load_network(network_dir).operating.crew
    if not settings.scheduler:
        raise BadSettings("network.toml names no scheduler.",
                          'Add [workers] with scheduler = "tls://HOST:8786" (docs/scale.md).',
                          str(network_dir))
    return settings


def serve_scheduler(network_dir: Path, say: Say) -> None:
    """Be the scheduler that network.toml names, until stopped."""
    settings = crew_settings(network_dir)
    address = urlsplit(settings.scheduler)

    async def serve() -> None:
        async with _quiet().Scheduler(
                host=address.hostname, port=address.port, protocol=f"{address.scheme}://",
                security=security_of(settings), dashboard=False,
                dashboard_address=_HERE_ALONE) as scheduler:
            say(f"Scheduler at {scheduler.address}. Whoever reaches this port can run programs "
                "here: keep it on a private network.")
            await scheduler.finished()

    asyncio.run(serve())


def work(network_dir: Path, scratch: Path | None, say: Say) -> None:
    """Be a worker until stopped; while no scheduler is there, wait for one."""
    settings = crew_settings(network_dir)
    log_to(network_dir)
    with _own_folder(scratch) as folder:
        hand = Hand(network_dir, folder, say)
        take_on(hand)
        try:
            asyncio.run(_work(settings, folder, say))
        finally:
            hand.close()


async def _work(settings: CrewSettings, folder: Path, say: Say) -> None:
    waiting = False
    while True:
        worker: Any = _quiet().Worker(
            settings.scheduler, nthreads=1, security=security_of(settings), memory_limit=0,
            local_directory=str(folder), death_timeout=_AGAIN_SECONDS * 10,
            dashboard_address=_HERE_ALONE)
        try:
            async with worker:
                say(f"Working for {settings.scheduler}.")
                waiting = False
                await worker.finished()
        except (OSError, TimeoutError, ValueError, RuntimeError) as error:
            # Not there yet, or gone while we said hello: Dask tells these in several ways.
            if not waiting:
                why = (str(error).splitlines() or [type(error).__name__])[0]
                say(f"Waiting for the scheduler at {settings.scheduler} ({why}).")
            waiting = True
        await asyncio.sleep(_AGAIN_SECONDS)


@contextmanager
def _own_folder(scratch: Path | None) -> Iterator[Path]:
    if scratch is None:
        with tempfile.TemporaryDirectory(prefix="tallyweir-worker-") as name:
            yield Path(name)
        return
    scratch.parent.mkdir(parents=True, exist_ok=True)
    # It holds what the network's own folder holds: nobody else's.
    scratch.mkdir(mode=0o700, exist_ok=True)
    yield scratch


def _quiet() -> Any:
    """Dask's library, saying only what somebody must see to."""
    distributed = dask()
    for name in ("distributed", "bokeh", "tornado"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    return distributed
