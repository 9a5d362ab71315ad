"""The audit: every change made through the pages, who and when, on the disk before it is told."""

from __future__ import annotations

import datetime as dt
import json
import os
import threading
from pathlib import Path
from typing import Any

from flows.desk.places import audit_path
from warehouse.durable import make_folder

_guard = threading.Lock()


def note(network_dir: Path, now: dt.datetime, who: str, role: str, what: str,
         **facts: object) -> None:
    """Add a line: ``who`` (the link's label and id) did ``what``."""
    line = {"at": now.astimezone(dt.UTC).isoformat(timespec="seconds"), "who": who,
            "role": role, "what": what} | facts
    text = json.dumps(line, ensure_ascii=False, default=str) + "\n"
    path = audit_path(network_dir)
    make_folder(path.parent)
    with _guard, path.open("ab") as handle:
        handle.write(text.encode("utf-8"))
        handle.flush()
        os.fsync(handle.fileno())


def newest(network_dir: Path, number: int = 200) -> list[dict[str, Any]]:
    """The last ``number`` lines, newest first. A line cut short by a stop is passed over."""
    try:
        lines = audit_path(network_dir).read_text(encoding="utf-8").splitlines()
    except OSError:
        return []
    out = []
    for line in reversed(lines[-number:]):
        try:
            out.append(json.loads(line))
        except ValueError:
            continue
    return out
