"""``tallyweir schedule``, left alone: two weeks that run fast, with mail, and a kill between."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest

from fixtures import lay_out
from tests.flows.real_servers import (
    MAILBOX_PASSWORD,
    PASSWORD,
    Authority,
    MailOut,
    free_port,
    mail_out,
    until,
)

ROOT = Path(__file__).parents[3]
SITES = ("cinderpath-brook", "hobnail-brook")


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def server(authority: Authority) -> Iterator[MailOut]:
    with mail_out(authority) as running:
        yield running


def _environment(home: Path) -> dict[str, str]:
    home.mkdir(exist_ok=True)
    kept = {name: value for name, value in os.environ.items()
            if not name.startswith(("PREFECT", "TALLYWEIR"))}
    return kept | {"HOME": str(home), "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1",
                   "TALLYWEIR_MAIL_PASSWORD": PASSWORD,
                   "TALLYWEIR_MAILBOX_PASSWORD": MAILBOX_PASSWORD}


def _asked(port: int, path: str, **body: Any) -> Any:
    request = urllib.request.Request(
        f"http://127.0.0.1:{port}/api/{path}", json.dumps(body).encode(),
        {"Content-Type": "application/json"})
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.load(answer)


def _operations(bay: Path) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads(
            (bay / "warehouse" / "operations.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found


def _weeks(server: MailOut) -> list[tuple[str, str]]:
    return sorted((person, str(mail["Subject"])) for person, mail in server.taken
                  if ".week@" in str(mail["Message-ID"]))


@pytest.mark.slow
def test_two_weeks_by_itself_killed_between_and_no_secret_anywhere(
    tmp_path: Path, server: MailOut
) -> None:
    bay, synced, port = tmp_path / "bay", tmp_path / "synced", free_port()
    lay_out(bay, weeks=6, only_sites=SITES)
    # The second site's sheets come through a folder that a sync program keeps.
    shutil.move(bay / "inbox" / SITES[1], synced)
    text = (bay / "network.toml").read_text(encoding="utf-8")
    text = text.replace(f"[sites.{SITES[1]}]", f'[sites.{SITES[1]}]\nquiet_weeks = "one line"\n'
                        f'collect = {{ folder = "{synced.as_posix()}" }}')
    (bay / "network.toml").write_text(
        text + f'\n{server.settings}quiet_weeks = "one line"\n[collect]\nsettle_seconds = 0\n'
        f'[schedule]\nport = {port}\ncollect = "0 12 * * 6"\nbackup = "0 3 * * 1"\n'
        'remind = ""\noverdue = ""\n', encoding="utf-8", newline="\n")
    # A week in forty seconds.
    command = [sys.executable, "-m", "flows.cli", "schedule", str(bay), "--rehearse",
               "2026-03-15", "--speed", "15000"]
    environment = _environment(tmp_path / "home")
    out = (tmp_path / "out").open("wb")

    def start(*more: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen([*command, *more], cwd=tmp_path, env=environment, stdout=out,
                                stderr=out, start_new_session=True)

    process = start()
    try:
        until(lambda: len({person for person, _ in _weeks(server)}) == 2, 240, "the first week")
        until(lambda: _operations(bay).get("weekly", {}).get("done") is not None, 60, "its end")
        first = _operations(bay)["weekly"]["done"]["due"]
        # The machine goes off without a word. (Only this test's own processes are in the group.)
        os.killpg(process.pid, signal.SIGKILL)
        process.wait(30)
        lay_out(bay, weeks=8, only_sites=SITES)
        (bay / "network.toml").write_text(
            (bay / "network.toml").read_text(encoding="utf-8")
            + f'\n{server.settings}quiet_weeks = "one line"\n[schedule]\nport = {port}\n'
            'collect = "0 12 * * 6"\nbackup = "0 3 * * 1"\nremind = ""\noverdue = ""\n',
            encoding="utf-8", newline="\n")
        command[-3] = "2026-03-29"
        process = start()
        until(lambda: _operations(bay).get("weekly", {}).get("done", {}).get("due", first)
              > first, 240, "the second week")
        until(lambda: "backup" in _operations(bay), 120, "a backup")
        runs = _asked(port, "flow_runs/filter", limit=100)
        artifacts = _asked(port, "artifacts/filter", limit=100)
        deployments = _asked(port, "deployments/filter")
        pages = json.dumps([runs, artifacts, deployments])
        process.send_signal(signal.SIGTERM)
        process.wait(60)
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(30)
        out.close()

    names = {run["name"] for run in runs}
    assert any("Lantern Bay count: weekly run, " in name for name in names), names
    assert {"tallyweir", "lantern-bay", "weekly"} <= {tag for run in runs for tag in run["tags"]}
    keys = {artifact["key"] for artifact in artifacts}
    assert {f"findings-{site}" for site in SITES} <= keys and "week-lantern-bay" in keys
    # Each site and the coordinator got each week's letter once.
    ids = [str(mail["Message-ID"]) for _, mail in server.taken]
    assert len(ids) == len(set(ids))
    weeks = [id_ for id_ in ids if ".week@" in id_]
    assert len(weeks) >= 4
    with duckdb.connect(str(bay / "warehouse" / "tallyweir.duckdb"), read_only=True) as con:
        done = con.execute("SELECT activity, outcome FROM activities").fetchall()
        assert con.execute("SELECT count(*) FROM letters WHERE state <> 'sent'").fetchone() == (
            0,)
    assert done.count(("weekly", "done")) >= 2
    assert {outcome for _, outcome in done} <= {"done", "cut off"}
    assert list((bay / "backups").glob("*.tar.gz"))
    assert (tmp_path / "home").exists() and list((tmp_path / "home").iterdir()) == []
    _no_secret_in(tmp_path, pages)


def _no_secret_in(folder: Path, *texts: str) -> None:
    """The planted passwords stand in no file, page or parameter, plain or encoded."""
    import base64
    import tarfile

    planted = [form for word in (PASSWORD, MAILBOX_PASSWORD) for form in
               (word.encode(), base64.b64encode(word.encode()).rstrip(b"="))]
    looked = 0
    for path in folder.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            if path.name.endswith(".tar.gz"):
                with tarfile.open(path) as archive:
                    content = b"".join(
                        handle.read() for entry in archive
                        if (handle := archive.extractfile(entry)) is not None)
            assert not any(word in content for word in planted), path
            looked += 1
    assert looked > 50
    for text in texts:
        assert not any(word.decode() in text for word in planted)
