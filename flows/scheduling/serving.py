"""Keeping the schedules: Prefect's server, its deployments served, and what was missed.

Prefect starts each chore at its crontab line. Beside it a keeper looks every half minute
whether something that was due has not been done (the machine was off, a run was killed, a
chore failed) and has Prefect do it; a chore that has been done for its time is not done again.
"""

from __future__ import annotations

import _thread
import contextlib
import datetime as dt
import os
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from flows.orchestration import embed
from flows.scheduling.clock import aware, naive, rehearsing, utc_now
from flows.scheduling.heartbeat import beat
from flows.scheduling.turns import SCHEDULE, turn
from flows.watching.log import LOG, event, log_to
from shared.operating import ACTIVITIES
from shared.problems import Problem
from shared.settings import Network
from warehouse import activities

_SERVER_START_SECONDS = 180.0
_TICK_SECONDS, _TICK_SECONDS_REHEARSED = 30.0, 0.5
_PREFECT_FIRST = dt.timedelta(minutes=5)
"""How long the keeper leaves something due to Prefect's own schedule."""
_TRY_AGAIN_AFTER = dt.timedelta(hours=1)
_TRIES = 12
_PATIENCE_SECONDS = 60.0
"""How long, by the clock on the wall, a chore that was triggered is waited for."""
_STALE = {"remind": dt.timedelta(hours=24), "overdue": dt.timedelta(hours=24),
          "backup": dt.timedelta(hours=24), "collect": dt.timedelta(hours=1)}
"""What is not worth doing so long after it was due: the next time comes soon enough."""


class SchedulerFailed(Problem, RuntimeError):
    """The schedules cannot be kept."""

    code = "scheduler-failed"


@dataclass(slots=True)
class Keeper:
    """Sees to what was due and has not been done. ``trigger`` has one chore done."""

    network_dir: Path
    network: Network
    trigger: Callable[[str, dt.datetime, int], object]
    prefect_first: dt.timedelta = _PREFECT_FIRST
    tries: dict[tuple[str, dt.datetime], list[dt.datetime]] = field(default_factory=dict)
    _triggered: dict[str, float] = field(default_factory=dict)

    def look(self, now: dt.datetime) -> list[str]:
        """Trigger what is to be made up for at ``now`` (naive UTC); the activities."""
        # Nothing was ever due before the schedules were first kept.
        since = beat(self.network_dir, now)
        made_up = []
        for activity in sorted(ACTIVITIES, key=lambda name: name == "collect"):
            cron = self.network.operating.schedule.cron(activity)
            at = cron.last_until(aware(now)) if cron is not None else None
            if at is None:
                continue
            due = naive(at)
            late = now - due
            if (due < since or late < self.prefect_first
                    or late > _STALE.get(activity, dt.timedelta(days=3650))
                    or activities.done_for(self.network_dir, activity, due)):
                continue
            tried = self.tries.setdefault((activity, due), [])
            if len(tried) >= _TRIES or (tried and abs(now - tried[-1]) < _TRY_AGAIN_AFTER):
                continue
            # A rehearsal's hour is over in no time; what is under way is given its own.
            if time.monotonic() - self._triggered.get(activity, -_PATIENCE_SECONDS) < (
                    _PATIENCE_SECONDS):
                continue
            self._triggered[activity] = time.monotonic()
            tried.append(now)
            self.trigger(activity, due, len(tried))
            made_up.append(activity)
        return made_up


def keep(network_dir: Path, network: Network, say: Callable[[str], None]) -> None:
    """Keep the schedules until the process is told to stop.

    Raises :class:`SchedulerFailed` when Prefect's server cannot be started or ends, and
    :class:`~shared.problems.NetworkBusy` when another process keeps them.
    """
    with turn(network_dir, SCHEDULE), contextlib.ExitStack() as stack:
        embed(network_dir)
        log_to(network_dir)
        server: subprocess.Popen[bytes] | None = None
        if "PREFECT_API_URL" not in os.environ:
            say("starting Prefect's server")
            server = stack.enter_context(_server(network_dir, network.operating.schedule.port))
        say(f"Prefect's page: {os.environ['PREFECT_API_URL'].removesuffix('/api')}")
        _serve(network_dir, network, server, say)


@contextlib.contextmanager
def _server(network_dir: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """Prefect's server on loopback, its state in the network's folder."""
    with socket.socket() as probe:
        if probe.connect_ex(("127.0.0.1", port)) == 0:
            raise SchedulerFailed(
                f"Something else answers at port {port} of this machine.",
                "Stop it, or write another port in [schedule] of network.toml; to use a Prefect "
                "server that runs already, set PREFECT_API_URL.")
    log = network_dir / "warehouse" / "prefect" / "server.log"
    environment = os.environ | {"PREFECT_SERVER_LOGGING_LEVEL": "WARNING",
                                "PREFECT_LOGGING_ROOT_LEVEL": "WARNING"}
    # Passwords are for the chores; the server has no use for them.
    environment = {name: value for name, value in environment.items()
                   if not name.startswith("TALLYWEIR_")}
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1",
             "--port", str(port)], env=environment, stdout=out, stderr=out)
    try:
        deadline = time.monotonic() + _SERVER_START_SECONDS
        while not _healthy(port):
            if process.poll() is not None or time.monotonic() > deadline:
                raise SchedulerFailed("Prefect's server did not start.",
                                      "The end of its own log says why.", str(log))
            time.sleep(0.25)
        os.environ["PREFECT_API_URL"] = f"http://127.0.0.1:{port}/api"
        yield process
    finally:
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(20)


