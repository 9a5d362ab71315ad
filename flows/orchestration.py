"""The weekly run as a Prefect flow: tasks with retries, sites side by side.

Prefect runs embedded: its own server inside this process tree, its state in the
network's folder, nothing sent anywhere. Its environment must be set before it is first
imported, which is why :func:`embed` comes before any import of it and why no other
module imports Prefect.
"""

from __future__ import annotations

import datetime as dt
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flows import door
from flows.crew.at_sites import OtherVersion, Report
from flows.crew.leading import Crew, CrewOutOfReach, crew_of
from flows.watching.log import LOG, log_to
from flows.weekly import Outcome, WeeklyRun, trouble_of
from flows.workplace import workplace
from shared.problems import Problem
from shared.settings import Network
from warehouse import record
from warehouse.durable import make_folder
from warehouse.lake import LakeOutOfReach
from warehouse.slices import OF_THE_NETWORK

Progress = Callable[[str], None]
"""Told in a few words what is going on."""

SITES_AT_ONCE = 4

_OF_THE_WHOLE_RUN = (LakeOutOfReach, CrewOutOfReach, OtherVersion)
"""Problems that no site has alone."""


def embed(network_dir: Path) -> None:
    """Set Prefect's environment: state in the network's folder, quiet, no telemetry.

    Whoever sets PREFECT_API_URL keeps it: then that server is used instead.
    """
    home = network_dir.resolve() / "warehouse" / "prefect"
    make_folder(home)
    settings = {
        "PREFECT_HOME": str(home),
        "PREFECT_PROFILES_PATH": str(home / "profiles.toml"),
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
        "PREFECT_CLI_PROMPT": "false",
        # A task's traceback goes to our own log, not to the terminal.
        "PREFECT_LOGGING_LEVEL": "CRITICAL",
        # Nor do other libraries' words: a connection cut short while the embedded server
        # ends is none of the coordinator's business.
        "PREFECT_LOGGING_ROOT_LEVEL": "CRITICAL",
        # A busy machine may take a minute to start the embedded server.
        "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "120",
        "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
        "PREFECT_LOGGING_TO_API_ENABLED": "false",
    }
    for name, value in settings.items():
        os.environ[name] = value
    if "PREFECT_API_URL" not in os.environ:
        os.environ["PREFECT_SERVER_ALLOW_EPHEMERAL_MODE"] = "true"


