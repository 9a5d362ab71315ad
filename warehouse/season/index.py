"""The network index: catch per unit effort with site, temperature and day set aside.

A negative-binomial regression of every counted night of every season,

    log E[catch] = log effort + net + year + year x day + s(day of season) + t(temperature),

fitted with statsmodels by alternating a generalized linear model at a given dispersion with
the dispersion that makes the catches likeliest (as is usual since Venables and Ripley, Modern
Applied Statistics with S, 4th edition, 2002, section 7.4). ``year x day`` is a straight line
a year, which lets the run come early or late: without it a late run reads as a small one
wherever nights are missing. The year effect is the run expected over one and the same window
of days at the usual temperatures, against the mean of the years.

Its interval adds two parts. Nights of one site hang together, and a site has good and bad
years of its own: a jackknife over sites (Efron and Tibshirani, An Introduction to the
Bootstrap, 1993, chapter 11). Nights of one week are good or bad for the whole network: the
cluster-robust variance over weeks, less what single sites already have of it (Cameron,
Gelbach and Miller, 2011, Journal of Business and Economic Statistics 29, 238-249). Student's
t with sites - 1 degrees of freedom. The model's own standard error knows neither and is far
too small.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from warehouse.season.nights import Night, Nights
from warehouse.season.terms import Terms
from warehouse.season.timing import filled_temperature

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

_ALTERNATIONS = 50
_NEAR_POISSON = 1e-4
"""Dispersion below which the catches are as good as Poisson."""


@dataclass(frozen=True, slots=True)
class CountFit:
    """A count regression: coefficients, standard errors, ``alpha`` (variance = mu + alpha mu^2,
    0 where the catches are no more scattered than Poisson), log likelihood, fitted means."""

    coefficients: Floats
    errors: Floats
    alpha: float
    log_likelihood: float
    fitted: Floats
    converged: bool


def fit_counts(
    y: Floats, x: Floats, offset: Floats | None = None, *, alpha: float | None = None,
    start: Floats | None = None,
) -> CountFit:
    """Negative-binomial (NB2) regression with log link. ``alpha`` given: held there.

    ``x`` is observations x columns, the constant included; ``offset`` is on the log scale.
    """
    from scipy.optimize import minimize_scalar
    from statsmodels.genmod.families import NegativeBinomial, Poisson
    from statsmodels.genmod.generalized_linear_model import GLM

    held = alpha is not None

    def fitted_at(dispersion: float, start: Floats | None) -> Any:
        family = (Poisson() if dispersion < _NEAR_POISSON
                  else NegativeBinomial(alpha=dispersion))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return GLM(y, x, family=family, offset=offset).fit(
                start_params=start, tol=1e-8 if held else 1e-10, maxiter=100)

    def negative_log_likelihood(log_alpha: float, mu: Floats) -> float:
        return -_log_likelihood(y, mu, float(np.exp(log_alpha)))

    if alpha is not None:
        result, converged = fitted_at(alpha, start), True
    else:
        result, alpha, converged = fitted_at(0.0, start), 1.0, False
        for _ in range(_ALTERNATIONS):
            before = alpha
            found = minimize_scalar(
                negative_log_likelihood, args=(np.asarray(result.mu),), bounds=(-14.0, 5.0),
                method="bounded", options={"xatol": 1e-9})
            alpha = float(np.exp(found.x))
            result = fitted_at(alpha, np.asarray(result.params))
            if abs(alpha - before) <= 1e-7 * (alpha + 1e-3):
                converged = True
                break
    if alpha < _NEAR_POISSON:
        alpha = 0.0
    mu = np.asarray(result.mu)
    return CountFit(
        np.asarray(result.params), np.asarray(result.bse), alpha,
        _log_likelihood(y, mu, alpha), mu, converged and bool(result.converged))


def _log_likelihood(y: Floats, mu: Floats, alpha: float) -> float:
    from scipy.special import gammaln, xlogy

    mu = np.maximum(mu, 1e-300)
    if alpha < 1e-12:
        return float((xlogy(y, mu) - mu - gammaln(y + 1)).sum())
    size = 1 / alpha
    return float((gammaln(y + size) - gammaln(size) - gammaln(y + 1)
                  - size * np.log1p(alpha * mu) + xlogy(y, alpha * mu / (1 + alpha * mu))).sum())


@dataclass(frozen=True, slots=True)
class Index:
    """The standardized year effect, beside the nominal; both are 1 on average over years.

    ``without``: site left out -> effect by year, log scale, against the mean of years.
    ``residuals``: quantile residuals of every night (standard normal where the model holds),
    with ``day``, ``temperature`` and ``fitted`` beside.
    """

    years: tuple[int, ...]
    effect: Floats
    low: Floats
    high: Floats
    error: Floats
    """Standard error of the log effect: sites and weeks."""
    model_error: Floats
    """The model's own standard error of it, as if every night were independent."""
    nominal: Floats
    sites: tuple[str, ...]
    site_years: Ints
    without: dict[str, Floats]
    nights: int
    alpha: float
    dispersion: float
    zeros: float
    zeros_expected: float
    residuals: Floats
    fitted: Floats
    day: Floats
    temperature: Floats
    converged: bool

    @property
    def log_effect(self) -> Floats:
        """The effect on the log scale: mean zero over years."""
        found: Floats = np.log(self.effect)
        centred: Floats = found - found.mean()
        return centred


