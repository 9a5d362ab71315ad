"""What reading costs, beside the readers it could be done with.

    python -m bench.reading [--rows 500000] [--write]

Each contender runs in a process of its own over the same workbooks: twelve of 2,000 rows x
15 columns, one of 100,000 rows and one of 500,000. Times are of the fastest of three turns
(one for the largest); memory is the peak of the process above what it held before.
"Cells" is what the rows of cells weigh as Python keeps them: the list of each row and the
objects in it.

The last contenders add to reading what intake does next: every column recognised, every
value in canonical units.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import platform
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any

import xlsxwriter

DOCUMENT = Path(__file__).parents[1] / "docs" / "bench-reading.md"
HEADINGS = (
    "Date",
    "Time checked",
    "Net",
    "Hours fished",
    "Glass eels",
    "Elvers",
    "Sticklebacks",
    "Water temp (F)",
    "Air temp (F)",
    "Salinity",
    "pH",
    "DO (mg/L)",
    "Tide",
    "Initials",
    "Remarks",
)
TARGET = 2.0
"""Reading, keeping and recognising may take so many times what python-calamine takes alone."""
MEMORY_TARGET = 3.0
"""Peak memory may be so many times the cells' own size."""


def write_workbook(path: Path, rows: int, seed: int) -> None:
    """A season sheet of ``rows`` rows: dates, times, numbers and words as leads keep them."""
    rng = random.Random(seed)
    book = xlsxwriter.Workbook(str(path), {"constant_memory": True})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    clock = book.add_format({"num_format": "hh:mm"})
    sheet = book.add_worksheet("Log")
    sheet.write_row(0, 0, HEADINGS)
    first = dt.date(2024, 2, 1)
    for row in range(1, rows + 1):
        sheet.write_datetime(row, 0, first + dt.timedelta(days=row % 900), day)
        sheet.write_datetime(row, 1, dt.time(6 + row % 4, rng.randint(0, 59)), clock)
        sheet.write_string(row, 2, "AB"[row % 2])
        for column, value in enumerate(
            (
                round(rng.uniform(12, 25), 1),
                rng.randint(0, 300),
                rng.randint(0, 20),
                rng.randint(0, 5),
                round(rng.uniform(34, 58), 1),
                round(rng.uniform(25, 60), 1),
                round(rng.uniform(0, 20), 1),
                round(rng.uniform(6.3, 7.9), 1),
                round(rng.uniform(8, 14), 1),
            ),
            start=3,
        ):
            sheet.write_number(row, column, value)
        sheet.write_string(row, 12, rng.choice(("ebb", "flood", "low", "high")))
        sheet.write_string(row, 13, rng.choice(("MT", "KL", "JR")))
        if row % 3 == 0:
            sheet.write_string(row, 14, rng.choice(("rain", "ice at the edge", "otter")))
    book.close()


# -- contenders: each takes the paths and gives what it keeps -------------------------------


def _calamine(paths: list[Path]) -> Any:
    from python_calamine import CalamineWorkbook

    kept = []
    for path in paths:
        with CalamineWorkbook.from_path(str(path)) as book:
            for name in book.sheet_names:
                kept.append(book.get_sheet_by_name(name).to_python(skip_empty_area=False))
    return kept


def _openpyxl(paths: list[Path]) -> Any:
    import openpyxl

    kept = []
    for path in paths:
        book = openpyxl.load_workbook(path, read_only=True)
        kept += [[list(row) for row in sheet.iter_rows(values_only=True)] for sheet in book]
        book.close()
    return kept


def _read(paths: list[Path]) -> Any:
    from flows.intake.reading import read_workbook

    return [read_workbook(path.read_bytes(), path.name) for path in paths]


def _recognise(paths: list[Path]) -> Any:
    from flows.intake.reading import read_workbook
    from flows.intake.recognising import recognise
    from shared.settings import lone_site

    network = lone_site()
    kept = []
    for path in paths:
        workbook = read_workbook(path.read_bytes(), path.name)
        kept.append((workbook, recognise(workbook, network.sites["site"], network)))
    return kept


def _standardize(paths: list[Path]) -> Any:
    from flows.intake.standardizing import standardize
    from shared.settings import lone_site

    network = lone_site()
    return [
        standardize(workbook, recognised, network.sites["site"], network, "ab" * 32)
        for workbook, recognised in _recognise(paths)
    ]


CONTENDERS: dict[str, Callable[[list[Path]], Any]] = {
    "python-calamine alone": _calamine,
    "openpyxl, read-only": _openpyxl,
    "reading, every cell kept": _read,
    "reading and recognising": _recognise,
    "reading, recognising, standardizing": _standardize,
}


JUDGED = "reading and recognising"
"""The contender that the targets speak of."""


def _peak_bytes() -> int:
    """Peak resident memory (``VmHWM``) of this process; 0 where the system does not tell.

    The kernel's own count, not getrusage's: that one starts from the parent's peak.
    """
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii")
    except OSError:
        return 0
    line = next((line for line in status.splitlines() if line.startswith("VmHWM")), "")
    return int(line.split()[1]) * 1024 if line else 0


