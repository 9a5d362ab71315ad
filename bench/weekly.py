"""How long a week takes: the weekly run stage by stage, and the cold start of small commands.

Lays out the demo network in a folder of its own and runs ``tallyweir run`` as a person does,
a process at a time, through Prefect: a first run over four seasons, a second with nothing
new, and a third after one more week has come in. The same first run is done once more
without Prefect, one site after the other, so that what orchestration costs is measured and
not only inferred. Beside it: reading the same sheets with general readers and nothing else.

Run ``python -m bench.weekly --help``.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from bench.scorecard import table
from fixtures import lay_out

ROOT = Path(__file__).resolve().parent.parent
DOCUMENT = ROOT / "docs" / "bench-weekly.md"

HEAVY = ("prefect", "great_expectations", "pandas", "polars", "pandera", "scipy", "pyarrow",
         "duckdb", "fastapi", "fixtures")
"""Modules whose import a cold start would notice."""

SECONDS_COLD = 1.0
"""What the cold-start commands are meant to stay under."""


@dataclass(frozen=True, slots=True)
class Ran:
    """A command that ran: wall seconds, exit code and what it printed."""

    wall: float
    code: int
    out: str
    err: str


def run_python(*arguments: str) -> Ran:
    """Run this interpreter with ``arguments`` in the repository's folder."""
    started = time.perf_counter()
    done = subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, capture_output=True, text=True,
        encoding="utf-8", errors="replace", check=False,
        env=os.environ | {"PYTHONIOENCODING": "utf-8"},
    )
    return Ran(time.perf_counter() - started, done.returncode, done.stdout, done.stderr)


def tallyweir(*arguments: str) -> Ran:
    """Run the command line as its own process."""
    return run_python("-m", "flows.cli", *arguments)


def median_wall(action: Callable[[], Ran], times: int) -> tuple[float, Ran]:
    """Median wall seconds of ``times`` runs, and the last of them."""
    ran = [action() for _ in range(times)]
    return statistics.median(one.wall for one in ran), ran[-1]


def asked_of_warehouse(directory: Path, sql: str) -> list[tuple[object, ...]]:
    """Rows that ``sql`` gives on the network's warehouse."""
    import duckdb

    from warehouse.folder import database_path

    with duckdb.connect(str(database_path(directory)), read_only=True) as connection:
        found: list[tuple[object, ...]] = connection.execute(sql).fetchall()
    return found


def stages_of_last_run(directory: Path) -> dict[str, float]:
    """Stage -> seconds, as the ledger keeps them, summed over sites."""
    found = asked_of_warehouse(directory, "SELECT stages FROM runs ORDER BY seq DESC LIMIT 1")
    if not found:
        return {}
    stages: dict[str, float] = json.loads(str(found[0][0]))
    return stages


def without_prefect(directory: Path, as_of: dt.date) -> dict[str, float]:
    """The weekly run's stages one after the other in this process; stage -> seconds.

    ``wall`` is the whole of it but the imports.
    """
    from flows.network_folder import load_network
    from flows.weekly import run_in_order

    started = time.perf_counter()
    network = load_network(directory)
    seconds = dict(run_in_order(directory, network, as_of).seconds)
    return seconds | {"wall": time.perf_counter() - started}


# --- reading the same sheets with general readers ----------------------------------------------


def sheets_of(directory: Path) -> list[Path]:
    """Every sheet in the inbox."""
    return sorted(path for path in (directory / "inbox").rglob("*") if path.is_file())


def by_openpyxl(paths: Iterable[Path]) -> tuple[int, int]:
    """Files and cells read; .xlsx alone, which is all that openpyxl reads."""
    import openpyxl

    files = cells = 0
    for path in paths:
        if path.suffix == ".xlsx":
            files += 1
            book = openpyxl.load_workbook(path, read_only=True, data_only=True)
            cells += sum(len(row) for sheet in book.worksheets
                         for row in sheet.iter_rows(values_only=True))
            book.close()
    return files, cells


def by_pandas(paths: Iterable[Path]) -> tuple[int, int]:
    """Files and cells read, workbooks through calamine; the shape is guessed for no sheet."""
    import pandas as pd

    files = cells = 0
    for path in paths:
        files += 1
        if path.suffix == ".csv":
            with path.open(encoding="cp1252", newline="") as held:
                longest = max(len(row) for row in csv.reader(held, delimiter=_separator(path)))
            frame = pd.read_csv(path, encoding="cp1252", sep=_separator(path), header=None,
                                names=range(longest))
            cells += frame.size
        else:
            sheets = pd.read_excel(path, sheet_name=None, header=None, engine="calamine")
            cells += sum(sheet.size for sheet in sheets.values())
    return files, cells


def _separator(path: Path) -> str:
    text = path.read_text(encoding="cp1252")
    return max(";,\t", key=text.count)


