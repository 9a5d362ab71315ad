"""Coverage, means, totals, timing, index and trend as they behave, beside the worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from bench.season_coverage import simulate
from warehouse.season import abundance, timing
from warehouse.season.coverage import coverage
from warehouse.season.index import Index, TooFew, network_index
from warehouse.season.nights import Night
from warehouse.season.pulse import daily_draws, fit_pulse, to_estimate, totals
from warehouse.season.terms import Terms
from warehouse.season.trend import mann_kendall, power_of

from .made_up_release import nights_of

NAN = float("nan")
TERMS = Terms(draws=200)


# -- coverage --------------------------------------------------------------------------------


def test_coverage_counts_nights_and_the_share_of_the_run_they_saw() -> None:
    nights = nights_of([[5, NAN, NAN, 4, 1], [NAN, 2, 3, NAN, NAN]], sites=[0, 1])
    nights.state[1, [0, 3, 4]] = Night.OUTSIDE
    first, second = coverage(nights, np.array([1, 2, 4, 2, 1.0]), 24)
    assert (first.counted, first.missed, first.longest_gap, first.hours) == (3, 2, 2, 72)
    assert first.seen == pytest.approx(0.4)
    assert (second.counted, second.expected, second.seen) == (2, 2, pytest.approx(0.6))


# -- means ------------------------------------------------------------------------------------


@given(arrays(float, st.integers(2, 40), elements=st.floats(0, 5000).map(lambda v: round(v, 2))))
def test_the_geometric_mean_never_passes_the_arithmetic(x: np.ndarray) -> None:  # type: ignore[type-arg]
    geometric = abundance.geometric_mean(x, 0.95)
    assert geometric.mean <= abundance.arithmetic_mean(x, 0.95).mean * (1 + 1e-9) + 1e-9
    assert 0 <= geometric.low <= geometric.mean + 1e-9 <= geometric.high + 2e-9


@given(arrays(float, (3, 12), elements=st.sampled_from([0.0, 1.0, 7.0, 30.0, NAN])))
def test_many_sites_at_once_are_each_site_alone(x: np.ndarray) -> None:  # type: ignore[type-arg]
    for mean in (abundance.arithmetic_mean, abundance.geometric_mean, abundance.delta_mean):
        together = mean(x, 0.95)
        for row in range(3):
            alone = mean(x[row], 0.95)
            np.testing.assert_allclose(together.mean[row], alone.mean, rtol=1e-9)
            np.testing.assert_allclose(together.high[row], alone.high, rtol=1e-6)


def test_a_night_not_counted_is_no_zero() -> None:
    with_gap = abundance.arithmetic_mean(np.array([4.0, NAN, 6.0]), 0.95)
    assert (with_gap.mean, with_gap.n) == (5, 2)


# -- totals ------------------------------------------------------------------------------------


def test_the_straight_line_fills_inner_gaps_only() -> None:
    nights = nights_of([[NAN, 2, NAN, NAN, 8, NAN]])
    nights.state[0, [0, 5]] = Night.OUTSIDE
    filled = abundance.interpolated(nights)
    assert filled[0, [2, 3]].tolist() == [4, 6]
    assert np.isnan(filled[0, [0, 1, 4, 5]]).all()


def test_a_season_without_gaps_has_nothing_estimated_and_no_interval() -> None:
    seasons, _ = simulate(3)
    whole = seasons[0].whole
    nights = nights_of(whole.tolist(), sites=seasons[0].nights.site_of.tolist())
    pulse = fit_pulse(nights, TERMS)
    assert pulse is not None
    for total in totals(nights, pulse, 0.95, abundance.interpolated(nights)):
        assert total.estimated == 0
        assert total.low == total.counted == total.high


def test_a_lost_peak_is_told_by_the_other_sites() -> None:
    season = simulate(11)[0][0]
    pulse = fit_pulse(season.nights, TERMS)
    assert pulse is not None
    found = totals(season.nights, pulse, 0.95, abundance.interpolated(season.nights))
    hits = 0
    for site, total in enumerate(found):
        mine = season.nights.site_of == site
        truth = season.whole[mine].sum()
        assert total.counted == np.nansum(season.nights.catch[mine])
        assert total.counted <= total.low <= total.total <= total.high
        hits += total.low <= truth <= total.high
    # Twelve intervals of 95 %: three misses would come once in fifty.
    assert hits >= 10


def test_what_was_counted_is_never_drawn_anew() -> None:
    season = simulate(5)[0][0]
    pulse = fit_pulse(season.nights, TERMS)
    assert pulse is not None
    assert not pulse.filled[~to_estimate(season.nights)].any()
    drawn = daily_draws(season.nights, pulse, 3)
    counted = np.nan_to_num(season.nights.catch[season.nights.site_of == 3]).sum(axis=0)
    assert (drawn >= counted).all()


def test_the_same_nights_give_the_same_draws() -> None:
    season = simulate(5)[0][1]
    first, second = fit_pulse(season.nights, TERMS), fit_pulse(season.nights, TERMS)
    assert first is not None and second is not None
    assert (first.filled == second.filled).all()


def test_too_little_to_fit_is_said_not_guessed() -> None:
    assert fit_pulse(nights_of([[1, 2, NAN]]), TERMS) is None
    assert fit_pulse(nights_of([[0.0] * 30]), TERMS) is None
    nights = nights_of([[1, 2, NAN]])
    (total,) = totals(nights, None, 0.95, abundance.interpolated(nights))
    assert total.counted == 3
    assert np.isnan([total.estimated, total.low, total.high]).all()


# -- timing ------------------------------------------------------------------------------------


@given(arrays(float, st.integers(1, 60), elements=st.integers(0, 500).map(float)))
def test_shares_pass_in_order_and_by_the_day_that_reaches_them(daily: np.ndarray) -> None:  # type: ignore[type-arg]
    days = timing.passing_days(daily)
    if not daily.sum():
        assert np.isnan(days).all()
        return
    assert (np.diff(days) >= -1e-9).all()
    whole = np.cumsum(daily)
    for day, share in zip(np.ceil(days - 1e-9).astype(int), timing.SHARES, strict=True):
        assert whole[max(day, 0)] >= share * whole[-1] - 1e-6
        assert day <= 0 or whole[day - 1] <= share * whole[-1] + 1e-6


def test_a_site_without_readings_has_the_networks_water() -> None:
    day = np.linspace(2, 12, 40)
    water = np.stack([day, day + 1.5, np.full(40, NAN)])
    water[1, 10:20] = NAN
    filled = timing.filled_temperature(water)
    assert np.isfinite(filled).all()
    np.testing.assert_allclose(filled[1, 10:20], day[10:20] + 1.5, atol=0.05)


def test_degree_days_add_up_over_the_base() -> None:
    assert timing.degree_days(np.array([3.0, 5.0, -1.0, 6.0]), 4.0).tolist() == [0, 1, 1, 3]


# -- the network index -------------------------------------------------------------------------


def test_the_index_finds_years_that_differ_and_says_how_far_it_may_be_off() -> None:
    seasons, years = simulate(21)
    index = network_index([season.nights for season in seasons], TERMS)
    assert isinstance(index, Index)
    assert index.converged
    assert index.effect.mean() == pytest.approx(1)
    truth = years - years.mean()
    assert np.corrcoef(index.log_effect, truth)[0, 1] > 0.9
    # The model's own error takes nights as independent, which they are not.
    assert (index.error > index.model_error).all()
    assert 0.7 < index.dispersion < 1.4
    assert index.zeros == pytest.approx(index.zeros_expected, abs=0.04)
    assert set(index.without) == set(index.sites)


def test_too_few_sites_or_seasons_give_no_index_but_a_sentence() -> None:
    seasons, _ = simulate(2)
    one = network_index([seasons[0].nights], TERMS)
    assert isinstance(one, TooFew) and "two seasons" in one.why
    few = [nights_of(s.nights.catch[:3].tolist(), season=s.nights.season) for s in seasons]
    assert isinstance(network_index(few, TERMS), TooFew)
    assert isinstance(network_index([], TERMS), TooFew)


def test_an_index_that_hangs_on_one_site_is_refused() -> None:
    seasons, _ = simulate(2)
    four = [nights_of(s.nights.catch[[0, 1, 2, 5]].tolist(), season=s.nights.season)
            for s in seasons]
    found = network_index(four, TERMS)
    assert isinstance(found, TooFew) and "s00" in found.why


def test_a_season_that_has_not_run_through_stays_out_of_the_index() -> None:
    seasons, _ = simulate(4)
    cut = seasons[4].nights
    half = nights_of(cut.catch[:, :45].tolist(), season=cut.season, sites=cut.site_of.tolist())
    index = network_index([*(s.nights for s in seasons[:4]), half], TERMS)
    assert isinstance(index, Index)
    assert index.years == (2001, 2002, 2003, 2004)


# -- trend ---------------------------------------------------------------------------------------


def test_power_grows_with_the_decline_and_falls_with_the_scatter() -> None:
    quiet, noisy = power_of(10, 0.15, TERMS), power_of(10, 0.6, TERMS)
    chances = [chance for _, chance in quiet.chances]
    assert chances == sorted(chances)
    assert quiet.detectable < 0.5 < noisy.detectable
    assert chances[0] < 0.1


def test_three_years_can_show_nothing() -> None:
    # The likeliest of six orders has p = 1/6 one-sided.
    assert np.isnan(power_of(3, 0.1, TERMS).detectable)


@settings(max_examples=150)
@given(st.integers(5, 9).flatmap(lambda years: st.permutations(range(years))))
def test_the_slope_s_limits_leave_out_zero_when_the_exact_test_finds_a_trend(
    order: list[int]
) -> None:
    found = mann_kendall(range(len(order)), [float(value) for value in order], 0.95)
    assert found.method == "exact"
    assert (found.low > 0 or found.high < 0) == (found.p <= 0.05)


def test_four_years_give_a_slope_no_limits() -> None:
    # The likeliest order of four has p = 1/12 two-sided: no slope is sure at 95 %.
    found = mann_kendall(range(4), [1.0, 2.0, 4.0, 8.0], 0.95)
    assert (found.low, found.high) == (-np.inf, np.inf)
    at_ninety = mann_kendall(range(4), [1.0, 2.0, 4.0, 8.0], 0.90)
    assert (at_ninety.low, at_ninety.high) == (1.0, 4.0)


def test_a_gap_in_the_years_is_not_taken_for_a_step() -> None:
    found = mann_kendall([2001, 2002, 2006, 2007], [1.0, 2.0, 6.0, 7.0], 0.95)
    assert found.slope == pytest.approx(1)
    assert np.isnan(found.lag_one)
