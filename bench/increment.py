"""``python -m bench.increment``: a week's sheets of twelve sites, after longer and longer records.

The seasons that are closed are judged whole, out of core, once: that cost is shown too. What
they tell is laid out (:mod:`checks.closing`), and then the sheets of the season under way are
judged with it, worded and all. Each step runs in a process of its own, over tables in a file
as the warehouse keeps them.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path
from typing import Any

from bench.contenders import AS_OF, THREADS
from bench.judge import memory
from bench.national_record import FIRST_SEASON, SEASONS, SITES, TABLES, make_record

DOCUMENT = Path(__file__).parent.parent / "docs" / "bench-increment.md"

SIZES = (100_000, 1_000_000, 10_000_000)
TARGET_SECONDS = 2.0
TARGET_SPREAD = 0.20
TARGET_BYTES = 4 * 1024**3
MEMORY = "2500MB"
"""What DuckDB may hold while the closed seasons are judged; the rest of 4 GiB is overhead."""

UNDER_WAY = FIRST_SEASON + SEASONS - 1
CALLS, TURNS = 7, 3
"""Calls in a process, and processes: the sizes take turns, so that a machine that grows slower
meanwhile grows so for all of them."""

MOST_AT_ONCE = 1_000_000
"""Events of closed seasons that are judged in one pass: memory is that of so many."""


def _relations(of: str = "judged", past: bool = False) -> Any:
    from checks.relations import Relations

    return Relations(f"{of}_events", f"{of}_catches", f"{of}_oddities",
                     neighbours="neighbour_days", past=past)


def lay_down(folder: Path, events: int) -> None:
    """The record in DuckDB files: ``closed.duckdb``, and the first net's sheets under way."""
    import duckdb

    if not (folder / "judged_events.parquet").exists():
        make_record(folder, events)
    for file, of_season in (("closed", f"<> {UNDER_WAY}"),
                            ("open", f"= {UNDER_WAY} AND gear_unit = 1")):
        with duckdb.connect(folder / f"{file}.duckdb") as con:
            con.execute(f"SET threads = {THREADS}; SET memory_limit = '{MEMORY}'")
            for table in TABLES:
                rows = f"FROM '{folder / (table + '.parquet')}'"
                if table == "judged_events":
                    rows += f" WHERE season {of_season}"
                elif table != "neighbour_days":
                    rows += " WHERE row_id IN (SELECT row_id FROM judged_events)"
                con.execute(f"CREATE TABLE {table} AS {rows}")
    for table in TABLES:
        (folder / f"{table}.parquet").unlink()


def close(folder: Path) -> dict[str, float]:
    """Judge the closed seasons, some sites at a time, and keep what they tell in ``past.duckdb``.

    No rule looks from one site's rows into another's but by the evidence of the day, so that
    some at a time are judged as all together are, in the memory of some.
    """
    import duckdb

    from checks.closing import lay_out_past
    from checks.judging import detect
    from shared.past import TABLES as PAST
    from shared.settings import lone_site

    judged = judged_busy = laid = 0.0
    names = _relations("site")
    with duckdb.connect(folder / "closed.duckdb") as con:
        con.execute(f"SET threads = {THREADS}; SET memory_limit = '{MEMORY}'; "
                    f"SET temp_directory = '{folder / 'spill'}'; "
                    f"ATTACH '{folder / 'past.duckdb'}' AS kept")
        for table, columns in PAST.items():
            spelt = ", ".join(f"{name} {kind}" for name, kind in columns.items())
            con.execute(f"CREATE TABLE kept.{table} ({spelt})")
        counted = con.execute("SELECT count(*) FROM judged_events").fetchone()
        count = counted[0] if counted else 0
        some = max(1, MOST_AT_ONCE * len(SITES) // count)
        for first in range(0, len(SITES), some):
            started, busy = time.perf_counter(), time.process_time()
            chosen = ", ".join(f"'{site}'" for site in SITES[first:first + some])
            con.execute(f"CREATE OR REPLACE TEMP TABLE site_events AS FROM judged_events "
                        f"WHERE site IN ({chosen})")
            for table in ("catches", "oddities"):
                con.execute(
                    f"CREATE OR REPLACE TEMP TABLE site_{table} AS FROM judged_{table} "
                    "WHERE file_sha256 IN (SELECT file_sha256 FROM site_events)")
            detect(con, lone_site("creek"), AS_OF, names, closing=True)
            judged += time.perf_counter() - started
            judged_busy += time.process_time() - busy
            started = time.perf_counter()
            lay_out_past(con, names)
            for table in PAST:
                con.execute(f"INSERT INTO kept.{table} FROM {table}")
            for name in (names.events, names.catches, names.oddities):
                con.execute(f"DROP TABLE {name}")
            laid += time.perf_counter() - started
    return {"closed": count, "judged": judged, "judged_cpu": judged_busy,
            "laid": laid, "peak": memory("VmHWM"),
            "bytes": (folder / "past.duckdb").stat().st_size}


def week(folder: Path) -> dict[str, float]:
    """Judge the sheets under way, worded: the first call, and the best of some."""
    import duckdb

    from checks.judging import judge
    from shared.past import TABLES as PAST
    from shared.settings import lone_site

    con = duckdb.connect(folder / "open.duckdb")
    con.execute(f"SET threads = {THREADS}; ATTACH '{folder / 'past.duckdb'}' AS kept (READ_ONLY)")
    for table in PAST:
        con.execute(f"CREATE TEMP VIEW {table} AS FROM kept.{table}")
    network = lone_site("creek")
    spent: list[float] = []
    busy: list[float] = []
    found = 0
    for _ in range(CALLS):
        started, cpu = time.perf_counter(), time.process_time()
        found = len(judge(con, network, "creek", AS_OF, _relations(past=True), [],
                          lambda *_: "", {}))
        spent.append(time.perf_counter() - started)
        busy.append(time.process_time() - cpu)
    count = con.execute("SELECT count(*) FROM judged_events").fetchone()
    return {"rows": count[0] if count else 0, "first": spent[0], "first_cpu": busy[0],
            "warm": min(spent), "cpu": min(busy), "findings": found}


def _step(what: str, folder: Path, events: int) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, "-m", "bench.increment", "--step", what, "--folder", str(folder),
         "--sizes", str(events)],
        capture_output=True, text=True, check=False, cwd=Path(__file__).parent.parent,
        env=os.environ)
    if done.returncode != 0:
        raise SystemExit(f"{what} failed:\n{done.stderr[-3000:]}")
    told: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return told


