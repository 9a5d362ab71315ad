"""The methods appendix: formulas, sources, versions and settings, as they were used."""

from __future__ import annotations

import ast
import inspect
import platform
from dataclasses import dataclass, fields
from importlib.metadata import version

from flows.season.document import Block, Heading, Paragraph, table
from warehouse.season import terms as terms_module
from warehouse.season.account import SeasonAccount
from warehouse.season.terms import Terms


@dataclass(frozen=True, slots=True)
class Method:
    """How one number came to be."""

    what: str
    formula: str
    source: str


METHODS: tuple[Method, ...] = (
    Method("Catch per unit effort", "CPUE = catch / hours fished x 24; all nets of a site on a "
           "night together. A night without hours has none: effort is never filled in.",
           "The protocol."),
    Method("Arithmetic mean", "mean +/- t(n - 1) x s / sqrt(n), nights taken as independent. "
           "They are not quite: read the interval as the least it can be.", "Common practice."),
    Method("Geometric mean", "exp(mean of ln(x + 1)) - 1; limits are the t limits of the mean "
           "of ln(x + 1), taken back the same way.", "Common practice in recruitment indices."),
    Method("Delta-lognormal mean", "c = (m / n) exp(ybar) g_m(s^2 / 2), with m of n nights above "
           "zero, ybar and s^2 mean and variance of their logarithms; var(c) = (m / n) "
           "exp(2 ybar) [(m / n) g_m(s^2 / 2)^2 - (m - 1) / (n - 1) g_m((m - 2) s^2 / (m - 1))]; "
           "limits of the lognormal with this mean and variance.",
           "Pennington 1983, Biometrics 39, 281-286; g_m from Finney 1941, Supplement to the "
           "Journal of the Royal Statistical Society 7, 155-161."),
    Method("Season total: straight line", "a night not counted between a net's first and last "
           "count has the CPUE on the straight line between its neighbours; their sum is the "
           "trapezoidal area. No interval. A trap counts passage, so no stream life divides it.",
           "English, Bocking and Irvine 1992, Canadian Journal of Fisheries and Aquatic "
           "Sciences 49, 1982-1989, for the area under the curve."),
    Method("Season total: the network's pulse", "log E[catch] = log effort + net + f(day) + "
           "u(day) + g_site(day), negative binomial; f a penalized spline for the network, u a "
           "random effect of each night for all nets, g a site's own coarse spline; all shrunk "
           "by variances estimated from the season. Nights not counted are drawn many times from "
           "the coefficients' distribution and the negative binomial; the estimate is the middle "
           "of the draws, the limits their quantiles, counted nights kept as counted.",
           "Wood 2017, Generalized Additive Models, 2nd ed., ch. 4 and 6; Wood and Fasiolo 2017, "
           "Biometrics 73, 1071-1081."),
    Method("Share of the run seen", "sum over the nights a site counted of exp(f + u), over the "
           "sum over all nights of the window (first to last net check of the network).",
           "Here; it rests on the site's run having the network's shape."),
    Method("Run timing", "first day by which 5, 25, 50, 75 and 95 % of the season's catch had "
           "passed, counted and estimated; mean date = sum(t n_t) / sum(n_t), spread its root "
           "mean square. Intervals: the same over the draws for nights not counted, so "
           "a site that counted every night has none.",
           "Mundy 1982, North American Journal of Fisheries Management 2, 359-370."),
    Method("Water temperature and degree-days", "a site's day without a reading gets the "
           "network's mean day plus the site's usual difference; degree-days are summed from "
           "the window's first day over the base.", "Common practice."),
    Method("Moon and tide", "phase from the mean elements and short series; springs within the "
           "set days of new and full moon. Computed: no tide was observed.",
           "Meeus 1998, Astronomical Algorithms, 2nd ed., ch. 47 and 48."),
    Method("Network index", "log E[catch] = log effort + net + year + year x day + s(day) + "
           "t(water temperature), negative binomial; the year effect is the run expected over "
           "one window of days at the usual temperatures, over the mean of the years. Interval: "
           "jackknife over sites plus cluster-robust variance over weeks, t with sites - 1 "
           "degrees of freedom.",
           "Venables and Ripley 2002, Modern Applied Statistics with S, 4th ed., 7.4; Efron and "
           "Tibshirani 1993, An Introduction to the Bootstrap, ch. 11; Cameron, Gelbach and "
           "Miller 2011, Journal of Business and Economic Statistics 29, 238-249; residuals: "
           "Dunn and Smyth 1996, Journal of Computational and Graphical Statistics 5, 236-244."),
    Method("Trend", "Mann-Kendall S = sum over i < j of sign(x_j - x_i); exact below ten years, "
           "else normal with the variance corrected for lag-one autocorrelation; Sen's slope is "
           "the median of (x_j - x_i) / (t_j - t_i), on the logarithm of the index. Its limits are "
           "the slopes at the ranks (N - C) / 2 and (N + C) / 2 + 1 of N, C from the exact "
           "distribution of S below ten years, else the normal quantile times its standard error.",
           "Mann 1945, Econometrica 13, 245-259; Kendall 1975, Rank Correlation Methods; Sen "
           "1968, Journal of the American Statistical Association 63, 1379-1389; Hamed and Rao "
           "1998, Journal of Hydrology 204, 182-196; Gilbert 1987, Statistical Methods for "
           "Environmental Pollution Monitoring, ch. 16."),
    Method("Power", "the share of simulated log-linear declines, with the scatter between years "
           "seen so far, that the exact Mann-Kendall test finds at the level of the "
           "intervals.", "Simulation."),
    Method("Subsample error", "a count N expanded from the fraction f has variance "
           "N (1 - f) / f, catch well mixed; summed over catches. A floor: clumps add to it.",
           "Cochran 1977, Sampling Techniques, 3rd ed., ch. 3."),
)

_LIBRARIES = ("numpy", "scipy", "statsmodels", "pymannkendall", "duckdb", "fpdf2", "jinja2")


def settings_meaning() -> dict[str, str]:
    """What each setting of :class:`Terms` means, from its docstring."""
    body = ast.parse(inspect.getsource(terms_module)).body
    found: dict[str, str] = {}
    for node in body:
        if isinstance(node, ast.ClassDef) and node.name == Terms.__name__:
            for entry, following in zip(node.body, node.body[1:], strict=False):
                if (isinstance(entry, ast.AnnAssign) and isinstance(entry.target, ast.Name)
                        and isinstance(following, ast.Expr)
                        and isinstance(following.value, ast.Constant)):
                    found[entry.target.id] = " ".join(str(following.value.value).split())
    return found


def appendix(account: SeasonAccount) -> list[Block]:
    """The appendix of one report."""
    meaning = settings_meaning()
    return [
        Heading("How it was worked out"),
        Paragraph(
            f"Everything here was computed from release {account.version} and can be repeated: "
            "the same release, versions and settings give the same numbers. How far the "
            "intervals hold on simulated seasons stands in docs/season-coverage.md of "
            "Tallyweir."),
        table("methods", "Formulas and sources", ("What", "How", "Source"),
              [(m.what, m.formula, m.source) for m in METHODS], left=(0, 1, 2)),
        table("settings", "Settings", ("Setting", "Value", "Meaning"),
              [(entry.name, getattr(account.terms, entry.name), meaning[entry.name])
               for entry in fields(Terms)], left=(0, 2)),
        table("versions", "Versions", ("Library", "Version"),
              [("Python", ".".join(platform.python_version_tuple()[:2])),
               *((name, version(name)) for name in _LIBRARIES)], left=(0, 1)),
    ]