def by_calamine(paths: Iterable[Path]) -> tuple[int, int]:
    """Files and cells read with python-calamine alone; workbooks only."""
    import python_calamine

    files = cells = 0
    for path in paths:
        if path.suffix != ".csv":
            files += 1
            book = python_calamine.CalamineWorkbook.from_path(str(path))
            cells += sum(len(row) for name in book.sheet_names
                         for row in book.get_sheet_by_name(name).to_python())
    return files, cells


def by_ours(paths: Iterable[Path]) -> tuple[int, int]:
    """Files and cells read by the weekly run's own reader."""
    from flows.intake.reading import read_workbook

    files = cells = 0
    for path in paths:
        files += 1
        book = read_workbook(path.read_bytes(), path.name)
        cells += sum(len(row) for sheet in book.sheets for row in sheet.rows)
    return files, cells


READERS: Mapping[str, Callable[[Iterable[Path]], tuple[int, int]]] = {
    "openpyxl, .xlsx only": by_openpyxl,
    "python-calamine, workbooks only": by_calamine,
    "pandas over calamine": by_pandas,
    "tallyweir: read": by_ours,
}


def timed_readers(paths: Sequence[Path]) -> list[list[object]]:
    """A row for each reader: files, cells, seconds (second pass: imports are paid before)."""
    rows: list[list[object]] = []
    for name, read in READERS.items():
        read(paths[:1])
        started = time.perf_counter()
        files, cells = read(paths)
        rows.append([name, files, cells, f"{time.perf_counter() - started:.2f}"])
    return rows


# --- cold starts -------------------------------------------------------------------------------

_PROBE = """
import contextlib, io, json, sys
from flows.cli import main
with contextlib.redirect_stdout(io.StringIO()):
    main(sys.argv[1:])
print(json.dumps(sorted(name for name in {heavy!r} if name in sys.modules)))
"""


_NO_PANDAS = """
import sys
sys.modules["pandas"] = None
from flows.cli import main
sys.exit(main(sys.argv[1:]))
"""


def without_pandas(*arguments: str) -> Ran:
    """Run the command line as if pandas were not installed.

    It is no dependency of the product, but pyarrow imports it wherever it finds it, and the
    environment that the benchmarks run in has it.
    """
    return run_python("-c", _NO_PANDAS, *arguments)


def modules_imported(arguments: Sequence[str]) -> str:
    """Which of :data:`HEAVY` a command imports, as words."""
    ran = run_python("-c", _PROBE.format(heavy=HEAVY), *arguments)
    try:
        return ", ".join(json.loads(ran.out)) or "none"
    except json.JSONDecodeError:
        return f"? ({ran.err.strip().splitlines()[-1:] or ran.out})"


def cold_starts(directory: Path, times: int) -> list[list[object]]:
    """A row for each small command: median seconds without and with pandas about, exit code,
    heavy modules imported where all are installed."""
    sheet = next(p for p in sheets_of(directory) if p.suffix == ".xlsx" and "2026" in p.name)
    commands: dict[str, list[str]] = {
        "check FILE --json": ["check", str(sheet), "--json"],
        "check FILE --network DIR --json": [
            "check", str(sheet), "--network", str(directory), "--json"],
        "status DIR --json": ["status", str(directory), "--json"],
        "query DIR SQL": ["query", str(directory), "SELECT count(*) FROM counts"],
        "rules --json": ["rules", "--json"],
    }
    rows: list[list[object]] = []
    for name, arguments in commands.items():
        seconds, last = median_wall(partial(tallyweir, *arguments), times)
        bare, _ = median_wall(partial(without_pandas, *arguments), times)
        rows.append([name, f"{bare:.2f}", f"{seconds:.2f}", last.code,
                     modules_imported(arguments)])
        if last.code == 2:
            rows[-1][0] = f"{name}: {last.err.strip()[:100]}"
    return rows


# --- the whole ---------------------------------------------------------------------------------