def cells_size(rows: list[list[Any]]) -> int:
    """Bytes of the rows' lists and of each distinct object in them."""
    seen: set[int] = set()
    size = sys.getsizeof(rows)
    for row in rows:
        size += sys.getsizeof(row)
        for cell in row:
            if id(cell) not in seen:
                seen.add(id(cell))
                size += sys.getsizeof(cell)
    return size


def _run_one(name: str, paths: list[Path], turns: int) -> dict[str, float]:
    """In the contender's own process: seconds of the fastest turn, and bytes."""
    contender = CONTENDERS[name]
    import flows.intake.recognising
    import flows.intake.standardizing  # noqa: F401

    with tempfile.TemporaryDirectory() as folder:
        warm = Path(folder) / "warm.xlsx"
        write_workbook(warm, 20, 0)
        contender([warm])
    before = _peak_bytes()
    seconds: list[float] = []
    peak = 0
    for _ in range(turns):
        start = time.perf_counter()
        kept = contender(paths)
        seconds.append(time.perf_counter() - start)
        peak = peak or _peak_bytes()
        del kept
    return {"seconds": min(seconds), "bytes": float(peak - before)}


def _measure(name: str, paths: list[Path], turns: int) -> dict[str, float]:
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "bench.reading",
            "--one",
            name,
            "--turns",
            str(turns),
            *map(str, paths),
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


def _load() -> str:
    """How busy the machine is with other work, as the system counts it; empty where it does not."""
    if not hasattr(os, "getloadavg"):
        return ""
    return f"; load of the machine beforehand {os.getloadavg()[0]:.1f} of {os.cpu_count()} cores"


def _lines(rows: int) -> Iterator[str]:
    """The document, line by line as it is measured."""
    yield (
        f"Python {platform.python_version()}, python-calamine {version('python-calamine')}, "
        f"openpyxl {version('openpyxl')}{_load()}."
    )
    verdicts: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        loads: list[tuple[str, list[Path], int]] = []
        small = [Path(folder) / f"site-{n}.xlsx" for n in range(12)]
        for seed, path in enumerate(small):
            write_workbook(path, 2_000, seed)
        loads.append(("12 x 2,000 rows", small, 3))
        for size, turns in ((100_000, 3), (rows, 1)):
            path = Path(folder) / f"{size}.xlsx"
            write_workbook(path, size, size)
            loads.append((f"{size:,} rows", [path], turns))
        for title, paths, turns in loads:
            own = sum(cells_size(cells) for cells in _calamine(paths))
            yield f"\n## {title} x {len(HEADINGS)} columns\n"
            yield f"The cells' own size: {own / 1e6:,.0f} MB.\n"
            yield "| | seconds | to calamine | peak, MB | to the cells |"
            yield "| --- | ---: | ---: | ---: | ---: |"
            base = 0.0
            for name in CONTENDERS:
                if name.startswith("openpyxl") and turns == 1:
                    continue  # minutes, and the smaller loads show its slope
                found = _measure(name, paths, turns)
                base = base or found["seconds"]
                times, weight = found["seconds"] / base, found["bytes"] / own
                yield (
                    f"| {name} | {found['seconds']:.2f} | {times:.2f}x "
                    f"| {found['bytes'] / 1e6:,.0f} | {weight:.2f}x |"
                )
                if name == JUDGED:
                    for what, is_, most in (
                        ("time", times, TARGET),
                        ("memory", weight, MEMORY_TARGET),
                    ):
                        word = "met" if is_ <= most else "MISSED"
                        verdicts.append(
                            f"- {word}: {title}, {what}: {is_:.2f}x (target at most {most:g}x)"
                        )
    yield f"\n## {JUDGED[:1].upper()}{JUDGED[1:]}, against the targets\n"
    yield from verdicts
    yield ""
    yield (
        "Each contender runs in a process of its own; seconds are those of the fastest of three "
        "turns (one\nfor the largest), memory is the peak of the process above what it held "
        "before. *The cells' own size*\nis what the rows weigh as Python keeps them: the list "
        "of each row and the objects in it."
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Write the workbooks, run each contender on them and print the tables."""
    parser = argparse.ArgumentParser(
        prog="python -m bench.reading", description="What reading costs, beside other readers."
    )
    parser.add_argument("--one", help=argparse.SUPPRESS)
    parser.add_argument("--turns", type=int, default=3, help=argparse.SUPPRESS)
    parser.add_argument("--rows", type=int, default=500_000, help="rows of the largest workbook")
    parser.add_argument("--write", action="store_true", help=f"write docs/{DOCUMENT.name}")
    parser.add_argument("paths", nargs="*", type=Path, help=argparse.SUPPRESS)
    given = list(sys.argv[1:] if arguments is None else arguments)
    options = parser.parse_args(given)
    if options.one:
        print(json.dumps(_run_one(options.one, options.paths, options.turns)))
        return
    command = " ".join(["python -m bench.reading", *given])
    head = f"# What reading costs\n\nPrinted by `{command}`; nothing here is typed by hand.\n"
    lines = [head]
    print(head)
    for line in _lines(options.rows):
        print(line, flush=True)
        lines.append(line)
    if options.write:
        DOCUMENT.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
