"""Trend over years: Mann-Kendall, Sen's slope, and what could have been seen at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from warehouse.season.terms import Terms

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_LARGE = 10
"""Years from which the normal approximation, and with it the correction for autocorrelation,
is used (Gilbert 1987, section 16.4.1); below, the exact distribution is."""
_SIMULATED = 4000


@dataclass(frozen=True, slots=True)
class Trend:
    """A test of monotonic trend. ``slope`` and its limits are per year, in the series' unit.

    ``low`` and ``high`` are infinite where no slope is far enough out for the level (below
    five years at 95 %).
    ``p`` is two-sided. ``p_plain`` ignores autocorrelation; the two agree below ten years,
    where it cannot be told from chance. ``lag_one``: autocorrelation of what the slope
    leaves, NaN where the years do not follow each other.
    """

    years: int
    s: int
    z: float
    p: float
    p_plain: float
    method: str
    lag_one: float
    slope: float
    low: float
    high: float
    scatter: float
    """Standard deviation of the series about the slope."""


def mann_kendall(years: Sequence[float], values: Sequence[float], level: float) -> Trend:
    """Mann (1945), Kendall (1975); Sen (1968) for the slope, :func:`slope_limits` for its limits.

    From ten years on, the variance of S is corrected for lag-one autocorrelation as in Hamed
    and Rao (1998), Journal of Hydrology 204, 182-196. Needs three years at least.
    """
    import pymannkendall
    from scipy.stats import kendalltau

    x, y = np.asarray(years, float), np.asarray(values, float)
    plain = pymannkendall.original_test(y)
    earlier, later = np.triu_indices(len(x), 1)
    slopes = np.sort((y[later] - y[earlier]) / (x[later] - x[earlier]))
    slope = float(np.median(slopes))
    tied = len(set(y.tolist())) < len(y)
    low, high = slope_limits(slopes, len(y), float(plain.var_s), tied, level)
    left = y - slope * x
    left = left - np.median(left)
    follows = bool((np.diff(x) == 1).all())
    square = float((left**2).sum())
    lag_one = float((left[1:] * left[:-1]).sum() / square) if follows and square > 0 else (
        float("nan"))
    if len(y) < _LARGE:
        p_plain = (float(plain.p) if tied
                   else float(kendalltau(x, y, method="exact").pvalue))
        p, method = p_plain, "normal approximation, ties" if tied else "exact"
    else:
        p_plain = float(plain.p)
        if follows:
            corrected = pymannkendall.hamed_rao_modification_test(y, lag=1)
            p, method = float(corrected.p), "Hamed and Rao, lag 1"
        else:
            p, method = p_plain, "normal approximation"
    scatter = np.sqrt(((left - left.mean()) ** 2).sum() / max(len(y) - 2, 1))
    return Trend(len(y), int(plain.s), float(plain.z), p, p_plain, method, lag_one, slope,
                 low, high, float(scatter))


def slope_limits(
    slopes: Floats, years: int, variance: float, tied: bool, level: float
) -> tuple[float, float]:
    """Limits of Sen's slope: two of the slopes between pairs, in order, by how far out they are.

    From ten years on (or with ties) Gilbert (1987), section 16.5: of N slopes those at the ranks
    (N - C) / 2 and (N + C) / 2 + 1, C the normal quantile times the root of ``variance`` (of S),
    on a straight line between whole ranks. Below, the outermost that the exact distribution of S
    allows (Hollander and Wolfe 1999, section 9.3; Helsel and Hirsch, Statistical Methods in Water
    Resources, ch. 10).
    """
    from scipy.stats import norm

    many = len(slopes)
    if years < _LARGE and not tied:
        critical = _critical(years, level)
        reach = float("inf") if critical is None else critical - 2.0
    else:
        reach = float(norm.ppf(0.5 + level / 2)) * float(np.sqrt(variance))
    rank = (many - reach) / 2
    if rank < 1:
        return -float("inf"), float("inf")
    found = np.interp([rank, many + 1 - rank], np.arange(1, many + 1), slopes)
    return float(found[0]), float(found[1])


def _critical(years: int, level: float) -> int | None:
    """Least S that so many years without trend reach with a chance of (1 - level) / 2 at most."""
    chances = null_distribution(years)
    return min((s for s in chances if s >= 0 and 2 * sum(
        chance for at, chance in chances.items() if at >= s) <= 1 - level), default=None)


@dataclass(frozen=True, slots=True)
class Power:
    """What decline Mann-Kendall finds over ``years``, given scatter between them.

    ``detectable``: smallest decline from first year to last, as a share, that is found with
    the asked-for chance; NaN where none is. ``chances``: (decline, chance of finding it).
    """

    years: int
    scatter: float
    asked: float
    detectable: float
    chances: tuple[tuple[float, float], ...]


def null_distribution(n: int) -> dict[int, float]:
    """Chance of each value of Mann-Kendall's S over ``n`` untied values without trend."""
    counts = np.array([1.0])
    for k in range(2, n + 1):
        counts = np.convolve(counts, np.ones(k)) / k
    largest = n * (n - 1) // 2
    return {largest - 2 * place: float(chance) for place, chance in enumerate(counts)}


def power_of(years: int, scatter: float, terms: Terms) -> Power:
    """Simulated with ``terms.seed``: log-linear declines, independent normal scatter [log]."""
    critical = _critical(years, terms.level) or years * years
    noise = np.random.default_rng(terms.seed).standard_normal((_SIMULATED, years)) * scatter

    def chance_of(decline: float) -> float:
        path = np.log1p(-decline) * np.arange(years) / (years - 1)
        series = noise + path
        s = np.zeros(_SIMULATED, dtype=int)
        for lag in range(1, years):
            s += np.sign(series[:, lag:] - series[:, :-lag]).sum(axis=1).astype(int)
        return float((s <= -critical).mean())

    declines = np.arange(0.05, 0.96, 0.05)
    found = [(round(float(decline), 2), chance_of(float(decline))) for decline in declines]
    detectable = float("nan")
    low, high = 0.0, 0.99
    if chance_of(high) >= terms.power:
        for _ in range(12):
            middle = (low + high) / 2
            low, high = (low, middle) if chance_of(middle) >= terms.power else (middle, high)
        detectable = high
    return Power(years, scatter, terms.power, detectable, tuple(found))
