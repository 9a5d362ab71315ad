"""Whether all is well: one line a matter, each with what to do where it is not.

Opens nothing that a run may hold and imports no scheduler, so it can be asked every minute.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from flows.returns.wording import counted
from flows.scheduling.clock import aware, naive, utc_now
from flows.scheduling.heartbeat import kept, last_beat
from flows.secrets import MAIL_PASSWORD, MAILBOX_PASSWORD, NoSecret, secret
from flows.workplace import lake_folder, lake_of
from shared.problems import Problem
from shared.settings import Network
from warehouse.activities import Done, read_operations
from warehouse.durable import PERSONAL
from warehouse.folder import database_path, latest_path, releases_folder
from warehouse.standing import read_standing

GOOD, WATCH, BAD = "good", "watch", "bad"

_BACKUP_OLD = dt.timedelta(days=2)
_LEAST_FREE_BYTES = 500_000_000
_ANSWERS_SECONDS = 3.0


@dataclass(frozen=True, slots=True)
class Matter:
    """One thing looked at."""

    name: str
    state: str
    """*good*, *watch* (look at it in the week) or *bad* (look at it now)."""
    told: str


def next_and_last(network_dir: Path, network: Network) -> dict[str, dict[str, str | None]]:
    """Activity -> ``next`` (network time), and how it ``last`` ended, in words."""
    known = read_operations(network_dir)
    now = aware(utc_now())
    told: dict[str, dict[str, str | None]] = {}
    for activity in network.operating.schedule.crons:
        cron = network.operating.schedule.cron(activity)
        following = cron.next_after(now) if cron is not None else None
        last = known.get(activity, {}).get("last")
        told[activity] = {
            "next": f"{following:%Y-%m-%d %H:%M} {following.tzname()}" if following else None,
            "last": f"{last.outcome} {last.ended[:16].replace('T', ' ')} UTC" if last else None,
            "told": last.told if last else None}
    return told


def run_lines(network_dir: Path, network: Network) -> list[str]:
    """When the next weekly run is, and how the last one ended: what ``status`` adds."""
    weekly = next_and_last(network_dir, network).get("weekly", {})
    lines = []
    if weekly.get("last"):
        lines.append(f"Last run by itself: {weekly['last']}. {weekly['told']}")
    if weekly.get("next") and kept(network_dir):
        lines.append(f"Next run: {weekly['next']}.")
    else:
        lines.append("Next run: none by itself, since nobody keeps the schedules "
                     "(`tallyweir schedule` does).")
    return lines


def matters(network_dir: Path, network: Network) -> list[Matter]:
    """Everything looked at, worst first."""
    found = [*_schedule(network_dir), *_activities(network_dir, network),
             *_mail(network_dir, network), *_backups(network_dir, network),
             *_other_machines(network_dir, network),
             *_folder(network_dir), *_open_to_others(network_dir)]
    return sorted(found, key=lambda matter: (BAD, WATCH, GOOD).index(matter.state))


def _schedule(network_dir: Path) -> Iterator[Matter]:
    beat = last_beat(network_dir)
    if beat is None:
        yield Matter("schedule", WATCH, "The schedules have never been kept here; `tallyweir "
                     f"schedule {network_dir}` keeps them.")
    elif not kept(network_dir):
        yield Matter("schedule", BAD, "Nobody has kept the schedules since "
                     f"{beat:%Y-%m-%d %H:%M} UTC. Start the service again; what was missed is "
                     "made up for.")
    else:
        yield Matter("schedule", GOOD, "The schedules are kept.")


def _activities(network_dir: Path, network: Network) -> Iterator[Matter]:
    known = read_operations(network_dir)
    now = utc_now()
    for activity in network.operating.schedule.crons:
        last: Done | None = known.get(activity, {}).get("last")
        if last is None:
            continue
        if last.outcome == "failed":
            yield Matter(activity, BAD if activity in ("weekly", "backup") else WATCH,
                         f"It failed on {last.ended[:16].replace('T', ' ')} UTC: {last.told}")
            continue
        cron = network.operating.schedule.cron(activity)
        due = cron.last_until(aware(now - dt.timedelta(hours=2))) if cron is not None else None
        before = cron.last_until(due - dt.timedelta(seconds=1)) if cron and due else None
        done = known[activity].get("done")
        if before is not None and done is not None and done.due < naive(before).isoformat():
            yield Matter(activity, WATCH, f"It was last done for {done.due[:16]} UTC, two times "
                         "ago or more. See whether the schedules are kept.")
        else:
            yield Matter(activity, GOOD, last.told)


def _mail(network_dir: Path, network: Network) -> Iterator[Matter]:
    mail, mailbox = network.operating.mail, network.operating.collect.mailbox
    wanted = [(MAIL_PASSWORD, mail.user, mail.server)] if mail.set and mail.user else []
    if mailbox is not None:
        wanted.append((MAILBOX_PASSWORD, mailbox.user, mailbox.server))
    for name, user, server in wanted:
        try:
            secret(name, user, server)
        except NoSecret as missing:
            yield Matter("password", BAD, str(missing))
    if not mail.set:
        yield Matter("mail", GOOD, "No mail server is set; letters are put in the outbox folder.")
        return
    waiting = _letters_in_trouble(network_dir)
    if waiting is None:
        yield Matter("mail", GOOD, "The outbox cannot be looked into while a run is on.")
    elif waiting:
        yield Matter("mail", WATCH, f"{counted(len(waiting), 'letter')} in trouble: "
                     + "; ".join(waiting[:5]))
    else:
        yield Matter("mail", GOOD, "No letter is in trouble.")


def _letters_in_trouble(network_dir: Path) -> list[str] | None:
    """Letters of the last two weeks that did not go; None when the database is in use."""
    import duckdb

    path = database_path(network_dir)
    if not path.exists():
        return []
    since = utc_now() - dt.timedelta(days=14)
    try:
        with duckdb.connect(str(path), read_only=True) as connection:
            return [f"to {address} ({period}): {state}, {answer}" for
                    address, period, state, answer in connection.execute(
                        "SELECT address, period, state, answer FROM letters WHERE queued >= ? "
                        "AND (state IN ('refused', 'bounced', 'sending') OR "
                        "(state = 'queued' AND attempts > 2)) ORDER BY rowid DESC",
                        [since]).fetchall()]
    except duckdb.Error:
        return None


def _backups(network_dir: Path, network: Network) -> Iterator[Matter]:
    if network.operating.schedule.cron("backup") is None:
        yield Matter("backups", WATCH, "No backup is scheduled; a disk fails without asking.")
        return
    to = network_dir / (Path(network.operating.schedule.backup_to or "backups").expanduser())
    taken = sorted(path.name for path in to.glob(f"{network.id}-*.tar.gz")) if to.is_dir() else []
    if not taken:
        yield Matter("backups", WATCH, f"There is no backup in {to} yet.")
        return
    at = dt.datetime.strptime(taken[-1][len(network.id) + 1:], "%Y%m%dT%H%M%SZ.tar.gz")
    old = utc_now() - at > _BACKUP_OLD
    yield Matter("backups", BAD if old else GOOD,
                 f"The newest of {len(taken)} is of {at:%Y-%m-%d %H:%M} UTC."
                 + (" See why no newer one was taken (the log says)." if old else ""))


def _other_machines(network_dir: Path, network: Network) -> Iterator[Matter]:
    """The lake's catalogue and the workers' scheduler, where the network has them."""
    files = lake_folder(network_dir, network)
    try:
        lake = lake_of(network_dir, network, make=False)
        if lake is not None:
            with lake:
                lake.reach()
            if files is None or files.is_dir():
                yield Matter("lake", GOOD, "The lake's catalogue answers.")
            else:
                yield Matter("lake", BAD if read_standing(network_dir) else WATCH,
                             f"The folder of the lake's files, {files}, is not there. The first "
                             "run makes it; after that see whether its disk is mounted.")
    except Problem as problem:
        yield Matter("lake", BAD, str(problem))
    scheduler = network.operating.crew.scheduler
    if not scheduler:
        return
    address = urlsplit(scheduler)
    try:
        # To ask it who works for it would take its library, and seconds.
        socket.create_connection((address.hostname, address.port), _ANSWERS_SECONDS).close()
    except OSError:
        yield Matter("workers", BAD, f"The workers' scheduler does not answer at {scheduler}. "
                     f"Start it with `tallyweir work {network_dir} --scheduler`; until then no "
                     "run works.")
    else:
        yield Matter("workers", GOOD, "The workers' scheduler takes connections.")


def _folder(network_dir: Path) -> Iterator[Matter]:
    free = shutil.disk_usage(network_dir).free
    yield Matter("disk", GOOD if free >= _LEAST_FREE_BYTES else BAD,
                 f"{free / 1e9:,.1f} GB are free."
                 + ("" if free >= _LEAST_FREE_BYTES else " Make room before the next run."))
    standing = read_standing(network_dir)
    if standing is None:
        yield Matter("release", WATCH, "No run has been done here yet.")
        return
    try:
        latest = latest_path(network_dir).read_text(encoding="utf-8").strip()
        whole = (releases_folder(network_dir) / latest / "manifest.json").is_file()
    except OSError:
        latest, whole = "", False
    if whole:
        yield Matter("release", GOOD, f"The latest release is {latest}.")
    else:
        yield Matter("release", BAD if latest else WATCH,
                     f"The latest release {latest} is not whole; put it back from a backup."
                     if latest else "There is no release yet.")


def _open_to_others(network_dir: Path) -> Iterator[Matter]:
    """Whether other users of the machine can look into what names people and places."""
    if os.name != "posix":
        return  # folders there have lists of their own
    here = network_dir.resolve()
    if not all(folder.stat().st_mode & 0o001 for folder in (here, *here.parents)):
        return
    seen = [name for name in sorted(PERSONAL)
            if (here / name).is_dir() and (here / name).stat().st_mode & 0o005]
    if seen:
        yield Matter("privacy", WATCH, "Every user of this machine can look into "
                     f"{', '.join(seen)}, where volunteers are named and eels are found. "
                     f"`chmod 700 {' '.join(str(here / name) for name in seen)}` closes them.")
