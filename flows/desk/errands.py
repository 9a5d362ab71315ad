"""The long errands a coordinator sends for: a weekly run, a release. One at a time.

Each is the command of that name in a process of its own, which takes its turn at the warehouse
like any other; the desk only tells how it ended.
"""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
import threading
from dataclasses import asdict, dataclass
from pathlib import Path

from flows.desk.places import desk_folder
from shared.problems import NetworkBusy
from warehouse import durable

ERRANDS = {"run": "the weekly run", "release": "a release"}
_LONGEST = 3600
_TOLD = 6_000
_OUTCOME = {0: "done", 1: "done; something needs people"}


@dataclass(frozen=True, slots=True)
class Errand:
    """How an errand stands. ``outcome`` is empty while it goes on."""

    what: str
    began: str
    who: str
    outcome: str = ""
    told: str = ""


class Errands:
    """The errands of one desk."""

    def __init__(self, network_dir: Path) -> None:
        self._dir = network_dir
        self._path = desk_folder(network_dir) / "errand.json"
        self._guard = threading.Lock()
        self._going: Errand | None = None

    def last(self) -> Errand | None:
        """The one that goes on, else the last."""
        if self._going is not None:
            return self._going
        try:
            return Errand(**json.loads(self._path.read_text(encoding="utf-8")))
        except (OSError, ValueError, TypeError):
            return None

    def send(self, what: str, who: str, now: dt.datetime) -> None:
        """Begin one. Raises :class:`NetworkBusy` while another goes on."""
        with self._guard:
            if self._going is not None:
                raise NetworkBusy(f"{ERRANDS[self._going.what].capitalize()} is under way.",
                                  "Wait until it has ended.", "")
            self._going = Errand(what, now.astimezone(dt.UTC).isoformat(timespec="seconds"), who)
        threading.Thread(target=self._carry_out, args=(self._going,), name="errand",
                         daemon=True).start()

    def _carry_out(self, errand: Errand) -> None:
        try:
            done = subprocess.run(
                [sys.executable, "-m", "flows.cli", errand.what, str(self._dir.resolve())],
                stdin=subprocess.DEVNULL, capture_output=True, text=True, encoding="utf-8",
                errors="replace", timeout=_LONGEST, check=False,
                cwd=Path(__file__).resolve().parents[2])
            outcome = _OUTCOME.get(done.returncode, "could not be done")
            told = done.stderr if done.returncode not in _OUTCOME else done.stdout
        except (OSError, subprocess.TimeoutExpired) as error:
            outcome, told = "could not be done", str(error)
        ended = Errand(errand.what, errand.began, errand.who, outcome, told[-_TOLD:])
        durable.write_text(self._path, json.dumps(asdict(ended), ensure_ascii=False))
        self._going = None
