"""The same deployments at a Prefect server on PostgreSQL, done by two worker processes."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import duckdb
import pytest

from fixtures import lay_out
from tests.flows.real_servers import PASSWORD, free_port, until

ROOT = Path(__file__).parents[3]


def _postgres_binaries() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return found[-1].parent if found else None


pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(_postgres_binaries() is None,
                       reason="PostgreSQL is not installed (Debian: postgresql)"),
    pytest.mark.skipif(hasattr(os, "getuid") and os.getuid() == 0
                       and shutil.which("runuser") is None,
                       reason="as root, PostgreSQL needs runuser to become another user"),
]


@contextmanager
def _postgres() -> Iterator[str]:
    """A cluster of its own on loopback; the address Prefect connects to."""
    binaries = _postgres_binaries()
    assert binaries is not None
    # It refuses to run as root, so as root it is run by its own user.
    become = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
    home = Path(tempfile.mkdtemp(prefix="tallyweir-postgres-"))
    home.chmod(0o777)
    port = free_port()

    def run(*command: str) -> None:
        subprocess.run([*become, *command], check=True, capture_output=True, cwd=home,
                       env=os.environ | {"LC_ALL": "C"})

    try:
        run(str(binaries / "initdb"), "-D", str(home / "data"), "-U", "prefect", "-A", "trust",
            "--no-sync")
        run(str(binaries / "pg_ctl"), "-D", str(home / "data"), "-w", "-l", str(home / "log"),
            "-o", f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={home} "
            "-c fsync=off", "start")
        try:
            yield f"postgresql+asyncpg://prefect@127.0.0.1:{port}/postgres"
        finally:
            run(str(binaries / "pg_ctl"), "-D", str(home / "data"), "-m", "immediate", "stop")
    finally:
        shutil.rmtree(home, ignore_errors=True)


@contextmanager
def _process(*command: str, environment: dict[str, str], out: Path) -> Iterator[Any]:
    with out.open("wb") as handle:
        process = subprocess.Popen([sys.executable, "-m", *command], env=environment,
                                   stdout=handle, stderr=handle)
        try:
            yield process
        finally:
            process.terminate()
            try:
                process.wait(30)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(10)


def test_two_workers_do_the_chores_of_two_networks_one_at_a_time_each(tmp_path: Path) -> None:
    port = free_port()
    kept = {name: value for name, value in os.environ.items()
            if not name.startswith(("PREFECT", "TALLYWEIR"))}
    api = f"http://127.0.0.1:{port}/api"

    def environment(name: str, **more: str) -> dict[str, str]:
        home = tmp_path / name
        home.mkdir()
        return kept | {"HOME": str(home), "PREFECT_HOME": str(home), "PYTHONPATH": str(ROOT),
                       "PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1",
                       "PREFECT_API_URL": api, "PYTHONUNBUFFERED": "1"} | more

    def asked(path: str, **body: Any) -> Any:
        request = urllib.request.Request(f"{api}/{path}", json.dumps(body).encode(),
                                         {"Content-Type": "application/json"})
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.load(answer)

    def healthy() -> bool:
        with suppress(OSError), urllib.request.urlopen(f"{api}/health", timeout=2) as answer:
            return bool(answer.status == 200)
        return False

    bays = []
    for name, site in (("one", "cinderpath-brook"), ("two", "hobnail-brook")):
        bay = tmp_path / name
        lay_out(bay, weeks=3, only_sites=(site,))
        text = (bay / "network.toml").read_text(encoding="utf-8")
        (bay / "network.toml").write_text(text.replace('id = "lantern-bay"', f'id = "{name}"'),
                                          encoding="utf-8", newline="\n")
        bays.append(bay)

    with ExitStack() as stack:
        database = stack.enter_context(_postgres())
        server = environment("server", PREFECT_API_DATABASE_CONNECTION_URL=database)
        stack.enter_context(_process(
            "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port),
            environment=server, out=tmp_path / "server.out"))
        until(healthy, 180, "the server")
        for number, bay in enumerate(bays):
            done = subprocess.run(
                [sys.executable, "-m", "flows.cli", "schedule", str(bay), "--pool", "bays"],
                env=environment(f"hand-{number}"), capture_output=True, text=True, check=False,
                timeout=180)
            assert done.returncode == 0, done.stderr
        for number in range(2):
            stack.enter_context(_process(
                "prefect", "worker", "start", "--pool", "bays", "--name", f"machine-{number}",
                "--limit", "1",
                environment=environment(f"worker-{number}", TALLYWEIR_MAIL_PASSWORD=PASSWORD),
                out=tmp_path / f"worker-{number}.out"))
        found = asked("deployments/filter")
        assert len(found) == 12
        assert {entry["work_queue_name"] for entry in found} == {"one", "two"}
        wanted = [entry for entry in found if {"weekly", "backup"} & set(entry["tags"])]
        ids = [asked(f"deployments/{entry['id']}/create_flow_run", state={"type": "SCHEDULED"})
               ["id"] for entry in wanted]

        def runs() -> list[dict[str, Any]]:
            return list(asked("flow_runs/filter", flow_runs={"id": {"any_": ids}}))

        until(lambda: all(run["state_type"] in ("COMPLETED", "FAILED", "CRASHED")
                          for run in runs()), 240, "the four runs")
        assert {run["state_type"] for run in runs()} == {"COMPLETED"}, runs()
        names = {run["name"] for run in runs()}
        assert any("weekly run" in name for name in names)
        text = json.dumps([runs(), found])
    assert PASSWORD not in text
    workers = {number: (tmp_path / f"worker-{number}.out").read_text(encoding="utf-8")
               for number in range(2)}
    assert all("Completed" in out or "flow run" in out for out in workers.values()), workers
    for bay in bays:
        assert (bay / "releases" / "latest").exists() and list((bay / "backups").glob("*.gz"))
        with duckdb.connect(str(bay / "warehouse" / "tallyweir.duckdb"), read_only=True) as con:
            times = con.execute(
                "SELECT started, ended FROM activities ORDER BY started").fetchall()
        assert len(times) == 2
        assert times[0][1] <= times[1][0], "two things were done at once"
