"""The season's figures. Each says in words what it shows and carries its own numbers."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from flows.season.drawing import (
    DEEP,
    GRID,
    INK,
    MIST,
    MUTED,
    PAPER,
    SAND,
    WARM,
    WIDTH,
    Area,
    Disc,
    Figure,
    Line,
    Panel,
    Words,
    box,
    date_axis,
    day_name,
    diamond,
    legend,
    number,
    wide,
    x_axis,
    y_axis,
)
from shared.taxa import TAXA
from warehouse.season import moon
from warehouse.season.account import SeasonAccount, SeasonEstimates
from warehouse.season.coverage import site_calendar
from warehouse.season.nights import Night
from warehouse.season.pulse import to_estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_PER_FIGURE = 12
"""Small multiples on one figure; more sites make more figures."""

_STATES = {
    Night.COUNTED: "counted",
    Night.UNCOUNTED: "fished, count withheld or blank",
    Night.LIFTED: "net lifted",
    Night.HELD: "record waits for an answer",
    Night.MISSED: "no record",
}


def site_name(account: SeasonAccount, site: str) -> str:
    """A site's name; its id where the settings no longer have it."""
    known = account.network.sites.get(site)
    return known.name if known else site


def _label_room(names: Sequence[str], size: float) -> float:
    # Never less than "moon (computed)" needs, which stands in the same column.
    return min(max([wide(name, size) + 12 for name in names] + [84.0]), 190)


def _short(name: str, room: float, size: float) -> str:
    while len(name) > 3 and wide(name, size) > room:
        name = name[:-2].rstrip() + "…"
    return name


# -- coverage -------------------------------------------------------------------------------


def _cell(state: Night, x: float, y: float, width: float, height: float) -> list[Any]:
    """A night in the calendar: filled, or a mark that survives grey print."""
    middle = y + height / 2
    if state == Night.COUNTED:
        return [box(x, y, width, height, DEEP)]
    if state == Night.UNCOUNTED:
        return [box(x, y, width, height, MIST)]
    if state == Night.LIFTED:
        return [Line(((x, middle), (x + width, middle)), MUTED, 1.2)]
    if state == Night.HELD:
        return [box(x, y + height * 0.25, width, height * 0.5, WARM)]
    if state == Night.MISSED:
        return [Disc(x + width / 2, middle, min(width, height) * 0.22, MUTED)]
    return []


def coverage_calendar(account: SeasonAccount) -> Figure:
    """One row a site, one cell a night."""
    nights = account.this.nights
    calendar = site_calendar(nights)
    names = [site_name(account, site) for site in nights.sites]
    room = _label_room(names, 9)
    row = 15.0
    height = 30 + row * len(names) + 52
    rows = [(site, date, _STATES[Night(int(state))] if state else "outside the site's season")
            for site, states in zip(nights.sites, calendar, strict=True)
            for date, state in zip(nights.dates, states, strict=True)]
    seen = [entry.counted for entry in account.this.coverage]
    figure = Figure(
        "coverage", f"Which nights each site fished, {account.season}",
        f"A calendar of {len(names)} sites by {nights.days} nights. Sites counted between "
        f"{min(seen)} and {max(seen)} net-nights; the table of coverage gives the numbers.",
        WIDTH, height, ("site", "date", "night"), rows)
    right = 44.0
    panel = Panel(room, 16, WIDTH - room - right, row * len(names), 0, nights.days, 0, 1)
    date_axis(figure, panel, nights.first)
    figure.add(Words(WIDTH, 10, "run seen", 8, "end", colour=MUTED))
    width = panel.width / nights.days
    for place, (name, states) in enumerate(zip(names, calendar, strict=True)):
        top = panel.top + place * row + 2
        figure.add(Words(room - 6, top + row * 0.62, _short(name, room - 8, 9), 9, "end"))
        # Runs of one state are one mark: fewer seams, smaller files.
        start = 0
        for day in range(1, len(states) + 1):
            if day == len(states) or states[day] != states[start]:
                state = Night(int(states[start]))
                spans = [(start, day)] if state in (
                    Night.COUNTED, Night.UNCOUNTED, Night.LIFTED) else [
                        (n, n + 1) for n in range(start, day)]
                for begin, end in spans:
                    figure.add(*_cell(state, panel.x(begin), top, width * (end - begin), row - 4))
                start = day
        share = account.this.coverage[place].seen
        figure.add(Words(WIDTH, top + row * 0.62,
                         "-" if math.isnan(share) else f"{share:.0%}", 8.5, "end"))
    legend(figure, 0, height - 20, [
        (lambda x, y, s=state: _cell(s, x, y - 5, 14, 10), text)
        for state, text in _STATES.items()])
    return figure


