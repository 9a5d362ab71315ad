"""Work on what strangers sent, in a process of its own with an end to its time and memory.

The process is forked from one that has the libraries loaded already, and hands back JSON: nothing
that it says is ever run. Where the system knows no limit on memory (Windows), time alone ends
it.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing as mp
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any

from shared.problems import Problem

Work = Callable[..., dict[str, Any]]
"""A module's own function; takes and gives plain values."""

_LONGEST_ANSWER = 32_000_000
_SPACE = 4
_PRELOADED = "flows.desk.apart_work"


class TooMuchWork(Problem, TimeoutError):
    """The work went past its limits and was ended."""

    code = "too-much-work"


class Crowded(Problem, RuntimeError):
    """Others are being served; this one was not begun."""

    code = "crowded"


@dataclass(frozen=True, slots=True)
class Limits:
    """Wall-clock and processor seconds, and bytes of memory that can be written to."""

    seconds: float
    memory: int


class Room:
    """Does work apart, ``at_once`` pieces side by side, others wait their turn."""

    def __init__(self, limits: Limits, at_once: int = 2, patience: float = 20.0) -> None:
        self._limits = limits
        self._places = threading.BoundedSemaphore(at_once)
        self._patience = patience
        kinds = mp.get_all_start_methods()
        self._context: Any = mp.get_context("forkserver" if "forkserver" in kinds else "spawn")
        if "forkserver" in kinds:
            self._context.set_forkserver_preload([_PRELOADED])

    def do(self, work: Work, *arguments: object) -> dict[str, Any]:
        """What ``work`` gives. Raises :class:`TooMuchWork`, or :class:`Crowded`."""
        if not self._places.acquire(timeout=self._patience):
            raise Crowded("Many are sending just now.", "Try again in a minute; nothing was lost.")
        try:
            return self._done(work, arguments)
        finally:
            self._places.release()

    def _done(self, work: Work, arguments: tuple[object, ...]) -> dict[str, Any]:
        mine, theirs = self._context.Pipe(duplex=False)
        process = self._context.Process(
            target=_apart, args=(theirs, self._limits, work, arguments), daemon=True)
        process.start()
        theirs.close()
        said: bytes | None = None
        try:
            if mine.poll(self._limits.seconds):
                with contextlib.suppress(EOFError, OSError):
                    said = mine.recv_bytes(_LONGEST_ANSWER)
        finally:
            mine.close()
            process.kill()
            process.join(5)
            with contextlib.suppress(ValueError):  # a busy machine has not buried it yet
                process.close()
        if said is None:
            raise TooMuchWork(
                "It took more time or memory than it may.",
                "Ask for less at a time. A sheet: send the season's alone, as .xlsx or .csv.")
        found: dict[str, Any] = json.loads(said)
        if "trouble" in found:
            raise _problem(found["trouble"])
        return dict(found["done"])


class Refused(Problem, ValueError):
    """The work itself said no."""

    code = "refused"


def _problem(trouble: dict[str, str]) -> Problem:
    problem = Refused(trouble["what"], trouble["remedy"], trouble["where"])
    problem.code = trouble["code"]
    return problem


def _apart(answer: Connection, limits: Limits, work: Work, arguments: tuple[object, ...]) -> None:
    _limit(limits)
    try:
        said = {"done": work(*arguments)}
    except Problem as problem:
        said = {"trouble": {"code": problem.code, "what": problem.what,
                            "remedy": problem.remedy, "where": problem.where}}
    except MemoryError:
        return
    except Exception as error:
        said = {"trouble": {
            "code": "not-understood", "what": f"It could not be gone through ({_kind(error)}).",
            "remedy": "Send it by mail to your coordinator, who can look at it.", "where": ""}}
    answer.send_bytes(json.dumps(said, ensure_ascii=False, default=str).encode("utf-8"))
    answer.close()


def _kind(error: Exception) -> str:
    return type(error).__name__


def _limit(limits: Limits) -> None:
    if sys.platform == "win32":
        return
    import resource

    seconds = int(limits.seconds) + 1
    # Address space is reserved in far larger pieces than are used; what may be written to is
    # counted exactly on Linux. Elsewhere the other limit still bounds it, less tightly.
    for what, most in ((resource.RLIMIT_DATA, limits.memory),
                       (resource.RLIMIT_AS, _SPACE * limits.memory),
                       (resource.RLIMIT_CPU, seconds), (resource.RLIMIT_CORE, 0)):
        _, ceiling = resource.getrlimit(what)
        wanted = most if ceiling == resource.RLIM_INFINITY else min(most, ceiling)
        resource.setrlimit(what, (wanted, wanted))
