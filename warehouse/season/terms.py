"""What the season's estimates take as given. The methods appendix prints every one."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Terms:
    """Settings of the estimates. Each has its meaning as docstring, for the appendix."""

    level: float = 0.95
    """Level of every interval."""
    draws: int = 1000
    """Draws of the missing nights behind each interval."""
    seed: int = 20260201
    """Seed of the draws: the same release gives the same intervals."""
    knot_days: int = 9
    """Days between the knots of the network's run curve."""
    site_knots: int = 6
    """Pieces of the curve by which a site's run may differ from the network's."""
    longest_soak: int = 7
    """Nights at most that one soak is spread over."""
    degree_day_base: float = 0.0
    """Water temperature [degC] above which degree-days are summed."""
    day_knots: int = 5
    """Degrees of freedom of the day-of-season smooth in the network index."""
    temperature_knots: int = 3
    """Degrees of freedom of the temperature smooth in the network index."""
    fewest_sites: int = 4
    """Sites without which no network index is given."""
    fewest_nights: int = 10
    """Counted nights without which a site's season is left out of the models."""
    least_reach: float = 0.8
    """Share of the usual run that a season's nights must reach over to enter the index."""
    fewest_animals: int = 20
    """Animals counted without which a site's run has no dates."""
    fewest_years: int = 4
    """Years without which no trend is tested (three ordered years are no evidence at 5 %)."""
    power: float = 0.8
    """Chance of detection that the power statement asks for."""
    spring_days: float = 2.0
    """Days either side of new and full moon that are called spring tides."""
