"""Do the season's intervals hold what they promise? Seasons with known truth, nights lost.

Each network has twelve sites (two with two nets) and five seasons. Sites differ in level, in
date and width of the run; years in level, in timing and in temperature; a site has good and
bad years of its own; nights differ for the whole network (moon and weather) and catches are
negative binomial, beyond any of that. Then nights are lost: some at random everywhere, every
weekend at half the sites, and at a third of the sites one block of five to twelve nights laid
over the peak. What was lost is known, so are total, dates and year effects.

    python -m bench.season_coverage [--networks 100] [--write docs/season-coverage.md]
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from warehouse.season.abundance import interpolated
from warehouse.season.index import Index, network_index
from warehouse.season.nights import Night, Nights
from warehouse.season.pulse import daily_draws, fit_pulse, totals
from warehouse.season.terms import Terms
from warehouse.season.timing import SHARES, mean_day, passing_days

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

SITES, YEARS, DAYS = 12, 5, 115
TWO_NETS = (3, 6)


@dataclass(frozen=True)
class Season:
    """A simulated season: what the crews saw, and the truth."""

    nights: Nights
    whole: Floats
    """Nets x days: every night's catch, lost or not."""
    block: NDArray[np.bool_]
    """Sites that lost a block at the peak."""


def simulate(seed: int) -> tuple[list[Season], Floats]:
    """Five seasons of one network, and the years' true effects on the log scale."""
    rng = np.random.default_rng(seed)
    site_of = np.array([site for site in range(SITES)
                        for _ in range(2 if site in TWO_NETS else 1)])
    level = rng.normal(2.6, 0.7, SITES)
    net_level = level[site_of] + np.where(np.diff(site_of, prepend=-1) == 0, -0.5, 0.0)
    site_shift, site_width = rng.normal(0, 4, SITES), np.exp(rng.normal(0, 0.12, SITES))
    years = rng.normal(0, 0.35, YEARS)
    day = np.arange(DAYS)
    out = []
    for number in range(YEARS):
        shift = rng.normal(0, 5)
        weather = np.zeros(DAYS)
        for d in range(1, DAYS):
            weather[d] = 0.9 * weather[d - 1] + rng.normal(0, 0.5)
        water = (1.0 + 0.13 * (day - shift) + weather)[None, :] + rng.normal(0, 0.5, (SITES, 1))
        water = water + rng.normal(0, 0.2, (SITES, DAYS))
        moon = 0.4 * np.cos(4 * np.pi * (day + rng.uniform(0, 29.5)) / 29.53)
        pulse = moon + rng.normal(0, 0.3, DAYS) + 0.08 * weather
        middle = 55 + shift + site_shift[site_of] + rng.normal(0, 2, SITES)[site_of]
        width = 15 * site_width[site_of]
        own_year = rng.normal(0, 0.16, SITES)[site_of]
        log_mean = (net_level + own_year + years[number])[:, None] + pulse - 0.5 * (
            (day - middle[:, None]) / width[:, None]) ** 2
        effort = rng.normal(0.985, 0.02, log_mean.shape)
        whole = rng.poisson(rng.gamma(1.5, np.exp(log_mean) / 1.5 * effort)).astype(float)

        lost = rng.uniform(size=(SITES, DAYS)) < 0.10
        lost |= (np.arange(SITES)[:, None] % 2 == 0) & ((day + number) % 7 >= 5)
        block = np.zeros(SITES, dtype=bool)
        for site in rng.choice(SITES, SITES // 3, replace=False):
            long = int(rng.integers(5, 13))
            peak = int(middle[site_of == site][0] + rng.normal(0, 4)) - long // 2
            lost[site, max(peak, 0):peak + long] = True
            block[site] = True
        # Crews set when they are ready and lift when they have had enough.
        for site in range(SITES):
            lost[site, :rng.integers(0, 15)] = True
            lost[site, DAYS - rng.integers(1, 12):] = True
        # The window is what some net fished.
        lost[0, 0] = lost[0, -1] = False
        lost_at = lost[site_of]
        state = np.where(lost_at, Night.MISSED, Night.COUNTED).astype(np.int8)
        for net in range(len(site_of)):
            at = np.flatnonzero(state[net] == Night.COUNTED)
            state[net, :at[0]] = state[net, at[-1] + 1:] = Night.OUTSIDE
        nan = np.nan
        season = 2001 + number
        out.append(Season(
            Nights(season, dt.date(season, 2, 5), tuple(f"site-{s:02d}" for s in range(SITES)),
                   tuple("B" if again else "A" for again in np.diff(site_of, prepend=-1) == 0),
                   site_of, state, np.where(lost_at, nan, whole),
                   np.where(lost_at, nan, effort), np.where(lost, nan, water)),
            whole, block))
    return out, years


class Tally:
    """Coverage and bias of one quantity, gathered over seasons."""

    def __init__(self) -> None:
        self.hits: list[bool] = []
        self.errors: list[float] = []
        self.sizes: list[float] = []

    def add(self, truth: float, estimate: float, low: float, high: float, size: float) -> None:
        """``size``: what the error is set against in the end, summed."""
        self.hits.append(low <= truth <= high)
        self.errors.append(estimate - truth)
        self.sizes.append(size)


def measure(networks: int, seed: int, terms: Terms) -> tuple[dict[str, Tally], float]:
    """Everything estimated on ``networks`` x five seasons, by quantity; and the seconds."""
    found: dict[str, Tally] = defaultdict(Tally)
    start = time.perf_counter()
    for number in range(networks):
        seasons, years = simulate(seed + number)
        for season in seasons:
            nights = season.nights
            pulse = fit_pulse(nights, terms)
            assert pulse is not None
            for site, total in enumerate(totals(nights, pulse, terms.level, interpolated(nights))):
                mine = nights.site_of == site
                truth = float(season.whole[mine].sum())
                kind = "block at the peak" if season.block[site] else "scattered nights"
                for name in ("Season total, all sites", f"Season total, {kind} lost"):
                    found[name].add(truth, total.total, total.low, total.high, truth)
                found["(Straight line, no interval)"].add(
                    truth, total.counted + total.interpolated, truth, truth, truth)
                drawn = daily_draws(nights, pulse, site)
                daily = season.whole[mine].sum(axis=0)
                true_days, drawn_days = passing_days(daily), passing_days(drawn)
                for place, share in enumerate(SHARES):
                    low, mid, high = np.nanquantile(drawn_days[:, place], _LIMITS)
                    found[f"Date of {share:.0%}"].add(true_days[place], mid, low, high, 1.0)
                low, mid, high = np.nanquantile(mean_day(drawn)[0], _LIMITS)
                found["Mean date"].add(float(mean_day(daily)[0]), mid, low, high, 1.0)
        index = network_index([season.nights for season in seasons], terms)
        assert isinstance(index, Index)
        true_effect = years - years.mean()
        shift = np.log(index.effect).mean()
        for place in range(YEARS):
            # Effects sum to zero; turned to one side, a pull towards zero or away shows.
            turn = float(np.sign(true_effect[place]))
            low, high = sorted(turn * (float(np.log(limit[place])) - float(shift))
                               for limit in (index.low, index.high))
            found["Year effect (index against its mean)"].add(
                abs(float(true_effect[place])),
                turn * float(np.log(index.effect[place]) - shift), low, high, 1.0)
        print(f"{number + 1}/{networks}  {time.perf_counter() - start:.0f} s", file=sys.stderr)
    return dict(found), time.perf_counter() - start


_LIMITS = (0.025, 0.5, 0.975)


def table(found: dict[str, Tally], networks: int, seconds: float, seed: int) -> str:
    """The page of docs."""
    lines = [
        "# Do the season's intervals hold?",
        "",
        f"Made by `python -m bench.season_coverage --networks {networks} --seed {seed}` in "
        f"{seconds:.0f} s: {networks * YEARS} simulated seasons of {SITES} sites "
        "with known totals, dates and year effects; nights lost at random, at weekends, and in "
        "blocks of five to twelve over the peak (the module's first lines say how).",
        "",
        "Coverage is the share of nominal 95 % intervals that hold the truth. Bias of totals is "
        "in per cent of all animals, of dates in days, of year effects in per cent of the "
        "index, away from its mean (a negative one would be a pull towards the mean).",
        "",
        "| quantity | intervals | coverage | bias | typical error |",
        "| --- | ---: | ---: | ---: | ---: |",
    ]
    for name, tally in found.items():
        errors = np.array(tally.errors)
        unit, bias = " d", errors.mean()
        typical = float(np.median(np.abs(errors)))
        if "total" in name or "line" in name:
            unit, bias = " %", 100 * errors.sum() / sum(tally.sizes)
            typical = 100 * float(np.median(np.abs(errors) / np.array(tally.sizes)))
        elif "effect" in name:
            unit, bias, typical = " %", 100 * np.expm1(errors.mean()), 100 * np.expm1(typical)
        held = "-" if name.startswith("(") else f"{np.mean(tally.hits):.3f}"
        lines.append(f"| {name} | {len(errors):,} | {held} | {bias:+.2f}{unit} | "
                     f"{typical:.2f}{unit} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Print the table, and write it where asked."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--networks", type=int, default=100)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--write", type=Path)
    options = parser.parse_args()
    found, seconds = measure(options.networks, options.seed, Terms(draws=400))
    page = table(found, options.networks, seconds, options.seed)
    print(page)
    if options.write:
        options.write.write_text(page, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
