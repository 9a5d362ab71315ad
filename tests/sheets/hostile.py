"""Reads the files named on standard input, one a line; prints a line of JSON for each.

Run as a process of its own by the tests of hostile files, so that a crash of the reader, a
hang or a flood of memory is seen from outside. The last line gives the peak of memory.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from flows.intake.reading import read_workbook
from flows.intake.recognising import recognise
from flows.intake.standardizing import standardize
from shared.problems import Problem
from shared.settings import lone_site


def peak_megabytes() -> float:
    """Peak resident memory of this process; 0 where the system does not tell."""
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii")
    except OSError:
        return 0.0
    line = next((line for line in status.splitlines() if line.startswith("VmHWM")), "")
    return int(line.split()[1]) / 1024 if line else 0.0


def main() -> None:
    """Take in every file named, as the weekly run would."""
    network = lone_site()
    site = network.sites["site"]
    for line in sys.stdin:
        path = Path(line.rstrip("\n"))
        content = path.read_bytes()
        print(json.dumps({"begins": path.name}), flush=True)
        start = time.process_time()  # a busy machine must not look like a hang
        try:
            workbook = read_workbook(content, path.name)
            recognised = recognise(workbook, site, network)
            standardize(workbook, recognised, site, network, "ab" * 32)
            outcome, code, sentence = "read", "", ""
        except Problem as problem:
            outcome, code, sentence = "refused", problem.code, str(problem)
        except BaseException as error:  # what the tests look for
            outcome, code, sentence = "crashed", type(error).__name__, str(error)
        print(
            json.dumps(
                {
                    "name": path.name,
                    "outcome": outcome,
                    "code": code,
                    "sentence": sentence,
                    "seconds": time.process_time() - start,
                }
            ),
            flush=True,
        )
    print(json.dumps({"peak": peak_megabytes()}), flush=True)


if __name__ == "__main__":
    main()
