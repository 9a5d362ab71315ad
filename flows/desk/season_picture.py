"""A site's season in one drawing: the daily count, days without a record, the water.

From the latest release, so that a page shows what was published. The network stands beside it
as the mean of the sites that counted that day; no other site can be read from it.
"""

from __future__ import annotations

import datetime as dt
import math
import threading
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

from flows.returns.wording import day
from shared.problems import Problem
from shared.protocol import protocols
from shared.settings import Network
from shared.taxa import TAXA
from warehouse.snapshot import latest_version, query

WIDTH, HEIGHT = 360.0, 250.0
_LEFT, _RIGHT = 34.0, 6.0
_TOP, _BASE, _STRIP, _WATER_TOP, _WATER_BASE = 8.0, 138.0, 148.0, 164.0, 226.0
_FEWEST_SITES = 3
"""Fewer sites than this on a day would let one be read from their mean."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """What the page draws. Places are in the drawing's own units (see WIDTH and HEIGHT)."""

    title: str
    summary: str
    bars: tuple[tuple[float, float, float, float], ...]
    """x, y, width, height of each day's count."""
    network: str
    """Points of the network's mean."""
    gaps: tuple[tuple[float, float], ...]
    """x and width of runs of days without a record."""
    water: tuple[str, ...]
    """Lines of water temperature, each as points."""
    most: str
    warm: str
    cold: str
    months: tuple[tuple[float, str], ...]
    weeks: tuple[tuple[str, int, str], ...]
    """The same in words: week, count, water."""


@dataclass(frozen=True, slots=True)
class _Day:
    caught: float | None
    water: float | None


_Days = dict[str, dict[dt.date, _Day]]
_known: dict[Path, tuple[str, int, _Days]] = {}
_guard = threading.Lock()


def of_site(network_dir: Path, network: Network, site_id: str) -> Drawing | None:
    """The drawing of the site's latest season; None before the first release."""
    target = protocols()["fyke"].targets[0]
    found = _days(network_dir, target.taxon, target.life_stage)
    if found is None or not found[1].get(site_id):
        return None
    season, days = found
    opens, closes = network.season_span(season)
    last = max(max(dates) for dates in days.values() if dates)
    closes = min(closes, max(last, opens + dt.timedelta(days=41)))
    name = f"{TAXA[target.taxon].vernacular}, {target.life_stage}"
    return _draw(days[site_id], _means(days), opens, max(closes, opens), last, season, name,
                 network.sites[site_id].name)


def _days(network_dir: Path, taxon: str, stage: str) -> tuple[int, _Days] | None:
    version = latest_version(network_dir)
    if version is None:
        return None
    with _guard:
        known = _known.get(network_dir)
        if known is not None and known[0] == version:
            return known[1], known[2]
        try:
            rows = query(network_dir, f"""
                WITH latest AS (SELECT max(season) AS season FROM events)
                SELECT e.site_id, e.local_date, max(e.season),
                       (SELECT sum(c.count) FROM counts AS c
                        WHERE c.site_id = e.site_id AND c.local_date = e.local_date
                          AND c.taxon_id = '{taxon}' AND c.life_stage = '{stage}'
                          AND c.protocol = 'fyke'),
                       avg(e.water_temperature_c)
                FROM events AS e, latest WHERE e.season = latest.season
                  AND e.protocol = 'fyke' GROUP BY 1, 2 ORDER BY 1, 2""").rows
        except Problem:
            return None
        days: _Days = defaultdict(dict)
        season = rows[0][2] if rows else 0
        for site, date, _, caught, water in rows:
            days[site][date] = _Day(None if caught is None else float(caught), water)
        _known[network_dir] = (version, int(season), dict(days))
        return (int(season), dict(days)) if days else None


