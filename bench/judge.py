"""``python -m bench.judge``: the rules beside the validators, one run, one table.

Each contender runs in a process of its own on the same made-up record
(:mod:`bench.national_record`), so that its memory is its own: the first call is timed, then
several warm ones. They take turns, in some rounds: what other programs on the machine do comes
and goes in minutes and only adds, so of each the quickest counts, and of memory the most. All
must find the same failing cells or the run fails.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from pathlib import Path

from bench.contenders import BOTH, CONTENDERS, MEMORY, SUBSET, THREADS, digest
from bench.national_record import make_record

DOCUMENT = Path(__file__).parent.parent / "docs" / "bench-judge.md"
BY_ITSELF = DOCUMENT.with_name("bench-catalogue.md")

TARGET_EVENTS_A_SECOND = 1_000_000
TARGET_SECONDS = 15.0
TARGET_BYTES = 2 * 1024**3
TARGET_SQL_RATIO = 3.0

ROUNDS = 3

WARM_CALLS, WARM_SECONDS = 7, 8.0
"""At most so many warm calls, and so long; the best counts."""


@dataclass(frozen=True)
class Measured:
    """One contender's figures: seconds (``cpu``: of all threads, a warm call), bytes.

    ``looks``: rows each check looks at, summed over the checks. ``found``: how many failing
    cells of its contest, and a hash of which. ``longest``: the slowest first call.
    """

    key: str
    checks: int
    looks: int
    total: int
    first: float
    warm: float
    cpu: float
    peak: int
    loaded: int
    found: tuple[int, str] | None
    longest: float = 0.0


def quickest(rounds: Sequence[Measured]) -> Measured:
    """One contender's rounds as one; ends the run where they do not find the same."""
    if len({one.found for one in rounds}) != 1:
        raise SystemExit(f"{rounds[0].key} finds other failing cells each time.")
    return replace(
        rounds[0], first=min(one.first for one in rounds), warm=min(one.warm for one in rounds),
        cpu=min(one.cpu for one in rounds), peak=max(one.peak for one in rounds),
        loaded=max(one.loaded for one in rounds), longest=max(one.first for one in rounds))


def memory(entry: str) -> int:
    """``VmHWM`` (peak) or ``VmRSS`` (now) of this process in bytes; 0 where not told.

    The kernel's own count, not getrusage's: that one starts from the parent's peak.
    """
    status = Path("/proc/self/status")
    if not status.exists():
        return 0
    for line in status.read_text(encoding="utf-8").splitlines():
        if line.startswith(entry + ":"):
            return int(line.split()[1]) * 1024
    return 0


def measure(key: str, folder: Path) -> Measured:
    """Run one contender in this process."""
    contender = next(c for c in CONTENDERS if c.key == key)
    prepared = contender.prepare(folder)
    loaded = memory("VmRSS")
    forgets = Path("/proc/self/clear_refs")
    if forgets.exists():
        forgets.write_text("5", encoding="utf-8")  # the peak starts anew, without the loading's
    started = time.perf_counter()
    result = prepared.run()
    first = time.perf_counter() - started
    warm: list[float] = []
    cpu: list[float] = []
    while len(warm) < 2 or (len(warm) < WARM_CALLS and sum(warm) < WARM_SECONDS):
        started, busy = time.perf_counter(), time.process_time()
        result = prepared.run()
        warm.append(time.perf_counter() - started)
        cpu.append(time.process_time() - busy)
    peak = memory("VmHWM")
    found = digest(prepared.cells(result)) if prepared.cells is not None else None
    return Measured(key, prepared.checks, prepared.looks, prepared.total, first, min(warm),
                    min(cpu), peak, loaded, found)


def _in_own_process(key: str, folder: Path) -> Measured:
    environment = os.environ | {
        "POLARS_MAX_THREADS": str(THREADS), "GX_ANALYTICS_ENABLED": "false",
        "PYTHONWARNINGS": "ignore",
    }
    done = subprocess.run(
        [sys.executable, "-m", "bench.judge", "--only", key, "--folder", str(folder)],
        capture_output=True, text=True, env=environment, check=False,
        cwd=Path(__file__).parent.parent,
    )
    if done.returncode != 0:
        raise SystemExit(f"{key} failed:\n{done.stderr[-3000:]}")
    raw = json.loads(done.stdout.splitlines()[-1])
    raw["found"] = tuple(raw["found"]) if raw["found"] else None
    return Measured(**raw)


def _per_look(one: Measured) -> float:
    """Nanoseconds, warm, for one check over one row that it looks at."""
    return one.warm / one.looks * 1e9


def _per_first_look(one: Measured) -> float:
    """The same in the first call of a process, which is the one that a weekly run makes."""
    return one.first / one.looks * 1e9


