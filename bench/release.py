"""What a release of a national network costs: a million events, built, gated and asked.

Lays out the demo network, does its weekly run, and copies its clean rows over and over under
new event ids until there are as many events as asked for, each with its eel counts and its
water, weather and effort as the demo has them. Then, each in a process of its own: the
release is built and passes the gate (seconds, peak memory); one site's season is asked of its
snapshot (from opening the snapshot to the last row).

Run ``python -m bench.release --help``.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb

from bench.scorecard import table
from fixtures import lay_out

ROOT = Path(__file__).resolve().parent.parent
DOCUMENT = ROOT / "docs" / "bench-release.md"
AS_OF = dt.date(2026, 3, 15)

SECONDS_TO_BUILD = 60
GIB_TO_BUILD = 4
MILLISECONDS_TO_ASK = 200

QUESTION = ("SELECT local_date, life_stage, \"count\", effort_value, cpue FROM counts "
            "WHERE site_id = 'alder-creek' AND season = 2025 ORDER BY local_date, life_stage")


def lay_out_nation(directory: Path, events: int) -> int:
    """A network whose clean layer holds at least ``events`` events; how many it holds."""
    from flows.network_folder import load_network
    from flows.weekly import run_in_order
    from warehouse.store import Warehouse
    from warehouse.tables import clean_count_columns, clean_event_columns

    layout = lay_out(directory, weeks=6)
    run_in_order(directory, load_network(directory), layout.as_of)
    with Warehouse.open(directory) as warehouse:
        con = warehouse.connection
        known = int((con.execute("SELECT count(*) FROM clean_events").fetchone() or (1,))[0])
        copies = -(-events // known)
        con.execute("DELETE FROM clean_counts WHERE taxon_id <> 'anguilla-rostrata'")
        for name, columns in (("clean_events", clean_event_columns()),
                              ("clean_counts", clean_count_columns())):
            select = ", ".join("t.event_id || '-' || copy AS event_id" if column == "event_id"
                               else f't."{column}"' for column in columns)
            con.execute(f"INSERT INTO {name} SELECT {select} FROM {name} AS t, "
                        f"range(1, {copies}) AS r(copy)")
        con.execute("CHECKPOINT")
    return known * copies


def build(directory: Path) -> dict[str, float]:
    """Build the release in this process: seconds to build and to gate, peak memory in GiB."""
    from flows.door import gate_of
    from flows.network_folder import load_network
    from warehouse.release import Built, build_release
    from warehouse.store import Warehouse

    network = load_network(directory)
    gate = gate_of(network, directory)
    gated = 0.0

    def timed(built: Built) -> None:
        nonlocal gated
        started = time.perf_counter()
        gate(built)
        gated = time.perf_counter() - started

    with Warehouse.open(directory) as warehouse:
        started = time.perf_counter()
        made = build_release(warehouse, network, AS_OF + dt.timedelta(weeks=1), directory, None,
                             timed)
        wall = time.perf_counter() - started
    size = sum(path.stat().st_size for path in made.path.iterdir())
    return {"wall": wall, "gate": gated, "cpu": time.process_time(), "gib": _peak_gib(),
            "size": size / 2**30}


def _peak_gib() -> float:
    try:
        import resource
    except ImportError:  # Windows
        return float("nan")
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 2**30


def ask(directory: Path) -> dict[str, float]:
    """Ask one site's season in this process, the first time and then again: milliseconds."""
    from warehouse.snapshot import query

    taken = []
    for _ in range(6):
        started = time.perf_counter()
        rows = len(query(directory, QUESTION).rows)
        taken.append((time.perf_counter() - started) * 1000)
    return {"rows": rows, "first": taken[0], "again": statistics.median(taken[1:])}


def _alone(what: str, directory: Path) -> dict[str, float]:
    done = subprocess.run([sys.executable, "-m", "bench.release", "--only", what,
                           "--network", str(directory)], cwd=ROOT, capture_output=True,
                          text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def report(events: int, directory: Path) -> str:
    """The page of figures for a nation of ``events`` events laid out in ``directory``."""
    held = lay_out_nation(directory, events)
    built = _alone("build", directory)
    asked = _alone("ask", directory)
    release = directory / "releases" / (
        directory / "releases" / "latest").read_text(encoding="utf-8").strip()
    rows = json.loads((release / "manifest.json").read_text(encoding="utf-8"))["rows"]
    counted = "\n".join(
        table(["table", "rows"], [[name, number] for name, number in rows.items()]))
    figures = "\n".join(table(["what", "measured", "meant to stay under"], [
        ["release built, gate included", f"{built['wall']:.1f} s", f"{SECONDS_TO_BUILD} s"],
        ["of which the gate", f"{built['gate']:.1f} s", "-"],
        ["processor time of it", f"{built['cpu']:.1f} s", "-"],
        ["peak memory", f"{built['gib']:.2f} GiB", f"{GIB_TO_BUILD} GiB"],
        ["size of the release", f"{built['size']:.2f} GiB", "-"],
        ["one site's season, first question of a process", f"{asked['first']:.0f} ms",
         f"{MILLISECONDS_TO_ASK} ms"],
        ["the same again", f"{asked['again']:.0f} ms", f"{MILLISECONDS_TO_ASK} ms"],
    ]))
    return f"""# What a release costs

`python -m bench.release --events {events}`, on {platform.system()} with Python
{platform.python_version()} and DuckDB {duckdb.__version__}. {held} events: the demo's clean rows
copied under new ids, with the eel counts of each and its water, weather and effort. The season
asked for has {asked['rows']:.0f} rows. Process start is not in the questions' time, opening the
snapshot is.

{counted}

{figures}
"""


def main() -> None:
    """Measure, print, and with --write keep the page in docs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=1_000_000)
    parser.add_argument("--write", action="store_true", help=f"write {DOCUMENT.name}")
    parser.add_argument("--only", choices=("build", "ask"), help=argparse.SUPPRESS)
    parser.add_argument("--network", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.only is not None:
        work = {"build": build, "ask": ask}[options.only]
        print(json.dumps(work(options.network)))
        return
    with tempfile.TemporaryDirectory() as folder:
        text = report(options.events, Path(folder) / "nation")
    print(text)
    if options.write:
        DOCUMENT.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
