"""What it costs to match a resent sheet of 5,000 rows with the one before.

``python -m bench.matching [--rows 5000]`` prints seconds for four ways of sending a sheet
again. Identity alone settles the first; the others have rows whose identity changed.
"""

from __future__ import annotations

import argparse
import datetime as dt
import random
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from warehouse.lineage import lay_out
from warehouse.matching import Row, match_rows
from warehouse.store import Warehouse

GLASS = ("anguilla-rostrata", "glass eel")


def season(rows: int, rng: random.Random) -> list[Row]:
    """``rows`` checks of ten nets on successive days; a third of them are bare zeros."""
    out: list[Row] = []
    for number in range(rows):
        day = dt.date(2000, 1, 1) + dt.timedelta(days=number // 10)
        bare = rng.random() < 1 / 3
        out.append(Row(
            f"{number % 10}:{day}", "fyke", str(number % 10), day, dt.time(7, 30), "Counts",
            number + 3, f"{(number - 1) % 10}:{number // 10}",
            f"{(number + 1) % 10}:{number // 10}",
            {GLASS: 0.0 if bare else float(rng.randint(1, 300))},
            {} if bare else {"water_temperature": round(rng.uniform(1, 20), 1),
                             "salinity": round(rng.uniform(0, 30), 1)}))
    return out


def redated(row: Row, by: dt.timedelta) -> Row:
    """The row under another day."""
    assert row.date is not None
    day = row.date + by
    return Row(f"{row.gear}:{day}:moved", row.protocol, row.gear, day, row.time, row.sheet,
               row.number, row.above, row.below, row.counts, row.values)


def _time(name: str, work: Callable[[], str]) -> None:
    start = time.perf_counter()
    said = work()
    print(f"| {name} | {said} | {time.perf_counter() - start:.3f} |", flush=True)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=5000)
    rows = parser.parse_args().rows
    rng = random.Random(5)
    sheet = season(rows, rng)
    few = rng.sample(sheet, 100)
    year = [redated(row, dt.timedelta(days=365)) for row in sheet]
    shuffled = rng.sample(year, len(year))
    match_rows(sheet[:2], year[:2])  # scipy is imported once
    print("| resent sheet | matched | seconds |\n| --- | --- | ---: |")
    _time(f"100 of {rows:,} dates corrected", lambda: _matched(
        few, [redated(row, dt.timedelta(days=31)) for row in few]))
    _time(f"all {rows:,} dates in another year", lambda: _matched(sheet, year))
    _time("the same, and sorted otherwise", lambda: _matched(sheet, shuffled))
    _time("through the warehouse: sorted, 50 inserted, 50 deleted, 50 dates corrected",
          lambda: _through_the_warehouse(rows, rng))


def _matched(gone: list[Row], arrived: list[Row]) -> str:
    found = match_rows(gone, arrived).moved
    meant = {row.key: redated(row, dt.timedelta(days=31)).key for row in gone} | {
        row.key: redated(row, dt.timedelta(days=365)).key for row in gone
        if len(arrived) > 1000}
    right = sum(meant[match.gone] == match.arrived for match in found)
    return f"{len(found):,} ({len(found) - right} wrongly)"


def _through_the_warehouse(rows: int, rng: random.Random) -> str:
    from tests.warehouse.by_hand import Check, send

    checks = [
        Check((dt.date(2010, 1, 1) + dt.timedelta(days=number)).isoformat(),
              {GLASS: float(rng.randint(0, 300))},
              {"water_temperature": round(rng.uniform(1, 20), 1)})
        for number in range(rows)]
    resent = checks[:-50]
    for place in rng.sample(range(len(resent)), 50):
        was = resent[place]
        resent[place] = Check(was.day.replace("20", "19", 1), was.counts, was.values)
    resent += [Check((dt.date(2030, 1, 1) + dt.timedelta(days=number)).isoformat(),
                     {GLASS: 1.0}, {"water_temperature": 3.3}) for number in range(50)]
    rng.shuffle(resent)
    with tempfile.TemporaryDirectory() as folder, Warehouse.open(Path(folder)) as warehouse:
        send(warehouse, "alder", "alder/a.xlsx", checks)
        send(warehouse, "alder", "alder/a.xlsx", resent)
        start = time.perf_counter()
        laid = lay_out(warehouse, "alder")
        seconds = time.perf_counter() - start
        moved = warehouse.connection.execute("SELECT count(*) FROM judged_moved").fetchone()
    return (f"{moved[0] if moved else 0} moved, {laid.vanished} vanished, laid out in "
            f"{seconds:.3f} s")


if __name__ == "__main__":
    main()
