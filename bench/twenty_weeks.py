"""A season by itself with a fault each week: was every letter sent once, is every release right?

Three sites, twenty weeks, each week's chores in processes of their own as the schedules start
them, against a real SMTP server (with TLS and a password), a real IMAP server that gets a copy
of every letter, and a web server that publishes one site's sheet. Each week one fault is drawn:
the mail server is down, or hangs up half-way; the disk is full (a small tmpfs, where this may
be mounted); the run is killed at a random moment; the published sheet times out; the clock is
set wrong. After it the network is left to right itself within the same week. A second network,
undisturbed, shows what should have come out.

Run ``python -m bench.twenty_weeks --help``; it needs the dev group and dovecot.
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from bench.scorecard import table
from fixtures import lay_out

ROOT = Path(__file__).resolve().parent.parent
SITES = ("cinderpath-brook", "hobnail-brook", "kettlelid-brook")
OPENS = dt.date(2026, 2, 1)
FAULTS = ("mail down", "mail hangs up", "disk full", "killed", "address times out",
          "clock set wrong")

_CHORES = """
import datetime as dt, sys
from pathlib import Path
from flows.scheduling.chores import perform
from flows.scheduling.clock import rehearse
for order in sys.argv[2:]:
    activity, at = order.split("@")
    rehearse(dt.datetime.fromisoformat(at), 1.0)
    print(order, perform(activity, Path(sys.argv[1])), flush=True)
"""


@dataclass
class Season:
    """One network and its clock."""

    bay: Path
    environment: dict[str, str]
    seconds: list[float] = field(default_factory=list)

    def start(self, *orders: tuple[str, dt.datetime]) -> subprocess.Popen[str]:
        """Begin chores, one after the other, each at its time (UTC) going on as usual."""
        return subprocess.Popen(
            [sys.executable, "-c", _CHORES, str(self.bay),
             *(f"{activity}@{at.isoformat()}" for activity, at in orders)],
            cwd=ROOT, text=True, env=self.environment, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT)

    def do(self, *orders: tuple[str, dt.datetime]) -> str:
        """Chores from beginning to end; what they printed."""
        began = time.monotonic()
        out, _ = self.start(*orders).communicate(timeout=600)
        self.seconds.append(time.monotonic() - began)
        return out


def _releases(bay: Path) -> dict[str, bytes]:
    """Every file of the latest release that is a function of the data."""
    version = (bay / "releases" / "latest").read_text(encoding="utf-8").strip()
    return {path.name: path.read_bytes() for path in sorted((bay / "releases" / version).iterdir())
            if path.suffix in (".csv", ".parquet")} | {"version": version.encode()}


@contextmanager
def _small_disk(at: Path, megabytes: int) -> Iterator[bool]:
    """A tmpfs at ``at`` where one may be mounted; whether it was."""
    at.mkdir(parents=True, exist_ok=True)
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(at)],
                          capture_output=True, check=False).returncode == 0
    try:
        yield made
    finally:
        if made:
            subprocess.run(["umount", "-l", str(at)], capture_output=True, check=False)


def _fill(folder: Path, leave: int) -> Path:
    filler = folder / "filler"
    with filler.open("wb") as handle:
        free = shutil.disk_usage(folder).free - leave
        try:
            while free > 0:
                handle.write(b"\0" * min(free, 1 << 16))
                free -= 1 << 16
        except OSError:
            pass  # fuller than full is full
    return filler


@dataclass
class Told:
    """What the season came to."""

    weeks: int
    faults: Counter[str]
    letters: int
    doubled: int
    missing: int
    releases_equal: int
    killed_in_time: int
    seconds: float
    log: list[str]


def simulate(weeks: int, seed: int, faults: Sequence[str] = FAULTS) -> Told:
    """Run the season; see the module's description."""
    # The servers are the tests' own: a bench run and a test meet the same ones.
    from tests.flows.real_servers import (
        MAILBOX_PASSWORD,
        PASSWORD,
        USER,
        Authority,
        gives,
        mail_in,
        mail_out,
        web,
    )

    chance = random.Random(seed)
    began = time.monotonic()
    log: list[str] = []
    drawn: Counter[str] = Counter()
    equal = killed = 0
    with ExitStack() as stack:
        home = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="tallyweir-weeks-")))
        mounted = stack.enter_context(_small_disk(home / "disk", 220))
        authority = Authority(home)
        box = stack.enter_context(mail_in(authority))
        post = stack.enter_context(mail_out(authority, box.maildir))
        site = stack.enter_context(web())
        kept = {name: value for name, value in os.environ.items()
                if not name.startswith(("PREFECT", "TALLYWEIR"))}
        environment = kept | {
            "PYTHONPATH": str(ROOT), "TALLYWEIR_MAIL_PASSWORD": PASSWORD,
            "TALLYWEIR_MAILBOX_PASSWORD": MAILBOX_PASSWORD}
        disturbed = Season(home / "disk" / "bay", environment)
        calm = Season(home / "calm", environment)
        source = home / "source"

        def settings(mail: bool) -> str:
            text = (source / "network.toml").read_text(encoding="utf-8")
            url = (f"[sites.{SITES[0]}]\ncollect = {{ url = \"{site.url('/sheet')}\" }}"
                   f'\nquiet_weeks = "one line"')
            text = text.replace(f"[sites.{SITES[0]}]", url, 1)
            text = text.replace(f"[sites.{SITES[1]}]", f"[sites.{SITES[1]}]\ncollect = "
                                f'{{ folder = "{(home / "synced").as_posix()}" }}', 1)
            more = ('\n[collect]\nprivate_hosts = ["localhost"]\nseconds = 4\ntries = 2\n'
                    'settle_seconds = 0\n')
            if mail:
                more += (f'\n{post.settings}copy_to = "{USER}"\nquiet_weeks = "one line"\n'
                         f'{box.settings}')
            return text + more + '\n[schedule]\nzone = "UTC"\n'

        for week in range(1, weeks + 1):
            lay_out(source, weeks=week, only_sites=SITES)
            sheets = sorted((source / "inbox" / SITES[0]).iterdir())
            current = sheets[-1]
            site.pages["/sheet"] = gives(current.read_bytes(), "application/octet-stream",
                                         Content_Disposition=f'filename="{current.name}"')
            shutil.copytree(source / "inbox" / SITES[1], home / "synced", dirs_exist_ok=True)
            for season in (disturbed, calm):
                season.bay.mkdir(exist_ok=True)
                (season.bay / "network.toml").write_text(
                    settings(season is disturbed), encoding="utf-8", newline="\n")
                shutil.copytree(source / "inbox" / SITES[2], season.bay / "inbox" / SITES[2],
                                dirs_exist_ok=True)
                if week == 1:
                    # History came by hand, before anything happened by itself.
                    for path in sheets[:-1]:
                        place = season.bay / "inbox" / SITES[0] / path.name
                        place.parent.mkdir(parents=True, exist_ok=True)
                        shutil.copyfile(path, place)
            sunday = OPENS + dt.timedelta(weeks=week)
            due = dt.datetime.combine(sunday, dt.time(23, 0, 5))
            calm.do(("weekly", due))
            fault = chance.choice([name for name in faults if mounted or name != "disk full"])
            drawn[fault] += 1
            log.append(f"{sunday} {fault}")
            _week(disturbed, fault, due, chance, post, site, gives)
            if fault == "killed":
                killed += 1
            same = _releases(disturbed.bay) == _releases(calm.bay)
            equal += same
            if not same:
                log.append(f"{sunday} the releases differ")
        ids = Counter((person, str(mail["Message-ID"])) for person, mail in post.taken)
        expected = {(f"{name}@example.org", week) for name in SITES for week in range(weeks)}
        weekly = Counter(person for person, id_ in ids if ".week@" in id_)
        coordinators = sum(".monday@" in id_ for _, id_ in ids)
        missing = len(expected) - sum(weekly.values()) + weeks - coordinators
        log += [f"sent {number} times: {person} {id_}" for (person, id_), number in ids.items()
                if number > 1]
        log += [f"weekly letters to {person}: {number}" for person, number in weekly.items()]
    return Told(weeks, drawn, sum(ids.values()), sum(n - 1 for n in ids.values()), missing,
                equal, killed, time.monotonic() - began, log)


