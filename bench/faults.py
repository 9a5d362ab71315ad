"""Random schedules of faults: is a count lost, is one doubled, is a rebuild equal?

Two small sites, some weeks. Each schedule takes the network as an undisturbed twin had it after
a week, brings the next week's sheets and an answer, and draws faults: the run is killed
(SIGKILL) before or after any step that changes a disk, with or without a file torn; writing is
refused (disk full, failing, read-only, a limit of the system that the engine meets too); the
connection to the database is lost; a second run comes in between; the clock is wrong; a sheet
has arrived half; the database, a received file or the record is damaged; a migration or a
rebuild is killed. Then the network is healed as docs/reliability.md says (run again; rebuild;
put back) and held against the twin: clean rows, decisions, answers, letters, what was told,
the release. Every step runs in a forked process of its own and every error has to be a sentence
for a person. What each sheet gives is read once, before the first schedule: to start readers anew
for every process would be most of the work, and the sheets are not what is disturbed.

``python -m bench.faults [--schedules 1000] [--seed 1] [--first 1] [--log]``. Needs ``os.fork``.
With ``--keep FOLDER`` the schedules are shared out to processes, and what is kept there of an
earlier run is not played again.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import datetime as dt
import email
import email.policy
import errno
import functools
import hashlib
import importlib
import io
import json
import os
import pickle
import platform
import random
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, fields
from email.message import EmailMessage
from importlib.metadata import version
from pathlib import Path
from types import TracebackType
from typing import Any

import duckdb

from bench.scorecard import table
from fixtures import lay_out
from flows import weekly as weekly_stages
from flows.answers import pending
from flows.intake.reading_room import ReadingRoom, TakenIn
from flows.keeping.backup import back_up
from flows.network_folder import load_network
from flows.rebuilding import rebuild
from flows.scheduling.chores import send_week
from flows.scheduling.clock import rehearse, utc_now
from flows.sending import posting
from flows.sending.transport import Answer as Taken
from flows.watching.log import log_to
from flows.weekly import WeeklyRun, run_in_order
from shared.decisions import Action, Answer
from shared.problems import Problem, Trouble
from shared.settings import Network, Site
from warehouse import migrate, record, store
from warehouse.durable import write_text
from warehouse.folder import database_path, received_path, record_path, releases_folder
from warehouse.release import read_manifest
from warehouse.snapshot import latest_version
from warehouse.store import Warehouse

SITES = ("hobnail-brook", "jackstraw-creek")
OPENS = dt.date(2026, 2, 1)
FIRST_WEEK, LAST_WEEK = 8, 10
_SETTINGS = """
[mail]
server = "localhost"
security = "none"
from = "count@example.org"
copy_to = "count@example.org"
mortality_percent = 0
quiet_weeks = "one line"
[collect.mailbox]
server = "localhost"
user = "count@example.org"
"""
_STAGES = ("receive", "take_in", "compare_sites", "judge_and_load", "publish", "return_to",
           "finish")
_WRITES = frozenset({"open", "fsync", "replace", "mkdir", "commit"})
"""Steps at which a disk may refuse."""
_SECONDS = 300

DOCUMENT = Path(__file__).parent.parent / "docs" / "bench-faults.md"
TOGETHER = 25
"""So many schedules are shared out at a time; beside them their twin costs little."""

FAULTS = {
    "killed": 8, "killed, file torn": 4, "stopped by hand": 1, "disk full": 2,
    "disk full for a moment": 2, "disk failing": 2, "disk read-only": 2, "file size limit": 3,
    "connection lost": 2, "two runs at once": 2, "clock back": 1, "clock ahead": 1,
    "half a sheet": 3, "database damaged": 4, "database cut short": 1, "database gone": 2,
    "database gone, run again": 2, "received file damaged": 2, "received file gone": 1,
    "record cut short": 2, "record damaged": 1, "record gone": 1, "migration killed": 1,
    "rebuild killed": 3,
}
"""Fault -> how often it is drawn."""


# -- one process, and what befalls it ------------------------------------------------------


@dataclass
class Plan:
    """What is to befall a process, at which of its steps. ``at`` 0: nothing does."""

    at: int = 0
    way: str = ""
    """*kill*, *torn*, *stop*, *lose*, *wait*, or the name of an ``errno`` for a refusal."""
    for_good: bool = False
    """Whether a refusal stays until the end of the process."""
    limit: int = 0
    """Most bytes of any file, 0 for no limit."""
    migration: bool = False
    """Whether there is a migration to do, which is not committed before the end comes."""
    pipes: tuple[int, int] = (-1, -1)


@dataclass
class Ended:
    """How a process ended: *done*, *problem*, *unexplained* or *killed*; steps it went through."""

    how: str
    said: str = ""
    steps: int = 0
    writes: int = 0
    value: Any = None


class _Steps:
    """Counts the steps of this process that change a disk, and lets the plan befall it."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.count = self.writes = 0
        self.refusing = False
        self.record_from = 0
        """Where the lines begin that are being added to the record, 0 while none are."""

    def __call__(self, kind: str, path: str = "", fd: int = -1) -> None:
        plan = self.plan
        self.count += 1
        self.writes += kind in _WRITES
        refusal = getattr(errno, plan.way, None)
        if refusal is not None:
            due = kind in _WRITES and (self.writes == plan.at or (self.refusing and plan.for_good))
            if due and not (kind == "mkdir" and plan.way == "EIO"):
                self.refusing = True
                if kind == "commit":
                    raise duckdb.IOException(
                        f"IO Error: Could not write file: {os.strerror(refusal)}")
                raise OSError(refusal, os.strerror(refusal), path or None)
            return
        if not plan.at or self.count != plan.at:
            return
        if plan.way == "torn" and fd >= 0 and stat.S_ISREG(os.fstat(fd).st_mode):
            size = os.fstat(fd).st_size
            os.ftruncate(fd, (self.record_from + size) // 2)
        if plan.way in ("kill", "torn"):
            os.kill(os.getpid(), signal.SIGKILL)
        elif plan.way == "stop":
            raise KeyboardInterrupt
        elif plan.way == "lose":
            for opened in list(store._open_here.values()):
                opened.connection.close()
        elif plan.way == "wait":
            os.write(plan.pipes[1], b"!")
            os.read(plan.pipes[0], 1)


def _befall(plan: Plan, taken: Path) -> _Steps:
    """Put the plan's steps into this process, and the post that keeps what it is given."""
    step = _Steps(plan)
    real_replace, real_fsync, real_open, real_mkdir, real_unlink = (
        os.replace, os.fsync, io.open, os.mkdir, os.unlink)

    def replace(source: Any, target: Any, **more: Any) -> None:
        step("replace", str(target))
        real_replace(source, target, **more)
        step("replaced", str(target))

    def fsync(fd: int) -> None:
        step("fsync", fd=fd)
        real_fsync(fd)
        step("fsynced")

    def opened(file: Any, mode: str = "r", *arguments: Any, **more: Any) -> Any:
        if any(letter in mode for letter in "wax+"):
            step("open", str(file))
        return real_open(file, mode, *arguments, **more)

    def mkdir(path: Any, *arguments: Any, **more: Any) -> None:
        if not Path(path).is_dir():
            step("mkdir", str(path))
        real_mkdir(path, *arguments, **more)

    def unlink(path: Any, **more: Any) -> None:
        step("unlink", str(path))
        real_unlink(path, **more)

    changed: Any = os
    changed.replace, changed.fsync, changed.mkdir, changed.unlink = replace, fsync, mkdir, unlink
    opener: Any = io
    opener.open = opened

    real_transaction = Warehouse.transaction

    @contextlib.contextmanager
    def transaction(self: Warehouse) -> Iterator[duckdb.DuckDBPyConnection]:
        outermost = self._depth == 0
        with real_transaction(self) as connection:
            yield connection
            if outermost:
                step("commit")
        if outermost:
            step("committed")

    owner: Any = Warehouse
    owner.transaction = transaction

    real_write: Any = record._write

    def write(path: Path, *arguments: Any) -> None:
        step.record_from = path.stat().st_size if path.is_file() else 0
        try:
            real_write(path, *arguments)
        finally:
            step.record_from = 0

    writer: Any = record
    writer._write = write

    for name in _STAGES:
        setattr(WeeklyRun, name, _marked(getattr(WeeklyRun, name), step))
    if plan.migration:
        known = (*migrate.known_migrations(), migrate.Migration(
            9999, "more", "CREATE TABLE more (a INT); INSERT INTO more SELECT 1; "
                          "ALTER TABLE runs ADD COLUMN more INT"))
        moved: Any = migrate
        moved.known_migrations = lambda: known

        def aligned(_: object) -> list[str]:
            os.kill(os.getpid(), signal.SIGKILL)
            return []

        moved.align = aligned
    # Two sites are too little to share out, and threads cost.
    settings: Any = store._CONFIG
    settings["threads"] = 1
    if plan.limit:
        _limit_files(plan.limit)

    class Post:
        """A mail server that takes every letter and keeps its id and what it told."""

        def __init__(self, _: object) -> None:
            pass

        def __enter__(self) -> Post:
            return self

        def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                     trace: TracebackType | None) -> None:
            pass

        def hand_over(self, sender: str, address: str, copy_to: str, content: bytes,
                      about_to: Callable[[], None]) -> Taken:
            about_to()
            step("letter goes")
            mail = email.message_from_bytes(content, policy=email.policy.default)
            assert isinstance(mail, EmailMessage)
            text = mail.get_body(("plain",))
            lines = text.get_content().splitlines() if text is not None else []
            told = [line for line in lines if " dead of " in line or "protected" in line]
            line = json.dumps([address, str(mail["Message-ID"]), told]) + "\n"
            # Another machine's disk: nothing here befalls it.
            fd = os.open(taken, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
            os.write(fd, line.encode("utf-8"))
            os.close(fd)
            step("letter taken")
            return Taken("sent", "250 taken")

    post: Any = posting
    post.MailServer = Post
    post.holds = lambda _, message_id: any(entry[1] == message_id for entry in _letters(taken))
    return step


def _limit_files(most: int | None) -> None:
    """Have the system refuse to let any file of this process grow beyond ``most`` bytes."""
    import resource

    ever = resource.RLIM_INFINITY
    resource.setrlimit(resource.RLIMIT_FSIZE, (ever if most is None else most, ever))


def _marked(stage: Any, step: _Steps) -> Any:
    def work(self: WeeklyRun, *arguments: Any) -> Any:
        step("stage")
        return stage(self, *arguments)

    return work


def _letters(taken: Path) -> list[list[Any]]:
    """(address, message id, serious lines) of every letter the post took."""
    if not taken.is_file():
        return []
    return [json.loads(line) for line in taken.read_text(encoding="utf-8").splitlines()]


class Stage:
    """Where a schedule is played: the network's folder, the post's book, and processes."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.bay, self.taken = home / "bay", home / "taken"
        self._said, self._out = home / "said", home / "out"

    def start(self, work: Callable[[Path], Any], plan: Plan | None = None) -> int:
        """Begin ``work`` in a process of its own; its id."""
        plan = plan or Plan()
        self._said.unlink(missing_ok=True)
        child = os.fork()
        if child:
            return child
        code = 1
        try:
            code = self._child(work, plan)
        finally:
            os._exit(code)

    def _child(self, work: Callable[[Path], Any], plan: Plan) -> int:
        signal.alarm(_SECONDS)
        out = os.open(self._out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(out, 1)
        os.dup2(out, 2)
        ended = Ended("done")
        step = _befall(plan, self.taken)
        try:
            log_to(self.bay)
            ended.value = work(self.bay)
        except Problem as problem:
            ended.how, ended.said = "problem", str(problem)
        except KeyboardInterrupt:
            ended.how, ended.said = "problem", "stopped by hand"
        except OSError as error:
            # A sentence names its file.
            ended.how = "problem" if error.filename else "unexplained"
            ended.said = f"{error.filename}: {error.strerror}"
        except Exception as error:
            ended.how, ended.said = "unexplained", f"{type(error).__name__}: {error}"
            if os.environ.get("TALLYWEIR_TRACEBACK"):
                import traceback

                ended.said += traceback.format_exc()
        ended.steps, ended.writes = step.count, step.writes
        if plan.limit:
            _limit_files(None)
        fd = os.open(self._said.with_suffix(".part"), os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.write(fd, json.dumps(vars(ended)).encode("utf-8"))
        os.close(fd)
        self._said.with_suffix(".part").rename(self._said)
        return 0

    def wait(self, child: int) -> Ended:
        """How the process ended. What it printed must be no traceback."""
        _, status = os.waitpid(child, 0)
        if os.WIFSIGNALED(status):
            if os.WTERMSIG(status) == signal.SIGKILL:
                return Ended("killed")
            return Ended("unexplained", f"ended by signal {os.WTERMSIG(status)}")
        if not self._said.is_file():
            return Ended("unexplained", self._out.read_text(errors="replace")[-500:])
        ended = Ended(**json.loads(self._said.read_text(encoding="utf-8")))
        printed = self._out.read_text(encoding="utf-8", errors="replace")
        if "Traceback" in printed:
            ended.how, ended.said = "unexplained", printed[-500:]
        return ended

    def do(self, work: Callable[[Path], Any], plan: Plan | None = None) -> Ended:
        """``work`` in a process of its own, from beginning to end."""
        return self.wait(self.start(work, plan))


# -- what is done and what is looked at ----------------------------------------------------


def week_of(week: int, hours: int = 0, days_off: int = 0) -> Callable[[Path], None]:
    """The weekly run and its letters, ``hours`` after they were due, the clock ``days_off``."""
    sunday = OPENS + dt.timedelta(weeks=week, days=days_off)

    def work(bay: Path) -> None:
        rehearse(dt.datetime.combine(sunday, dt.time(23)) + dt.timedelta(hours=hours), 1.0)
        network = load_network(bay)
        run_in_order(bay, network, sunday)
        send_week(bay, network, sunday)

    return work


def made_again(bay: Path) -> list[str]:
    """``tallyweir rebuild --swap``; what differed."""
    return list(rebuild(bay, load_network(bay), swap=True).differ)


def compared(bay: Path) -> list[str]:
    """``tallyweir rebuild``; what differed."""
    return list(rebuild(bay, load_network(bay)).differ)


def backed_up(bay: Path) -> None:
    """``tallyweir backup``, which reads every block and every received file."""
    to = bay.parent / "backups"
    back_up(bay, to, "faults", utc_now()).of_sound_files()
    shutil.rmtree(to)


def asked_about(bay: Path) -> list[Any]:
    """(site, finding) of every question that is open."""
    with duckdb.connect(str(database_path(bay)), read_only=True) as connection:
        return connection.execute(
            "SELECT DISTINCT f.site, f.id FROM findings AS f JOIN asked AS a "
            "ON a.finding = f.id AND a.site = f.site ORDER BY f.id").fetchall()


_TABLES = {
    "events": "SELECT * FROM clean_events",
    "counts": "SELECT * FROM clean_counts",
    "findings": "SELECT * FROM findings",
    "decisions": "SELECT * EXCLUDE (decided) FROM decisions",
    "answers": "SELECT * EXCLUDE (answered) FROM answers",
    "told": "SELECT key, period FROM serious_told",
    "decided": "SELECT site, event_id, taxon, life_stage, field, action, old, new FROM decisions",
}


def look(bay: Path) -> dict[str, list[str]]:
    """Rows of what counts, as text, and ``sheets``: bytes received, each held to its hash."""
    found: dict[str, list[str]] = {}
    with duckdb.connect(str(database_path(bay)), read_only=True) as connection:
        store.read_through(connection)
        for name, sql in _TABLES.items():
            found[name] = sorted(repr(row) for row in connection.execute(sql).fetchall())
        found["count"] = sorted(repr(row) for row in connection.execute(
            "SELECT event_id, taxon_id, life_stage, count FROM clean_counts").fetchall())
        found["receipts"] = sorted({repr(row) for row in connection.execute(
            "SELECT site, path, sha256 FROM receipts").fetchall()})
        found["open letters"] = sorted(repr(row) for row in connection.execute(
            "SELECT id, state FROM letters WHERE state <> 'sent'").fetchall())
    found["sheets"] = sorted(
        path.name for path in (bay / "warehouse" / "received").rglob("*")
        if path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == path.name)
    version = latest_version(bay) or ""
    folder = releases_folder(bay) / version
    manifest = read_manifest(folder)
    found["digest"] = [str(manifest.get("digest"))]
    found["release"] = [version, str(manifest.get("previous")), *(
        f"{path.name} {hashlib.sha256(path.read_bytes()).hexdigest()}"
        for path in sorted(folder.iterdir()) if path.suffix in (".csv", ".parquet"))]
    return found


def _inputs(bay: Path) -> str:
    """Digest of all that a rebuild is made from."""
    lines = sorted(
        line for line in record_path(bay).read_text(encoding="utf-8").splitlines()
        if not line.startswith(('{"kind": "letter"', '{"kind": "told"', '{"kind": "return"')))
    names = sorted(path.name for path in (bay / "warehouse" / "received").rglob("*"))
    return hashlib.sha256(json.dumps([lines, names]).encode("utf-8")).hexdigest()


# -- the twin ------------------------------------------------------------------------------


@dataclass
class Twin:
    """The network undisturbed: its folder and post's book after each week, what is in it."""

    home: Path
    rows: dict[int, dict[str, list[str]]] = field(default_factory=dict)
    steps: dict[int, Ended] = field(default_factory=dict)
    """Week -> its run, counted."""
    rebuild_steps: int = 0

    def put(self, week: int, stage: Stage) -> None:
        """The folder and the post's book as they were after ``week``."""
        for place in (stage.bay, stage.taken):
            if place.is_dir():
                shutil.rmtree(place)
            else:
                place.unlink(missing_ok=True)
        shutil.copytree(self.home / f"bay-{week}", stage.bay)
        shutil.copyfile(self.home / f"taken-{week}", stage.taken)

    def bring(self, week: int, bay: Path) -> None:
        """The sheets of ``week`` into the inboxes, and an answer that a page was given."""
        shutil.copytree(self.home / f"sheets-{week}", bay / "inbox", dirs_exist_ok=True)
        shutil.copytree(self.home / f"answers-{week}", bay / "warehouse" / "answers",
                        dirs_exist_ok=True)


def undisturbed(home: Path) -> Twin:
    """Play the weeks with nothing in their way."""
    twin, stage = Twin(home), Stage(home / "twin")
    stage.home.mkdir()
    source = home / "source"
    for week in range(FIRST_WEEK, LAST_WEEK + 1):
        lay_out(source, weeks=week, only_sites=SITES, history=False)
        shutil.copytree(source / "inbox", home / f"sheets-{week}")
        answers = home / f"answers-{week}"
        answers.mkdir()
        if week == FIRST_WEEK:
            stage.bay.mkdir()
            text = (source / "network.toml").read_text(encoding="utf-8")
            (stage.bay / "network.toml").write_text(text + _SETTINGS, encoding="utf-8")
        else:
            for site, finding in stage.do(asked_about).value[week - FIRST_WEEK - 1:][:1]:
                put = pending.put(home, Answer(site, finding, Action.CONFIRM, None,
                                               "seen on paper", "Robin"))
                os.replace(put, answers / put.name)
        twin.bring(week, stage.bay)
        ended = twin.steps[week] = stage.do(week_of(week))
        assert ended.how == "done", ended
        twin.rows[week] = look(stage.bay)
        assert twin.rows[week]["count"] and not twin.rows[week]["open letters"]
        shutil.copytree(stage.bay, home / f"bay-{week}")
        shutil.copyfile(stage.taken, home / f"taken-{week}")
    database_path(stage.bay).unlink()
    twin.rebuild_steps = stage.do(made_again).steps
    return twin


# -- a schedule ----------------------------------------------------------------------------


@dataclass
class Told:
    """What the schedules came to."""

    schedules: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    endings: Counter[str] = field(default_factory=Counter)
    """How the disturbed processes ended."""
    lost: int = 0
    """Counts that the twin has and the disturbed network lacks."""
    doubled: int = 0
    """Counts that it has and the twin lacks, or has more often."""
    sheets_lost: int = 0
    letters_twice: int = 0
    letters_missing: int = 0
    told_twice: int = 0
    rebuilds: int = 0
    rebuilds_equal: int = 0
    digests_equal: int = 0
    same_bytes: int = 0
    comparable: int = 0
    """Schedules whose release must be the same bytes: nothing else came, was asked or was dated
    (half a sheet or a wrong clock has things asked that the twin never was, and a release tells
    what was asked)."""
    unexplained: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    played_by: Counter[str] = field(default_factory=Counter)
    """Python, engine and state of the sources -> schedules."""
    log: Callable[[str], None] = lambda text: None
    cpu_seconds: float = 0.0

    @property
    def well(self) -> bool:
        """Whether everything that is promised held in every schedule."""
        return not (self.lost or self.doubled or self.sheets_lost or self.letters_twice
                    or self.letters_missing or self.told_twice or self.unexplained or self.wrong
                    or self.rebuilds_equal != self.rebuilds
                    or self.digests_equal != self.comparable
                    or self.same_bytes != self.comparable)

    def kept(self) -> str:
        """All of it but the log, as JSON."""
        return json.dumps({name: value for name, value in vars(self).items() if name != "log"})

    @classmethod
    def of_all(cls, kept: Iterable[str]) -> Told:
        """What several that were :meth:`kept` came to together."""
        whole = cls()
        for told in map(json.loads, kept):
            for entry in fields(cls):
                if isinstance(getattr(whole, entry.name), Counter):
                    getattr(whole, entry.name).update(told[entry.name])
                elif entry.name != "log":
                    setattr(whole, entry.name, getattr(whole, entry.name) + told[entry.name])
        return whole


class Schedule:
    """One schedule, drawn and played."""

    def __init__(self, number: int, seed: int, twin: Twin, stage: Stage, told: Told,
                 faults: Sequence[str] = (), step: int = 0) -> None:
        self.name = f"step {step}" if step else f"{seed}/{number}"
        self.rng = random.Random(self.name)
        self.twin, self.stage, self.told = twin, stage, told
        self.given, self.step = faults, step
        self.exact = True
        """Whether nothing but what the twin saw came, was asked or was dated."""
        self.hours = 0
        self.record_short = False
        """Whether the record lacks what only the database knows."""
        self.file_short = False
        """Whether a received file is damaged or gone, and its sheet is in the inbox still."""
        self.torn_of: set[str] = set()
        """Sites that sent half a sheet."""

    def play(self, proved: set[tuple[str, str]]) -> None:
        """Play it and hold what is left against the twin. ``proved``: rebuilds known equal."""
        rng, told = self.rng, self.told
        start = FIRST_WEEK if self.step else rng.randrange(FIRST_WEEK, LAST_WEEK)
        drawn = list(self.given) or rng.choices(
            list(FAULTS), list(FAULTS.values()), k=rng.choice((1, 1, 1, 2, 2, 3)))
        told.schedules += 1
        told.faults.update(drawn)
        told.log(f"{self.name} after week {start}: {'; '.join(drawn)}")
        self.twin.put(start, self.stage)
        self.week = start + 1
        self.twin.bring(self.week, self.stage.bay)
        try:
            for fault in drawn:
                self._fault(fault)
            self._well(week_of(self.week, self._later()))
            self._hold(proved)
        except _Wrong as wrong:
            told.wrong.append(f"{self.name} ({'; '.join(drawn)}): {wrong}")

    # -- faults, each with its remedy --------------------------------------------------

    def _fault(self, fault: str) -> None:
        run = self.twin.steps[self.week]
        any_step = self.step or self.rng.randint(1, run.steps)
        any_write = self.rng.randint(1, run.writes)
        for_good = {"disk full": "ENOSPC", "disk read-only": "EROFS"}
        for_once = {"disk full for a moment": "ENOSPC", "disk failing": "EIO"}
        ways = {"killed": "kill", "killed, file torn": "torn", "stopped by hand": "stop",
                "connection lost": "lose"}
        if fault in ways:
            self._run(Plan(any_step, ways[fault]))
        elif fault in for_good:
            self._run(Plan(any_write, for_good[fault], for_good=True))
        elif fault in for_once:
            self._run(Plan(any_write, for_once[fault]))
        elif fault == "file size limit":
            place = database_path(self.stage.bay)
            size = place.stat().st_size if place.exists() else 0
            self._run(Plan(limit=self.rng.randint(20_000, size + 500_000)))
        elif fault == "two runs at once":
            self._two(any_step)
        elif fault in ("clock back", "clock ahead"):
            days = self.rng.choice((1, 7, 40)) * (-1 if fault == "clock back" else 1)
            self.exact = False
            self._well(week_of(self.week, self._later(), days))
        elif fault == "half a sheet":
            self._half()
        elif fault.startswith("database"):
            self._database(fault)
        elif fault.startswith("received"):
            self._received(fault.endswith("gone"))
        elif fault.startswith("record"):
            self._record(fault)
        elif fault == "migration killed":
            ended = self._run(Plan(migration=True))
            self._expect(ended.how == "killed", f"not killed but {ended}")
        elif fault == "rebuild killed":
            if self.rng.random() < 0.5:
                self._lose_database()
            elif self.file_short:
                self._make_good()
            self._disturbed(made_again, Plan(self.rng.randint(1, self.twin.rebuild_steps), "kill"))
            self._well(made_again)
        else:
            raise ValueError(fault)

    def _later(self) -> int:
        self.hours += 1
        return self.hours

    def _run(self, plan: Plan) -> Ended:
        return self._disturbed(week_of(self.week, self._later()), plan)

    def _disturbed(self, work: Callable[[Path], Any], plan: Plan | None = None) -> Ended:
        ended = self.stage.do(work, plan)
        self._note(ended)
        return ended

    def _note(self, ended: Ended) -> None:
        self.told.endings[ended.how] += 1
        if ended.how == "unexplained":
            self.told.unexplained.append(f"{self.name}: {ended.said}")
        elif ended.said:
            self.told.log(f"    {ended.said}")

    def _well(self, work: Callable[[Path], Any]) -> Any:
        """What must go well, since nothing is in its way any more."""
        ended = self.stage.do(work)
        self._expect(ended.how == "done", f"not healed: {ended.said or ended.how}")
        return ended.value

    def _expect(self, holds: bool, otherwise: str) -> None:
        if not holds:
            raise _Wrong(otherwise)

    def _two(self, at: int) -> None:
        here, there = os.pipe(), os.pipe()
        first = self.stage.start(week_of(self.week, self._later()),
                                 Plan(at, "wait", pipes=(there[0], here[1])))
        os.close(here[1])
        waits = os.read(here[0], 1) == b"!"
        beside = Stage(self.stage.home / "beside")
        beside.home.mkdir(exist_ok=True)
        beside.bay, beside.taken = self.stage.bay, self.stage.taken

        def second(bay: Path) -> None:
            run_in_order(bay, load_network(bay), OPENS + dt.timedelta(weeks=self.week))

        ended = beside.do(second)
        os.write(there[1], b"!")
        for end in (here[0], *there):
            os.close(end)
        self._note(ended)
        self._note(self.stage.wait(first))
        # Between two openings of the first the second has its turn, and that is well too.
        self._expect(ended.how == "done" or "Another run" in ended.said or not waits,
                     f"the second run was told: {ended.said}")

    def _half(self) -> None:
        sheets = sorted(path for path in (self.stage.bay / "inbox").rglob("*") if path.is_file())
        sheet = self.rng.choice(sheets)
        whole = sheet.read_bytes()
        sheet.write_bytes(whole[:self.rng.randrange(len(whole))])
        self.exact = False
        self.torn_of.add(sheet.relative_to(self.stage.bay / "inbox").parts[0])
        self._well(week_of(self.week, self._later()))
        sheet.write_bytes(whole)

    def _make_good(self) -> None:
        """A run, where an earlier fault took of the database, the record or what was received.

        Of two of them lost together nothing is promised.
        """
        if (self.record_short or self.file_short
                or not database_path(self.stage.bay).exists()):
            self._well(week_of(self.week, self._later()))
            self.record_short = self.file_short = False

    def _lose_database(self) -> None:
        self._make_good()
        place = database_path(self.stage.bay)
        place.unlink()
        log = place.with_name(place.name + ".wal")
        log.unlink(missing_ok=True)
        if self.rng.random() < 0.3:
            log.write_bytes(self.rng.randbytes(5000))

    def _database(self, fault: str) -> None:
        if "gone" in fault:
            self._lose_database()
            if fault == "database gone":
                self._well(made_again)
            return
        self._make_good()
        place = database_path(self.stage.bay)
        content = bytearray(place.read_bytes())
        at = self.rng.randrange(len(content))
        if fault == "database damaged":
            end = min(len(content), at + self.rng.choice((1, 64, 4096, 1 << 18)))
            content[at:end] = bytes(byte ^ 0xA5 for byte in content[at:end])
        else:
            del content[at:]
        place.write_bytes(content)
        ended = self._disturbed(week_of(self.week, self._later()))
        if ended.how == "done":
            # Damage where nothing was read: the nightly backup reads every block.
            ended = self._disturbed(backed_up)
        if ended.how != "done":
            self._expect("database cannot be used" in ended.said, f"told: {ended.said}")
            self._well(made_again)

    def _received(self, gone: bool) -> None:
        if self.record_short or self.file_short:
            self._make_good()
        line = self.rng.choice([
            entry for entry in map(json.loads, record_path(self.stage.bay).read_text(
                encoding="utf-8").splitlines()) if entry["kind"] == "receipt"])
        place = received_path(self.stage.bay, line["sha256"])
        whole = place.read_bytes()
        if gone:
            place.unlink()
        else:
            damaged = bytearray(whole)
            damaged[self.rng.randrange(len(damaged))] ^= 1
            place.write_bytes(damaged)
        ended = self._disturbed(compared)
        self._expect(ended.how == "problem" and line["path"] in ended.said
                     and line["sha256"][:12] in ended.said, f"told: {ended.said}")
        stands = self.stage.bay / "inbox" / line["path"]
        if stands.read_bytes() != whole:
            place.write_bytes(whole)  # from a backup
        else:
            self.file_short = True

    def _record(self, fault: str) -> None:
        self._make_good()
        self.record_short = True
        place = record_path(self.stage.bay)
        content = place.read_bytes()
        if fault == "record cut short":
            place.write_bytes(content[:-self.rng.randint(1, min(3000, len(content)))])
        elif fault == "record gone":
            place.unlink()
        else:
            lines = content.splitlines(keepends=True)
            at = self.rng.randrange(len(lines) - 1)
            lines[at] = lines[at].replace(b'"', b"\xff", 2)
            place.write_bytes(b"".join(lines))
            ended = self._disturbed(week_of(self.week, self._later()))
            self._expect(ended.how == "problem" and "record.jsonl" in ended.said,
                         f"told: {ended.said}")
            place.unlink()

    # -- what is left --------------------------------------------------------------------

    def _hold(self, proved: set[tuple[str, str]]) -> None:
        told, wanted = self.told, self.twin.rows[self.week]
        found = self._well(look)
        missing = Counter(wanted["count"]) - Counter(found["count"])
        more = Counter(found["count"]) - Counter(wanted["count"])
        told.lost += missing.total()
        told.doubled += more.total()
        told.sheets_lost += len(set(wanted["sheets"]) - set(found["sheets"]))
        self._letters()
        if self.exact:
            told.comparable += 1
            told.digests_equal += found["digest"] == wanted["digest"]
            told.same_bytes += found["release"] == wanted["release"]
        parts = [*_TABLES, "receipts", "open letters"] if self.exact else [
            "events", "counts", "decided", "open letters"]
        for name in parts:
            there = found[name]
            if name == "decided":
                there = [row for row in there
                         if row in wanted[name] or not self._of_half(row, found, wanted)]
            if there != wanted[name]:
                one = sorted(set(wanted[name]) ^ set(there))
                told.wrong.append(f"{self.name}: {name} differ, {len(one)} rows, such as "
                                  f"{one[0][:300] if one else 'one that is there twice'}")
        rows = hashlib.sha256(json.dumps(
            [found[name] for name in sorted(_TABLES)]).encode("utf-8")).hexdigest()
        inputs = _inputs(self.stage.bay)
        told.rebuilds += 1
        if (inputs, rows) not in proved:
            differ = self._well(compared)
            if differ:
                told.wrong.append(f"{self.name}: the rebuild differs in {', '.join(differ)}")
                return
            proved.add((inputs, rows))
        told.rebuilds_equal += 1

    def _of_half(self, decided: str, found: dict[str, list[str]],
                 wanted: dict[str, list[str]]) -> bool:
        """Whether a decision is of half a sheet and of the whole one that came after it.

        A row was withdrawn since the half lacked it, and is asked about again; or half of it
        stood where the sheet ended; or half of a value did, and was corrected by the whole one.
        That is part of the row's history. What came of it is held against the twin elsewhere.
        """
        site, event, _, _, _, action, *_ = ast.literal_eval(decided)

        def asked(of: dict[str, list[str]]) -> bool:
            return any(repr(event) in row for row in of["findings"])

        return site in self.torn_of and (action == "correct" or (
            action == "withdraw" and (asked(found) or not asked(wanted))))

    def _letters(self) -> None:
        went = _letters(self.stage.taken)
        ought = _letters(self.twin.home / f"taken-{self.week}")
        ids = Counter(str(entry[1]) for entry in went)
        expected = Counter(str(entry[1]) for entry in ought)
        self.told.letters_twice += sum(number - 1 for number in ids.values())
        if self.exact:
            self.told.letters_missing += (expected - ids).total()
            self.told.letters_twice += len(ids.keys() - expected.keys())
        once = Counter(line for entry in ought for line in entry[2])
        for line, number in Counter(line for entry in went for line in entry[2]).items():
            # A week of another date tells a thing anew at most if the twin does.
            self.told.told_twice += max(0, number - max(1, once[line]))


class _Wrong(Exception):
    """Something that is promised did not hold."""


def simulate(schedules: int, seed: int, first: int = 1, faults: Sequence[Sequence[str]] = (),
             every_step: int = 0, progress: Callable[[str], None] = lambda text: None,
             log: Callable[[str], None] | None = None) -> Told:
    """Play ``schedules`` of them, from number ``first``; ``faults``: these instead of drawn.

    ``every_step``: besides, kill a week's run at so many of its steps, spread over all of them.
    ``log`` is told every schedule and every sentence that an error came to.
    """
    told = Told(log=log or (lambda text: None))
    player = _player()
    shared_memory = Path("/dev/shm")
    where = str(shared_memory) if shared_memory.is_dir() else None
    stages: Any = weekly_stages
    gate, stages.gate_of = stages.gate_of, lambda *_: lambda built: None
    rooms: Any = ReadingRoom
    read_apart = rooms.take_in
    began = os.times()
    try:
        with tempfile.TemporaryDirectory(prefix="tallyweir-faults-", dir=where) as folder:
            home = Path(folder)
            _warm_up(Stage(home / "warm"))
            twin = undisturbed(home)
            told.log(f"steps of a week: {[ended.steps for ended in twin.steps.values()]}, of a "
                     f"rebuild: {twin.rebuild_steps}")
            stage = Stage(home / "stage")
            stage.home.mkdir()
            rooms.take_in = _read_beforehand(home / f"bay-{LAST_WEEK}")
            proved: set[tuple[str, str]] = set()
            for number in range(first, first + schedules):
                given = faults[(number - first) % len(faults)] if faults else ()
                Schedule(number, seed, twin, stage, told, given).play(proved)
                told.played_by[player] += 1
                progress(f"{number - first + 1} of {schedules}")
            steps = twin.steps[FIRST_WEEK + 1].steps
            for turn in range(min(every_step, steps)):
                at = 1 + turn * steps // min(every_step, steps)
                Schedule(0, seed, twin, stage, told, ("killed",), at).play(proved)
                progress(f"step {at} of {steps}")
    finally:
        stages.gate_of, rooms.take_in = gate, read_apart
    ended = os.times()
    told.cpu_seconds = sum(ended[:4]) - sum(began[:4])
    return told


def _read_beforehand(bay: Path) -> Callable[..., TakenIn | Trouble]:
    """What takes the place of :meth:`ReadingRoom.take_in`: it knows what ``bay`` received."""
    network, room, known = load_network(bay), ReadingRoom(), {}
    for line in map(json.loads, record_path(bay).read_text(encoding="utf-8").splitlines()):
        if line["kind"] == "receipt":
            sha256, name = line["sha256"], Path(line["path"]).name
            given = room.take_in(received_path(bay, sha256).read_bytes(), name,
                                 network.sites[line["site"]], network, sha256)
            known[sha256, name, line["site"]] = pickle.dumps(given)
    apart = ReadingRoom.take_in

    def take_in(self: ReadingRoom, content: bytes, name: str, site: Site, network: Network,
                sha256: str) -> TakenIn | Trouble:
        given = known.get((sha256, name, site.id))
        if given is None or hashlib.sha256(content).hexdigest() != sha256:
            return apart(self, content, name, site, network, sha256)
        remembered: TakenIn | Trouble = pickle.loads(given)
        return remembered

    return take_in


def _warm_up(stage: Stage) -> None:
    """Import here whatever a week imports, so that no forked process has to.

    The week itself is done in a process of its own: threads of the engine do not outlive a fork.
    """
    stage.home.mkdir()
    lay_out(stage.bay, weeks=4, only_sites=SITES[:1], history=False)

    def modules(bay: Path) -> list[str]:
        week_of(4)(bay)
        compared(bay)
        return sorted(sys.modules)

    ended = stage.do(modules)
    assert ended.how == "done", ended
    for name in ended.value:
        with contextlib.suppress(Exception):
            importlib.import_module(name)


def lines_of(told: Told) -> list[str]:
    """The figures, as a table and a line a kind of fault."""
    wanted = f"{told.schedules}"
    rows = [
        ["schedules", wanted], ["faults", str(told.faults.total())],
        ["counts lost", str(told.lost)], ["counts doubled", str(told.doubled)],
        ["received sheets lost", str(told.sheets_lost)],
        ["letters sent twice", str(told.letters_twice)],
        ["letters missing", str(told.letters_missing)],
        ["serious things told twice", str(told.told_twice)],
        ["release says the same", f"{told.digests_equal} of {told.comparable}"],
        ["release has the same bytes", f"{told.same_bytes} of {told.comparable}"],
        ["rebuild equal", f"{told.rebuilds_equal} of {wanted}"],
        ["errors without a sentence", str(len(told.unexplained))],
        ["promises broken", str(len(told.wrong))],
        ["CPU seconds", f"{told.cpu_seconds:.0f}"],
    ]
    return [*table(["", ""], rows), "",
            "; ".join(f"{name} {number}" for name, number in told.faults.most_common()),
            "Disturbed processes ended: " + ", ".join(
                f"{name} {number}" for name, number in told.endings.most_common()) + "."]


def shared_out(schedules: int, seed: int, keep: Path, jobs: int,
               progress: Callable[[str], None]) -> Told:
    """Play schedules 1 to ``schedules``, so many at a time, each lot in a process of its own.

    What each lot came to is kept in ``keep``, a file a lot; a lot that is there is not played,
    though the program has changed since: the page tells how many states of it played.
    """
    keep.mkdir(parents=True, exist_ok=True)

    def figures(first: int) -> Path:
        return keep / f"{seed}-{first:05}-{min(first + TOGETHER - 1, schedules):05}.json"

    def played(first: int) -> None:
        number = min(TOGETHER, schedules - first + 1)
        done = subprocess.run(
            [sys.executable, "-m", "bench.faults", "--seed", str(seed), "--first", str(first),
             "--schedules", str(number), "--figures", str(figures(first))],
            cwd=Path(__file__).parent.parent, capture_output=True, text=True, check=False)
        if not figures(first).is_file():
            raise SystemExit(f"Schedules {first} and on came to no end:\n{done.stderr[-2000:]}")
        progress(f"{len(list(keep.glob(f'{seed}-*.json')))} lots of {len(lots)}")

    lots = range(1, schedules + 1, TOGETHER)
    with ThreadPoolExecutor(jobs) as pool:
        list(pool.map(played, [first for first in lots if not figures(first).is_file()]))
    return Told.of_all(figures(first).read_text(encoding="utf-8") for first in lots)


def _player() -> str:
    """Python, engine and a digest of the sources that schedules are played with."""
    sources = hashlib.sha256()
    for package in ("shared", "checks", "warehouse", "flows", "fixtures"):
        for path in sorted((DOCUMENT.parent.parent / package).rglob("*")):
            if path.suffix in (".py", ".toml", ".sql"):
                sources.update(path.read_bytes())
    return (f"{platform.system()}, Python {platform.python_version()}, duckdb "
            f"{version('duckdb')}, sources {sources.hexdigest()[:12]}")


def page(told: Told, seed: int) -> str:
    """docs/bench-faults.md."""
    return "\n".join([
        f"# {told.schedules:,} schedules of faults", "",
        "Printed by `python -m bench.faults --keep FOLDER --write`; nothing here is typed by hand. "
        "What is\npromised in each fault: [what is promised when things go wrong](reliability.md).",
        "",
        f"Seed {seed}, schedules 1 to {told.schedules}.", "",
        *(f"- {number} played by {player}" for player, number in told.played_by.items()), "",
        *told.unexplained, *told.wrong, *lines_of(told), ""])


def main(arguments: Sequence[str] | None = None) -> int:
    """Play the schedules and print what came of them."""
    parser = argparse.ArgumentParser(prog="python -m bench.faults", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--schedules", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=1,
                        help="number of the first schedule, to share them out")
    parser.add_argument("--only", nargs="*", default=[], choices=list(FAULTS), metavar="FAULT",
                        help="this fault alone in each schedule, these in turn")
    parser.add_argument("--every-step", type=int, default=0, metavar="N",
                        help="besides, kill a week at N of its steps, spread over all of them")
    parser.add_argument("--log", action="store_true", help="print every schedule")
    parser.add_argument("--keep", type=Path, metavar="FOLDER",
                        help=f"play them {TOGETHER} at a time, keep there what each lot came to, "
                             "and take up what is there")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1,
                        help="with --keep: so many lots at once")
    parser.add_argument("--write", action="store_true",
                        help="with --keep: write docs/bench-faults.md")
    parser.add_argument("--figures", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    began = time.monotonic()

    def progress(text: str) -> None:
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{text}, {time.monotonic() - began:.0f} s ")

    if options.keep and (options.only or options.every_step or options.log or options.first != 1):
        parser.error("--keep plays schedules from 1 on, as they are drawn, and tells no log")
    if options.write and not options.keep:
        parser.error("--write is of what --keep has kept")
    if options.keep:
        told = shared_out(options.schedules, options.seed, options.keep, options.jobs, progress)
        print(page(told, options.seed))
        if options.write:
            DOCUMENT.write_text(page(told, options.seed), encoding="utf-8", newline="\n")
        return 0 if told.well else 1
    told = simulate(options.schedules, options.seed, options.first,
                    [(fault,) for fault in options.only], options.every_step, progress,
                    functools.partial(print, flush=True) if options.log else None)
    print(*told.unexplained, *told.wrong, sep="\n")
    print(*lines_of(told), sep="\n")
    if options.figures:
        write_text(options.figures, told.kept())
    return 0 if told.well else 1


if __name__ == "__main__":
    sys.exit(main())
