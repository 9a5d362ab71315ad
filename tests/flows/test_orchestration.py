"""The run as people start it: under Prefect, in processes that may be killed at any moment."""

from __future__ import annotations

import os
import random
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fixtures import lay_out
from flows.network_folder import load_network
from flows.weekly import run_in_order

from .conftest import AS_OF, published

ROOT = Path(__file__).parents[2]


def _environment(home: Path, **more: str) -> dict[str, str]:
    home.mkdir(exist_ok=True)
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT")}
    return kept | {"HOME": str(home), "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"} | more


def _command(bay: Path) -> list[str]:
    return [sys.executable, "-m", "flows.cli", "run", str(bay), "--as-of", AS_OF.isoformat()]


def test_the_command_runs_by_itself_and_leaves_the_home_folder_alone(
    bay: Path, tmp_path: Path
) -> None:
    home = tmp_path / "home"
    done = subprocess.run(_command(bay), cwd=tmp_path, env=_environment(home), text=True,
                          capture_output=True, timeout=300, check=False)
    assert done.returncode == 1, done.stderr
    assert done.stderr == ""
    for word in ("judge and load", "Held", "Release", "Outbox", "Alder Creek"):
        assert word in done.stdout
    assert list(home.iterdir()) == []
    assert (bay / "warehouse" / "prefect" / "prefect.db").exists()


def test_other_libraries_say_nothing_on_the_terminal(bay: Path, tmp_path: Path) -> None:
    """Prefect's store may complain of a connection cut short as the run ends."""
    script = ("import logging, sys; from pathlib import Path; from flows.orchestration import "
              "embed; embed(Path(sys.argv[1])); from prefect import flow; "
              "logging.getLogger('sqlalchemy.pool').error('cut short')")
    done = subprocess.run([sys.executable, "-c", script, str(bay)], cwd=tmp_path, text=True,
                          env=_environment(tmp_path / "home"), capture_output=True,
                          timeout=120, check=True)
    assert done.stderr == ""


_ONE_FAILS = """
import datetime as dt, sys
from pathlib import Path
from typing import Any
from flows import weekly
from flows.network_folder import load_network
from flows.orchestration import embed, weekly_run
lay_out = weekly.WeeklyRun._lay_out
def failing(self, site_ids, *extra):
    # Whether its turn comes with the others' or by itself.
    if "hobnail-brook" in site_ids:
        raise RuntimeError("a planted fault")
    return lay_out(self, site_ids, *extra)
weekly.WeeklyRun._lay_out = failing
bay = Path(sys.argv[1])
embed(bay)
weekly_run(bay, load_network(bay), dt.date.fromisoformat(sys.argv[2]), print)
"""


def test_a_fault_at_one_site_leaves_the_others_to_finish(bay: Path, tmp_path: Path) -> None:
    import json

    done = subprocess.run(
        [sys.executable, "-c", _ONE_FAILS, str(bay), AS_OF.isoformat()], cwd=tmp_path,
        env=_environment(tmp_path / "home"), text=True, capture_output=True, timeout=300,
        check=False)
    assert done.returncode == 0, done.stderr
    standing = json.loads((bay / "warehouse" / "standing.json").read_text(encoding="utf-8"))
    (told,) = standing["sites"]["hobnail-brook"]["troubles"]
    assert "a planted fault" in told and "Nothing was lost" in told
    assert standing["sites"]["hobnail-brook"]["rows"] == 0
    assert all(entry["rows"] > 0 for site, entry in standing["sites"].items()
               if site != "hobnail-brook")
    assert "alder-creek" in published(bay)["counts.csv"].decode("utf-8")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A Prefect server on loopback, so that its runs need not each start their own."""
    home = tmp_path_factory.mktemp("server")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = _environment(
        home, PREFECT_HOME=str(home), PREFECT_SERVER_ANALYTICS_ENABLED="false", DO_NOT_TRACK="1")
    started = subprocess.Popen(
        [sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port",
         str(port)], env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        deadline = time.monotonic() + 90
        while time.monotonic() < deadline:
            with socket.socket() as knock:
                if knock.connect_ex(("127.0.0.1", port)) == 0:
                    break
            assert started.poll() is None, "the server ended"
            started_wait(started, 0.2)
        yield f"http://127.0.0.1:{port}/api"
    finally:
        started.terminate()
        started.wait(30)


def started_wait(process: subprocess.Popen[Any], seconds: float) -> None:
    """Wait until the process ends or the time is over."""
    try:
        process.wait(seconds)
    except subprocess.TimeoutExpired:
        return


POINTS = 6
"""Under the scheduler; ``bench.faults`` kills the same stages at every step without it."""


@pytest.mark.slow
def test_killed_at_six_random_points_the_next_run_gives_the_same_release(
    tmp_path: Path, server: str
) -> None:
    lay_out(tmp_path / "laid-out", only_sites=("cinderpath-brook", "hobnail-brook",
                                               "kettlelid-brook"))
    environment = _environment(tmp_path / "home", PREFECT_API_URL=server)

    def run(bay: Path) -> subprocess.Popen[str]:
        return subprocess.Popen(_command(bay), cwd=tmp_path, env=environment, text=True,
                                stdout=subprocess.PIPE, stderr=subprocess.PIPE)

    def until_it_works(process: subprocess.Popen[str]) -> str:
        """Read what it prints until the work proper begins; returns what came."""
        came = ""
        assert process.stdout is not None
        for line in process.stdout:
            came += line
            if "opening the warehouse" in line:
                break
        return came

    undisturbed = Path(shutil.copytree(tmp_path / "laid-out", tmp_path / "undisturbed"))
    process = run(undisturbed)
    until_it_works(process)
    began = time.monotonic()
    assert process.wait(120) == 1
    whole = time.monotonic() - began
    wanted = published(undisturbed)

    chance = random.Random(20260419)
    landed = 0
    for attempt in range(30):
        bay = Path(shutil.copytree(tmp_path / "laid-out", tmp_path / f"bay-{attempt}"))
        process = run(bay)
        until_it_works(process)
        began = time.monotonic()
        # Stratified, so that the draws cover the run from its first to its last stage.
        started_wait(process, whole * (landed + chance.random()) / POINTS)
        if process.poll() is None:
            landed += 1
        else:
            # It was through before the blow: the machine is faster now than when measured.
            whole = min(whole, time.monotonic() - began) * 0.95
        process.kill()
        process.communicate()
        # The stages are the same without the scheduler, whose start costs more than they do.
        if landed % 3 == 0:
            process = run(bay)
            _, errors = process.communicate(timeout=120)
            assert process.returncode == 1, errors
        else:
            run_in_order(bay, load_network(bay), AS_OF)
        assert published(bay) == wanted, f"killed at point {attempt}"
        assert not list((bay / "releases").glob(".building-*"))
        shutil.rmtree(bay)
        if landed == POINTS:
            break
    assert landed == POINTS