def table(measured: list[Measured], events: int) -> str:
    """The table and the verdicts, as Markdown."""
    by_key = {one.key: one for one in measured}
    basis = by_key["ours-rows"]
    lines = [
        "| | checks | first, s | at most | warm, s | CPU, s | events/s "
        "| ns a check a row, first | warm | to ours | peak, MiB | of which input | failing cells |",
        "| --- |" + " ---: |" * 12,
    ]
    ours = _per_look(basis)
    for contender in CONTENDERS:
        one = by_key[contender.key]
        cost = _per_look(one)
        checks = f"{one.checks}" + (f" of {one.total}" if one.total > one.checks else "")
        lines.append(
            f"| {contender.title} | {checks} | {one.first:.2f} | {one.longest:.2f} "
            f"| {one.warm:.2f} | {one.cpu:.2f} "
            f"| {events / one.warm:,.0f} "
            f"| {_per_first_look(one):.1f} | {cost:.1f} | {cost / ours:.2f}x "
            f"| {one.peak / 2**20:,.0f} | {one.loaded / 2**20:,.0f} "
            f"| {one.found[0] if one.found else '-'} |"
        )
    return "\n".join(lines)


def verdicts(measured: list[Measured], events: int) -> list[tuple[str, bool]]:
    """Each target in words, and whether it was met."""
    by_key = {one.key: one for one in measured}
    rows, whole, laid = by_key["ours-rows"], by_key["ours-words"], by_key["ours-temp"]
    costs = {one.key: _per_look(one) for one in measured}
    scale = events / 1_000_000
    rivals = [key for key in costs if not key.startswith(("ours", "sql", "floor"))]
    cheapest = min(rivals, key=costs.__getitem__)
    at_first = {one.key: _per_first_look(one) for one in measured}
    soonest = min(rivals, key=at_first.__getitem__)
    out = [
        (f"row rules together: {events / rows.first:,.0f} events/s first, "
         f"{events / rows.warm:,.0f} warm (target {TARGET_EVENTS_A_SECOND:,})",
         events / rows.first >= TARGET_EVENTS_A_SECOND),
        (f"whole catalogue, worded: {whole.first:.1f} s, over temporary tables "
         f"{laid.first:.1f} (target {TARGET_SECONDS * scale:g})",
         max(whole.first, laid.first) < TARGET_SECONDS * scale),
        (f"its peak memory: {whole.peak / 2**20:,.0f} MiB, over temporary tables "
         f"{laid.peak / 2**20:,.0f} (target below 2,048)",
         max(whole.peak, laid.peak) < TARGET_BYTES),
        (f"the average row rule over a row, sums and neighbours included, in a process's first "
         f"call: {at_first['ours-rows']:.1f} ns; the cheapest check of any validator in any "
         f"contest ({soonest}): {at_first[soonest]:.1f} ns",
         at_first["ours-rows"] < at_first[soonest]),
        (f"the same in a warm call: "
         f"{costs['ours-rows']:.1f} ns; the cheapest check of any validator in any contest "
         f"({cheapest}): {costs[cheapest]:.1f} ns", costs["ours-rows"] < costs[cheapest]),
    ]
    for contest, what in (("12", "the twelve ranges"), ("both", "both ranges of the twelve")):
        ours = costs[f"ours-{contest}"]
        beside = min((key for key in rivals if key.endswith(f"-{contest}")),
                     key=costs.__getitem__)
        read = f"dataframely-read-{contest}"
        sql = min((f"sql-sift-{contest}", f"sql-scans-{contest}"), key=costs.__getitem__)
        out += [
            (f"{what}, a check over a row: {ours:.1f} ns; cheapest validator ({beside}) "
             f"{costs[beside]:.1f} ns", ours < costs[beside]),
            (f"{what}, from the warehouse's tables for both: {ours:.1f} ns; dataframely "
             f"{costs[read]:.1f} ns", ours < costs[read]),
            (f"{what}: hand-written SQL ({sql}), {costs[sql]:.1f} ns, is "
             f"{ours / costs[sql]:.2f} times cheaper (target at most {TARGET_SQL_RATIO:g})",
             ours / costs[sql] <= TARGET_SQL_RATIO),
        ]
    return out


def _said(outcome: Sequence[tuple[str, bool]]) -> list[str]:
    return [f"- {'met' if met else 'MISSED'}: {words}" for words, met in outcome]


WHOLE = ("ours-words", "ours-temp")


def by_itself(taken: dict[str, list[Measured]], events: int) -> tuple[str, bool]:
    """The page of the whole catalogue by itself, round after round; whether it meets its targets.

    ``taken``: of each of :data:`WHOLE` its rounds, in order.
    """
    title = {contender.key: contender.title for contender in CONTENDERS}
    lines, outcome = [], []
    for key, rounds in taken.items():
        best, firsts = quickest(rounds), [one.first for one in rounds]
        peak = f"{best.peak / 2**20:,.0f}"
        lines.append(f"| {title[key]} | {best.first:.1f} | {statistics.median(firsts):.1f} "
                     f"| {best.longest:.1f} | {best.cpu:.1f} "
                     f"| {peak} | {', '.join(f'{first:.1f}' for first in firsts)} |")
        seconds = TARGET_SECONDS * events / 1_000_000
        outcome += [(f"{title[key]}: {best.first:.1f} s in the quickest of {len(firsts)} first "
                     f"calls (target {seconds:g})", best.first < seconds),
                    (f"its memory, the most of any: {peak} MiB (target below 2,048)",
                     best.peak < TARGET_BYTES)]
    text = "\n".join([
        "# What the whole catalogue costs, by itself", "",
        "Printed by `python -m bench.judge --whole`; nothing here is typed by hand.", "",
        _heading(events, ("duckdb",)), "",
        "| | quickest, s | median | slowest | CPU, s | peak, MiB | each first call, in order, s |",
        "| --- | ---: | ---: | ---: | ---: | ---: | --- |", *lines, "",
        *_said(outcome), "",
        "Each call is the first of its process, as that of a weekly run is, and the two take "
        "turns. They do",
        "the same work each time: what lies between the quickest and the slowest is what other "
        "machines on",
        "the same host leave of the memory and the processors. Beside the validators:",
        "[what judging costs](bench-judge.md).", ""])
    return text, all(met for _, met in outcome)