# -- runs -----------------------------------------------------------------------------------


def _daily(estimates: SeasonEstimates, site: int, level: float) -> dict[str, Floats]:
    """By day: what was counted, and the middle and limits of what missing nights held."""
    nights = estimates.nights
    mine = nights.site_of == site
    counted = np.nan_to_num(nights.catch[mine]).sum(axis=0)
    lacking = to_estimate(nights)[mine].any(axis=0)
    middle = low = high = np.zeros(nights.days)
    if estimates.pulse is not None:
        drawn = estimates.pulse.filled[mine].sum(axis=0)
        low, middle, high = np.quantile(drawn, [0.5 - level / 2, 0.5, 0.5 + level / 2], axis=1)
    return {"counted": counted, "lacking": lacking.astype(float), "low": low, "middle": middle,
            "high": high}


def _bars(figure: Figure, panel: Panel, daily: dict[str, Floats]) -> None:
    thin = panel.width / (panel.x_to - panel.x_from)
    for day in range(len(daily["counted"])):
        x = panel.x(day)
        counted, middle = daily["counted"][day], daily["middle"][day]
        if counted > 0:
            figure.add(box(x + thin * 0.1, panel.y(counted), thin * 0.8,
                           panel.bottom - panel.y(counted), DEEP))
        if daily["lacking"][day] and daily["high"][day] > 0:
            if middle > 0:
                figure.add(box(x + thin * 0.1, panel.y(counted + middle), thin * 0.8,
                               panel.y(counted) - panel.y(counted + middle), SAND, WARM))
            top = counted + daily["high"][day]
            figure.add(Line(((x + thin / 2, panel.y(counted + daily["low"][day])),
                             (x + thin / 2, panel.y(min(top, panel.y_to)))), WARM, 0.8))
            if top > panel.y_to:
                # The interval goes on: an arrow head says so.
                figure.add(Area(((x + thin / 2 - 2.2, panel.top + 4),
                                 (x + thin / 2 + 2.2, panel.top + 4),
                                 (x + thin / 2, panel.top - 1)), WARM))


def _top(daily: dict[str, Floats]) -> float:
    """Upper end of the scale: all intervals, unless they would flatten the bars."""
    bars = max(float((daily["counted"] + daily["middle"]).max()), 1.0)
    reach = float((daily["counted"] + daily["high"] * (daily["lacking"] > 0)).max())
    return min(max(bars, reach), 2 * bars) * 1.06


