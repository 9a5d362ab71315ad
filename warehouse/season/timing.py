"""Run timing: when the first came, when given shares had, the mean date and its spread."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

SHARES = (0.05, 0.25, 0.50, 0.75, 0.95)
"""Shares of the season's catch whose dates are given."""


def passing_days(daily: Floats, shares: tuple[float, ...] = SHARES) -> Floats:
    """When each share had passed, as days with a fraction: shape (..., shares).

    ``daily``: (..., days), animals a day. The catch of day d has wholly passed at d, and
    passes evenly since d - 1; the date reported is the first day by which it had. NaN where
    nothing passed.
    """
    whole = np.cumsum(np.nan_to_num(daily), axis=-1)
    total = whole[..., -1:]
    out = np.full((*daily.shape[:-1], len(shares)), np.nan)
    for place, share in enumerate(shares):
        aim = share * total
        day = (whole < aim).sum(axis=-1)
        day = np.minimum(day, daily.shape[-1] - 1)
        here = np.take_along_axis(whole, day[..., None], -1)[..., 0]
        before = np.where(day > 0, np.take_along_axis(
            whole, np.maximum(day - 1, 0)[..., None], -1)[..., 0], 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            part = (aim[..., 0] - before) / (here - before)
        out[..., place] = np.where(total[..., 0] > 0, day - 1 + np.nan_to_num(part, nan=1.0),
                                   np.nan)
    return out


def first_day(daily: Floats) -> Floats:
    """Index of the first day with a catch; NaN where there is none."""
    some = np.nan_to_num(daily) > 0
    return np.where(some.any(axis=-1), some.argmax(axis=-1), np.nan)


def mean_day(daily: Floats) -> tuple[Floats, Floats]:
    """Mean day and standard deviation [days] of the run, weighted by the daily catch.

    Mundy (1982), North American Journal of Fisheries Management 2, 359-370: the mean of the
    time density, its variance with the total as divisor.
    """
    weight = np.nan_to_num(daily)
    day = np.arange(daily.shape[-1])
    with np.errstate(divide="ignore", invalid="ignore"):
        total = weight.sum(axis=-1)
        mean = (weight * day).sum(axis=-1) / total
        square = (weight * (day - mean[..., None]) ** 2).sum(axis=-1) / total
    return mean, np.sqrt(square)


def filled_temperature(water: Floats) -> Floats:
    """Sites x days without gaps: the network's day plus what sets the site apart from it.

    The network's day is the mean over sites after each site's own mean difference is taken
    off, on a straight line over days that nobody read. NaN throughout where nobody read.
    """
    if not np.isfinite(water).any():
        return water
    day = np.full(water.shape[1], np.nan)
    apart = np.zeros(water.shape[0])
    for _ in range(3):
        level = water - apart[:, None]
        some = np.isfinite(level).any(axis=0)
        day[some] = np.nanmean(level[:, some], axis=0)
        every = np.interp(np.arange(len(day)), np.flatnonzero(some), day[some])
        for site in range(len(apart)):
            known = np.isfinite(water[site])
            apart[site] = float((water[site] - every)[known].mean()) if known.any() else 0.0
    return np.where(np.isfinite(water), water, every[None, :] + apart[:, None])


def degree_days(water: Floats, base: float) -> Floats:
    """Running sum over days of the water's degrees above ``base`` (gaps filled first)."""
    return np.cumsum(np.maximum(water - base, 0.0), axis=-1)
