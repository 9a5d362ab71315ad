"""One page for a site's volunteers: their run in one picture and plain words."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np

from flows.returns.wording import counted
from flows.season import figures
from flows.season.document import Block, Document, Paragraph, Picture, Points, table
from flows.season.drawing import day_name, number
from flows.season.network_report import span, stamp
from warehouse.season.account import SeasonAccount, SeasonEstimates
from warehouse.season.index import Index


def site_page(account: SeasonAccount, site: str) -> Document:
    """The page of ``site``, which must be among the season's."""
    place = account.this.nights.sites.index(site)
    name = figures.site_name(account, site)
    blocks: list[Block] = [
        Paragraph(_thanks(account, site)),
        Picture(figures.site_picture(account, place),
                "Every bar is a night at your net. Pale bars are our estimate for nights that "
                "were not counted, from the other sites' nights; the thin line is how far it may "
                "be off. Shaded days are spring tides by the moon's age."),
        Points(tuple(_told(account, place))),
        _beside(account, place),
        *([Paragraph(account.network.permit_note, note=True)]
          if account.network.permit_note else []),
        Paragraph(account.protocol.caution, note=True),
    ]
    return Document(f"{name}: your season {account.season}", account.network.name,
                    stamp(account), tuple(blocks))


def _thanks(account: SeasonAccount, site: str) -> str:
    effort = account.effort.get(site)
    nights = account.this.coverage[account.this.nights.sites.index(site)].counted
    said = f"Thank you. You counted the net on {counted(nights, 'night')}"
    if account.this.coverage[account.this.nights.sites.index(site)].nets > 1:
        said = f"Thank you. You counted your nets on {counted(nights, 'net-night')}"
    if effort is not None and effort.hours > 0:
        said += f" and gave {effort.hours:,.0f} hours to it"
        if effort.visits:
            said += f" over {counted(effort.visits, 'visit')} by volunteers"
        return said + "."
    if effort is not None and effort.visits:
        return said + f", with {counted(effort.visits, 'visit')} by volunteers."
    return said + ". The hours you gave are not on the sheet; every one of them is in this picture."


def _told(account: SeasonAccount, place: int) -> list[str]:
    total, timing = account.this.totals[place], account.this.timing[place]
    cover = account.this.coverage[place]
    stage = account.target.life_stage
    net_nights = "net-night" if cover.nets > 1 else "night"
    said = [f"You counted {number(total.counted)} {stage}s"
            + (" so far" if account.under_way else "") + "."]
    if total.nights_estimated and total.high < total.counted + 1:
        said[0] += (f" The {counted(total.nights_estimated, net_nights)} without a count, from "
                    "the network's first net check to its last, will hardly have held any more.")
    elif np.isfinite(total.estimated) and total.nights_estimated:
        said[0] += (f" On the {counted(total.nights_estimated, net_nights)} without a count, "
                    f"from the network's first net check to its last, another "
                    f"{number(round(total.estimated))} or so may have passed: about "
                    f"{number(round(total.total))} in all, somewhere from "
                    f"{span(round(total.low), round(total.high))}.")
    asked = next((q.suspect for q in account.quality if q.site == total.site), 0)
    if asked:
        said.append(f"{asked:,} of them stand in counts that we have asked you about; your answer "
                    "may change the sum.")
    if not math.isnan(cover.seen):
        said.append(f"If your run kept time with the network's, the net was fishing and counted "
                    f"for {cover.seen:.0%} of it.")
    if timing.passing:
        half = timing.passing[2]
        what = "what has come so far" if account.under_way else "your run"
        said.append(f"Half of {what} had passed by {day_name(account.date(half.day))}"
                    + (f"; the water was at {half.water:.1f} °C." if np.isfinite(half.water)
                       else "."))
    said.append(_against_last_year(account, place))
    if isinstance(account.index, Index) and account.season in account.index.years:
        at = account.index.years.index(account.season)
        said.append(f"Over the whole network the season stands at {account.index.effect[at]:.2f} "
                    f"of the mean of {len(account.index.years)} seasons "
                    f"({account.index.low[at]:.2f} to {account.index.high[at]:.2f}).")
    return said


def _against_last_year(account: SeasonAccount, place: int) -> str:
    site = account.this.nights.sites[place]
    if account.before is None or site not in account.before.nights.sites:
        return "There is no last year here to compare with."
    if account.under_way:
        return "Last year's line is in the picture; the sums are compared when the season is over."
    now, then = account.this.totals[place], account.before.totals[
        account.before.nights.sites.index(site)]
    if not np.isfinite([now.low, now.high, then.low, then.high]).all():
        return f"Last year you counted {number(then.counted)}."
    verdict = (" more than" if now.low > then.high else " fewer than" if now.high < then.low
               else ", as far as missing nights let us say, about as many as")
    return f"That is{verdict} last year ({span(then.low, then.high)})."


def _beside(account: SeasonAccount, place: int) -> Block:
    site = account.this.nights.sites[place]

    def column(estimates: SeasonEstimates | None) -> list[str]:
        if estimates is None or site not in estimates.nights.sites:
            return ["-"] * 4
        at = estimates.nights.sites.index(site)
        total, timing = estimates.totals[at], estimates.timing[at]
        half = "-"
        if timing.passing:
            first = estimates.nights.first
            half = day_name(first + dt.timedelta(days=math.ceil(timing.passing[2].day - 1e-9)))
        return [str(estimates.coverage[at].counted), number(total.counted),
                span(round(total.low), round(total.high)) if np.isfinite(total.low) else "-", half]

    here, last = column(account.this), column(account.before)
    totals = account.this.totals
    halves = sorted(t.passing[2].day for t in account.this.timing if t.passing)
    network = [
        number(float(np.median([c.counted for c in account.this.coverage]))),
        number(float(np.median([t.counted for t in totals]))), "-",
        day_name(account.date(halves[len(halves) // 2])) if halves else "-"]
    names = ("Net-nights counted", f"{account.target.life_stage.capitalize()}s counted",
             f"In all, with the nights not counted ({account.terms.level:.0%} interval)",
             "Half had passed by")
    return table(
        f"beside-{site}", "Your season beside last year and the network's middle site",
        ("", str(account.season), str(account.season - 1), "Network, middle site"),
        list(zip(names, here, last, network, strict=True)))
