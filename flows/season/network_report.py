"""The network's season report, in the order in which people ask."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence

import numpy as np

from flows.returns.wording import counted
from flows.season import figures, year_figures
from flows.season.document import (
    Block,
    Document,
    Heading,
    Paragraph,
    Picture,
    Points,
    table,
)
from flows.season.drawing import day_name, number
from flows.season.methods import appendix
from warehouse.season import moon
from warehouse.season.account import SeasonAccount, SiteTiming
from warehouse.season.counting import Correction
from warehouse.season.index import Index, TooFew
from warehouse.season.trend import Power, Trend


def network_report(account: SeasonAccount) -> Document:
    """The whole report."""
    blocks: list[Block] = [
        Heading("In short"), Points(tuple(_in_short(account))),
        *([Paragraph(account.network.permit_note, note=True)]
          if account.network.permit_note else []),
        Paragraph(account.protocol.caution, note=True),
        *_coverage(account), *_totals(account), *_means(account), *_timing(account),
        *_index(account), *_trend(account), *_quality(account), *_seine(account),
        *_permit(account), *appendix(account),
    ]
    return Document(
        f"{account.network.name}: the season {account.season}",
        f"{account.target.life_stage.capitalize()}s at {len(account.this.nights.sites)} sites"
        + (", the season under way" if account.under_way else ""),
        stamp(account), tuple(blocks))


def stamp(account: SeasonAccount) -> str:
    """What a report was made from."""
    return (f"Made from release {account.version} (what had come by {day_name(account.as_of)} "
            f"{account.as_of.year}).")


def span(low: float, high: float) -> str:
    """An interval, in whole animals or sensible decimals."""
    return f"{number(low)} to {number(high)}" if np.isfinite([low, high]).all() else "-"


def _whole(*values: float) -> list[str]:
    """Whole animals."""
    return [number(float(np.rint(value))) for value in values]


def _name(account: SeasonAccount, site: str) -> str:
    return figures.site_name(account, site)


def _in_short(account: SeasonAccount) -> list[str]:
    totals = account.this.totals
    whole = sum(t.counted for t in totals)
    guessed = sum(t.estimated for t in totals if np.isfinite(t.estimated))
    nights = sum(entry.counted for entry in account.this.coverage)
    stage = account.target.life_stage
    said = [f"{number(whole)} {stage}s were counted on {nights:,} net-nights; nights not counted "
            f"are thought to have held {number(guessed)} more."]
    suspect = sum(q.suspect for q in account.quality)
    if suspect:
        said.append(f"{suspect:,} of the animals counted stand in counts that are still marked "
                    "suspect. They are in every number here as they were sent: the totals and "
                    "the index can still move by that much.")
    if account.under_way:
        said.insert(0, "The season is under way: everything here is so far, and nothing after "
                       "the last net check is guessed.")
    middle = [t for t in account.this.timing if t.passing]
    if middle:
        days = sorted(t.passing[2].day for t in middle)
        whole_run = "what has come so far" if account.under_way else "the run"
        said.append(f"Half of {whole_run} had passed by {day_name(account.date(days[0]))} at the "
                    f"earliest site and {day_name(account.date(days[-1]))} at the latest; at the "
                    f"middle one by {day_name(account.date(days[len(days) // 2]))}.")
    if isinstance(account.index, Index) and account.season in account.index.years:
        place = account.index.years.index(account.season)
        effect, low, high = (float(v[place]) for v in (
            account.index.effect, account.index.low, account.index.high))
        verdict = ("below" if high < 1 else "above" if low > 1 else "not clearly apart from")
        said.append(f"With site, effort, day and temperature set aside, the season stands at "
                    f"{effect:.2f} of the mean of {len(account.index.years)} seasons "
                    f"({low:.2f} to {high:.2f}): {verdict} it.")
    elif isinstance(account.index, TooFew):
        said.append(account.index.why)
    else:
        said.append("This season does not enter the network index: it has not run through, or "
                    "too few sites counted.")
    said.append(_trend_sentence(account))
    return said


def _trend_sentence(account: SeasonAccount) -> str:
    if isinstance(account.trend, TooFew):
        return account.trend.why
    trend = account.trend
    yearly = 100 * math.expm1(trend.slope)
    found = "a trend" if trend.p < 1 - account.terms.level else "no trend that stands out"
    return (f"Over {trend.years} seasons there is {found} (Mann-Kendall p = {trend.p:.3f}; Sen's "
            f"slope {yearly:+.1f} % a year, {_percent_limits(trend)}).")


def _percent_limits(trend: Trend) -> str:
    if math.isinf(trend.low):
        return "too few seasons for limits"
    return f"{100 * math.expm1(trend.low):+.1f} to {100 * math.expm1(trend.high):+.1f}"


def _coverage(account: SeasonAccount) -> list[Block]:
    rows = []
    for entry in account.this.coverage:
        said = (f"{day_name(account.date(entry.first))} to {day_name(account.date(entry.last))}"
                if entry.first is not None and entry.last is not None else "-")
        rows.append((_name(account, entry.site), entry.nets, said, entry.counted,
                     entry.uncounted, entry.lifted, entry.held, entry.missed,
                     entry.longest_gap, number(round(entry.hours)),
                     "-" if math.isnan(entry.seen) else f"{entry.seen:.0%}"))
    return [
        Heading("What was fished"),
        Picture(figures.coverage_calendar(account),
                "A site with two nets counts as fishing when one of them did. The share of the "
                "run seen takes the site's run to have the network's shape."),
        table("coverage", "Net-nights by site, between each net's first and last record",
              ("Site", "Nets", "First to last count", "Counted", "Fished, no count", "Lifted",
               "Held", "No record", "Longest gap", "Hours", "Run seen"), rows, left=(0, 2)),
    ]


def _totals(account: SeasonAccount) -> list[Block]:
    rows = [
        (_name(account, t.site), *_whole(t.counted), t.nights_estimated,
         *_whole(t.estimated, t.total), span(np.rint(t.low), np.rint(t.high)),
         *_whole(t.interpolated))
        for t in account.this.totals]
    blocks: list[Block] = [Heading("How many came")]
    pulse = account.this.pulse
    if pulse is None:
        blocks.append(Paragraph("Too few nights were counted for an estimate of the others: the "
                                "totals are what was counted, and a lower bound.", note=True))
    else:
        blocks.append(Paragraph(
            f"Sites agreed on the shape of the run to within a factor of about "
            f"{math.exp(pulse.site_spread):.2f}, and good and bad nights common to all of them "
            f"differed by a factor of about {math.exp(pulse.night_spread):.2f} (one standard "
            "deviation each). The less sites agree, the wider the intervals."))
    blocks += [
        Picture(figures.season_totals(account),
                "Dark is what people counted, light what the missing nights are thought to have "
                "held. They are never added without saying so."),
        table("totals", "Season totals by site",
              ("Site", "Counted", "Net-nights not counted", "Estimated for them", "Together",
               f"{account.terms.level:.0%} interval", "By straight line instead"), rows),
    ]
    blocks += [Picture(figure, "Nights not counted borrow the network's pulse: a good night "
                               "elsewhere is taken for a good night here.")
               for figure in figures.site_runs(account)]
    return blocks


def _means(account: SeasonAccount) -> list[Block]:
    kinds = (account.this.arithmetic, account.this.delta, account.this.geometric)
    rows = [
        (_name(account, site), int(kinds[0].n[n]), *(
            text for means in kinds for text in (
                number(float(means.mean[n])), span(float(means.low[n]), float(means.high[n])))))
        for n, site in enumerate(account.this.nights.sites)]
    unit = f"per {account.protocol.cpue_scale:g} net-hours"
    blocks: list[Block] = [
        Heading("Catch per unit effort"),
        Picture(figures.mean_cpue(account),
                "The arithmetic and the delta-lognormal mean tell of numbers; the geometric "
                "mean is an index that a few large nights cannot move far."),
        table("cpue", f"{account.target.life_stage.capitalize()}s {unit}",
              ("Site", "Nights", "Arithmetic", "interval", "Delta-lognormal", "interval",
               "Geometric", "interval"), rows),
    ]
    for target, means in account.others.items():
        found = [(_name(account, site), int(means[0].n[n]), number(float(means[0].mean[n])),
                  number(float(means[2].mean[n])), number(float(means[1].mean[n])))
                 for n, site in enumerate(account.this.nights.sites)]
        blocks.append(table(f"cpue-{target.life_stage.replace(' ', '-')}",
                            f"{target.life_stage.capitalize()}s {unit}",
                            ("Site", "Nights", "Arithmetic", "Delta-lognormal", "Geometric"),
                            found))
    return blocks


def _timing(account: SeasonAccount) -> list[Block]:
    known = [t for t in account.this.timing if t.passing]
    blocks: list[Block] = [
        Heading("When they came"),
        Picture(figures.run_and_water(account), "The run follows the water as it warms; where it "
                "also follows the moon, the springs are the reason to look at.")]
    few = [_name(account, t.site) for t in account.this.timing if not t.passing]
    if few:
        blocks.append(Paragraph(
            f"No dates for {', '.join(few)}: fewer than {account.terms.fewest_animals} animals "
            "were counted there.", note=True))
    if account.under_way:
        blocks.append(Paragraph("The season is under way: the shares are of what has come so "
                                "far, and every date will move.", note=True))
    if not known:
        return blocks
    blocks.append(Picture(figures.run_timing(account), "The interval speaks of missing nights "
                          "alone: a site that counted every night has none."))
    blocks.append(table(
        "timing", "Dates by which shares of the run had passed",
        ("Site", "First counted", "5 %", "25 %", "50 %", "50 %, interval", "75 %", "95 %",
         "Mean date", "interval", "Spread, days"),
        [_timing_row(account, t) for t in known], left=(0,)))
    blocks.append(table(
        "timing-water", "The water and the moon when half had passed",
        ("Site", "Date", "Water, °C", f"Degree-days over {account.terms.degree_day_base:g} °C",
         "Moon (computed)", "Tide (computed)"),
        [(_name(account, t.site), day_name(account.date(t.passing[2].day)),
          number(t.passing[2].water), number(round(t.passing[2].degree_days))
          if np.isfinite(t.passing[2].degree_days) else "-",
          moon.phase_name(moon.noon(account.date(t.passing[2].day))),
          moon.tide_word(account.date(t.passing[2].day), account.terms.spring_days))
         for t in known], left=(0, 1, 4, 5)))
    return blocks


def _timing_row(account: SeasonAccount, t: SiteTiming) -> Sequence[str]:
    def said(day: float) -> str:
        date = account.date(day)
        return f"{date.day} {day_name(date).split()[1][:3]}"

    p = t.passing
    return (_name(account, t.site), "-" if t.first is None else said(t.first), said(p[0].day),
            said(p[1].day), said(p[2].day), f"{said(p[2].low)} to {said(p[2].high)}",
            said(p[3].day), said(p[4].day), said(t.mean),
            f"{said(t.mean_low)} to {said(t.mean_high)}", f"{t.spread:.1f}")


def _index(account: SeasonAccount) -> list[Block]:
    blocks: list[Block] = [Heading("The network, season by season")]
    index = account.index
    if isinstance(index, TooFew):
        return [*blocks, Paragraph(f"There is no network index. {index.why}", note=True)]
    if not index.converged:
        blocks.append(Paragraph("The model did not settle; take the index as not given.",
                                note=True))
    blocks += [
        Picture(year_figures.year_index(index, account.terms.level),
                "The nominal index takes all nights as they are; the standardized one allows "
                "for which sites, days and temperatures a season happened to have."),
        table("index", "Network index",
              ("Season", "Sites", "Standardized", f"{account.terms.level:.0%} interval",
               "Nominal", "Log error", "Model's own log error"),
              [(year, int(index.site_years[n]), f"{index.effect[n]:.2f}",
                f"{index.low[n]:.2f} to {index.high[n]:.2f}", f"{index.nominal[n]:.2f}",
                f"{index.error[n]:.3f}", f"{index.model_error[n]:.3f}")
               for n, year in enumerate(index.years)]),
        Heading("Does the model fit?", 3),
        Picture(year_figures.index_diagnostics(index), _fit_sentence(account, index)),
    ]
    return blocks


def _fit_sentence(account: SeasonAccount, index: Index) -> str:
    scatter = ("as the model has it" if 0.8 <= index.dispersion <= 1.25
               else "more than the model has it" if index.dispersion > 1.25
               else "less than the model has it")
    most = max(index.without, key=lambda site: float(
        np.abs(index.without[site] - index.log_effect).max()))
    shift = float(np.abs(index.without[most] - index.log_effect).max())
    return (f"Catches scatter {scatter} (dispersion {index.dispersion:.2f}; negative-binomial "
            f"alpha {index.alpha:.2f}). Leaving one site out moves a season by "
            f"{100 * math.expm1(shift):.0f} % at most "
            f"({_name(account, most)}).")


def _trend(account: SeasonAccount) -> list[Block]:
    blocks: list[Block] = [Heading("Is there a trend?"), Paragraph(_trend_sentence(account))]
    trend, power = account.trend, account.power
    if isinstance(trend, Trend):
        blocks.append(table(
            "trend", "Trend of the standardized index (logarithm)",
            ("Seasons", "S", "Z", "p", "p, autocorrelation ignored", "Test", "Lag-one r",
             "Sen's slope, % a year", "interval"),
            [(trend.years, trend.s, f"{trend.z:.2f}", f"{trend.p:.4f}", f"{trend.p_plain:.4f}",
              trend.method, "-" if math.isnan(trend.lag_one) else f"{trend.lag_one:.2f}",
              f"{100 * math.expm1(trend.slope):+.1f}", _percent_limits(trend))],
            left=(5,)))
    if account.site_trends:
        blocks.append(table(
            "trend-sites", "Trend at each site (mean of ln(CPUE + 1) by season); many tests: one "
            "in twenty stands out by chance",
            ("Site", "Seasons", "S", "p", "Test", "Slope a year", "interval"),
            [(_name(account, s.site), s.trend.years, s.trend.s, f"{s.trend.p:.3f}",
              s.trend.method, f"{s.trend.slope:+.3f}",
              "too few" if math.isinf(s.trend.low)
              else f"{s.trend.low:+.3f} to {s.trend.high:+.3f}") for s in account.site_trends],
            left=(0, 4)))
    if isinstance(power, Power):
        blocks += [Picture(year_figures.detection(power), _power_sentence(power))]
    elif isinstance(power, TooFew) and power is not account.trend:
        blocks.append(Paragraph(power.why, note=True))
    return blocks


def _power_sentence(power: Power) -> str:
    scatter = ("With the scatter between seasons seen so far (standard deviation "
               f"{power.scatter:.2f}")
    if math.isnan(power.detectable):
        return (f"{scatter} on the log scale), {power.years} seasons would show no decline with a "
                f"chance of {power.asked:.0%}, however steep.")
    return (f"{scatter} on the log scale), {power.years} seasons would show a decline of "
            f"{power.detectable:.0%} from first to last with a chance of {power.asked:.0%}; a "
            "smaller one would more likely than that be missed. That no trend is found is "
            "therefore no proof that there is none. The scatter itself is known from few seasons.")


def _quality(account: SeasonAccount) -> list[Block]:
    rows = []
    for q in account.quality:
        fixed = account.corrections.get(q.site, Correction())
        rows.append((
            _name(account, q.site), number(q.animals),
            "-" if not q.subsampled else f"{q.subsampled / max(q.animals, 1):.0%}",
            "-" if not q.subsampled else f"{q.subsample_error:.0f}",
            "-" if not q.tallied else f"{q.agreed} of {q.tallied}", q.twice,
            f"{q.flagged / q.values:.1%}" if q.values else "-", q.asked, q.answered,
            number(q.suspect), fixed.changed, f"{fixed.animals:+,}" if fixed.changed else "-"))
    twice = sum(q.twice for q in account.quality)
    agreed = sum(q.agreed for q in account.quality)
    tallied = sum(q.tallied for q in account.quality)
    suspect = sum(q.suspect for q in account.quality)
    animals = sum(q.animals for q in account.quality)
    said = [
        "A release holds one count a night and net, so that two counters of one catch cannot be "
        "compared"
        + (f"; {counted(twice, 'record')} of a night that had one already "
           f"{'waits' if twice == 1 else 'wait'} for a person." if twice else "."),
        (f"Where the fate of the animals was written beside their number, both tallies agree in "
         f"{agreed:,} of {tallied:,} catches"
         + (f"; the others differ by {sum(q.apart for q in account.quality):,} animals in all."
            if agreed < tallied else ".")
         if tallied else "No site wrote the fate of the animals beside their number, so that "
                         "the two could be compared."),
        (f"Counts that still carry the mark suspect hold {suspect:,} of {animals:,} animals "
         f"({suspect / animals:.1%}): without them the total would be lower by that much."
         if suspect else "No count in the totals carries the mark suspect."),
    ]
    changed = sum(entry.changed for entry in account.corrections.values())
    said.append(
        f"Since they were first published, {counted(changed, 'count')} of the season changed, "
        f"{sum(entry.decided for entry in account.corrections.values())} of them by a decision "
        f"on record: the total went by "
        f"{sum(entry.animals for entry in account.corrections.values()):+,} animals."
        if changed else "No count of the season was changed after it had been published.")
    return [
        Heading("How far the counts can be leaned on"), Points(tuple(said)),
        table("quality", "Counting quality by site",
              ("Site", "Counted", "Of them from subsamples", "Subsample error, animals",
               "Tallies that agree", "Nights sent twice", "Values flagged", "Asked",
               "No longer open", "Animals in suspect counts", "Counts changed once published",
               "Animals by that"), rows),
    ]


def _seine(account: SeasonAccount) -> list[Block]:
    if not account.months:
        return []
    blocks: list[Block] = [
        Heading("Seine hauls"),
        table("seine", "Catch per haul and per 100 m2 swept, by month; hauls are those at which "
              "the animal was looked for",
              ("Animal", "Month", "Hauls", "Animals", "Per haul", "Per 100 m2"),
              [(figures.animal_name(m.taxon_id, m.life_stage), _month(m.month), m.hauls,
                number(m.animals), f"{m.per_haul:.2f}",
                "-" if m.per_area is None else f"{m.per_area:.2f}") for m in account.months],
              left=(0, 1))]
    lengths = figures.length_frequencies(account)
    if lengths is not None:
        blocks.append(Picture(lengths, "A sheet that gives one length for several animals gives "
                              "their mean: each counts at that length."))
    return blocks


def _month(month: int) -> str:
    return day_name(dt.date(2000, month, 1)).split()[1]


def _permit(account: SeasonAccount) -> list[Block]:
    sums: dict[str, list[int]] = {}
    for line in account.permit:
        entry = sums.setdefault(line.site_id, [0] * 6)
        for place, value in enumerate((
            line.catch if line.target else 0, 0 if line.target else line.catch, line.released,
            line.mortality, line.kept, line.unsaid)):
            entry[place] += value
    return [
        Heading("Animals handled"),
        Paragraph("The permit table beside this report (permit.xlsx, permit.csv) has the same by "
                  "gear, animal and stage. Fate not written means just that: such animals are "
                  "not counted as released."),
        table("handled", "Animals handled by site, all gear",
              ("Site", "Eels counted", "Bycatch", "Released", "Died", "Kept", "Fate not written"),
              [(_name(account, site), *(f"{value:,}" for value in values))
               for site, values in sums.items()]),
    ]
