"""Everything a season's reports tell, gathered from one release."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import numpy as np

from shared.problems import Problem
from shared.protocol import Protocol, Target, protocols
from shared.settings import Network
from warehouse.release import read_manifest
from warehouse.season import abundance, timing
from warehouse.season.counting import Correction, SiteQuality, corrections, counting_quality
from warehouse.season.coverage import SiteCoverage, coverage
from warehouse.season.index import Index, TooFew, network_index
from warehouse.season.nights import Nights, read_nights, seasons_of
from warehouse.season.permit import PermitLine, permit_lines
from warehouse.season.pulse import Pulse, Total, daily_draws, fit_pulse, totals
from warehouse.season.seine import LengthClass, MonthCatch, length_classes, seine_months
from warehouse.season.terms import Terms
from warehouse.season.trend import Power, Trend, mann_kendall, power_of
from warehouse.snapshot import snapshot_path

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

POWER_YEARS = 10
"""Years that the power statement speaks of."""


class NoSuchSeason(Problem, ValueError):
    """The release has no nets in the season asked for."""

    code = "no-such-season"


@dataclass(frozen=True, slots=True)
class Passing:
    """When a share of a site's run had passed: days of the window with their interval, and the
    water then (degC and degree-days, NaN where nobody read)."""

    share: float
    day: float
    low: float
    high: float
    water: float
    degree_days: float


@dataclass(frozen=True, slots=True)
class SiteTiming:
    """A site's run in time. ``first``: day of the first animal counted (it may have been
    missed: no interval can say). ``passing`` is empty where too few were counted."""

    site: str
    first: int | None
    passing: tuple[Passing, ...]
    mean: float
    mean_low: float
    mean_high: float
    spread: float


@dataclass(frozen=True, slots=True)
class SeasonEstimates:
    """One season's nights and what is made of them. Lists are in order of ``nights.sites``."""

    nights: Nights
    pulse: Pulse | None
    coverage: list[SiteCoverage]
    totals: list[Total]
    timing: list[SiteTiming]
    water: Floats
    """Sites x days without gaps [degC]; NaN throughout where nobody read."""
    arithmetic: abundance.Means
    geometric: abundance.Means
    delta: abundance.Means


@dataclass(frozen=True, slots=True)
class Effort:
    """What people gave: net checks and hauls, people's visits and hours (0: none written)."""

    events: int
    visits: int
    hours: float


@dataclass(frozen=True, slots=True)
class SiteTrend:
    """A site's trend over its seasons, on its mean of ln(CPUE + 1)."""

    site: str
    trend: Trend


@dataclass(frozen=True, slots=True)
class SeasonAccount:
    """All of it. ``before`` is the season before, None where the release has none."""

    network: Network
    version: str
    as_of: dt.date
    season: int
    under_way: bool
    protocol: Protocol
    target: Target
    terms: Terms
    this: SeasonEstimates
    before: SeasonEstimates | None
    others: Mapping[Target, tuple[abundance.Means, abundance.Means, abundance.Means]]
    """Mean CPUE (arithmetic, geometric, delta) of the protocol's other targets."""
    effort: Mapping[str, Effort]
    index: Index | TooFew
    trend: Trend | TooFew
    power: Power | TooFew
    site_trends: list[SiteTrend]
    quality: list[SiteQuality]
    corrections: Mapping[str, Correction]
    months: list[MonthCatch]
    lengths: list[LengthClass]
    permit: list[PermitLine]

    def date(self, day: float) -> dt.date:
        """The date of a day of this season's window, the next whole one for a fraction."""
        return self.this.nights.first + dt.timedelta(days=int(np.ceil(day - 1e-9)))


def estimate_season(nights: Nights, protocol: Protocol, terms: Terms) -> SeasonEstimates:
    """What one season's nights give on their own."""
    pulse = fit_pulse(nights, terms)
    water = timing.filled_temperature(nights.water)
    cpue = nights.site_cpue
    return SeasonEstimates(
        nights=nights, pulse=pulse,
        coverage=coverage(nights, None if pulse is None else pulse.run, protocol.cpue_scale),
        totals=totals(nights, pulse, terms.level, abundance.interpolated(nights)),
        timing=[_timing(nights, pulse, site, water[site], terms)
                for site in range(len(nights.sites))],
        water=water, arithmetic=abundance.arithmetic_mean(cpue, terms.level),
        geometric=abundance.geometric_mean(cpue, terms.level),
        delta=abundance.delta_mean(cpue, terms.level))


def _timing(
    nights: Nights, pulse: Pulse | None, site: int, water: Floats, terms: Terms
) -> SiteTiming:
    counted = np.nan_to_num(nights.catch[nights.site_of == site]).sum(axis=0)
    first = timing.first_day(counted)
    nan = float("nan")
    empty = SiteTiming(nights.sites[site], None if np.isnan(first) else int(first), (), nan, nan,
                       nan, nan)
    if counted.sum() < terms.fewest_animals or pulse is None:
        return empty
    drawn = daily_draws(nights, pulse, site)
    limits = (0.5 - terms.level / 2, 0.5, 0.5 + terms.level / 2)
    low, day, high = np.quantile(timing.passing_days(drawn), limits, axis=0)
    heat = timing.degree_days(water, terms.degree_day_base)
    at = np.clip(np.ceil(day - 1e-9).astype(int), 0, len(water) - 1)
    means, spreads = timing.mean_day(drawn)
    mean_low, mean, mean_high = np.quantile(means, limits)
    return SiteTiming(
        nights.sites[site], empty.first,
        tuple(Passing(share, float(day[n]), float(low[n]), float(high[n]), float(water[at[n]]),
                      float(heat[at[n]])) for n, share in enumerate(timing.SHARES)),
        float(mean), float(mean_low), float(mean_high), float(np.median(spreads)))


