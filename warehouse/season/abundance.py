"""Abundance at a site: mean catch per unit effort three ways, and the interpolated total.

Every function takes the last axis as nights, NaN where there is no value, and works on all
sites at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from warehouse.season.nights import Night, Nights

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Means:
    """An estimate and its interval, one a site; ``n`` is the nights it rests on."""

    mean: Floats
    low: Floats
    high: Floats
    n: Floats


def _moments(values: Floats) -> tuple[Floats, Floats, Floats]:
    known = np.isfinite(values)
    n = known.sum(axis=-1).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(known, values, 0.0).sum(axis=-1) / n
        square = np.where(known, values - mean[..., None], 0.0) ** 2
        variance = square.sum(axis=-1) / (n - 1)
    return n, mean, variance


def _student(level: float, n: Floats) -> Floats:
    from scipy.special import stdtrit

    # The same quantile as scipy.stats.t.ppf, an order faster over many sites.
    with np.errstate(invalid="ignore"):
        found: Floats = np.asarray(stdtrit(n - 1, 0.5 + level / 2), dtype=np.float64)
    return found


def arithmetic_mean(cpue: Floats, level: float) -> Means:
    """Mean and Student t interval, the nights taken as a simple random sample."""
    n, mean, variance = _moments(cpue)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = _student(level, n) * np.sqrt(variance / n)
    return Means(mean, np.maximum(mean - half, 0.0), mean + half, n)


def geometric_mean(cpue: Floats, level: float) -> Means:
    """exp(mean ln(x + 1)) - 1 and its t interval, both taken back from logarithms.

    It is near the median of the nights, not their mean: an index, never a total.
    """
    n, mean, variance = _moments(np.log1p(cpue))
    with np.errstate(divide="ignore", invalid="ignore"):
        half = _student(level, n) * np.sqrt(variance / n)
    return Means(np.expm1(mean), np.maximum(np.expm1(mean - half), 0.0),
                 np.expm1(mean + half), n)


def finney(m: Floats, t: Floats) -> Floats:
    """The series g_m(t) of Finney (1941), as Pennington (1983) writes it:

    1 + (m-1)t/m + sum over j >= 2 of (m-1)^(2j-1) t^j / (m^j (m+1)(m+3)...(m+2j-3) j!)
    """
    m, t = np.broadcast_arrays(np.asarray(m, float), np.asarray(t, float))
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        term = (m - 1) * t / m
        total = 1.0 + term
        for j in range(2, 400):
            term = term * (m - 1) ** 2 * t / (m * (m + 2 * j - 3) * j)
            total = total + term
            if not np.any(np.abs(term) > 1e-12 * np.abs(total)):
                break
    return np.asarray(total)


def delta_mean(cpue: Floats, level: float) -> Means:
    """Delta-lognormal mean of Pennington (1983), with his variance of the mean.

    Zeros are counted apart and the catches above zero taken as lognormal. The interval is
    that of a lognormal with the estimate's mean and variance, so that it stays above zero.
    """
    known = np.isfinite(cpue)
    n = known.sum(axis=-1).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(known & (cpue > 0), np.log(np.where(cpue > 0, cpue, 1.0)), np.nan)
        m, mean, variance = _moments(logs)
        share = m / n
        several = share * np.exp(mean) * finney(m, variance / 2)
        spread = share * np.exp(2 * mean) * (
            share * finney(m, variance / 2) ** 2
            - (m - 1) / (n - 1) * finney(m, (m - 2) / (m - 1) * variance))
        estimate = np.where(m > 1, several, np.where(m == 1, np.exp(mean) / n, 0.0))
        estimate = np.where(n > 0, estimate, np.nan)
        cv2 = np.where(m > 1, np.maximum(spread, 0.0) / several**2, np.nan)
        sigma = np.sqrt(np.log1p(cv2))
        reach = _student(level, n) * sigma
        centre = np.log(np.where(estimate > 0, estimate, np.nan)) - sigma**2 / 2
        return Means(estimate, np.exp(centre - reach), np.exp(centre + reach), n)


def delta_variance(cpue: Floats) -> Floats:
    """Pennington's unbiased variance of the delta-lognormal mean, at least two catches."""
    known = np.isfinite(cpue)
    n = known.sum(axis=-1).astype(float)
    logs = np.where(known & (cpue > 0), np.log(np.where(cpue > 0, cpue, 1.0)), np.nan)
    m, mean, variance = _moments(logs)
    share = m / n
    found: Floats = share * np.exp(2 * mean) * (
        share * finney(m, variance / 2) ** 2
        - (m - 1) / (n - 1) * finney(m, (m - 2) / (m - 1) * variance))
    return found


def area_under_curve(days: Floats, counts: Floats) -> float:
    """Trapezoidal area [animal-days] under counts on unevenly spaced days."""
    return float(np.trapezoid(np.asarray(counts, float), np.asarray(days, float)))


def interpolated(nights: Nights) -> Floats:
    """Nets x days: CPUE on the straight line between a net's counted nights, elsewhere NaN.

    Only nights between a net's own first and last count that were not counted get a value.
    """
    cpue = nights.cpue
    out = np.full(cpue.shape, np.nan)
    along = np.arange(nights.days)
    gaps = (nights.state != Night.COUNTED) & (nights.state != Night.OUTSIDE)
    for row in np.flatnonzero(gaps.any(axis=1)):
        known = np.flatnonzero(np.isfinite(cpue[row]))
        if len(known) < 2:
            continue
        at = np.flatnonzero(gaps[row] & (along > known[0]) & (along < known[-1]))
        out[row, at] = np.interp(at, known, cpue[row, known])
    return out
