"""How long a season's reports take, and the simple estimates of a whole country.

Two made-up releases, laid out by SQL (not timed): twelve sites over twenty seasons, of which
all reports are written as `tallyweir season` does; and five thousand sites over twenty
seasons, of which coverage, the three means, the straight-line totals and the dates are
estimated, season by season.

    python -m bench.season [--sites 5000] [--seasons 20] [--write docs/bench-season.md]
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import platform
import resource
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import duckdb
import numpy as np

from shared.protocol import protocols
from shared.settings import Network, Site
from warehouse.season import abundance, timing
from warehouse.season.coverage import coverage
from warehouse.season.nights import by_site, read_nights
from warehouse.season.terms import Terms

FIRST = 2001


@dataclass(frozen=True)
class Read:
    """Seconds by the clock on the wall, and of processor time."""

    wall: float
    cpu: float


class Watch:
    """Started when it is made."""

    def __init__(self) -> None:
        self.wall, self.cpu = time.perf_counter(), time.process_time()

    def read(self) -> Read:
        """What has passed."""
        return Read(time.perf_counter() - self.wall, time.process_time() - self.cpu)


def lay_out(path: Path, sites: int, seasons: int) -> int:
    """Write a snapshot of made-up nights at ``path``; returns the number of events."""
    with duckdb.connect(str(path)) as connection:
        connection.execute(f"""
            CREATE TABLE events AS
            SELECT format('{{}}:fyke:A:{{}}T0800', site_id, local_date) AS event_id, site_id,
                   'fyke' AS protocol, 'A' AS gear_unit, local_date, year(local_date)::INTEGER
                       AS season,
                   CASE WHEN chance < 0.93 THEN 23 + chance END AS effort_value,
                   'net-hours' AS effort_unit,
                   CASE WHEN chance < 0.93 THEN 'fishing' ELSE 'lifted' END AS net_status,
                   2 AS observers, 1.0 AS volunteer_hours, NULL::BIGINT AS hauls,
                   NULL::DOUBLE AS haul_area_m2,
                   round(1 + 0.12 * day + 2 * sin(day / 6.0 + season_shift), 1)
                       AS water_temperature_c, 1 AS qc_effort, chance, day, luck, level
            FROM (SELECT format('site-{{:05d}}', s) AS site_id,
                         make_date({FIRST} + y, 2, 10) + CAST(d AS INTEGER) AS local_date,
                         d AS day, y * 1.7 AS season_shift,
                         (hash(s, y, d) % 10000) / 10000.0 AS chance,
                         (hash(d, y, s, 7) % 10000 + 0.5) / 10000.0 AS luck,
                         2 + (hash(s) % 200) / 100.0 + 0.3 * sin(y) AS level
                  FROM range({sites}) AS a(s), range({seasons}) AS b(y), range(100) AS c(d))
            WHERE chance < 0.98
        """)
        connection.execute("""
            CREATE TABLE counts AS
            SELECT event_id, site_id, protocol, gear_unit, local_date, season,
                   'anguilla-rostrata' AS taxon_id, 'Anguilla rostrata' AS scientific_name,
                   'glass eel' AS life_stage,
                   floor(-ln(luck) * exp(level - 0.5 * pow((day - 55) / 15.0, 2)))::BIGINT AS count,
                   NULL::DOUBLE AS subsample_fraction, 1 AS qc_count, NULL::DOUBLE AS length_mm,
                   false AS decided
            FROM events WHERE net_status = 'fishing'
        """)
        connection.execute("""
            CREATE VIEW occurrences AS
            SELECT event_id, site_id, local_date, taxon_id, scientific_name, life_stage, count,
                   count AS released, 0 AS mortality, 0 AS kept FROM counts;
            CREATE TABLE measurements (event_id VARCHAR, qc INTEGER);
            CREATE TABLE findings (event_id VARCHAR, site_id VARCHAR, effect VARCHAR,
                                   status VARCHAR, rule VARCHAR);
        """)
        found = connection.execute("SELECT count(*) FROM events").fetchone()
    assert found is not None
    return int(found[0])


def made_up_network(folder: Path, sites: int, seasons: int) -> tuple[Network, int]:
    """Lay a made-up release out in ``folder``; its network, and how many events it has."""
    version = "2030.01.0"
    release = folder / "releases" / version
    release.mkdir(parents=True)
    events = lay_out(release / "tallyweir.duckdb", sites, seasons)
    (release / "manifest.json").write_text(json.dumps(
        {"version": version, "as_of": "2030-01-01"}), encoding="utf-8")
    (folder / "releases" / "latest").write_text(version, encoding="utf-8")
    network = Network(
        id="bench", name="A made-up network", season_start=(2, 1), season_end=(6, 15),
        licence="", coordinator="", permit_note="", thresholds={},
        sites={f"site-{n:05d}": Site(f"site-{n:05d}", f"Site {n}", "UTC") for n in range(sites)})
    return network, events


def reports(folder: Path, sites: int, seasons: int) -> tuple[int, Read]:
    """Events of the made-up network in ``folder``, and the seconds its reports take."""
    from flows.season import write_season

    network, events = made_up_network(folder, sites, seasons)
    start = Watch()
    write_season(folder, network, FIRST + seasons - 1)
    return events, start.read()


def simple_estimates(path: Path, seasons: int) -> Read:
    """Seconds for the simple estimates of every season in the snapshot at ``path``."""
    protocol, terms = protocols()["fyke"], Terms()
    start = Watch()
    with duckdb.connect(str(path), read_only=True) as connection:
        for season in range(FIRST, FIRST + seasons):
            nights = read_nights(connection, season, protocol, protocol.targets[0], terms)
            assert nights is not None
            cpue = nights.site_cpue
            run = np.nan_to_num(cpue).mean(axis=0)
            coverage(nights, run, protocol.cpue_scale)
            abundance.arithmetic_mean(cpue, terms.level)
            abundance.geometric_mean(cpue, terms.level)
            abundance.delta_mean(cpue, terms.level)
            straight = abundance.interpolated(nights)
            daily = by_site(np.nan_to_num(nights.catch) + np.nan_to_num(straight), nights)
            timing.passing_days(daily)
            timing.mean_day(daily)
            timing.first_day(daily)
            print(f"{season}  {start.read().wall:.1f} s", file=sys.stderr)
    return start.read()


def main() -> None:
    """Print what was measured, and write it where asked."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sites", type=int, default=5000)
    parser.add_argument("--seasons", type=int, default=20)
    parser.add_argument("--write", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        small, one = reports(Path(name) / "network", 12, options.seasons)
        path = Path(name) / "country.duckdb"
        large = lay_out(path, options.sites, options.seasons)
        other = simple_estimates(path, options.seasons)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    page = "\n".join([
        "# What the season's estimates cost", "",
        f"Made by `python -m bench.season` on {dt.datetime.now(dt.UTC).date()}, Python "
        f"{platform.python_version()}; most memory {memory:.1f} GiB, laying out included. "
        f"Machine: {os.cpu_count()} cores, {os.getloadavg()[0]:.1f} processes wanting one at the "
        "end; where others work too, the processor's seconds tell more than the wall's.", "",
        "| what | events | seconds | of the processor | wanted under |",
        "| --- | ---: | ---: | ---: | ---: |",
        f"| all reports of a season, 12 sites x {options.seasons} seasons behind it | {small:,} | "
        f"{one.wall:.1f} | {one.cpu:.1f} | 30 |",
        f"| simple estimates, {options.sites:,} sites x {options.seasons} seasons | {large:,} | "
        f"{other.wall:.1f} | {other.cpu:.1f} | 60 |", ""])
    print(page)
    if options.write:
        options.write.write_text(page, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
