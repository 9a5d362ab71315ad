"""Coverage: which nights each site fished, and what share of the run it can have seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from warehouse.season.nights import Night, Nights, by_site

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class SiteCoverage:
    """A site's nights (a night counts for each of its nets) and what they can have seen.

    ``seen``: share of the network's run that passed on nights this site counted, 0 to 1,
    NaN where the network's run is unknown.
    """

    site: str
    nets: int
    counted: int
    uncounted: int
    lifted: int
    held: int
    missed: int
    hours: float
    first: int | None
    last: int | None
    longest_gap: int
    seen: float

    @property
    def expected(self) -> int:
        """Net-nights between the nets' first and last record."""
        return self.counted + self.uncounted + self.lifted + self.held + self.missed


def site_calendar(nights: Nights) -> NDArray[np.int8]:
    """Sites x days: the best that any of a site's nets did that night."""
    rank = np.array([5, 0, 1, 2, 3, 4])  # OUTSIDE last, COUNTED first
    state_at = np.argsort(rank)
    out = np.full((len(nights.sites), nights.days), rank[Night.OUTSIDE])
    np.minimum.at(out, nights.site_of, rank[nights.state])
    best: NDArray[np.int8] = state_at[out].astype(np.int8)
    return best


def coverage(nights: Nights, pulse: NDArray[np.float64] | None, hours: float) -> list[SiteCoverage]:
    """One entry a site. ``pulse``: the network's run by day (any scale); ``hours`` in a unit
    of effort."""
    totals = {state: by_site((nights.state == state).astype(float), nights).sum(axis=1)
              for state in Night}
    calendar = site_calendar(nights)
    effort = by_site(np.nan_to_num(nights.effort), nights).sum(axis=1) * hours
    nets = np.bincount(nights.site_of, minlength=len(nights.sites))
    out = []
    for number, site in enumerate(nights.sites):
        seen_on = calendar[number] == Night.COUNTED
        at = np.flatnonzero(seen_on)
        seen = float("nan")
        if pulse is not None and pulse.sum() > 0:
            seen = float(pulse[seen_on].sum() / pulse.sum())
        out.append(SiteCoverage(
            site=site, nets=int(nets[number]), counted=int(totals[Night.COUNTED][number]),
            uncounted=int(totals[Night.UNCOUNTED][number]),
            lifted=int(totals[Night.LIFTED][number]), held=int(totals[Night.HELD][number]),
            missed=int(totals[Night.MISSED][number]), hours=float(effort[number]),
            first=int(at[0]) if len(at) else None, last=int(at[-1]) if len(at) else None,
            longest_gap=int(np.diff(at).max() - 1) if len(at) > 1 else 0, seen=seen))
    return out