def weekly_run(
    network_dir: Path, network: Network, as_of: dt.date, progress: Progress
) -> Outcome:
    """One weekly run under Prefect. Call :func:`embed` first.

    A site whose stage fails is told so in its troubles and the others go on. Raises
    :class:`~shared.problems.Problem` when the run as a whole cannot be done.
    """
    from prefect import flow, task
    from prefect.cache_policies import NO_CACHE
    from prefect.task_runners import ThreadPoolTaskRunner

    def stage(name: str, work: Callable[..., object], named: str = "") -> Any:
        return task(
            name=name, task_run_name=name + named, retries=2, retry_delay_seconds=1,
            retry_condition_fn=_worth_another_try, cache_policy=NO_CACHE, persist_result=False,
        )(work)

    def over_sites(run: WeeklyRun, name: str, work: Callable[[str], object]) -> None:
        """One task a site, several at once; a site that fails fails alone."""
        site_stage = stage(name, work, " {site_id}")
        futures = {site: site_stage.submit(site_id=site) for site in run.network.sites}
        for done, (site, future) in enumerate(futures.items(), start=1):
            future.wait()
            progress(f"{name}: {done} of {len(futures)} sites")
            if future.state.is_failed():
                note_failure(run, name, site, future.state.result(raise_on_failure=False))

    def in_turn(run: WeeklyRun, name: str, work: Callable[[str], object]) -> None:
        """One task for all sites, for work so slight that a task a site would outweigh it."""

        def all_sites() -> None:
            for site in run.network.sites:
                try:
                    work(site)
                except Exception as error:  # told to the site; the others go on
                    note_failure(run, name, site, error)

        progress(name)
        stage(name, all_sites)()

    def by_the_crew(
        run: WeeklyRun, crew: Crew, name: str, work: Callable[[tuple[str, ...]], list[Report]]
    ) -> None:
        """One task a group of sites, done by whichever worker the scheduler chooses."""
        errand = stage(name, work, " {sites}")
        groups = crew.groups(list(run.network.sites))
        futures = {sites: errand.submit(sites=sites) for sites in groups}
        done = 0
        for sites, future in futures.items():
            future.wait()
            done += len(sites)
            progress(f"{name}: {done} of {len(run.network.sites)} sites")
            if future.state.is_failed():
                for site in sites:
                    note_failure(run, name, site, future.state.result(raise_on_failure=False))
                continue
            for report in future.result():
                hear(run, report)

    def hear(run: WeeklyRun, report: Report) -> None:
        outcome = run.outcome.sites[report.site]
        outcome.read += report.read
        outcome.redone = outcome.redone or report.redone
        outcome.troubles += report.troubles
        if report.failed is not None:
            outcome.troubles.append(report.failed)
        for name, spent in report.seconds.items():
            run.outcome.seconds[name] = run.outcome.seconds.get(name, 0.0) + spent

    def note_failure(run: WeeklyRun, name: str, site: str, error: object) -> None:
        if isinstance(error, _OF_THE_WHOLE_RUN):
            # Every other site would meet it too, and a release must not tell of half of them.
            raise error
        LOG.error("%s failed for %s", name, site,
                  exc_info=error if isinstance(error, BaseException) else None)
        run.outcome.sites[site].troubles.append(trouble_of(name, error))

    side_by_side: Any = ThreadPoolTaskRunner(max_workers=SITES_AT_ONCE)

    @flow(name="weekly-run", flow_run_name=f"{network.id} {as_of}", persist_result=False,
          task_runner=side_by_side, validate_parameters=False)
    def weekly() -> Outcome:
        progress("opening the warehouse")
        with workplace(network_dir, network) as place:
            run = WeeklyRun(network_dir, network, place.warehouse, as_of)
            in_turn(run, "receive", run.receive)
            run.tell_copies_apart()
            with crew_of(network.operating.crew, run.outcome.run_id, as_of) as crew:
                if crew is None:
                    over_sites(run, "read", run.take_in)
                    run.compare_sites()
                    over_sites(run, "judge and load", run.judge_and_load)
                else:
                    # What only this copy has (of a network that has just moved into its lake,
                    # or of a run that was cut off) is there for everybody then.
                    place.hand_in()
                    by_the_crew(run, crew, "read", crew.read)
                    by_the_crew(run, crew, "judge and load", lambda sites: crew.judge(
                        sites, run.standing_paths))
                    # The sites are handed in, by those who did their work.
                    place.touches = [OF_THE_NETWORK]
                    place.bring()
                    record.catch_up(place.warehouse)
            progress("release")
            if getting_ready.is_alive():
                getting_ready.join()
            stage("release", run.publish)()
            in_turn(run, "return", run.return_to)
            outcome = run.finish()
            place.tidy()
            return outcome

    progress("starting the scheduler (some seconds the first time)")
    log_to(network_dir)
    # The scheduler's start is mostly waiting: time enough for what the door must import. Not
    # before Prefect is imported, since two threads do not import the same libraries well.
    getting_ready = threading.Thread(target=_get_ready, name="door")
    if door.may_open(network_dir):
        getting_ready.start()
    return weekly()


def _get_ready() -> None:
    try:
        door.get_ready()
    except Exception:  # whoever needs it tries again, and tells what is wrong
        LOG.warning("the door could not be made ready early", exc_info=True)


def _worth_another_try(_task: object, _run: object, state: Any) -> bool:
    """A :class:`Problem` is about the data or the folder: it will be the same next time."""
    error = state.result(raise_on_failure=False)
    return isinstance(error, Exception) and not isinstance(error, Problem)