@dataclass(frozen=True, slots=True)
class TooFew:
    """Why there is no index, in a sentence."""

    why: str


def _knots(values: Floats, degrees: int) -> Floats:
    """Knots of a cubic spline with ``degrees`` degrees of freedom, at quantiles."""
    inner = np.quantile(values, np.linspace(0, 1, max(degrees - 1, 2))[1:-1])
    low, high = float(values.min()), float(values.max())
    return np.concatenate([[low] * 4, np.unique(inner[(inner > low) & (inner < high)]),
                           [high] * 4])


def _basis(values: Floats, knots: Floats) -> Floats:
    """Cubic B-splines, the first left out (the constant is elsewhere), level beyond the ends."""
    from scipy.interpolate import BSpline

    if knots[-1] <= knots[0]:
        return np.zeros((len(values), 0))
    dense: Floats = BSpline.design_matrix(
        np.clip(values, knots[0], knots[-1]), knots, 3).toarray()
    return dense[:, 1:]


def network_index(seasons: Sequence[Nights], terms: Terms) -> Index | TooFew:
    """The index over ``seasons`` (in order), or why there is none.

    A season enters when :attr:`Terms.fewest_sites` sites counted
    :attr:`Terms.fewest_nights` nights each and its nights reach over
    :attr:`Terms.least_reach` of the usual run; one under way mostly does not yet.
    """
    from threadpoolctl import threadpool_limits

    # One thread gives the same last digits on every machine; at this size it is faster too.
    with threadpool_limits(1):
        return _network_index(seasons, terms)


