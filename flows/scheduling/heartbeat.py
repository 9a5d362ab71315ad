"""What the keeper of the schedules leaves each half minute: since when, and that it lives."""

from __future__ import annotations

import datetime as dt
import json
import os
from pathlib import Path

from flows.scheduling.clock import utc_now
from warehouse import durable

_LATE = dt.timedelta(minutes=5)


def heartbeat_path(network_dir: Path) -> Path:
    """Where it stands."""
    return network_dir / "warehouse" / "schedule.json"


def beat(network_dir: Path, now: dt.datetime) -> dt.datetime:
    """Leave a sign of life; returns when the schedules here were first kept (naive UTC)."""
    since = _read(network_dir, "since") or now
    durable.write_text(heartbeat_path(network_dir), json.dumps(
        {"since": since.isoformat(), "beat": now.isoformat(), "process": os.getpid()}) + "\n")
    return since


def last_beat(network_dir: Path) -> dt.datetime | None:
    """The latest sign of life (naive UTC), None when there never was one."""
    return _read(network_dir, "beat")


def kept(network_dir: Path) -> bool:
    """Whether a process keeps the schedules just now."""
    last = last_beat(network_dir)
    return last is not None and abs(utc_now() - last) < _LATE


def _read(network_dir: Path, name: str) -> dt.datetime | None:
    try:
        found = json.loads(heartbeat_path(network_dir).read_text(encoding="utf-8"))
        return dt.datetime.fromisoformat(found[name])
    except (OSError, ValueError, KeyError, TypeError):
        return None
