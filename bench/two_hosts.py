"""One season, one release: on the folder's own file, and on a lake with workers on two hosts.

Lays out the demo season, runs it as ever, and runs it again with PostgreSQL, a scheduler and
two workers. Where this machine lets us, each worker is in a network namespace of its own, as a
second and a third host that reach the first by an address only; else all are on this one. Once
more with one worker killed (SIGKILL) in the midst of its work. The three releases are compared
file by file (but for the DuckDB snapshot, whose bytes the engine never repeats).

Run ``python -m bench.two_hosts --help``. It needs PostgreSQL (Debian: postgresql), and for the
namespaces root and iproute2.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import hashlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from fixtures import lay_out
from fixtures.lantern_bay import CURRENT_SEASON, opening
from tests.flows.real_servers import Database, database, free_port, postgres_missing, until
from warehouse.snapshot import SNAPSHOT_NAME

ROOT = Path(__file__).resolve().parent.parent
WORKERS = ("east", "west")


@dataclass(frozen=True)
class Hosts:
    """Where the parts run. ``inside``: worker -> what is put before its command."""

    address: str
    inside: dict[str, list[str]]
    told: str


def _ip(*arguments: str) -> None:
    subprocess.run(["ip", *arguments], check=True, capture_output=True, text=True)


@contextlib.contextmanager
def hosts() -> Iterator[Hosts]:
    """Two network namespaces joined to this one by a bridge; without root, this host alone."""
    mark = f"{os.getpid() % 100_000:05d}"
    subnet = f"10.77.{os.getpid() % 250}"
    bridge, address = f"twb{mark}", f"{subnet}.1"
    spaces = {name: f"tw-{name}-{mark}" for name in WORKERS}
    with contextlib.ExitStack() as undo:
        try:
            if os.getuid() != 0 or shutil.which("ip") is None:
                raise OSError("network namespaces need root and iproute2")
            _ip("link", "add", bridge, "type", "bridge")
            undo.callback(subprocess.run, ["ip", "link", "del", bridge], capture_output=True)
            _ip("addr", "add", f"{address}/24", "dev", bridge)
            _ip("link", "set", bridge, "up")
            for number, (name, space) in enumerate(spaces.items(), start=2):
                here, there = f"tw{name[0]}{mark}", f"tv{name[0]}{mark}"
                _ip("netns", "add", space)
                undo.callback(subprocess.run, ["ip", "netns", "del", space], capture_output=True)
                _ip("link", "add", here, "type", "veth", "peer", "name", there)
                _ip("link", "set", here, "master", bridge, "up")
                _ip("link", "set", there, "netns", space)
                _ip("-n", space, "addr", "add", f"{subnet}.{number}/24", "dev", there)
                for device in (there, "lo"):
                    _ip("-n", space, "link", "set", device, "up")
        except (OSError, subprocess.CalledProcessError) as error:
            undo.close()
            yield Hosts("127.0.0.1", {name: [] for name in WORKERS},
                        f"one host (no network namespaces here: {error})")
            return
        yield Hosts(address, {name: ["ip", "netns", "exec", space]
                              for name, space in spaces.items()},
                    "two workers, each in a network namespace of its own")


@dataclass
class Told:
    """What was seen. ``digests``: run -> digest of its release."""

    hosts: str = ""
    digests: dict[str, str] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    by_whom: dict[str, dict[str, int]] = field(default_factory=dict)
    """Run -> worker -> errands that it handed in."""

    @property
    def equal(self) -> bool:
        """Whether all runs released the same bytes."""
        return len(set(self.digests.values())) == 1


def _environment() -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT")}
    return kept | {"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1",
                   "TALLYWEIR_LAKE_PASSWORD": Database.PASSWORD}


def _command(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "flows.cli", *arguments]


@contextlib.contextmanager
def _process(command: Sequence[str], log: Path) -> Iterator[subprocess.Popen[str]]:
    with log.open("a", encoding="utf-8") as out:
        process = subprocess.Popen(command, cwd=ROOT, env=_environment(), text=True, stdout=out,
                                   stderr=out, start_new_session=True)
        try:
            yield process
        finally:
            _kill(process)


def _kill(process: subprocess.Popen[str]) -> None:
    """End a process and those it began, as a power cut would."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def release_digest(network_dir: Path) -> str:
    """Of every file of the latest release, names and bytes, but for the DuckDB snapshot."""
    version = (network_dir / "releases" / "latest").read_text(encoding="utf-8").strip()
    digest = hashlib.sha256(version.encode())
    for path in sorted((network_dir / "releases" / version).iterdir()):
        if path.name != SNAPSHOT_NAME:
            digest.update(f"\n{path.name}\n".encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


def _errands(log: Path) -> int:
    return sum(line.startswith(("read:", "judge and load:"))
               for line in log.read_text(encoding="utf-8").splitlines())


def _lead(network_dir: Path, as_of: dt.date, victim: subprocess.Popen[str] | None = None) -> None:
    """Lead the run; ``victim`` is killed when the first sites have been judged."""
    process = subprocess.Popen(
        _command("run", str(network_dir), "--as-of", as_of.isoformat()), cwd=ROOT,
        env=_environment(), text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    said = []
    assert process.stdout is not None
    for line in process.stdout:
        said.append(line)
        if victim is not None and line.strip().endswith("judge and load"):
            _kill(victim)
            victim = None
    if process.wait() not in (0, 1) or victim is not None:
        raise AssertionError("the run did not end as it should:\n" + "".join(said))


def compare(
    folder: Path, *, weeks: int = 11, only_sites: tuple[str, ...] | None = None,
    history: bool = True, kill: Sequence[bool] = (False, True),
    alone: Callable[[Path, dt.date], object] | None = None,
) -> Told:
    """Run the season embedded, and on a lake with two workers for each of ``kill``.

    ``alone``: does the embedded run, where it is not to be the command's.
    """
    told = Told()
    as_of = opening(CURRENT_SEASON) + dt.timedelta(weeks=weeks)
    lay_out(folder / "embedded", weeks=weeks, only_sites=only_sites, history=history)
    laid_out = shutil.copytree(folder / "embedded", folder / "laid-out")
    began = time.monotonic()
    (alone or _lead)(folder / "embedded", as_of)
    told.seconds["embedded"] = time.monotonic() - began
    told.digests["embedded"] = release_digest(folder / "embedded")
    with hosts() as where, database(where.address) as server:
        told.hosts = where.told
        for killed in kill:
            name = "lake, a worker killed" if killed else "lake, two workers"
            network_dir = Path(shutil.copytree(
                laid_out, folder / ("killed" if killed else "lake")))
            port = free_port()
            with (network_dir / "network.toml").open("a", encoding="utf-8") as handle:
                handle.write(f"""
[warehouse]
lake = "{server.make()}"
[workers]
scheduler = "tcp://{where.address}:{port}"
""")
            with contextlib.ExitStack() as crew:
                crew.enter_context(_process(
                    _command("work", str(network_dir), "--scheduler"), folder / "scheduler.log"))
                workers = {}
                logs = {worker: folder / f"{network_dir.name}-{worker}.log"
                        for worker in WORKERS}
                for worker, prefix in where.inside.items():
                    workers[worker] = crew.enter_context(_process(
                        [*prefix, *_command("work", str(network_dir), "--scratch",
                                            str(folder / f"{network_dir.name}-{worker}"))],
                        logs[worker]))
                until(lambda logs=logs: all(  # type: ignore[misc]
                    "Working for" in log.read_text(encoding="utf-8") for log in logs.values()),
                    120, "both workers")
                began = time.monotonic()
                _lead(network_dir, as_of, workers[WORKERS[0]] if killed else None)
                told.seconds[name] = time.monotonic() - began
            told.digests[name] = release_digest(network_dir)
            told.by_whom[name] = {worker: _errands(log) for worker, log in logs.items()}
    return told


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the digests; 0 when they are the same."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--weeks", type=int, default=11, help="weeks of the season (default: 11)")
    parser.add_argument("--keep", type=Path, help="do it in this folder, and leave it there")
    options = parser.parse_args(arguments)
    if postgres_missing():
        print(postgres_missing())
        return 2
    with contextlib.ExitStack() as undo:
        if options.keep is None:
            folder = Path(undo.enter_context(tempfile.TemporaryDirectory()))
        else:
            folder = options.keep
            folder.mkdir(parents=True)
        told = compare(folder, weeks=options.weeks)
    print(f"{told.hosts}; seconds are of this machine, all parts of it together")
    for name, digest in told.digests.items():
        shares = ", ".join(f"{worker} handed in {number} errands"
                           for worker, number in told.by_whom.get(name, {}).items())
        print(f"{digest}  {told.seconds[name]:6.1f} s  {name}  {shares}")
    print("the same bytes" if told.equal else "NOT the same bytes")
    return 0 if told.equal else 1


if __name__ == "__main__":
    sys.exit(main())
