"""The process in which files of strangers are gone through: asked and answering by its pipes.

Started by :mod:`flows.intake.reading_room`, ended by it or by the end of its input.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import sys
import time
from pathlib import Path
from typing import Any

from checks.belonging import other_site_named
from flows.intake.account import contract_sheets
from flows.intake.reading import collector_at_rest, read_workbook
from flows.intake.reading_room import heard, tell
from flows.intake.recognising import recognise
from flows.intake.standardizing import standardize
from flows.returns.workbook import ANSWERED, holds_answers
from shared.problems import Problem
from shared.settings import Network, Site
from shared.staging import Staged

_LONGEST_QUESTION = 1 << 32


def take_in(
    content: bytes, name: str, site: Site, network: Network, sha256: str
) -> tuple[object, ...]:
    """What a file gives, or why it is refused, as plain values."""
    seconds: dict[str, float] = {}
    begun = time.perf_counter()

    def done(step: str) -> None:
        nonlocal begun
        now = time.perf_counter()
        seconds[step], begun = now - begun, now

    try:
        workbook = read_workbook(content, name)
        done("read")
        if holds_answers(workbook):
            seen = json.dumps([{"name": workbook.sheets[0].name, "layout": ANSWERED}])
            return "taken in", workbook, seen, Staged(), seconds
        recognised = recognise(workbook, site, network)
        done("recognise")
        staged = standardize(workbook, recognised, site, network, sha256)
        done("standardize")
    except Problem as problem:
        return "refused", problem.code, problem.what, problem.remedy, problem.where
    trouble = other_site_named(workbook, staged, site, network)
    if trouble is not None:
        return "refused", trouble.code, trouble.what, trouble.remedy, trouble.where
    seen = json.dumps(contract_sheets(workbook, recognised, staged), ensure_ascii=False)
    return "taken in", workbook, seen, staged, seconds


def _bound(memory: int) -> None:
    """Bound what this process may take, and offer it first when the machine runs short."""
    if sys.platform == "win32":
        return
    import resource

    for what, most in ((resource.RLIMIT_DATA, memory), (resource.RLIMIT_CORE, 0)):
        _bounded(resource, what, most)
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("500", encoding="ascii")


def _bound_time(seconds: int) -> None:
    """``seconds`` of the processor from now on, then the system ends this process."""
    if sys.platform == "win32":
        return
    import resource

    _bounded(resource, resource.RLIMIT_CPU, int(time.process_time()) + seconds + 1)


def _bounded(resource: Any, what: int, most: int) -> None:
    _, ceiling = resource.getrlimit(what)
    if ceiling != resource.RLIM_INFINITY:
        most = min(most, ceiling)
    resource.setrlimit(what, (most, ceiling))


def main() -> None:
    """Answer until there is no more to ask. Arguments: seconds a file, bytes of memory."""
    seconds, memory = int(sys.argv[1]), int(sys.argv[2])
    questions, answers = sys.stdin.buffer, os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    # Whatever a library prints must not get among the answers.
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    _bound(memory)
    while (question := heard(questions, _LONGEST_QUESTION)) is not None:
        _bound_time(seconds)
        with collector_at_rest():
            try:
                told = take_in(*pickle.loads(question))
            except MemoryError:
                os._exit(1)
            except Exception as error:
                told = ("fault", type(error).__name__)
            answer = pickle.dumps(told, 5)
        tell(answers, answer)
        del question, told, answer


if __name__ == "__main__":
    main()
