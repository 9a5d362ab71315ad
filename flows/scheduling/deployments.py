"""The chores as Prefect flows, as its workers import them. Only Prefect imports this module.

A flow's one parameter is the network's folder. Passwords come from the environment of the
process that does the work and never pass through Prefect.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from prefect import flow, runtime
from prefect.artifacts import create_markdown_artifact

from flows.network_folder import load_network
from flows.orchestration import embed, weekly_run
from flows.presenting import status_words
from flows.returns.wording import day, plain
from flows.scheduling.chores import ChoreFailed, perform
from flows.scheduling.clock import aware, utc_now
from flows.watching.log import event
from flows.weekly import Outcome, run_in_order
from shared.operating import ACTIVITIES
from shared.problems import Problem
from shared.settings import Network
from warehouse.activities import Done
from warehouse.standing import SiteStanding, read_standing

TITLES = {
    "collect": "collect sheets", "weekly": "weekly run", "remind": "reminders",
    "overdue": "overdue sheets", "backup": "backup", "close": "season close"}

_MOST_ROWS = 200


def _run_name() -> str:
    """What a person reads in Prefect's list: network, chore, and the day it is for."""
    directory = Path(runtime.flow_run.parameters["network_dir"])
    activity = str(runtime.flow_run.flow_name)
    activity = next(key for key, title in TITLES.items() if title == activity)
    try:
        network = load_network(directory)
    except Problem:
        return f"{directory.name}: {TITLES[activity]}"
    cron = network.operating.schedule.cron(activity)
    due = (cron.last_until(aware(utc_now())) if cron is not None else None) or aware(utc_now())
    hour = f" {due:%H:%M}" if activity == "collect" else ""
    return f"{plain(network.name, 60)}: {TITLES[activity]}, {day(due.date())}{hour}"


def _do(activity: str, network_dir: str, run: Callable[..., Outcome]) -> str:
    directory = Path(network_dir)
    embed(directory)
    done = perform(activity, directory, run)
    if done is None:
        return "It had been done already."
    if done.outcome == "failed":
        raise ChoreFailed(done.told, "")
    _account(activity, directory, done)
    return done.told


def _account(activity: str, directory: Path, done: Done) -> None:
    """Artifacts: how the network stands, and each site's findings."""
    network = load_network(directory)
    standing = read_standing(directory)
    if activity not in ("weekly", "close") or standing is None:
        return
    season = network.season_span(network.season_of(dt.date.fromisoformat(standing.as_of)))
    words = "\n".join(f"- {_cell(line)}" for line in status_words(standing.as_dict(), season))
    try:
        create_markdown_artifact(
            key=_key("week", network.id), description=done.told,
            markdown=f"# {network.name}\n\n{done.told}\n\n{words}\n")
        for entry in standing.sites:
            create_markdown_artifact(
                key=_key("findings", entry.site), description=f"{entry.name}: findings",
                markdown=findings_table(network, entry))
    except Exception as error:  # a page to look at is not worth a failed week
        event("artifacts could not be made", error=str(error))


def findings_table(network: Network, entry: SiteStanding) -> str:
    """One site's standing in Markdown: numbers, findings by rule, rows held."""
    lines = [f"# {_cell(entry.name)} ({_cell(network.name)})", "",
             f"{entry.rows:,} rows: {entry.clean:,} clean, {entry.masked:,} without a value, "
             f"{entry.queried:,} to confirm, {entry.held:,} held.", ""]
    lines += [f"- {_cell(sentence)}" for sentence in entry.troubles]
    if entry.by_rule:
        lines += ["", "| rule | findings |", "| --- | ---: |"]
        lines += [f"| {rule} | {number} |" for rule, number in sorted(
            entry.by_rule.items(), key=lambda pair: (-pair[1], pair[0]))]
    if entry.held_rows:
        lines += ["", "| held | sheet | row | rule | what is odd |", "| --- | --- | ---: | --- "
                  "| --- |"]
        lines += [f"| {_cell(row.file)} | {_cell(row.sheet)} | {row.row or ''} | {row.rule} | "
                  f"{_cell(row.message)} |" for row in entry.held_rows[:_MOST_ROWS]]
        if len(entry.held_rows) > _MOST_ROWS:
            lines += ["", f"And {len(entry.held_rows) - _MOST_ROWS} more."]
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    """``text`` from a sheet, so that it is shown and never obeyed as Markdown."""
    return re.sub(r"([\\`*_{}\[\]<>#|!])", r"\\\1", plain(text, 300))


def _key(kind: str, name: str) -> str:
    """Artifact keys hold lower-case letters, digits and dashes only."""
    return f"{kind}-{re.sub(r'[^a-z0-9]+', '-', name.lower()).strip('-')}"


def _under_prefect(directory: Path, network: Network, as_of: dt.date) -> Outcome:
    return weekly_run(directory, network, as_of, lambda _: None)


@flow(name=TITLES["collect"], flow_run_name=_run_name)
def collect(network_dir: str) -> str:
    """Ask every source of sheets once, answer whom there is to answer, send what waits."""
    return _do("collect", network_dir, run_in_order)


@flow(name=TITLES["weekly"], flow_run_name=_run_name)
def weekly(network_dir: str) -> str:
    """Collect, judge, load, release, and write to every site and to the coordinator."""
    return _do("weekly", network_dir, _under_prefect)


@flow(name=TITLES["remind"], flow_run_name=_run_name)
def remind(network_dir: str) -> str:
    """A line to sites whose sheet or answer is missing."""
    return _do("remind", network_dir, run_in_order)


@flow(name=TITLES["overdue"], flow_run_name=_run_name)
def overdue(network_dir: str) -> str:
    """A line to sites whose sheet is late."""
    return _do("overdue", network_dir, run_in_order)


@flow(name=TITLES["backup"], flow_run_name=_run_name)
def backup(network_dir: str) -> str:
    """A backup of the network's folder, looked at."""
    return _do("backup", network_dir, run_in_order)


@flow(name=TITLES["close"], flow_run_name=_run_name)
def close(network_dir: str) -> str:
    """The season's last run, a backup, and a word to the coordinator."""
    return _do("close", network_dir, _under_prefect)


FLOWS = {"collect": collect, "weekly": weekly, "remind": remind, "overdue": overdue,
         "backup": backup, "close": close}


def deployments(
    network_dir: Path, network: Network, *, scheduled: bool = True, pool: str | None = None
) -> dict[str, Any]:
    """The network's deployments by activity, each with its crontab line and tags.

    ``scheduled`` False: no crontab line (a rehearsal's time is not Prefect's). ``pool``: for
    workers of that pool, in a queue of the network's own; else to be served.
    """
    from prefect.schedules import Cron
    from prefect.types.entrypoint import EntrypointType

    made = {}
    for activity in ACTIVITIES:
        cron = network.operating.schedule.cron(activity)
        schedule = (Cron(cron.line, timezone=cron.zone)
                    if cron is not None and scheduled else None)
        made[activity] = FLOWS[activity].to_deployment(
            name=network.id, schedule=schedule,
            parameters={"network_dir": str(network_dir.resolve())},
            tags=["tallyweir", network.id, activity],
            description=f"{plain(network.name, 60)}: {FLOWS[activity].description}",
            work_pool_name=pool, work_queue_name=network.id if pool else None,
            entrypoint_type=EntrypointType.MODULE_PATH)
    return made
