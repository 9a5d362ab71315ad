"""One season's nets by nights: what was fished, lifted, missed, counted.

A net check counts the night that ends on its date. A soak over several nights is spread
evenly over those before it that have no check of their own; nothing else is filled in.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Any

import duckdb
import numpy as np

from shared.protocol import Protocol, Target
from warehouse.season.terms import Terms

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


class Night(IntEnum):
    """What became of one night at one net."""

    OUTSIDE = 0
    """Before the net's first record of the season, or after its last."""
    COUNTED = 1
    UNCOUNTED = 2
    """The net fished; its count is blank, or withheld for a question."""
    LIFTED = 3
    """A record says that the net was not fishing."""
    HELD = 4
    """A record came and waits for an answer."""
    MISSED = 5
    """No record."""


@dataclass(frozen=True, slots=True)
class Nights:
    """A season, as arrays of nets x days (``state``, ``catch``, ``effort``) and sites x days.

    ``catch``: animals, NaN where none were counted. ``effort``: units of the protocol's
    CPUE (24 net-hours), NaN where unknown. ``water``: mean temperature [degC], NaN where
    not read. ``site_of``: index into ``sites`` of each net.
    """

    season: int
    first: dt.date
    sites: tuple[str, ...]
    gear: tuple[str, ...]
    site_of: Ints
    state: NDArray[np.int8]
    catch: Floats
    effort: Floats
    water: Floats

    @property
    def days(self) -> int:
        """Days in the season's window: the network's first to its last net check."""
        return int(self.state.shape[1])

    @property
    def dates(self) -> list[dt.date]:
        """The date of each day of the window."""
        return [self.first + dt.timedelta(days=day) for day in range(self.days)]

    @property
    def cpue(self) -> Floats:
        """Catch per unit effort of each net and night; NaN where either is unknown."""
        with np.errstate(divide="ignore", invalid="ignore"):
            found = self.catch / self.effort
        return np.where(np.isfinite(found), found, np.nan)

    @property
    def site_cpue(self) -> Floats:
        """Sites x days: catch over effort of a site's nets together."""
        known = np.isfinite(self.cpue)
        catch = by_site(np.where(known, self.catch, 0.0), self)
        effort = by_site(np.where(known, self.effort, 0.0), self)
        return np.divide(catch, effort, out=np.full_like(catch, np.nan), where=effort > 0)


def by_site(values: Floats, nights: Nights) -> Floats:
    """Sum over each site's nets: nets x days to sites x days."""
    out = np.zeros((len(nights.sites), values.shape[1]))
    np.add.at(out, nights.site_of, values)
    return out


def seasons_of(connection: duckdb.DuckDBPyConnection, protocol: str) -> list[int]:
    """Seasons in which the release has events of ``protocol``, in order."""
    rows = connection.execute(
        "SELECT DISTINCT season FROM events WHERE protocol = ? ORDER BY 1", [protocol]).fetchall()
    return [int(row[0]) for row in rows]