def _week(season: Season, fault: str, due: dt.datetime, chance: random.Random,
          post: object, site: object, gives: object) -> None:
    """One week with its fault, and what the schedules then do by themselves."""
    from http.server import BaseHTTPRequestHandler
    from threading import Event

    from tests.flows.real_servers import MailOut, Web

    assert isinstance(post, MailOut) and isinstance(site, Web)
    hours = [due + dt.timedelta(hours=n) for n in range(1, 4)]
    if fault == "mail down":
        post.stop()
        season.do(("weekly", due))
        post.start()
    elif fault == "mail hangs up":
        who = f"{chance.choice(SITES)}@example.org"
        post.manners[who] = chance.choice(["drop-before", "drop-after", "greylist"])
        season.do(("weekly", due))
        post.manners.clear()
        post._seen.clear()
    elif fault == "disk full":
        filler = _fill(season.bay.parent, chance.choice([0, 200_000, 2_000_000]))
        season.do(("weekly", due))
        filler.unlink()
    elif fault == "killed":
        process = season.start(("weekly", due))
        usual = sorted(season.seconds)[len(season.seconds) // 2] if season.seconds else 8.0
        try:
            process.wait(chance.uniform(0.2, 1.0) * usual)
        except subprocess.TimeoutExpired:
            process.kill()
        process.communicate()
    elif fault == "address times out":
        page, over = site.pages["/sheet"], Event()

        def hangs(_: BaseHTTPRequestHandler) -> None:
            over.wait(30)

        site.pages["/sheet"] = hangs
        # It is down when Sunday's round asks, and up again before the run.
        season.do(("collect", due - dt.timedelta(hours=1)))
        over.set()
        site.pages["/sheet"] = page
        season.do(("weekly", due))
    elif fault == "clock set wrong":
        # The machine wakes up in another month, does what it thinks is due, and is set right.
        season.do(("collect", due + dt.timedelta(days=chance.choice([-40, 40]))))
        season.do(("weekly", due))
    season.do(*(order for hour in hours for order in (
        ("weekly", hour), ("collect", hour + dt.timedelta(minutes=20)))))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the season and print what came of it."""
    parser = argparse.ArgumentParser(prog="python -m bench.twenty_weeks", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--weeks", type=int, default=20)
    parser.add_argument("--seed", type=int, default=20260301)
    options = parser.parse_args(arguments)
    told = simulate(options.weeks, options.seed)
    print("\n".join(told.log))
    print(*table(["weeks", "letters taken", "sent twice", "missing", "releases equal", "seconds"],
                [[str(told.weeks), str(told.letters), str(told.doubled), str(told.missing),
                  f"{told.releases_equal} of {told.weeks}", f"{told.seconds:.0f}"]]), sep="\n")
    print(dict(told.faults))
    return 0 if not told.doubled and not told.missing and (
        told.releases_equal == told.weeks) else 1


if __name__ == "__main__":
    sys.exit(main())