def measure(folder: Path, weeks: int, seed: int, times: int) -> list[str]:
    """Everything, as lines of Markdown."""
    network, plain = folder / "network", folder / "plain"
    layout = lay_out(network, seed=seed, weeks=weeks)
    lay_out(plain, seed=seed, weeks=weeks)
    as_of = layout.as_of

    empty, _ = median_wall(lambda: run_python("-c", "pass"), times)
    imports, _ = median_wall(
        lambda: run_python("-c", "import flows.commands, flows.weekly, flows.presenting"), times)

    runs: dict[str, tuple[Ran, dict[str, float]]] = {}
    for name in ("first", "nothing new", "one more week"):
        if name == "one more week":
            as_of = lay_out(network, seed=seed, weeks=weeks + 1).as_of
        ran = tallyweir("run", str(network), "--as-of", as_of.isoformat())
        if ran.code == 2:
            return [f"The run ended with exit code 2: {ran.err.strip()}"]
        runs[name] = ran, stages_of_last_run(network)
        if name == "first":
            loaded = asked_of_warehouse(
                network, "SELECT count(*) FROM staged_rows WHERE row_id IS NOT NULL")[0][0]
            cells = asked_of_warehouse(network, "SELECT sum(len(cells)) FROM raw_rows")[0][0]
    ran = run_python("-m", "bench.weekly", "--without-prefect", str(plain),
                     "--as-of", layout.as_of.isoformat())
    bare: dict[str, float] = json.loads(ran.out) if ran.code == 0 else {}

    load = f", load {os.getloadavg()[0]:.1f} meanwhile" if hasattr(os, "getloadavg") else ""
    lines = [
        f"{len(sheets_of(plain))} sheets of {len(layout.sites)} sites, {loaded} rows and {cells} "
        f"cells, four seasons; Python {platform.python_version()}, {os.cpu_count()} cores{load}.",
        "",
        "## The weekly run, seconds",
        "",
    ]
    names = list(dict.fromkeys(stage for _, stages in runs.values() for stage in stages))
    head = ["stage", *runs, "first, without Prefect"]
    rows: list[list[object]] = [
        [name, *(f"{stages.get(name, 0.0):.2f}" for _, stages in runs.values()),
         f"{bare[name]:.2f}" if name in bare else "-"]
        for name in names
    ]
    sums = {name: sum(stages.values()) for name, (_, stages) in runs.items()}
    bare_sum = sum(seconds for stage, seconds in bare.items() if stage != "wall")
    rows.append(["compute total (sum of stages)", *(f"{sums[name]:.2f}" for name in runs),
                 f"{bare_sum:.2f}" if bare else "-"])
    rows.append(["interpreter and imports", *(f"{imports:.2f}" for _ in runs),
                 f"{imports:.2f}"])
    rows.append(["the rest: Prefect, late imports",
                 *(f"{r.wall - sums[name] - imports:.2f}" for name, (r, _) in runs.items()),
                 f"{ran.wall - bare_sum - imports:.2f}" if bare else "-"])
    rows.append(["wall", *(f"{r.wall:.2f}" for r, _ in runs.values()), f"{ran.wall:.2f}"])
    lines += table(head, rows)
    first = runs["first"][0].wall
    lines += [
        "",
        f"Rows per second of compute, first run: {_rate(loaded, sums['first'])}"
        + (f" ({_rate(loaded, bare_sum)} one site at a time)" if bare_sum else "") + ".",
        "Under Prefect four sites go side by side, so the stages' seconds overlap and include "
        "waiting for one another and for Prefect's own work; "
        + (f"the first run took {first - ran.wall:.1f} s more than the same stages without "
           "Prefect, one site after the other." if bare else
           f"the run without Prefect failed: {ran.err.strip()[-200:]}"),
        f"An interpreter that does nothing takes {empty:.2f} s.",
        "",
        "## Reading the same sheets and nothing else, seconds",
        "",
        *table(("reader", "files", "cells", "seconds"), timed_readers(sheets_of(plain))),
        "",
        f"## Cold starts, median of {times}",
        "",
        *table(("command", "seconds, plain install", "seconds, pandas installed", "exit code",
                "heavy modules imported"),
               cold_starts(network, times)),
        "",
        f"Meant to stay under {SECONDS_COLD:g} s, with neither prefect nor great_expectations "
        "among the modules.",
    ]
    return lines


def _rate(rows: object, seconds: float) -> str:
    return f"{int(str(rows)) / seconds:.0f}" if seconds else "-"


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        prog="python -m bench.weekly",
        description="Times the weekly run stage by stage, and cold starts.",
    )
    parser.add_argument("--weeks", type=int, default=11, help="weeks laid out (default: 11)")
    parser.add_argument("--seed", type=int, default=20260301)
    parser.add_argument("--times", type=int, default=5, help="runs a cold start (default: 5)")
    parser.add_argument("--write", action="store_true", help=f"write docs/{DOCUMENT.name}")
    parser.add_argument("--without-prefect", type=Path, metavar="DIR",
                        help="only run the stages over DIR in this process; prints JSON")
    parser.add_argument("--as-of", type=dt.date.fromisoformat, metavar="DATE")
    given = list(sys.argv[1:] if arguments is None else arguments)
    options = parser.parse_args(given)
    if options.without_prefect is not None:
        if options.as_of is None:
            parser.error("--without-prefect needs --as-of")
        print(json.dumps(without_prefect(options.without_prefect, options.as_of)))
        return 0
    with tempfile.TemporaryDirectory(prefix="bench-weekly-", ignore_cleanup_errors=True) as folder:
        lines = measure(Path(folder), options.weeks, options.seed, options.times)
    command = " ".join(["python -m bench.weekly", *given])
    made = "\n".join(["# The weekly run, timed", "", "Made by:", "", f"    {command}", "",
                      *lines]) + "\n"
    print(made)
    if options.write:
        DOCUMENT.parent.mkdir(exist_ok=True)
        DOCUMENT.write_text(made, encoding="utf-8", newline="\n")
        print(f"Wrote {DOCUMENT}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