def read_nights(
    connection: duckdb.DuckDBPyConnection, season: int, protocol: Protocol, target: Target,
    terms: Terms,
) -> Nights | None:
    """``season`` as the release has it; None when no net of ``protocol`` was recorded."""
    found: dict[str, Any] = connection.execute(_RECORDS, {
        "season": season, "protocol": protocol.id, "taxon": target.taxon,
        "stage": target.life_stage, "scale": protocol.cpue_scale,
    }).fetchnumpy()
    held = connection.execute(_HELD, {"protocol": protocol.id}).fetchall()
    if not len(found["ordinal"]):
        return None
    first = dt.date.fromordinal(int(found["ordinal"].min()))
    day = np.asarray(found["ordinal"], dtype=np.int64) - first.toordinal()
    nets, net = np.unique(
        np.asarray(found["net"], dtype=str), return_inverse=True)
    names = [name.split("\t") for name in nets]
    sites = tuple(sorted({site for site, _ in names}))
    place = {site: number for number, site in enumerate(sites)}
    site_of = np.array([place[site] for site, _ in names], dtype=np.int64)
    shape = (len(nets), int(day.max()) + 1)

    state = np.full(shape, Night.OUTSIDE, dtype=np.int8)
    catch, effort = np.full(shape, np.nan), np.full(shape, np.nan)
    fishing = np.asarray(found["fishing"], dtype=bool)
    taken = _floats(found["catch"])
    fished = _floats(found["effort"])
    state[net, day] = np.where(
        ~fishing, Night.LIFTED, np.where(np.isnan(taken), Night.UNCOUNTED, Night.COUNTED))
    catch[net, day] = np.where(fishing, taken, np.nan)
    effort[net, day] = np.where(fishing, fished, np.nan)

    recorded = state != Night.OUTSIDE
    begins = recorded.argmax(axis=1)
    ends = shape[1] - 1 - recorded[:, ::-1].argmax(axis=1)
    along = np.arange(shape[1])
    inside = (along >= begins[:, None]) & (along <= ends[:, None])
    state[inside & ~recorded] = Night.MISSED
    _spread_long_soaks(state, catch, effort, terms.longest_soak)

    row_of = {(site, gear): number for number, (site, gear) in enumerate(names)}
    for site, gear, when in held:
        row, at = row_of.get((site, gear)), when.toordinal() - first.toordinal()
        if row is not None and 0 <= at < shape[1] and state[row, at] in (
            Night.MISSED, Night.OUTSIDE
        ):
            state[row, at] = Night.HELD

    water = np.full((len(sites), shape[1]), np.nan)
    read = _floats(found["water"])
    known = np.isfinite(read)
    water[site_of[net[known]], day[known]] = read[known]
    return Nights(season, first, sites, tuple(gear for _, gear in names), site_of, state, catch,
                  effort, water)


def _floats(column: object) -> Floats:
    """A numpy (or masked) column as floats, NaN where empty."""
    filled: Floats = np.ma.filled(np.ma.asarray(column, dtype=np.float64), np.nan)
    return filled


def _spread_long_soaks(
    state: NDArray[np.int8], catch: Floats, effort: Floats, longest: int
) -> None:
    nights = np.nan_to_num(np.rint(effort), nan=1.0)
    for net, day in zip(*np.nonzero((nights >= 2) & (state == Night.COUNTED)), strict=True):
        back = day
        while (back > 0 and day - back + 1 < min(nights[net, day], longest)
               and state[net, back - 1] == Night.MISSED):
            back -= 1
        share = day - back + 1
        if share > 1:
            state[net, back:day + 1] = Night.COUNTED
            catch[net, back:day + 1] = catch[net, day] / share
            effort[net, back:day + 1] = effort[net, day] / share


# Two checks of one net on a day are one night. A sum lacking a part would be too small, and
# would not say so.
_RECORDS = """
WITH caught AS (
    SELECT event_id, sum(count)::DOUBLE AS catch FROM counts
    WHERE season = $season AND protocol = $protocol AND taxon_id = $taxon
          AND life_stage = $stage
    GROUP BY event_id
)
SELECT site_id || chr(9) || gear_unit AS net, date_diff('day', DATE '0001-01-01', local_date) + 1
           AS ordinal,
       bool_or(coalesce(net_status, 'fishing') = 'fishing') AS fishing,
       CASE WHEN count(catch) = count(*) FILTER (coalesce(net_status, 'fishing') = 'fishing')
            THEN sum(catch) END AS catch,
       CASE WHEN count(effort_value) = count(*) FILTER (
                coalesce(net_status, 'fishing') = 'fishing')
            THEN sum(effort_value) / $scale END AS effort,
       avg(water_temperature_c) AS water
FROM events LEFT JOIN caught USING (event_id)
WHERE season = $season AND protocol = $protocol
GROUP BY net, ordinal ORDER BY net, ordinal
"""

# An identity is site:protocol:net:date, with the time where there is one.
_HELD = """
SELECT DISTINCT part[1], part[3], try_cast(left(part[4], 10) AS DATE) AS day
FROM (SELECT string_split(event_id, ':') AS part FROM findings
      WHERE effect = 'hold' AND status = 'open' AND event_id IS NOT NULL)
WHERE len(part) = 4 AND part[2] = $protocol AND day IS NOT NULL
ORDER BY ALL
"""