def season_account(
    network_dir: Path, network: Network, season: int, terms: Terms | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> SeasonAccount:
    """Everything about ``season`` from the latest release of the network.

    Seasons after it are not looked at, so that a report can be repeated. Raises
    :class:`warehouse.snapshot.NoRelease`, or :class:`NoSuchSeason` naming the seasons there
    are.
    """
    terms = terms or Terms()
    path = snapshot_path(network_dir)
    manifest = read_manifest(path.parent)
    protocol = next(p for p in protocols().values() if p.gear_from == "nets")
    target = protocol.targets[0]
    with duckdb.connect(str(path), read_only=True, config={"threads": 1}) as connection:
        there = seasons_of(connection, protocol.id)
        if season not in there:
            raise NoSuchSeason(
                f"The release has no {protocol.title.lower()} in {season}.",
                f"It has: {', '.join(map(str, there)) or 'no season at all'}.", str(path.parent))
        progress("reading the nights")
        every = [found for year in there if year <= season for found in [
            read_nights(connection, year, protocol, target, terms)] if found is not None]
        quality = counting_quality(connection, season, protocol.id, target.taxon,
                                   target.life_stage)
        months = seine_months(connection, season)
        lengths = length_classes(connection, season)
        permit = permit_lines(connection, season, [
            (p.id, t.taxon, t.life_stage) for p in protocols().values() for t in p.targets])
        effort = _effort(connection, season)
        others = {}
        for other in protocol.targets[1:]:
            nights = read_nights(connection, season, protocol, other, terms)
            if nights is not None:
                cpue = nights.site_cpue
                others[other] = (abundance.arithmetic_mean(cpue, terms.level),
                                 abundance.geometric_mean(cpue, terms.level),
                                 abundance.delta_mean(cpue, terms.level))
    as_of = dt.date.fromisoformat(str(manifest["as_of"]))
    progress("totals and timing")
    this = estimate_season(every[-1], protocol, terms)
    before = (estimate_season(every[-2], protocol, terms)
              if len(every) > 1 and every[-2].season == season - 1 else None)
    progress("the network index")
    index = network_index(every, terms)
    trend, power = _trend(index, terms)
    return SeasonAccount(
        network=network, version=str(manifest["version"]), as_of=as_of, season=season,
        under_way=as_of <= network.season_span(season)[1], protocol=protocol, target=target,
        terms=terms, this=this, before=before, others=others, effort=effort, index=index,
        trend=trend, power=power, site_trends=_site_trends(every, terms), quality=quality,
        corrections=corrections(path.parent, network.season_span(season), protocol.id,
                                target.taxon, target.life_stage),
        months=months, lengths=lengths, permit=permit)


def _trend(index: Index | TooFew, terms: Terms) -> tuple[Trend | TooFew, Power | TooFew]:
    if isinstance(index, TooFew):
        return index, index
    many = len(index.years)
    trend: Trend | TooFew = TooFew(
        f"A trend is tested from {terms.fewest_years} seasons on; the index has {many}.")
    if many >= terms.fewest_years:
        trend = mann_kendall(index.years, [float(e) for e in index.log_effect], terms.level)
        scatter = trend.scatter
    else:
        scatter = float(index.log_effect.std(ddof=1))
    if many < 3:
        return trend, TooFew("With two seasons nothing is known of the scatter between years.")
    return trend, power_of(POWER_YEARS, scatter, terms)


def _site_trends(every: list[Nights], terms: Terms) -> list[SiteTrend]:
    found: dict[str, dict[int, float]] = {}
    for nights in every:
        cpue = nights.site_cpue
        for site, values in zip(nights.sites, cpue, strict=True):
            known = values[np.isfinite(values)]
            if len(known) >= terms.fewest_nights:
                found.setdefault(site, {})[nights.season] = float(np.log1p(known).mean())
    return [
        SiteTrend(site, mann_kendall(list(years), list(years.values()), terms.level))
        for site, years in sorted(found.items()) if len(years) >= terms.fewest_years
    ]


def _effort(connection: duckdb.DuckDBPyConnection, season: int) -> dict[str, Effort]:
    rows = connection.execute(
        """
        -- One crew tends all nets of a morning and writes its hours on each net's row.
        SELECT site_id, sum(events), coalesce(sum(people), 0), coalesce(sum(hours), 0) FROM (
            SELECT site_id, count(*) FILTER (coalesce(net_status, 'fishing') = 'fishing')
                       AS events, max(observers) AS people, max(volunteer_hours) AS hours
            FROM events WHERE season = ? AND protocol <> 'water'
            GROUP BY site_id, protocol, local_date)
        GROUP BY site_id ORDER BY site_id
        """, [season]).fetchall()
    return {site: Effort(int(events), int(visits), float(hours))
            for site, events, visits, hours in rows}
