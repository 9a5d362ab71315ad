"""The network's pulse: one smooth run for all nets, which tells what missing nights held.

A negative-binomial smooth of one season. For net i of site s on day d,

    log E[catch] = log effort + a_i + f(d) + u_d + g_s(d)

where a_i is the net's level, f the network's run curve (a cubic B-spline with a penalty on
its second differences), u_d the network's good and bad nights (independent), and g_s the
site's own lead, lag or width against the network (a coarse B-spline of its own). All but the
constant and the straight part of f are drawn towards zero, each kind with a variance that
the data set. A net that was lifted at the peak thus borrows the peak that the others saw,
and its interval says how well sites agree in that season.

Penalized likelihood as in Wood, Generalized Additive Models (2nd edition, 2017), chapters 4
and 6; variances by the update of Wood and Fasiolo (2017), Biometrics 73, 1071-1081; the
coefficients' covariance is the Bayesian one, (X'WX + S)^-1; dispersion by maximum likelihood.
Written out here over numpy and scipy's splines, since statsmodels' additive models know
neither random effects beside smooths nor their joint covariance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from warehouse.season.nights import Night, Nights
from warehouse.season.terms import Terms

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from scipy.sparse import csr_array

    Floats = NDArray[np.float64]

_ROUNDS = 60
_STEADY = 0.02
"""Largest relative change of a penalty at which the fit stands."""
_LEAST, _NIL, _MOST = 1e-3, 2e3, 1e4
"""Bounds of a penalty; beyond the middle one an effect is as good as nil."""
_LARGEST_ETA = 12.0
"""exp(12) eels a night are beyond any net; keeps first steps of the fit from overflowing."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """The fitted smooth of one season.

    ``run``: the network's run by day, summing to 1. ``mean``: nets x days, expected catch
    of one unit of effort. ``theta``: the negative binomial's size (larger: closer to
    Poisson). ``filled``: nets x days x draws, catches drawn for nights that were not
    counted, 0 elsewhere.
    """

    run: Floats
    mean: Floats
    theta: float
    filled: NDArray[np.float32]
    site_spread: float
    """Standard deviation over sites and days of g_s: how far sites differ in shape."""
    night_spread: float
    """Standard deviation of u_d: how far nights differ for the whole network."""


def spline_basis(days: int, pieces: int) -> Floats:
    """Cubic B-splines over days 0..days-1: days x (pieces + 3), rows summing to 1."""
    from scipy.interpolate import BSpline

    step = max(days - 1, 1) / pieces
    knots = np.arange(-3, pieces + 4) * step
    at = np.clip(np.arange(days, dtype=float), 0, pieces * step * (1 - 1e-12))
    dense: Floats = BSpline.design_matrix(at, knots, 3).toarray()
    return dense


def _log_likelihood(y: Floats, mu: Floats, theta: float) -> float:
    from scipy.special import gammaln

    return float((gammaln(y + theta) - gammaln(theta) + theta * np.log(theta / (theta + mu))
                  + y * np.log(mu / (theta + mu))).sum())


def _size(y: Floats, mu: Floats) -> float:
    """The dispersion that makes ``y`` likeliest given ``mu``."""
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(lambda log: -_log_likelihood(y, mu, float(np.exp(log))),
                            bounds=(-3.0, 8.0), method="bounded", options={"xatol": 1e-3})
    return float(np.exp(found.x))


def to_estimate(nights: Nights) -> NDArray[np.bool_]:
    """Nets x days that the season's total lacks: every night of the window not counted."""
    lacking: NDArray[np.bool_] = nights.state != Night.COUNTED
    return lacking


def fit_pulse(nights: Nights, terms: Terms, *, draws: int | None = None) -> Pulse | None:
    """Fit the season's smooth; None when no net has :attr:`Terms.fewest_nights` counts, or
    nothing was caught. The draws depend on the nights and ``terms.seed`` alone."""
    from threadpoolctl import threadpool_limits

    # One thread gives the same last digits on every machine; at this size it is faster too.
    with threadpool_limits(1):
        return _fit_pulse(nights, terms, terms.draws if draws is None else draws)