def report(measured: dict[int, dict[str, float]]) -> tuple[str, bool]:
    """The table and the verdicts, and whether every target was met."""
    lines = [
        "| events in all | closed, judged once, s | CPU, s | peak, MiB | laid out, s "
        "| kept, MiB | rows of the week's sheets | findings | first, s | CPU, s | warm, s "
        "| CPU, s |",
        "|" + " ---: |" * 12]
    for events, one in measured.items():
        lines.append(
            f"| {events:,} | {one['judged']:.1f} | {one['judged_cpu']:.1f} "
            f"| {one['peak'] / 2**20:,.0f} | {one['laid']:.1f} | {one['bytes'] / 2**20:,.1f} "
            f"| {one['rows']:,} | {one['findings']} | {one['first']:.2f} | {one['first_cpu']:.2f} "
            f"| {one['warm']:.2f} | {one['cpu']:.2f} |")
    first = [one["first"] for one in measured.values()]
    warm = [one["warm"] for one in measured.values()]
    peak = max(one["peak"] for one in measured.values())
    told = [
        (f"the week of {len(SITES)} sites: {max(first):.2f} s at most, first call "
         f"(target {TARGET_SECONDS:g})", max(first) < TARGET_SECONDS),
        (f"the same at each: warm, the dearest costs {max(warm) / min(warm) - 1:.0%} more than "
         f"the cheapest (target {TARGET_SPREAD:.0%})", max(warm) / min(warm) - 1 <= TARGET_SPREAD),
        (f"closed seasons out of core: {peak / 2**20:,.0f} MiB at most (target 4,096)",
         peak < TARGET_BYTES)]
    lines += ["", *(f"- {'met' if met else 'MISSED'}: {words}" for words, met in told)]
    return "\n".join(lines), all(met for _, met in told)


def main() -> None:
    """Print the table; with ``--write`` keep it in the docs too."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    parser.add_argument("--write", action="store_true", help="write docs/bench-increment.md")
    parser.add_argument("--step", choices=["lay", "close", "week"], help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help="where to work (default: the system's)")
    given = parser.parse_args()
    if given.step == "lay":
        lay_down(given.folder, given.sizes[0])
        print("{}")
        return
    if given.step:
        print(json.dumps((close if given.step == "close" else week)(given.folder)))
        return
    measured: dict[int, dict[str, float]] = {}
    with tempfile.TemporaryDirectory(dir=given.folder) as scratch:
        for events in given.sizes:
            folder = Path(scratch) / str(events)
            folder.mkdir()
            _step("lay", folder, events)
            measured[events] = _step("close", folder, events)
            print(f"  {events:,} laid down", file=sys.stderr)
        for _ in range(TURNS):
            for events, told in measured.items():
                one = _step("week", Path(scratch) / str(events), events)
                for name, figure in one.items():
                    best = max if name.startswith("first") else min
                    told[name] = best(told.get(name, figure), figure)
                print(f"  {events:,}: {one['first']:.2f} s", file=sys.stderr)
    table, met = report(measured)
    text = "\n".join([
        "# What a week costs after many years", "", "Printed by `python -m bench.increment`; "
        "nothing here is typed by hand.", "",
        f"{THREADS} threads; Python {platform.python_version()}; duckdb {version('duckdb')}. "
        f"Made-up record of {SEASONS - 1} closed seasons and one under way; DuckDB may hold "
        f"{MEMORY} while the closed ones are judged. *First*: a process's first call, the dearest "
        f"of {TURNS}; *warm*: the best of their {CALLS} calls each.", "", table, "",
        "What the closed seasons tell is kept in the tables of `shared/past.py`. Least and most "
        "of the season's days, repeats, first records and prints of rows merge exactly; the "
        "medians (a site's usual spread, step, distance from the others and conductivity) are "
        "those of its closed seasons and stand still while a season is under way.", ""])
    print(text)
    if given.write:
        DOCUMENT.write_text(text, encoding="utf-8", newline="\n")
    if not met:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