def _means(days: _Days) -> dict[dt.date, float]:
    by_date: dict[dt.date, list[float]] = defaultdict(list)
    for dates in days.values():
        for date, item in dates.items():
            if item.caught is not None:
                by_date[date].append(item.caught)
    return {date: sum(counts) / len(counts) for date, counts in sorted(by_date.items())
            if len(counts) >= _FEWEST_SITES}


def _draw(
    mine: dict[dt.date, _Day], means: dict[dt.date, float], opens: dt.date, closes: dt.date,
    last: dt.date, season: int, what: str, site: str,
) -> Drawing:
    span = (closes - opens).days + 1
    step = (WIDTH - _LEFT - _RIGHT) / span

    def x(date: dt.date) -> float:
        return round(_LEFT + (date - opens).days * step, 1)

    counts = {date: item.caught for date, item in mine.items() if item.caught is not None}
    most = max([*counts.values(), *means.values(), 1.0])

    def y(count: float) -> float:
        # A square root, so that quiet days stay visible beside a pulse.
        return round(_BASE - math.sqrt(count / most) * (_BASE - _TOP), 1)

    warmth = {date: item.water for date, item in mine.items() if item.water is not None}
    cold, warm = (min(warmth.values()), max(warmth.values())) if warmth else (0.0, 1.0)
    reach = max(warm - cold, 1.0)
    lines: list[list[str]] = []
    before: dt.date | None = None
    for date, degrees in sorted(warmth.items()):
        if before is None or (date - before).days > 3:
            lines.append([])
        height = _WATER_BASE - (degrees - cold) / reach * (_WATER_BASE - _WATER_TOP)
        lines[-1].append(f"{x(date) + step / 2:.1f},{height:.1f}")
        before = date
    gaps: list[tuple[float, float]] = []
    missing = 0
    for offset in range((min(last, closes) - opens).days + 1):
        date = opens + dt.timedelta(days=offset)
        if date in counts:
            continue
        missing += 1
        if gaps and abs(gaps[-1][0] + gaps[-1][1] - x(date)) < 0.3:
            gaps[-1] = (gaps[-1][0], round(gaps[-1][1] + step, 1))
        else:
            gaps.append((x(date), round(step, 1)))
    total = sum(counts.values())
    best = max(counts, key=lambda date: counts[date] or 0, default=None)
    summary = (f"{total:,.0f} counted on {len(counts)} days; {missing} days without a count."
               + (f" Most on {day(best)}: {counts[best]:,.0f}." if best is not None else "")
               + (f" Water from {cold:.1f} to {warm:.1f} °C." if warmth else ""))
    weeks: dict[dt.date, tuple[float, list[float]]] = {}
    for date in sorted(set(counts) | set(warmth)):
        monday = date - dt.timedelta(days=date.weekday())
        tally, degrees_seen = weeks.setdefault(monday, (0.0, []))
        if date in warmth:
            degrees_seen.append(warmth[date])
        weeks[monday] = (tally + (counts.get(date) or 0.0), degrees_seen)
    months = [(x(date), day(date).split()[1]) for date in
              (opens + dt.timedelta(days=n) for n in range(span)) if date.day == 1]
    return Drawing(
        f"{site}, season {season}: {what}, a day", summary,
        tuple((x(date), y(count), round(max(step * 0.8, 0.6), 1), round(_BASE - y(count), 1))
              for date, count in sorted(counts.items())
              if count is not None and opens <= date <= closes),
        " ".join(f"{x(date) + step / 2:.1f},{y(mean):.1f}" for date, mean in means.items()
                 if opens <= date <= closes),
        tuple(gaps), tuple(" ".join(line) for line in lines), f"{most:,.0f}",
        f"{warm:.0f}°" if warmth else "", f"{cold:.0f}°" if warmth else "",
        tuple(months or [(x(opens), day(opens).split()[1])]),
        tuple((day(monday), int(tally), f"{sum(seen) / len(seen):.1f} °C" if seen else "")
              for monday, (tally, seen) in weeks.items()))