_PACKAGES = ("duckdb", "polars", "pandas", "pandera", "dataframely", "pointblank",
             "great-expectations")


def _heading(events: int, packages: Sequence[str] = _PACKAGES) -> str:
    versions = ", ".join(f"{name} {version(name)}" for name in packages)
    return (
        f"{events:,} events, three catches each; {THREADS} threads; Python "
        f"{platform.python_version()}; {versions}."
    )


NOTES = f"""\
- *Tallyweir* judges DuckDB tables in a file, as the warehouse keeps them; one line shows the
  uncompressed temporary tables that a run lays out. The validators get a frame in memory,
  uncompressed; for the quickest of them another line begins at the warehouse's tables as we
  do. Else loading is outside the clock and the peak; the peak includes the loaded input.
- DuckDB may hold {MEMORY}; beyond that it puts temporary tables on disk.
- DuckDB takes compressed columns apart first, and compares doubles one by one, since it
  orders NaN; one line shows what the reading alone costs.
- *Row rules* are those about one event: its own values, its catches, its sums, and what the
  site's usual and the neighbours of the day say of them. The whole catalogue has those about
  the rows before and after too.
- *checks*: for us probes that look at rows (of all; the others read only the short list of
  cells that were not plain values). A range is one check for everybody, a list another.
- *first*: the first call of a process, in the quickest of some rounds in which the contenders
  take turns, and *at most*, in the slowest: the machine is shared, and what others do on it only
  adds. *warm* is the quickest call of all rounds, *peak* the most of any.
- *CPU, s*: of all threads, in the best warm call; it shows work where other programs slow the
  clock.
- *ns a check a row* is of the first call of a process, all that a weekly run ever makes, and
  of a warm one (as is *to ours*), over the rows that each check looks
  at: three catches an event for a check of catches, the event for the others.
- *failing cells*: by check and row, in two contests: {len(SUBSET)} ranges
  ({", ".join(SUBSET)}), and {len(BOTH)} where the plausible ranges stand beside the possible
  ones. Equal hashes are asserted within each."""


def main() -> None:
    """Print the table; with ``--write`` keep it in the docs too."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    parser.add_argument("--whole", action="store_true",
                        help="only the whole catalogue, by itself, round after round")
    parser.add_argument("--write", action="store_true",
                        help="write docs/bench-judge.md, or with --whole docs/bench-catalogue.md")
    parser.add_argument("--only", help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.only:
        print(json.dumps(asdict(measure(given.only, given.folder))))
        return
    of = [one for one in CONTENDERS if not given.whole or one.key in WHOLE]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        make_record(folder, given.events)
        rounds: dict[str, list[Measured]] = {contender.key: [] for contender in of}
        for turn in range(1, given.rounds + 1):
            for contender in of:
                one = _in_own_process(contender.key, folder)
                rounds[contender.key].append(one)
                print(f"  {turn}: {contender.title}: first {one.first:.2f} s, warm "
                      f"{one.warm:.2f} s", file=sys.stderr)
                for leftover in folder.glob("record-*"):
                    leftover.unlink()
    if given.whole:
        text, met = by_itself(rounds, given.events)
        print(text)
        if given.write:
            BY_ITSELF.write_text(text, encoding="utf-8", newline="\n")
        raise SystemExit(0 if met else 1)
    measured = [quickest(taken) for taken in rounds.values()]
    for contest in {c.spans for c in CONTENDERS}:
        found = {one.key: one.found for one, c in zip(measured, CONTENDERS, strict=True)
                 if c.spans == contest and one.found is not None}
        if len(set(found.values())) != 1:
            print(found, file=sys.stderr)
            raise SystemExit("The contenders do not find the same failing cells.")
    outcome = verdicts(measured, given.events)
    text = "\n".join([
        "# What judging costs", "", "Printed by `python -m bench.judge`; nothing here is typed "
        "by hand.", "", _heading(given.events), "", table(measured, given.events), "",
        *_said(outcome), "", NOTES, "",
    ])
    print(text)
    if given.write:
        DOCUMENT.write_text(text, encoding="utf-8", newline="\n")
    if not all(met for _, met in outcome):
        raise SystemExit(1)


if __name__ == "__main__":
    main()
