"""Figures of the seasons side by side: the network index, how it fits, what it could show."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from flows.season.drawing import (
    DEEP,
    INK,
    MUTED,
    PAPER,
    WARM,
    WIDTH,
    Disc,
    Figure,
    Line,
    Panel,
    Words,
    box,
    legend,
    x_axis,
    y_axis,
)
from warehouse.season.index import Index
from warehouse.season.trend import Power


def year_index(index: Index, level: float) -> Figure:
    """The standardized index beside the nominal."""
    top = float(max(index.high.max(), index.nominal.max())) * 1.08
    figure = Figure(
        "index", "Network index by season: standardized, and nominal",
        f"Seasons {index.years[0]} to {index.years[-1]}; 1 is the mean of the seasons. The last "
        f"season's standardized index is {index.effect[-1]:.2f} "
        f"({index.low[-1]:.2f} to {index.high[-1]:.2f}).",
        WIDTH, 250, ("season", "sites", "standardized", "low", "high", "log_error",
                     "model_log_error", "nominal"),
        [(year, int(index.site_years[n]), float(index.effect[n]), float(index.low[n]),
          float(index.high[n]), float(index.error[n]), float(index.model_error[n]),
          float(index.nominal[n])) for n, year in enumerate(index.years)])
    panel = Panel(44, 12, WIDTH - 60, 178, index.years[0] - 0.6, index.years[-1] + 0.6, 0, top)
    y_axis(figure, panel, 5)
    figure.add(Line(((panel.left, panel.y(1)), (panel.left + panel.width, panel.y(1))), MUTED,
                    0.9, (4, 3)))
    step = max(1, -(-len(index.years) // 16))
    for n, year in enumerate(index.years):
        x = panel.x(year)
        figure.add(Line(((x - 5, panel.y(float(index.low[n]))),
                         (x - 5, panel.y(float(index.high[n])))), INK, 1.2),
                   Disc(x - 5, panel.y(float(index.effect[n])), 4, DEEP),
                   box(x + 2, panel.y(float(index.nominal[n])) - 3.5, 7, 7, PAPER, INK))
        if n % step == 0:
            figure.add(Words(x, panel.bottom + 12, str(year), 8.5, "middle", colour=MUTED))
    figure.add(Line(((panel.left, panel.bottom), (panel.left + panel.width, panel.bottom)), MUTED,
                    0.8))
    legend(figure, 0, 242, [
        (lambda x, y: [Line(((x + 7, y - 7), (x + 7, y + 7)), INK, 1.2), Disc(x + 7, y, 4, DEEP)],
         f"standardized, {level:.0%} interval"),
        (lambda x, y: [box(x + 3, y - 3.5, 7, 7, PAPER, INK)],
         "nominal (geometric mean of all nights)"),
        (lambda x, y: [Line(((x, y), (x + 14, y)), MUTED, 0.9, (4, 3))], "mean of the seasons")])
    return figure


def index_diagnostics(index: Index) -> Figure:
    """Whether the model's catches look like the real ones."""
    from scipy.stats import norm

    residuals = np.sort(index.residuals)
    many = len(residuals)
    expected = norm.ppf((np.arange(1, many + 1) - 0.5) / many)
    edges = np.unique(np.quantile(index.day, np.linspace(0, 1, 13)))
    order = np.clip(np.searchsorted(edges, index.day, side="right") - 1, 0, len(edges) - 2)
    bins = [index.residuals[order == n] for n in range(len(edges) - 1)]
    rows: list[tuple[Any, ...]] = [
        ("quantile", float(e), float(r)) for e, r in zip(expected, residuals, strict=True)]
    rows += [("mean by day of year", float((edges[n] + edges[n + 1]) / 2), float(part.mean()))
             for n, part in enumerate(bins) if len(part)]
    rows += [(f"without {site}", index.years[n], float(np.exp(effect[n])))
             for site, effect in index.without.items() for n in range(len(index.years))]
    figure = Figure(
        "diagnostics", "Diagnostics of the network index",
        f"Three charts. Quantile residuals against the normal (they should follow the line), "
        f"their mean through the season (it should stay near zero), and the index with each "
        f"site left out. Dispersion {index.dispersion:.2f}.",
        WIDTH, 230, ("chart", "x", "y"), rows)
    wide_each = (WIDTH - 3 * 36 - 12) / 3
    panels = [Panel(32 + n * (wide_each + 40), 28, wide_each, 150, *span) for n, span in enumerate((
        (-3.5, 3.5, -3.5, 3.5), (float(edges[0]), float(edges[-1]), -1.0, 1.0),
        (index.years[0] - 0.5, index.years[-1] + 0.5, 0.0, float(max(
            np.exp(effect).max() for effect in index.without.values())) * 1.1)))]
    first, second, third = panels
    for panel, title in zip(panels, ("Residuals against the normal",
                                     "Mean residual by day of year",
                                     "Index, one site left out at a time"), strict=True):
        figure.add(Words(panel.left, 14, title, 9, bold=True))
        y_axis(figure, panel, 4)
    figure.add(Line(((first.x(-3.5), first.y(-3.5)), (first.x(3.5), first.y(3.5))), MUTED, 1.0))
    pick = np.unique(np.linspace(0, many - 1, min(many, 120)).astype(int))
    figure.add(*(Disc(first.x(float(np.clip(expected[n], -3.5, 3.5))),
                      first.y(float(np.clip(residuals[n], -3.5, 3.5))), 1.6, DEEP) for n in pick))
    x_axis(figure, first, 4)
    x_axis(figure, second, 4)
    figure.add(Line(((second.left, second.y(0)), (second.left + second.width, second.y(0))),
                    MUTED, 1.0))
    for n, part in enumerate(bins):
        if not len(part):
            continue
        x, mean = second.x(float((edges[n] + edges[n + 1]) / 2)), float(part.mean())
        reach = 1.96 / math.sqrt(len(part))
        figure.add(Line(((x, second.y(float(np.clip(mean - reach, -1, 1)))),
                         (x, second.y(float(np.clip(mean + reach, -1, 1))))), INK, 1.0),
                   Disc(x, second.y(float(np.clip(mean, -1, 1))), 2.6, DEEP))
    for effect in index.without.values():
        figure.add(Line(tuple((third.x(year), third.y(float(np.exp(effect[n]))))
                              for n, year in enumerate(index.years)), DEEP, 0.8))
    step = max(1, -(-len(index.years) // 5))
    for year in index.years[::step]:
        figure.add(Words(third.x(year), third.bottom + 11, str(year), 8, "middle", colour=MUTED))
    figure.add(Words(0, 222, f"{index.nights:,} nights. Nights without a catch: "
                     f"{index.zeros:.1%}, expected {index.zeros_expected:.1%}. Pearson "
                     f"dispersion {index.dispersion:.2f} (1 if the model holds). Bars: twice the "
                     "standard error.", 8.5, colour=MUTED))
    return figure


def detection(power: Power) -> Figure:
    """The chance of finding a decline."""
    figure = Figure(
        "power", f"What decline would {power.years} seasons have shown?",
        f"The chance that the trend test finds a decline over {power.years} seasons, against "
        "the size of the decline. "
        + (f"It passes {power.asked:.0%} at a decline of {power.detectable:.0%}."
           if power.detectable == power.detectable else f"It never passes {power.asked:.0%}."),
        WIDTH, 210, ("decline", "chance"), [(d, c) for d, c in power.chances])
    panel = Panel(48, 12, WIDTH - 64, 150, 0, 1, 0, 1)
    y_axis(figure, panel, 5, say=lambda value: f"{100 * value:.0f} %")
    x_axis(figure, panel, 10, say=lambda value: f"{100 * value:.0f} %")
    figure.add(Line(tuple((panel.x(d), panel.y(c)) for d, c in power.chances), DEEP, 1.8),
               Line(((panel.left, panel.y(power.asked)),
                     (panel.left + panel.width, panel.y(power.asked))), WARM, 1.2, (5, 3)))
    if power.detectable == power.detectable:
        x = panel.x(power.detectable)
        figure.add(Line(((x, panel.y(power.asked)), (x, panel.bottom)), WARM, 1.2, (5, 3)),
                   Disc(x, panel.y(power.asked), 4, INK))
    figure.add(Words(panel.left + panel.width / 2, panel.bottom + 28,
                     f"decline from the first to the last of {power.years} seasons", 8.5,
                     "middle", colour=MUTED))
    return figure