def _fit_pulse(nights: Nights, terms: Terms, count: int) -> Pulse | None:
    from scipy.linalg import cho_factor, cho_solve, solve_triangular
    from scipy.sparse import csr_array

    known = np.isfinite(nights.cpue) & (nights.state == Night.COUNTED)
    net, day = np.nonzero(known)
    y, effort = nights.catch[known], nights.effort[known]
    if known.sum(axis=1).max() < terms.fewest_nights or y.sum() <= 0:
        return None

    nets, days, sites = len(nights.gear), nights.days, len(nights.sites)
    shared = spline_basis(days, max(4, round(days / terms.knot_days)))
    own = spline_basis(days, terms.site_knots)
    curve, piece = shared.shape[1], own.shape[1]
    starts = np.cumsum([0, nets, curve, days, sites * piece])
    width = int(starts[-1])

    def rows(net: NDArray[np.int64], day: NDArray[np.int64]) -> csr_array:
        one = np.ones((len(net), 1))
        values = np.hstack([one, shared[day], one, own[day]])
        columns = np.hstack([
            net[:, None], starts[1] + np.tile(np.arange(curve), (len(net), 1)),
            starts[2] + day[:, None],
            starts[3] + nights.site_of[net][:, None] * piece + np.arange(piece)])
        keep = values != 0
        ends = np.concatenate([[0], np.cumsum(keep.sum(axis=1))])
        return csr_array((values[keep], columns[keep], ends), shape=(len(net), width))

    x = rows(net, day)
    bend = np.diff(np.eye(curve), 2, axis=0)
    blocks: list[tuple[slice, Floats, int]] = [
        (slice(starts[0], starts[1]), np.eye(nets), nets),
        (slice(starts[1], starts[2]), bend.T @ bend, curve - 2),
        (slice(starts[2], starts[3]), np.eye(days), days),
        (slice(starts[3], starts[4]), np.eye(sites * piece), sites * piece),
    ]
    penalty = np.array([0.5, 1.0, 5.0, 2.0])
    theta = 1.5
    beta = np.zeros(width)
    beta[starts[1]:starts[2]] = np.log(y.sum() / effort.sum() + 1e-3)
    offset = np.log(effort)
    for turn in range(_ROUNDS):
        whole = np.zeros((width, width))
        for (part, shape, _rank), weight in zip(blocks, penalty, strict=True):
            whole[part, part] += weight * shape
        # The straight part of the curve is free; this much keeps the matrix regular.
        whole[np.diag_indices(width)] += 1e-6
        for _inner in range(3 if turn == 0 else 1):
            eta = np.clip(offset + x @ beta, -_LARGEST_ETA, _LARGEST_ETA)
            mu = np.exp(eta)
            weight_of = mu / (1 + mu / theta)
            work = eta - offset + (y - mu) / mu
            weighted = x.multiply(weight_of[:, None]).tocsr()
            factor = cho_factor((weighted.T @ x).toarray() + whole, lower=True)
            beta = cho_solve(factor, weighted.T @ work)
        mu = np.exp(np.clip(offset + x @ beta, -_LARGEST_ETA, _LARGEST_ETA))
        theta = _size(y, mu)
        covariance = cho_solve(factor, np.eye(width))
        before = penalty.copy()
        for place, (part, shape, rank) in enumerate(blocks):
            inside = float(np.einsum("ij,ji->", covariance[part, part], shape))
            free = max(rank - penalty[place] * inside, 1e-4)
            square = max(float(beta[part] @ shape @ beta[part]), 1e-10)
            penalty[place] = min(max(free / square, _LEAST), _MOST)
        moves = np.abs(np.log(penalty / before))[penalty < _NIL]
        if turn > 2 and (not len(moves) or moves.max() < _STEADY):
            break

    lower = np.tril(factor[0])
    rng = np.random.default_rng(terms.seed + nights.season)
    noise = rng.standard_normal((width, count))
    drawn = beta[:, None] + solve_triangular(lower, noise, lower=True, trans="T")

    every_net, every_day = (axis.ravel() for axis in np.mgrid[0:nets, 0:days])
    everywhere = rows(every_net, every_day)
    mean = np.exp(np.clip(everywhere @ beta, -_LARGEST_ETA, _LARGEST_ETA)).reshape(nets, days)
    lacking = to_estimate(nights)
    filled = np.zeros((nets, days, count), dtype=np.float32)
    if lacking.any():
        spot_net, spot_day = np.nonzero(lacking)
        eta = np.clip(everywhere[spot_net * days + spot_day] @ drawn, -_LARGEST_ETA, _LARGEST_ETA)
        filled[lacking] = rng.poisson(rng.gamma(theta, np.exp(eta) / theta))
    curve_only = np.exp(shared @ beta[starts[1]:starts[2]] + beta[starts[2]:starts[3]])
    own_part = everywhere[:, starts[3]:] @ beta[starts[3]:]
    return Pulse(
        run=curve_only / curve_only.sum(), mean=mean, theta=theta, filled=filled,
        site_spread=float(own_part.std()), night_spread=float(beta[starts[2]:starts[3]].std()))


@dataclass(frozen=True, slots=True)
class Total:
    """A site's season total: what was counted, and what the missing nights are thought to
    have held; ``low`` and ``high`` bound counted + estimated."""

    site: str
    counted: float
    nights_estimated: int
    estimated: float
    low: float
    high: float
    interpolated: float
    """Estimated on the straight line between counts instead; between first and last only."""

    @property
    def total(self) -> float:
        """Counted and estimated together."""
        return self.counted + self.estimated


def totals(nights: Nights, pulse: Pulse | None, level: float, straight: Floats) -> list[Total]:
    """One entry a site. Without a ``pulse`` the estimate and its interval are NaN.

    ``straight``: what :func:`warehouse.season.abundance.interpolated` gives.
    """
    counted = np.nan_to_num(nights.catch)
    lacking = to_estimate(nights)
    out = []
    for number, site in enumerate(nights.sites):
        mine = nights.site_of == number
        observed = float(counted[mine].sum())
        nights_lacking = int(lacking[mine].sum())
        line = float(np.nan_to_num(straight[mine]).sum())
        if pulse is None:
            nan = float("nan")
            out.append(Total(site, observed, nights_lacking, nan, nan, nan, line))
            continue
        drawn = pulse.filled[mine].sum(axis=(0, 1), dtype=np.float64)
        low, high = np.quantile(drawn, [0.5 - level / 2, 0.5 + level / 2])
        # The middle of the draws: their mean is pulled up by the few largest.
        out.append(Total(site, observed, nights_lacking, float(np.median(drawn)),
                         observed + float(low), observed + float(high), line))
    return out


def daily_draws(nights: Nights, pulse: Pulse, site: int) -> Floats:
    """Draws x days: the site's catch by day, counted where it was, drawn where it was not."""
    mine = nights.site_of == site
    counted = np.nan_to_num(nights.catch[mine]).sum(axis=0)
    drawn: Floats = counted[None, :] + pulse.filled[mine].sum(axis=0, dtype=np.float64).T
    return drawn
