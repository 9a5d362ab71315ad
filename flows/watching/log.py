"""The log: one JSON object a line, each with the id of the run it belongs to.

``warehouse/tallyweir.log``; read it with any tool that knows JSON lines. No password that
this program has read can get into it.
"""

from __future__ import annotations

import contextlib
import contextvars
import datetime as dt
import json
import logging
import logging.handlers
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from flows.secrets import cleared
from warehouse.durable import make_folder

LOG = logging.getLogger("tallyweir")
# Where no log is kept (a decision, a rebuild) nothing of it is for the terminal.
LOG.addHandler(logging.NullHandler())
_MOST_BYTES = 5_000_000
_KEPT = 5

_run: contextvars.ContextVar[str] = contextvars.ContextVar("tallyweir_run", default="")


def log_path(network_dir: Path) -> Path:
    """Where the log stands; older parts beside it end in a number."""
    return network_dir / "warehouse" / "tallyweir.log"


class _JsonLines(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, Any] = {
            "at": dt.datetime.fromtimestamp(record.created, dt.UTC).isoformat(
                timespec="milliseconds"),
            "run": getattr(record, "run", "") or _run.get() or _latest_run,
            "level": record.levelname.lower(),
            "event": record.getMessage(),
        }
        line |= getattr(record, "facts", {})
        if record.exc_info and record.exc_info[0] is not None:
            line["trace"] = self.formatException(record.exc_info)
        return cleared(json.dumps(line, ensure_ascii=False, default=str))


_latest_run = ""
"""The run under way, for threads that were started before it and see no context of it."""


def log_to(network_dir: Path) -> None:
    """Send what is logged to the network's log, and nowhere else."""
    path = log_path(network_dir)
    make_folder(path.parent)
    for handler in list(LOG.handlers):
        LOG.removeHandler(handler)
        handler.close()
    handler = logging.handlers.RotatingFileHandler(
        path, maxBytes=_MOST_BYTES, backupCount=_KEPT, encoding="utf-8", delay=True)
    handler.setFormatter(_JsonLines())
    LOG.addHandler(handler)
    LOG.setLevel(logging.INFO)
    LOG.propagate = False


@contextlib.contextmanager
def run_id(id_: str) -> Iterator[None]:
    """Everything logged inside carries ``id_``; inside another run it keeps that one's."""
    global _latest_run
    if _run.get():
        yield
        return
    token = _run.set(id_)
    _latest_run = id_
    try:
        yield
    finally:
        _run.reset(token)
        _latest_run = ""


def current_run() -> str:
    """The id of the run under way, empty outside one."""
    return _run.get()


def event(what: str, **facts: object) -> None:
    """Log that something happened, with its facts as fields."""
    LOG.info(what, extra={"facts": facts})