def _network_index(seasons: Sequence[Nights], terms: Terms) -> Index | TooFew:
    table = _nights_table(seasons, terms)
    years = _years_with_enough(table, terms)
    if len(years) < 2:
        return TooFew(
            f"A network index needs two seasons in each of which {terms.fewest_sites} sites "
            f"counted {terms.fewest_nights} nights through the run; this release has "
            f"{'one' if len(years) == 1 else 'none'}.")
    table = _only(table, np.isin(table["year"], years))
    sites = sorted(set(table["site"].tolist()))
    for site in sites:
        if len(_years_with_enough(_only(table, table["site"] != site), terms)) < len(years):
            return TooFew(f"Without {site} one of the seasons has too few sites; an index that "
                          "hangs on one site would say nothing of the network.")

    x, spot, nets = _design(table, years, terms)
    y, offset = table["catch"].astype(float), np.log(table["effort"].astype(float))
    fit = fit_counts(y, x, offset)
    effect, gradient = _year_effects(fit.coefficients, spot)
    without: dict[str, Floats] = {}
    for site in sites:
        rest = table["site"] != site
        columns = np.ones(x.shape[1], dtype=bool)
        columns[:len(nets)] = [not net.startswith(f"{site}\t") for net in nets]
        part = fit_counts(y[rest], x[np.ix_(rest, columns)], offset[rest], alpha=fit.alpha,
                          start=fit.coefficients[columns])
        without[site] = _year_effects(part.coefficients, spot[:, :, columns])[0]
    left = np.array([without[site] for site in sites])
    many = len(sites)
    between_sites = (many - 1) / many * ((left - left.mean(axis=0)) ** 2).sum(axis=0)
    weight = fit.fitted / (1 + fit.alpha * fit.fitted)
    bread = np.linalg.pinv(x.T @ (x * weight[:, None]))
    pull = (x * ((y - fit.fitted) / (1 + fit.alpha * fit.fitted))[:, None]) @ bread @ gradient.T
    week = (table["year"] * 100 + table["day"] // 7).astype(int)
    between_weeks = _clustered(pull, week) - _clustered(
        pull, np.unique(np.array([f"{w}\t{s}" for w, s in zip(week, table["site"], strict=True)]),
                        return_inverse=True)[1])
    from scipy.stats import t as student

    spread = np.sqrt(between_sites + np.maximum(between_weeks, 0.0))
    reach = student.ppf(0.5 + terms.level / 2, many - 1) * spread
    scale = np.exp(effect).mean()
    nominal = np.array([
        np.expm1(np.log1p((table["catch"] / table["effort"])[table["year"] == year]).mean())
        for year in years])
    variance = fit.fitted + fit.alpha * fit.fitted**2
    return Index(
        years=tuple(years), effect=np.exp(effect) / scale,
        low=np.exp(effect - reach) / scale, high=np.exp(effect + reach) / scale,
        error=spread, model_error=np.sqrt(np.einsum("yi,ij,yj->y", gradient, bread, gradient)),
        nominal=nominal / nominal.mean(),
        sites=tuple(str(site) for site in sites),
        site_years=np.array([
            len(set(table["site"][table["year"] == year].tolist())) for year in years]),
        without=without, nights=len(y), alpha=fit.alpha,
        dispersion=float(((y - fit.fitted) ** 2 / variance).sum() / (len(y) - x.shape[1])),
        zeros=float((y == 0).mean()),
        zeros_expected=float(_probability_of_none(fit.fitted, fit.alpha).mean()),
        residuals=_quantile_residuals(y, fit.fitted, fit.alpha, terms.seed),
        fitted=fit.fitted, day=table["day"], temperature=table["water"],
        converged=fit.converged)


def _only(table: dict[str, NDArray[Any]], rows: NDArray[np.bool_]) -> dict[str, NDArray[Any]]:
    return {name: column[rows] for name, column in table.items()}


def _years_with_enough(table: dict[str, NDArray[Any]], terms: Terms) -> list[int]:
    if not len(table["year"]) or not table["catch"].sum():
        return []
    # The usual run: mean CPUE by day over all seasons; a season must reach over most of it.
    day = table["day"].astype(int)
    cpue = np.bincount(day, table["catch"] / table["effort"]) / np.maximum(np.bincount(day), 1)
    out = []
    for year in sorted(set(table["year"].tolist())):
        mine = table["year"] == year
        reach = cpue[day[mine].min():day[mine].max() + 1].sum() / cpue.sum()
        there = len(set(table["site"][mine].tolist()))
        if there >= terms.fewest_sites and reach >= terms.least_reach and (
                table["catch"][mine].sum() > 0):
            out.append(int(year))
    return out


def _clustered(pull: Floats, group: Ints) -> Floats:
    _, group = np.unique(group, return_inverse=True)
    sums = np.zeros((int(group.max()) + 1, pull.shape[1]))
    np.add.at(sums, group, pull)
    squared: Floats = (sums**2).sum(axis=0)
    return squared


def _year_effects(coefficients: Floats, spot: Floats) -> tuple[Floats, Floats]:
    """Log of the expected run by year against their mean, and its gradient.

    ``spot``: years x days x columns, the design of one net over the common window.
    """
    eta = spot @ coefficients
    top = eta.max(axis=1, keepdims=True)
    weight = np.exp(eta - top)
    effect = np.log(weight.sum(axis=1)) + top[:, 0]
    gradient = np.einsum("yd,ydc->yc", weight / weight.sum(axis=1, keepdims=True), spot)
    return effect - effect.mean(), gradient - gradient.mean(axis=0)


def _nights_table(seasons: Sequence[Nights], terms: Terms) -> dict[str, NDArray[Any]]:
    columns: dict[str, list[Any]] = {name: [] for name in (
        "year", "site", "net", "day", "water", "catch", "effort")}
    for nights in seasons:
        water = filled_temperature(nights.water)
        known = np.isfinite(nights.cpue) & (nights.state == Night.COUNTED)
        enough = known.sum(axis=1) >= terms.fewest_nights
        net, day = np.nonzero(known & enough[:, None])
        start = (nights.first - nights.first.replace(month=1, day=1)).days
        columns["year"].append(np.full(len(net), nights.season))
        names = np.array(nights.sites, dtype=object)[nights.site_of]
        columns["site"].append(names[net])
        columns["net"].append(np.array(
            [f"{site}\t{gear}" for site, gear in zip(names, nights.gear, strict=True)],
            dtype=object)[net])
        columns["day"].append(day.astype(float) + start)
        columns["water"].append(water[nights.site_of[net], day])
        # A long soak is spread over its nights: whole animals are not needed for the fit.
        columns["catch"].append(nights.catch[net, day])
        columns["effort"].append(nights.effort[net, day])
    if not seasons:
        return {name: np.array([]) for name in columns}
    return {name: np.concatenate(parts) for name, parts in columns.items()}


def _design(
    table: dict[str, NDArray[Any]], years: list[int], terms: Terms,
) -> tuple[Floats, Floats, list[str]]:
    """The design, the same over the common window (years x days x columns), and the nets."""
    nets, net = np.unique(table["net"].astype(str), return_inverse=True)
    year = np.searchsorted(years, table["year"])
    day, water = table["day"].astype(float), table["water"].astype(float)
    # The window that most seasons share: lines a year must not be drawn on beyond their nights.
    starts = [day[year == n].min() for n in range(len(years))]
    ends = [day[year == n].max() for n in range(len(years))]
    window = np.arange(np.median(starts), np.median(ends) + 1)
    middle = float(np.average(day, weights=table["catch"]))
    scale = float(day.std())
    known = bool(np.isfinite(water).all())
    if known:
        at, where = np.unique(day, return_inverse=True)
        usual = np.interp(window, at, np.bincount(where, water) / np.bincount(where))

    def columns(net: NDArray[Any], year: Ints, day: Floats, water: Floats) -> Floats:
        each = np.eye(len(years))[year]
        parts = [net, each[:, 1:], each[:, 1:] * ((day - middle) / scale)[:, None],
                 _basis(day, knots_day)]
        if known:
            parts.append(_basis(water, knots_water))
        return np.hstack(parts)

    knots_day = _knots(day, terms.day_knots)
    knots_water = _knots(water, terms.temperature_knots) if known else knots_day
    x = columns(np.eye(len(nets))[net], year, day, water)
    spot = np.stack([
        columns(np.zeros((len(window), len(nets))), np.full(len(window), n), window,
                usual if known else window)
        for n in range(len(years))])
    return x, spot, [str(name) for name in nets]


def _probability_of_none(mu: Floats, alpha: float) -> Floats:
    none: Floats = np.exp(-mu) if alpha == 0 else (1 + alpha * mu) ** (-1 / alpha)
    return none


def _quantile_residuals(y: Floats, mu: Floats, alpha: float, seed: int) -> Floats:
    """Dunn and Smyth (1996), Journal of Computational and Graphical Statistics 5, 236-244."""
    from scipy.stats import nbinom, norm, poisson

    whole = np.rint(y)
    if alpha == 0:
        low, high = poisson.cdf(whole - 1, mu), poisson.cdf(whole, mu)
    else:
        size = 1 / alpha
        chance = size / (size + mu)
        low, high = nbinom.cdf(whole - 1, size, chance), nbinom.cdf(whole, size, chance)
    at = np.random.default_rng(seed).uniform(size=len(y))
    found: Floats = norm.ppf(np.clip(low + at * (high - low), 1e-9, 1 - 1e-9))
    return found
