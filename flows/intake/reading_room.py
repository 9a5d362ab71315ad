"""Files of strangers are gone through in a process of its own, with an end to time and memory.

A file made to do harm, or one that its reader stumbles over, costs itself and nothing else: the
process is ended, the file is refused with a sentence, and the next one gets a new process. One
process takes many files, since to start one costs more than to read a season's sheet.

What comes back is taken apart as values and never as code: names of classes other than a few
plain ones are refused (:class:`_Values`). The process does not get our passwords.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import os
import pickle
import subprocess
import sys
import threading
import time
import weakref
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import IO, Any, cast

from flows.intake.reading import AnnotatedSheet, collector_at_rest
from flows.secrets import NAMES
from shared.problems import Trouble, UnreadableFile
from shared.settings import Network, Site
from shared.sheets import Sheet, Workbook
from shared.staging import Staged

LENGTH_BYTES = 8
"""Before each message, its length in so many bytes, the least of them first."""
_LONGEST_ANSWER = 2_000_000_000
_LARGE_BYTES = 4_000_000
"""After a file of this size a process is not used again: what it took it may not give back."""
_AT_ONCE = 2
_SOON_SECONDS = 20.0


@dataclass(frozen=True, slots=True)
class Bounds:
    """What one file may take: seconds of the processor and of the clock, bytes of memory.

    Where the system bounds neither processor nor memory (Windows), the clock alone does.
    """

    processor: int = 120
    clock: float = 600.0
    memory: int = 4_000_000_000


class ReaderStopped(UnreadableFile):
    """Going through the file took too much, or the process that did it fell over."""

    code = "reader-stopped"


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What a file gave. ``seconds``: what each step took."""

    workbook: Workbook
    recognised_json: str
    staged: Staged
    seconds: dict[str, float]


class ReadingRoom:
    """Goes through files apart, a few at once; others wait for their turn."""

    def __init__(self, bounds: Bounds = Bounds(), at_once: int = _AT_ONCE) -> None:
        self._bounds = bounds
        self._turns = threading.BoundedSemaphore(at_once)
        self._idle: list[subprocess.Popen[bytes]] = []
        weakref.finalize(self, _end_all, self._idle)

    def take_in(
        self, content: bytes, name: str, site: Site, network: Network, sha256: str
    ) -> TakenIn | Trouble:
        """Read, recognise and standardize ``content``; a trouble says why it is refused.

        Raises :class:`ReaderStopped` when it took too much or felled its reader.
        """
        request = pickle.dumps((content, name, site, network, sha256), 5)
        with self._turns:
            begun = time.monotonic()
            answer = self._answer(request, keep=len(content) < _LARGE_BYTES)
            if answer is None and time.monotonic() - begun < _SOON_SECONDS:
                # Perhaps it was not the file: a machine short of memory ends what it finds.
                answer = self._answer(request, keep=False)
        if answer is None:
            raise ReaderStopped(
                "Going through it took more time or memory than a sheet may, or made its reader "
                "fall over.",
                "Send the season's sheet alone, without pictures and other years, saved again as "
                ".xlsx or .csv.", name)
        try:
            with collector_at_rest():
                what, *told = _Values(io.BytesIO(answer)).load()
            if what == "taken in":
                return TakenIn(*told)
            if what == "refused":
                return Trouble(*map(str, told))
            fault = str(told[0])
        except Exception as error:  # an answer that is none: its reader was made to say it
            fault = type(error).__name__
        raise ReaderStopped(
            f"It could not be gone through ({fault}).",
            "Send it to whoever keeps Tallyweir running; the sheet sent before still stands.",
            name)

    def _answer(self, request: bytes, keep: bool) -> bytes | None:
        process = self._one()
        answer = _asked(process, request, self._bounds.clock)
        if answer is not None and keep:
            self._idle.append(process)
        else:
            _end(process)
        return answer

    def _one(self) -> subprocess.Popen[bytes]:
        while self._idle:
            with contextlib.suppress(IndexError):  # another thread was quicker
                process = self._idle.pop()
                if process.poll() is None:
                    return process
                _end(process)
        return _begun(self._bounds)


@cache
def reading_room() -> ReadingRoom:
    """The one room of this process: what it has begun serves every run."""
    return ReadingRoom()


def _begun(bounds: Bounds) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "flows.intake.reader_apart", str(bounds.processor),
         str(bounds.memory)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        cwd=Path(__file__).resolve().parents[2],
        env={name: value for name, value in os.environ.items() if name not in NAMES})


def _asked(process: subprocess.Popen[bytes], request: bytes, seconds: float) -> bytes | None:
    """The answer to ``request``; None when the process ended, or was ended, before it."""
    alarm = threading.Timer(seconds, process.kill)
    alarm.daemon = True
    alarm.start()
    try:
        tell(cast(IO[bytes], process.stdin), request)
        return heard(cast(IO[bytes], process.stdout), _LONGEST_ANSWER)
    except OSError:
        return None
    finally:
        alarm.cancel()


def tell(line: IO[bytes], message: bytes) -> None:
    """Send one message."""
    line.write(len(message).to_bytes(LENGTH_BYTES, "little"))
    line.write(message)
    line.flush()


def heard(line: IO[bytes], longest: int) -> bytes | None:
    """The next message; None where there is none, or a part of one, or one too long."""
    head = line.read(LENGTH_BYTES)
    length = int.from_bytes(head, "little")
    if len(head) < LENGTH_BYTES or length > longest:
        return None
    message = line.read(length)
    return message if len(message) == length else None


def _end(process: subprocess.Popen[bytes]) -> None:
    process.kill()
    for line in (process.stdin, process.stdout):
        if line is not None:
            with contextlib.suppress(OSError):
                line.close()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(10)


def _end_all(processes: list[subprocess.Popen[bytes]]) -> None:
    while processes:
        _end(processes.pop())


_PLAIN: dict[tuple[str, str], Callable[..., Any]] = {
    (kind.__module__, kind.__qualname__): kind for kind in (
        Workbook, Sheet, AnnotatedSheet, Staged, dt.date, dt.datetime, dt.time, dt.timedelta)}


class _Values(pickle.Unpickler):
    """Values of a few plain classes; whatever else a message names is refused."""

    def find_class(self, module: str, name: str) -> Any:
        """The class of that name, if it is one of ours."""
        try:
            return _PLAIN[module, name]
        except KeyError as error:
            raise pickle.UnpicklingError(f"{module}.{name} is no value of a sheet") from error
