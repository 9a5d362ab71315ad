"""From twelve sites to a nation: what history, a week, a release and a question cost.

Lays networks of several sizes down as their sheets have been read (:mod:`bench.network_record`),
then, each step in a process of its own: judges and loads the history, releases it, asks three
questions of the release; has twelve sites send a week, and then one site in a hundred, and
judges, loads, releases and takes stock of each. Beside it what people do without: one DuckDB
script that makes everything anew and writes it out, and pandas as far as its memory goes.

Run ``python -m bench.scale --sizes 12x1 1000x1``; ``--keep FOLDER`` takes up a run again where it
stopped.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import duckdb

from bench.judge import memory
from bench.network_record import AS_OF, UNDER_WAY, lay_down, send_week, site_id
from bench.scorecard import table
from warehouse.durable import write_text

ROOT = Path(__file__).resolve().parent.parent
DOCUMENT = ROOT / "docs" / "bench-scale.md"

SIZES = ("12x1", "1000x1", "10000x30")
MEMORY = "2500MB"
"""What the engine may hold."""
MOST_PANDAS = 1_200_000
"""Events beyond which pandas is not asked: it holds all rows at once, as objects."""

QUESTIONS = {
    "one site's season": "SELECT local_date, life_stage, \"count\", effort_value, cpue FROM counts "
    f"WHERE site_id = '{site_id(7)}' AND season = {UNDER_WAY} ORDER BY ALL",
    "catch per effort, all seasons": "SELECT season, sum(\"count\"), sum(\"count\") / "
    "sum(effort_value) FROM counts WHERE life_stage = 'glass eel' GROUP BY season ORDER BY season",
    "flags of the water": "SELECT season, qc_water_temperature, count(*) FROM events "
    "GROUP BY ALL ORDER BY ALL",
}

Told = dict[str, float]


def _size(folder: Path) -> int:
    """Bytes on the disk; a file that has several names counts once."""
    seen: dict[int, int] = {}
    for path in folder.rglob("*"):
        if path.is_file():
            told = path.stat()
            seen[told.st_ino] = told.st_blocks * 512
    return sum(seen.values())


class _Clock:
    """Wall and processor seconds of the stages of a step; the process's peak memory.

    With ``kept`` they are written there by :meth:`keep`, and what a process that was stopped
    left there is gone on from.
    """

    def __init__(self, kept: Path | None = None) -> None:
        self._kept = kept
        self.told: Told = (json.loads(kept.read_text("utf-8"))
                           if kept is not None and kept.exists() else {})

    def of(self, stage: str, work: Callable[[], Any]) -> Any:
        """What ``work`` gives; its time is added to that of ``stage``."""
        wall, busy = time.perf_counter(), time.process_time()
        given = work()
        for name, spent in (("s", time.perf_counter() - wall), ("CPU", time.process_time() - busy)):
            self.told[f"{stage} {name}"] = self.told.get(f"{stage} {name}", 0.0) + spent
        self.told["peak"] = max(memory("VmHWM"), self.told.get("peak", 0.0))
        return given

    def once(self, stage: str, work: Callable[[], Any]) -> Any:
        """As :meth:`of`, but where it is gone on from the first time counts."""
        return work() if f"{stage} s" in self.told else self.of(stage, work)

    def keep(self) -> None:
        """Write down what there is so far."""
        if self._kept is not None:
            write_text(self._kept, json.dumps(self.told))


def _lay(folder: Path, sites: int, seasons: int) -> Told:
    shutil.rmtree(folder, ignore_errors=True)
    clock = _Clock()
    events = clock.of("laid down", lambda: lay_down(folder, sites, seasons))
    return clock.told | {"events": events}


def _run(folder: Path, week: int, stages: Sequence[str], kept: str = "") -> Told:
    """The named stages of a weekly run, ``week`` weeks after the first.

    ``kept``: name of the file by which a run that takes hours goes on where it was stopped.
    """
    from flows.door import get_ready
    from flows.network_folder import load_network
    from flows.weekly import WeeklyRun
    from warehouse.store import Warehouse

    network = load_network(folder)
    clock = _Clock(folder / kept if kept else None)
    if "release" in stages:
        # Imports cost the same whatever the size.
        get_ready()
    with Warehouse.open(folder) as warehouse:
        warehouse.connection.execute(f"SET memory_limit = '{MEMORY}'")
        run = clock.once("opened", lambda: WeeklyRun(
            folder, network, warehouse, AS_OF + dt.timedelta(days=7 * week)))
        if "load" in stages:
            clock.once("compared", run.compare_sites)
            for site in network.sites:
                redone = clock.of("judged and loaded", partial(run.judge_and_load, site))
                clock.told["sites redone"] = clock.told.get("sites redone", 0) + redone
                clock.keep()
        if "release" in stages:
            clock.of("released", run.publish)
            if run.notices:
                raise SystemExit("\n".join(run.notices))
            clock.told["of which the gate s"] = run.outcome.seconds.get("gate", 0.0)
        if "status" in stages:
            clock.of("status", run.finish)
    return clock.told


def _week(folder: Path, week: int, sites: int) -> Told:
    sent = send_week(folder, week, 1 if week == 1 else 101, sites)
    return {"rows sent": sent}


def _ask(folder: Path) -> Told:
    from warehouse.snapshot import query

    clock = _Clock()
    for name, sql in QUESTIONS.items():
        clock.of(name, lambda sql=sql: query(folder, sql))  # type: ignore[misc]
    return clock.told


# -- the plain alternatives ---------------------------------------------------------------------

_PLAIN = f"""
    SELECT e.site AS site_id, e.event_id, e.season, e.local_date, e.soak_hours AS effort_value,
           CASE WHEN e.water_temperature BETWEEN -2 AND 40 THEN e.water_temperature END
               AS water_temperature,
           CASE WHEN e.salinity BETWEEN 0 AND 45 THEN e.salinity END AS salinity,
           e.dissolved_oxygen, e.dissolved_oxygen_saturation, e.ph, e.air_temperature,
           e.precipitation, e.wind_speed, c.taxon, c.life_stage, c."count",
           c."count" / e.soak_hours * 24 AS cpue
    FROM w.staged_events AS e JOIN w.staged_catches AS c USING (row_id)
    WHERE (e.site, e.file_sha256) IN (
              SELECT (site, max_by(sha256, seq)) FROM w.receipts GROUP BY site, path)
      AND e.soak_hours > 0 AND c."count" BETWEEN 0 AND 10000 AND e.season <= {UNDER_WAY}
    ORDER BY e.site, e.local_date, c.life_stage"""


def _plain(folder: Path) -> Told:
    """One script, all rows anew: ranges looked at, a table, a CSV and a Parquet file, questions."""
    place = folder / "plain"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    clock = _Clock()
    with duckdb.connect(place / "plain.duckdb") as con:
        con.execute(f"SET memory_limit = '{MEMORY}'; SET enable_progress_bar = false; ATTACH "
                    f"'{folder / 'warehouse' / 'tallyweir.duckdb'}' AS w (READ_ONLY)")
        clock.of("judged and loaded", lambda: con.execute(f"CREATE TABLE counts AS {_PLAIN}"))
        clock.of("released", lambda: con.execute(
            f"COPY counts TO '{place / 'counts.csv'}' (HEADER); "
            f"COPY counts TO '{place / 'counts.parquet'}' (FORMAT parquet, COMPRESSION zstd)"))
        for name, sql in QUESTIONS.items():
            asked = sql.replace("qc_water_temperature", "water_temperature IS NULL").replace(
                "FROM events", "FROM counts")
            clock.of(name, lambda asked=asked: con.execute(asked).fetchall())  # type: ignore[misc]
    told = clock.told | {"disk": _size(place)}
    shutil.rmtree(place)
    return told


def _pandas(folder: Path) -> Told:
    """The same in pandas, all rows in memory."""
    import pandas as pd

    clock = _Clock()
    place = folder / "pandas"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    with duckdb.connect(folder / "warehouse" / "tallyweir.duckdb", read_only=True) as con:
        events = con.execute("SELECT site, file_sha256, row_id, event_id, season, local_date, "
                             "soak_hours, water_temperature, salinity, dissolved_oxygen, ph, "
                             "air_temperature, precipitation FROM staged_events").df()
        catches = con.execute(
            "SELECT row_id, taxon, life_stage, \"count\" FROM staged_catches").df()
        receipts = con.execute("SELECT site, path, seq, sha256 FROM receipts").df()

    def load() -> pd.DataFrame:
        last = receipts.sort_values("seq").groupby(["site", "path"]).tail(1)
        mine = events.merge(last, left_on=["site", "file_sha256"], right_on=["site", "sha256"])
        mine.loc[~mine.water_temperature.between(-2, 40), "water_temperature"] = None
        mine.loc[~mine.salinity.between(0, 45), "salinity"] = None
        counts = mine[mine.soak_hours > 0].merge(catches, on="row_id")
        counts = counts[counts["count"].between(0, 10000)]
        counts["cpue"] = counts["count"] / counts.soak_hours * 24
        return counts.sort_values(["site", "local_date", "life_stage"])

    def write(counts: pd.DataFrame) -> None:
        counts.to_csv(place / "counts.csv", index=False)
        counts.to_parquet(place / "counts.parquet", compression="zstd")

    counts = clock.of("judged and loaded", load)
    clock.of("released", lambda: write(counts))
    clock.of("one site's season", lambda: counts[
        (counts.site == site_id(7)) & (counts.season == UNDER_WAY)].copy())
    clock.of("catch per effort, all seasons", lambda: counts[
        counts.life_stage == "glass eel"].groupby("season")[["count", "soak_hours"]].sum())
    clock.of("flags of the water", lambda: counts.groupby(
        ["season", counts.water_temperature.isna()]).size())
    told = clock.told | {"disk": _size(place)}
    shutil.rmtree(place)
    return told


# -- steps, each in a process of its own ----------------------------------------------------------

def _steps(sites: int, seasons: int) -> dict[str, Callable[[Path], Told]]:
    some = min(12, sites)
    share = max(1, sites // 100)
    steps: dict[str, Callable[[Path], Told]] = {
        "lay": lambda folder: _lay(folder, sites, seasons),
        "plain": _plain,
        "history": lambda folder: _run(folder, 0, ("load",), "history.json") | {
            "disk": _size(folder / "warehouse")},
        "release": lambda folder: _run(folder, 0, ("release",)) | {
            "disk": _size(folder / "releases")},
        "stock": lambda folder: _run(folder, 0, ("status",)),
        "ask": _ask,
        "send twelve": lambda folder: _week(folder, 1, some),
        "twelve": lambda folder: _run(folder, 1, ("load", "release", "status")),
        "disk": lambda folder: {"releases": _size(folder / "releases"),
                                "warehouse": _size(folder / "warehouse")},
        "nothing": lambda folder: _run(folder, 1, ("load", "release", "status")),
    }
    if share > some:
        steps |= {
            "send some": lambda folder: _week(folder, 2, share),
            "some": lambda folder: _run(folder, 2, ("load", "release", "status")),
        }
    if sites * seasons * 100 <= MOST_PANDAS:
        steps["pandas"] = _pandas
    return steps


def _parse(size: str) -> tuple[int, int]:
    sites, _, seasons = size.partition("x")
    return int(sites), int(seasons)


def measure(size: str, folder: Path) -> dict[str, Told]:
    """Every step of one size; what was measured is kept in ``folder`` and not measured again."""
    kept = folder / f"{size}.json"
    told: dict[str, Told] = json.loads(kept.read_text("utf-8")) if kept.exists() else {}
    for step in _steps(*_parse(size)):
        if step in told:
            continue
        done = subprocess.run(
            [sys.executable, "-m", "bench.scale", "--sizes", size, "--step", step,
             "--keep", str(folder)], cwd=ROOT, capture_output=True, text=True, check=False)
        if done.returncode:
            raise SystemExit(f"{size}, {step}:\n{done.stdout[-500:]}\n{done.stderr[-3000:]}")
        told[step] = json.loads(done.stdout.splitlines()[-1])
        kept.write_text(json.dumps(told, indent=1), "utf-8")
        print(f"  {size} {step}: {told[step]}", file=sys.stderr, flush=True)
    return told


_LINES: tuple[tuple[str, str, str], ...] = (
    ("history: evidence of the days", "history", "compared"),
    ("history: judged and loaded", "history", "judged and loaded"),
    ("history: released", "release", "released"),
    ("history: status and pages", "stock", "status"),
    ("a week of 12 sites: evidence", "twelve", "compared"),
    ("a week of 12 sites: judged and loaded", "twelve", "judged and loaded"),
    ("a week of 12 sites: released", "twelve", "released"),
    ("a week of 12 sites: status and pages", "twelve", "status"),
    ("a run with nothing new: evidence", "nothing", "compared"),
    ("a run with nothing new: released", "nothing", "released"),
    ("a run with nothing new: status", "nothing", "status"),
    ("a week of 1 % of sites: evidence", "some", "compared"),
    ("a week of 1 % of sites: judged and loaded", "some", "judged and loaded"),
    ("a week of 1 % of sites: released", "some", "released"),
    ("a week of 1 % of sites: status and pages", "some", "status"),
    *((f"asked: {name}", "ask", name) for name in QUESTIONS),
    ("plain DuckDB: all anew", "plain", "judged and loaded"),
    ("plain DuckDB: CSV and Parquet", "plain", "released"),
    *((f"plain DuckDB: {name}", "plain", name) for name in QUESTIONS),
    ("pandas: all anew", "pandas", "judged and loaded"),
    ("pandas: CSV and Parquet", "pandas", "released"),
    *((f"pandas: {name}", "pandas", name) for name in QUESTIONS),
)


def exponent(points: Sequence[tuple[float, float]]) -> float:
    """Least-squares slope of log(seconds) over log(events)."""
    xs, ys = [math.log(x) for x, _ in points], [math.log(max(y, 1e-4)) for _, y in points]
    middle = sum(xs) / len(xs), sum(ys) / len(ys)
    return sum((x - middle[0]) * (y - middle[1]) for x, y in zip(xs, ys, strict=True)) / sum(
        (x - middle[0]) ** 2 for x in xs)


def report(measured: Mapping[str, Mapping[str, Told]]) -> str:
    """The page of figures."""
    sizes = list(measured)
    events = {size: measured[size]["lay"]["events"] for size in sizes}
    lines: list[list[object]] = []
    for name, step, stage in _LINES:
        had = {size: measured[size][step] for size in sizes if step in measured[size]}
        if not had:
            continue
        points = [(events[size], told[f"{stage} CPU"]) for size, told in had.items()]
        lines.append([name, *(
            f"{had[size][f'{stage} s']:,.2f} ({had[size][f'{stage} CPU']:,.2f})"
            if size in had else "-" for size in sizes),
            f"{exponent(points):.2f}" if len(points) > 1 else "-",
            f"{exponent(points[-2:]):.2f}" if len(points) > 1 else "-"])
    steps = ("history", "release", "stock", "twelve", "nothing", "some", "ask", "plain", "pandas")
    peaks = [[step, *(f"{measured[size][step]['peak'] / 2**20:,.0f}" if step in measured[size]
                      else "-" for size in sizes)] for step in steps]
    shown = [[name, *(_mebibytes(measured[size], step, less) for size in sizes)]
             for name, step, less in (
                 ("warehouse, history loaded", "history", ""), ("first release", "release", ""),
                 ("a week's release beside it, more", "disk", "release"),
                 ("plain DuckDB, its files", "plain", ""))]
    loads = [told["load"] for one in measured.values() for told in one.values() if "load" in told]
    heads = [f"{size}: {events[size]:,.0f} events" for size in sizes]
    return "\n".join([
        "# From twelve sites to a nation", "",
        "Printed by `python -m bench.scale`; nothing here is typed by hand.", "",
        f"{platform.system()}, Python {platform.python_version()}, DuckDB {duckdb.__version__}, "
        f"{os.cpu_count()} processors shared with other work: load average {min(loads):.1f} to "
        f"{max(loads):.1f} meanwhile, so that seconds of the clock are those of a busy machine and "
        "processor seconds (in brackets) the measure. Sites x seasons, a hundred net checks a "
        "site and season, two counts each, one row in a hundred with something odd. The growth "
        f"exponent is of processor seconds over events, over all sizes (where what every run costs "
        "weighs most) and over the last step alone. Below parts_from a release has a file a table, "
        f"from there on parts. The engine may hold {MEMORY}.", "",
        *table(["seconds of the clock (CPU s)", *heads, "exponent", "of the last step"], lines), "",
        "The plain script holds values to their ranges and nothing else: no series, no neighbours, "
        "no water chemistry, no findings, no account of rows; and each week it does all of it "
        "again.", "",
        *table(["peak memory, MiB", *heads], peaks), "",
        *table(["disk, MiB", *heads], shown), "",
        *_redone(measured), ""])


def _mebibytes(measured: Mapping[str, Told], step: str, less: str) -> str:
    """What a step left on the disk, ``less`` what another had; a dash where it was not done."""
    if step not in measured or (less and less not in measured):
        return "-"
    told = measured[step].get("disk", measured[step].get("releases", 0.0))
    return f"{(told - (measured[less]['disk'] if less else 0)) / 2**20:,.1f}"


def _redone(measured: Mapping[str, Mapping[str, Told]]) -> list[str]:
    told = []
    for size, one in measured.items():
        if "twelve" not in one:
            continue
        words = f"{one['twelve']['sites redone']:.0f} sites were judged again"
        if "some" in one:
            words += f", of 1 % of the sites {one['some']['sites redone']:.0f}"
        told.append(f"- {size}: of a week of 12 sites {words}.")
    return told


def main() -> None:
    """Measure, print, and with --write keep the page in docs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", nargs="+", default=list(SIZES), help="sites x seasons")
    parser.add_argument("--write", action="store_true", help=f"write {DOCUMENT.name}")
    parser.add_argument("--keep", type=Path, help="where to work, and keep what was measured")
    parser.add_argument("--only-kept", action="store_true",
                        help="measure nothing: make the page of what --keep has")
    parser.add_argument("--step", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.step:
        folder = given.keep / f"net-{given.sizes[0]}"
        told = _steps(*_parse(given.sizes[0]))[given.step](folder)
        print(json.dumps({"peak": memory("VmHWM")} | told | {"load": os.getloadavg()[0]}))
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        measured = {size: json.loads((folder / f"{size}.json").read_text("utf-8"))
                    if given.only_kept else measure(size, folder) for size in given.sizes}
    text = report(measured)
    print(text)
    if given.write:
        DOCUMENT.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