def site_runs(account: SeasonAccount) -> list[Figure]:
    """Every site's run: small multiples, each with its own scale."""
    nights = account.this.nights
    out = []
    level = account.terms.level
    for part in range(0, len(nights.sites), _PER_FIGURE):
        chosen = list(range(part, min(part + _PER_FIGURE, len(nights.sites))))
        across, gap, tall = 3, 44.0, 82.0
        down = -(-len(chosen) // across)
        wide_each = (WIDTH - 34 - gap * (across - 1)) / across
        height = down * (tall + 44) + 30
        rows: list[tuple[Any, ...]] = []
        count = len(range(0, len(nights.sites), _PER_FIGURE))
        name = "runs" if count == 1 else f"runs-{part // _PER_FIGURE + 1}"
        figure = Figure(
            name, f"{account.target.life_stage.capitalize()}s a night at each site, "
            f"{account.season}",
            "Small charts, one a site: bars of the animals counted each night, and for nights "
            "not counted the estimate with its interval. Each chart has its own scale.",
            WIDTH, height, ("site", "date", "counted", "estimated", "low", "high"), rows)
        for spot, site in enumerate(chosen):
            daily = _daily(account.this, site, level)
            rows += [
                (nights.sites[site], date, float(daily["counted"][d]), *(
                    (float(daily["middle"][d]), float(daily["low"][d]), float(daily["high"][d]))
                    if daily["lacking"][d] else (None, None, None)))
                for d, date in enumerate(nights.dates)]
            panel = Panel(34 + (spot % across) * (wide_each + gap),
                          18 + (spot // across) * (tall + 44), wide_each, tall, 0, nights.days,
                          0, _top(daily))
            figure.add(Words(panel.left, panel.top - 5, _short(
                site_name(account, nights.sites[site]), wide_each, 9), 9, bold=True))
            y_axis(figure, panel, 3, 7.5)
            date_axis(figure, panel, nights.first, 7.5)
            _bars(figure, panel, daily)
        legend(figure, 0, height - 8, [
            (lambda x, y: [box(x + 3, y - 5, 8, 10, DEEP)], "counted"),
            (lambda x, y: [box(x + 3, y - 3, 8, 8, SAND, WARM),
                           Line(((x + 7, y - 7), (x + 7, y + 5)), WARM, 0.8)],
             f"estimated for a night not counted, with {level:.0%} interval")])
        out.append(figure)
    return out


def season_totals(account: SeasonAccount) -> Figure:
    """Counted and estimated, apart, with the interval of their sum."""
    totals = account.this.totals
    names = [site_name(account, total.site) for total in totals]
    room, row = _label_room(names, 9), 22.0
    height = row * len(totals) + 66
    most = max((total.high if total.high == total.high else total.counted) for total in totals)
    figure = Figure(
        "totals", f"Season total by site, {account.season}: counted, and estimated for nights "
        "not counted",
        f"Bars by site. Together {number(sum(t.counted for t in totals))} were counted and "
        f"{number(sum(t.estimated for t in totals if t.estimated == t.estimated))} estimated; "
        "the line at the end of a bar is the interval of the sum.",
        WIDTH, height,
        ("site", "counted", "nights_estimated", "estimated", "total", "low", "high",
         "interpolated"),
        [(t.site, t.counted, t.nights_estimated, t.estimated, t.total, t.low, t.high,
          t.interpolated) for t in totals])
    panel = Panel(room, 6, WIDTH - room - 24, row * len(totals), 0, most * 1.03, 0, 1)
    x_axis(figure, panel)
    for place, total in enumerate(totals):
        top = panel.top + place * row + 4
        end = panel.x(total.counted)
        figure.add(Words(room - 6, top + 11, _short(names[place], room - 8, 9), 9, "end"),
                   box(panel.left, top, end - panel.left, row - 8, DEEP))
        if total.estimated == total.estimated and total.nights_estimated:
            figure.add(box(end, top, panel.x(total.total) - end, row - 8, SAND, WARM))
            middle = top + (row - 8) / 2
            low, high = panel.x(total.low), panel.x(total.high)
            figure.add(Line(((low, middle), (high, middle)), INK, 1.1),
                       Line(((low, middle - 4), (low, middle + 4)), INK, 1.1),
                       Line(((high, middle - 4), (high, middle + 4)), INK, 1.1))
    figure.add(Line(((panel.left, panel.top), (panel.left, panel.bottom)), MUTED, 0.8))
    figure.add(Words(panel.left + panel.width / 2, panel.bottom + 26,
                     f"{account.target.life_stage}s in the season", 8.5, "middle", colour=MUTED))
    legend(figure, 0, height - 8, [
        (lambda x, y: [box(x, y - 5, 14, 10, DEEP)], "counted"),
        (lambda x, y: [box(x, y - 5, 14, 10, SAND, WARM)], "estimated"),
        (lambda x, y: [Line(((x, y), (x + 14, y)), INK, 1.1),
                       Line(((x, y - 4), (x, y + 4)), INK, 1.1),
                       Line(((x + 14, y - 4), (x + 14, y + 4)), INK, 1.1)],
         f"{account.terms.level:.0%} interval of the sum")])
    return figure


def mean_cpue(account: SeasonAccount) -> Figure:
    """Three means of catch per unit effort, on a logarithmic scale."""
    estimates = account.this
    names = [site_name(account, site) for site in estimates.nights.sites]
    room, row = _label_room(names, 9), 27.0
    height = row * len(names) + 66
    kinds = (("arithmetic mean", estimates.arithmetic), ("delta-lognormal mean", estimates.delta),
             ("geometric mean, ln(x + 1)", estimates.geometric))
    values = np.concatenate([np.concatenate([m.mean, m.high]) for _, m in kinds])
    values = values[np.isfinite(values) & (values > 0)]
    low_end = 10.0 ** math.floor(math.log10(max(float(np.nanmin(
        [m.low[np.isfinite(m.low) & (m.low > 0)].min(initial=1.0) for _, m in kinds])), 0.05)))
    top_end = float(values.max()) * 1.15 if len(values) else 10.0
    figure = Figure(
        "cpue", f"Mean catch per {account.protocol.cpue_scale:g} net-hours, {account.season}",
        "By site three means with their intervals: arithmetic, delta-lognormal and geometric. "
        "The geometric mean lies below the others, as it must with skewed catches. The scale is "
        "logarithmic.",
        WIDTH, height, ("site", "nights", "mean", "value", "low", "high"),
        [(site, int(means.n[n]), kind, float(means.mean[n]), float(means.low[n]),
          float(means.high[n]))
         for n, site in enumerate(estimates.nights.sites) for kind, means in kinds])
    panel = Panel(room, 6, WIDTH - room - 20, row * len(names), math.log10(low_end),
                  math.log10(top_end), 0, 1)
    for power in range(math.floor(panel.x_from), math.ceil(panel.x_to) + 1):
        for factor in (1, 2, 5):
            value = factor * 10.0**power
            if panel.x_from - 1e-9 <= math.log10(value) <= panel.x_to:
                x = panel.x(math.log10(value))
                figure.add(Line(((x, panel.top), (x, panel.bottom)), GRID, 0.6),
                           Words(x, panel.bottom + 11, number(value), 8, "middle", colour=MUTED))

    def shape(kind: int, x: float, y: float) -> list[Any]:
        if kind == 0:
            return [Disc(x, y, 3.2, DEEP)]
        if kind == 1:
            return [diamond(x, y, 4, WARM)]
        return [box(x - 3, y - 3, 6, 6, PAPER, INK)]

    for place, name in enumerate(names):
        figure.add(Words(room - 6, panel.top + place * row + row * 0.6,
                         _short(name, room - 8, 9), 9, "end"))
        if place:
            y = panel.top + place * row
            figure.add(Line(((panel.left, y), (panel.left + panel.width, y)), GRID, 0.6))
        for kind, (_, means) in enumerate(kinds):
            y = panel.top + place * row + row * (0.22 + 0.28 * kind)
            mean, low, high = means.mean[place], means.low[place], means.high[place]
            if not mean > 0:
                continue
            if np.isfinite(low) and np.isfinite(high):
                figure.add(Line(((panel.x(math.log10(max(low, low_end))), y),
                                 (panel.x(math.log10(high)), y)), INK, 1.0))
            figure.add(*shape(kind, panel.x(math.log10(max(mean, low_end))), y))
    figure.add(Words(panel.left + panel.width / 2, panel.bottom + 26,
                     f"{account.target.life_stage}s per {account.protocol.cpue_scale:g} "
                     "net-hours (logarithmic scale)", 8.5, "middle", colour=MUTED))
    legend(figure, 0, height - 8, [
        (lambda x, y, k=kind: [Line(((x, y), (x + 14, y)), INK, 1.0), *shape(k, x + 7, y)], text)
        for kind, (text, _) in enumerate(kinds)])
    return figure


# -- timing ---------------------------------------------------------------------------------


def _moon_row(figure: Figure, panel: Panel, first: dt.date, y: float, spring_days: float) -> None:
    """New (dark) and full (open) moons where they fall, springs shaded by the moon's age."""
    start = None
    days = int(panel.x_to)
    for day in range(days + 1):
        date = first + dt.timedelta(days=day)
        springs = moon.tide_word(date, spring_days) == "springs"
        if springs and start is None:
            start = day
        if start is not None and (not springs or day == days):
            figure.add(box(panel.x(start), panel.top, panel.x(day) - panel.x(start),
                           panel.height, "#eef3f4"))
            start = None
    for day in range(days):
        now = moon.elongation(moon.noon(first + dt.timedelta(days=day)))
        after = moon.elongation(moon.noon(first + dt.timedelta(days=day + 1)))
        if after < now:
            figure.add(Disc(panel.x(day + 0.5), y, 4, INK, INK))
        elif now < 180 <= after:
            figure.add(Disc(panel.x(day + 0.5), y, 4, PAPER, INK))


def run_timing(account: SeasonAccount) -> Figure:
    """When the shares passed, by site."""
    known = [t for t in account.this.timing if t.passing]
    names = [site_name(account, t.site) for t in known]
    room, row = _label_room(names, 9), 22.0
    height = row * len(known) + 96
    rows = [
        (t.site, f"{p.share:.0%}", account.date(p.day), account.date(p.low),
         account.date(p.high), p.water, p.degree_days,
         moon.phase_name(moon.noon(account.date(p.day))),
         moon.tide_word(account.date(p.day), account.terms.spring_days))
        for t in known for p in t.passing]
    middle = [account.date(t.passing[2].day) for t in known]
    figure = Figure(
        "timing", f"Run timing by site, {account.season}",
        f"One row a site. Half of the run had passed between {day_name(min(middle))} and "
        f"{day_name(max(middle))}." if known else "No site has enough animals.",
        WIDTH, height,
        ("site", "share", "date", "low", "high", "water_degc", "degree_days", "moon_computed",
         "tide_computed"), rows)
    panel = Panel(room, 28, WIDTH - room - 16, row * len(known), 0, account.this.nights.days, 0, 1)
    _moon_row(figure, panel, account.this.nights.first, 14, account.terms.spring_days)
    figure.add(Words(room - 6, 17, "moon (computed)", 8, "end", colour=MUTED))
    date_axis(figure, panel, account.this.nights.first)
    for place, entry in enumerate(known):
        y = panel.top + place * row + row / 2
        days = [p.day for p in entry.passing]
        figure.add(
            Words(room - 6, y + 3, _short(names[place], room - 8, 9), 9, "end"),
            Line(((panel.x(days[0]), y), (panel.x(days[4]), y)), MUTED, 1.4),
            box(panel.x(days[1]), y - 5, panel.x(days[3]) - panel.x(days[1]), 10, MIST, DEEP))
        half = entry.passing[2]
        figure.add(
            Line(((panel.x(half.low), y - 8), (panel.x(half.high), y - 8)), WARM, 2.2),
            Disc(panel.x(half.day), y, 3.4, INK))
        if entry.first is not None:
            x = panel.x(entry.first)
            figure.add(Area(((x - 3, y - 4), (x + 3, y), (x - 3, y + 4)), PAPER, INK, 0.9))
    legend(figure, 0, height - 24, [
        (lambda x, y: [Area(((x + 4, y - 4), (x + 10, y), (x + 4, y + 4)), PAPER, INK, 0.9)],
         "first counted"),
        (lambda x, y: [Line(((x, y), (x + 14, y)), MUTED, 1.4)], "5 to 95 % passed"),
        (lambda x, y: [box(x, y - 4, 14, 9, MIST, DEEP)], "25 to 75 %"),
        (lambda x, y: [Disc(x + 7, y, 3.4, INK)], "half passed"),
        (lambda x, y: [Line(((x, y), (x + 14, y)), WARM, 2.2)],
         f"its {account.terms.level:.0%} interval"),
        (lambda x, y: [box(x, y - 5, 14, 10, "#eef3f4", GRID)],
         "springs by the moon's age (no tide was observed)"),
        (lambda x, y: [Disc(x + 7, y, 4, INK, INK)], "new moon"),
        (lambda x, y: [Disc(x + 7, y, 4, PAPER, INK)], "full moon")])
    return figure


def run_and_water(account: SeasonAccount) -> Figure:
    """The network's run above, the water's temperature below, on one calendar."""
    estimates = account.this
    nights = estimates.nights
    run = estimates.pulse.run if estimates.pulse is not None else np.zeros(nights.days)
    read = np.isfinite(estimates.water).any()
    nan = np.full(nights.days, np.nan)
    water = estimates.water.mean(axis=0) if read else nan
    low = estimates.water.min(axis=0) if read else nan
    high = estimates.water.max(axis=0) if read else nan
    figure = Figure(
        "run-and-water", f"The network's run and the water, {account.season}",
        "Above, the share of the network's run that passed each night, with new and full moons; "
        "below, the mean water temperature of the sites and its range."
        + (f" The run peaked on {day_name(nights.dates[int(run.argmax())])}." if run.any() else ""),
        WIDTH, 290, ("date", "share_of_run", "water_degc", "coolest_site", "warmest_site",
                     "moon_age_days_computed", "moon_lit_computed"),
        [(date, float(run[d]), float(water[d]), float(low[d]), float(high[d]),
          moon.age(moon.noon(date)), moon.illuminated(moon.noon(date)))
         for d, date in enumerate(nights.dates)])
    upper = Panel(52, 40, WIDTH - 68, 96, 0, nights.days, 0, max(float(run.max()), 1e-6) * 1.1)
    _moon_row(figure, upper, nights.first, 26, account.terms.spring_days)
    figure.add(Words(0, 10, "Share of the network's run, each night", 9, bold=True))
    y_axis(figure, upper, 4, say=lambda value: f"{100 * value:.0f} %")
    date_axis(figure, upper, nights.first, names=False)
    thin = upper.width / nights.days
    for day, share in enumerate(run):
        figure.add(box(upper.x(day) + thin * 0.1, upper.y(float(share)), thin * 0.8,
                       upper.bottom - upper.y(float(share)), DEEP))
    figure.add(Words(0, 158, "Water temperature [°C]: mean of the sites, coolest to warmest", 9,
                     bold=True))
    if read:
        floor = min(0.0, math.floor(float(low.min())))
        lower = Panel(52, 168, WIDTH - 68, 96, 0, nights.days, floor, float(high.max()) * 1.05)
        y_axis(figure, lower, 4)
        band = [(lower.x(d + 0.5), lower.y(float(v))) for d, v in enumerate(high)]
        band += [(lower.x(d + 0.5), lower.y(float(low[d]))) for d in reversed(range(nights.days))]
        figure.add(Area(tuple(band), MIST))
        date_axis(figure, lower, nights.first)
        figure.add(Line(tuple((lower.x(d + 0.5), lower.y(float(v)))
                              for d, v in enumerate(water)), INK, 1.6))
    else:
        figure.add(Words(52, 190, "Nobody wrote a water temperature.", 9, colour=MUTED))
    figure.add(Words(WIDTH, 10, "shaded: springs by the moon's age; dark disc new moon, open disc "
                     "full moon (computed)", 7.5, "end", colour=MUTED))
    return figure


# -- seine ----------------------------------------------------------------------------------


def length_frequencies(account: SeasonAccount) -> Figure | None:
    """Small histograms of the seine's lengths, one a taxon and stage."""
    groups: dict[tuple[str, str], dict[int, int]] = {}
    for entry in account.lengths:
        groups.setdefault((entry.taxon_id, entry.life_stage), {})[entry.low] = entry.animals
    if not groups:
        return None
    across = 3
    down = -(-len(groups) // across)
    wide_each = (WIDTH - 40 - 44 * (across - 1)) / across
    tall = 80.0
    lowest = min(low for group in groups.values() for low in group)
    highest = max(low for group in groups.values() for low in group) + 5
    figure = Figure(
        "lengths", f"Lengths of animals from seine hauls, {account.season}",
        "Small histograms of length in millimetres, one for each animal and stage, in classes "
        "of 5 mm. All share one x axis; each has its own y axis.",
        WIDTH, down * (tall + 46) + 22, ("taxon", "life_stage", "length_from_mm", "animals"),
        [(e.taxon_id, e.life_stage, e.low, e.animals) for e in account.lengths])
    for place, ((taxon, stage), classes) in enumerate(groups.items()):
        top = max(classes.values())
        left = 34 + (place % across) * (wide_each + 44)
        panel = Panel(left, 18 + (place // across) * (tall + 46), wide_each, tall, lowest - 5,
                      highest + 5, 0, top * 1.1)
        figure.add(Words(panel.left, panel.top - 5, _short(
            animal_name(taxon, stage), wide_each, 9), 9, bold=True))
        y_axis(figure, panel, 3, 7.5)
        x_axis(figure, panel, 4, 7.5)
        for low, animals in classes.items():
            thick = panel.x(low + 5) - panel.x(low) - 1
            figure.add(box(panel.x(low) + 0.5, panel.y(animals), thick,
                           panel.bottom - panel.y(animals), DEEP))
        figure.add(Line(((panel.left, panel.bottom), (panel.left + panel.width, panel.bottom)),
                        MUTED, 0.8))
    figure.add(Words(WIDTH / 2, figure.height - 4, "length [mm]", 8.5, "middle", colour=MUTED))
    return figure


def animal_name(taxon: str, stage: str) -> str:
    """The vernacular, with its stage where it has one."""
    known = TAXA.get(taxon)
    name = known.vernacular if known else taxon
    return name if stage == "unspecified" else f"{name}, {stage}"


# -- the volunteers' page -------------------------------------------------------------------


def site_picture(account: SeasonAccount, site: int) -> Figure:
    """One site's run in one picture, beside its last year and the network."""
    estimates = account.this
    nights = estimates.nights
    daily = _daily(estimates, site, account.terms.level)
    name = nights.sites[site]
    last = _week_mean_last_year(account, name)
    total = float(daily["counted"].sum() + daily["middle"].sum())
    network = (estimates.pulse.run * total if estimates.pulse is not None
               else np.full(nights.days, np.nan))
    top = max(_top(daily), 1.1 * float(np.nanmax(last)) if np.isfinite(last).any() else 0.0)
    figure = Figure(
        f"run-{name}", f"The run at {site_name(account, name)}, {account.season}",
        f"Bars of the {account.target.life_stage}s counted each night, "
        f"{number(float(daily['counted'].sum()))} in all, with the nights that were not counted "
        "estimated; a line for the same days last year and one for the network's run.",
        WIDTH, 300, ("date", "counted", "estimated", "low", "high", "last_year_week_mean",
                     "network_run_scaled"),
        [(date, float(daily["counted"][d]), *(
            (float(daily["middle"][d]), float(daily["low"][d]), float(daily["high"][d]))
            if daily["lacking"][d] else (None, None, None)),
          float(last[d]), float(network[d])) for d, date in enumerate(nights.dates)])
    panel = Panel(40, 30, WIDTH - 52, 206, 0, nights.days, 0, top)
    _moon_row(figure, panel, nights.first, 14, account.terms.spring_days)
    y_axis(figure, panel, 5, 9)
    date_axis(figure, panel, nights.first, 9)
    _bars(figure, panel, daily)
    if np.isfinite(last).any():
        known = np.flatnonzero(np.isfinite(last))
        points = tuple((panel.x(d + 0.5), panel.y(float(last[d]))) for d in known)
        figure.add(Line(points, PAPER, 3.4), Line(points, INK, 1.6, (6, 3)))
    if np.isfinite(network).any():
        points = tuple((panel.x(d + 0.5), panel.y(min(float(v), top)))
                       for d, v in enumerate(network))
        # A white edge, so that the line shows over the bars.
        figure.add(Line(points, PAPER, 3.6), Line(points, "#8a97a0", 2.0))
    legend(figure, 0, 272, [
        (lambda x, y: [box(x + 3, y - 5, 8, 10, DEEP)], "you counted"),
        (lambda x, y: [box(x + 3, y - 3, 8, 8, SAND, WARM)], "our estimate, net not checked"),
        *([(lambda x, y: [Line(((x, y), (x + 16, y)), INK, 1.6, (6, 3))],
            "last year here (mean of 7 nights)")] if np.isfinite(last).any() else []),
        (lambda x, y: [Line(((x, y), (x + 16, y)), "#8a97a0", 2.0)],
         "the network's run, to your scale"),
        (lambda x, y: [Disc(x + 7, y, 4, INK, INK)], "new moon"),
        (lambda x, y: [Disc(x + 7, y, 4, PAPER, INK)], "full moon, computed")], 9)
    return figure


def _week_mean_last_year(account: SeasonAccount, site: str) -> Floats:
    """Last season's catch at the site by this season's days: mean of seven nights centred."""
    nights = account.this.nights
    out = np.full(nights.days, np.nan)
    if account.before is None or site not in account.before.nights.sites:
        return out
    before = account.before.nights
    number_there = before.sites.index(site)
    caught = np.nan_to_num(before.catch[before.site_of == number_there]).sum(axis=0)
    known = np.isfinite(before.catch[before.site_of == number_there]).any(axis=0)
    for day, date in enumerate(nights.dates):
        # The same day of the calendar; 29 February has no twin.
        try:
            there = (date.replace(year=before.season) - before.first).days
        except ValueError:
            continue
        week = slice(max(there - 3, 0), there + 4)
        if there >= 0 and known[week].any() and there < before.days:
            out[day] = float(caught[week][known[week]].mean())
    return out