def _healthy(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/health", timeout=2) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def _serve(
    network_dir: Path, network: Network, server: subprocess.Popen[bytes] | None,
    say: Callable[[str], None],
) -> None:
    import asyncio

    from prefect.exceptions import TerminationSignal
    from prefect.runner import Runner

    from flows.scheduling.deployments import deployments

    _forget_what_was_left(network)
    made = deployments(network_dir, network, scheduled=not rehearsing())
    # The limit is the network's: whatever is due, one thing is done at a time.
    runner = Runner(name=f"tallyweir {network.id}", limit=1, pause_on_shutdown=False,
                    query_seconds=2 if rehearsing() else 10)
    for deployment in made.values():
        runner.add_deployment(deployment)
    stop = threading.Event()
    keeper = Keeper(network_dir, network, lambda activity, due, attempt: trigger(
        made[activity].flow_name, network.id, f"{activity} {due.isoformat()} {attempt} "
        f"{os.getpid()}"), dt.timedelta() if rehearsing() else _PREFECT_FIRST)
    tick = _TICK_SECONDS_REHEARSED if rehearsing() else _TICK_SECONDS
    lost: list[str] = []

    def watch() -> None:
        while not stop.wait(tick):
            if server is not None and server.poll() is not None:
                lost.append("server")
                _thread.interrupt_main()
                return
            try:
                for activity in keeper.look(utc_now()):
                    event(f"{activity} was due and is made up for", activity=activity)
            except Exception:
                LOG.exception("the keeper stumbled; it looks again")

    watcher = threading.Thread(target=watch, name="keeper", daemon=True)
    watcher.start()
    say("keeping the schedules; stop with Ctrl-C")
    event("schedules kept", network=network.id)
    try:
        asyncio.run(runner.start())
    except (KeyboardInterrupt, TerminationSignal):
        say("stopped; what is missed meanwhile is made up for at the next start")
    finally:
        stop.set()
        watcher.join(30)
    if lost:
        raise SchedulerFailed("Prefect's server ended by itself.",
                              "Start again; what was missed is made up for.")


def trigger(flow_name: str, deployment: str, key: str) -> None:
    """Have Prefect do a deployment's flow now, once for ``key``."""
    from prefect.deployments import run_deployment

    run_deployment(f"{flow_name}/{deployment}", timeout=0, as_subflow=False,
                   idempotency_key=key)


def _forget_what_was_left(network: Network) -> None:
    """Settle the runs that a stop left behind: what counts is made up for, once.

    A run that was killed would stand as running for ever, one that waited would be done late
    and once more.
    """
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import (
        FlowRunFilter,
        FlowRunFilterState,
        FlowRunFilterStateType,
        FlowRunFilterTags,
    )
    from prefect.client.schemas.objects import StateType
    from prefect.states import Crashed

    def ours(*types: StateType) -> FlowRunFilter:
        return FlowRunFilter(
            state=FlowRunFilterState(type=FlowRunFilterStateType(any_=list(types))),
            tags=FlowRunFilterTags(all_=["tallyweir", network.id]))

    with get_client(sync_client=True) as client:
        waits = ours(StateType.SCHEDULED, StateType.PENDING)
        while found := client.read_flow_runs(flow_run_filter=waits, limit=200):
            for run in found:
                client.delete_flow_run(run.id)
        runs = ours(StateType.RUNNING, StateType.CANCELLING)
        while found := client.read_flow_runs(flow_run_filter=runs, limit=200):
            for run in found:
                client.set_flow_run_state(
                    run.id, Crashed(message="The machine or the program stopped."), force=True)


def hand_to_pool(network_dir: Path, network: Network, pool: str) -> list[str]:
    """Register the deployments for workers of ``pool`` at the server of PREFECT_API_URL.

    The network gets a queue of its own that lets one run through at a time. Returns the names
    of the deployments. Raises :class:`SchedulerFailed` when no server is named or answers.
    """
    if "PREFECT_API_URL" not in os.environ:
        raise SchedulerFailed("--pool needs a Prefect server, and none is named.",
                              "Set PREFECT_API_URL to its address (docs/operate.md).")
    embed(network_dir)
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.actions import WorkPoolCreate
    from prefect.exceptions import ObjectAlreadyExists

    from flows.scheduling.deployments import deployments

    made = deployments(network_dir, network, pool=pool)
    try:
        with get_client(sync_client=True) as client, contextlib.suppress(ObjectAlreadyExists):
            client.create_work_pool(WorkPoolCreate(name=pool, type="process"))
        for deployment in made.values():
            deployment.apply()
        _one_at_a_time(pool, network.id)
    except Exception as error:
        if isinstance(error, Problem):
            raise
        raise SchedulerFailed(
            f"The Prefect server did not take the schedules ({type(error).__name__}: {error}).",
            "See that it runs and that its version is ours.",
            os.environ["PREFECT_API_URL"]) from error
    return [f"{deployment.flow_name}/{deployment.name}" for deployment in made.values()]


def _one_at_a_time(pool: str, queue: str) -> None:
    import asyncio

    from prefect.client.orchestration import get_client

    async def limit() -> None:
        async with get_client() as client:
            found = await client.read_work_queue_by_name(queue, work_pool_name=pool)
            await client.update_work_queue(found.id, concurrency_limit=1)

    asyncio.run(limit())
