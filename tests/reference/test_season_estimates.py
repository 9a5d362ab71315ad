"""Season estimates against printed worked examples, to the printed digits."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
from scipy.special import stdtrit

from tests.warehouse.season.made_up_release import nights_of
from warehouse.season import abundance, moon, timing
from warehouse.season.index import fit_counts
from warehouse.season.trend import mann_kendall, null_distribution

LEVEL = 0.95


# -- delta-lognormal mean --------------------------------------------------------------------

GILBERT_13_1 = np.array(
    [3.161, 4.151, 3.756, 2.202, 1.535, 20.76, 8.42, 7.81, 2.72, 4.43])


def test_delta_mean_without_zeros_is_gilberts_example_13_1() -> None:
    # Gilbert (1987), Statistical Methods for Environmental Pollution Monitoring, example 13.1,
    # p. 166 (prints 5.66 by table); to all digits as printed by ProUCL 4.00.02, quoted in the
    # documentation of R's Smisc::umvueLN: mean 5.6544289, standard error 1.3944504.
    found = abundance.delta_mean(GILBERT_13_1, LEVEL)
    assert f"{float(found.mean):.7f}" == "5.6544289"
    assert f"{float(np.sqrt(abundance.delta_variance(GILBERT_13_1))):.7f}" == "1.3944504"
    assert float(found.mean) == pytest.approx(5.66, abs=0.01)


def test_finneys_series_of_a_published_worked_answer() -> None:
    # Cross Validated, question 105717 (answer by W. Huber): x = 0.043 0.236 0.057 0.016,
    # s^2 = 1.23594, g_4(s^2 / 2) = 1.532355, mean 0.084519.
    x = np.array([0.043, 0.236, 0.057, 0.016])
    square = np.log(x).var(ddof=1)
    assert f"{square:.5f}" == "1.23594"
    assert f"{float(abundance.finney(np.array(4.0), np.array(square / 2))):.6f}" == "1.532355"
    assert f"{float(abundance.delta_mean(x, LEVEL).mean):.6f}" == "0.084519"


ZERO_MODIFIED = Path(__file__).parent / "zero_modified_lognormal.csv"


def test_delta_mean_with_zeros_is_the_printed_one() -> None:
    # S. P. Millard, EnvStats for R, help page of ezmlnormAlt (man/ezmlnorm.Rd, read in
    # alexkowa/EnvStats at 234741c): 100 draws of R, seed 250, of which 45 are zero; printed mean
    # of the catches 1.9604561, of all 1.0782508, its interval 0.748134 to 1.408368. The draws
    # are kept beside this test as R 4.2.2 gives them, with how they were drawn.
    x = np.loadtxt(ZERO_MODIFIED, skiprows=4)
    assert (len(x), int((x == 0).sum())) == (100, 45)
    found = abundance.delta_mean(x, LEVEL)
    assert f"{float(found.mean):.7f}" == "1.0782508"
    assert f"{float(abundance.delta_mean(x[x > 0], LEVEL).mean):.7f}" == "1.9604561"
    # The printed interval is symmetric and of the asymptotic variance with estimates put in
    # (Owen and DeRouen 1980, equation 11 of the help page). Ours is of Pennington's unbiased
    # variance and stays above zero; the two standard errors are 2 % apart.
    half = (1.408368 - 0.748134) / 2 / float(stdtrit(98, 0.975))
    assert float(np.sqrt(abundance.delta_variance(x))) == pytest.approx(half, rel=0.03)
    assert float(found.low) == pytest.approx(0.748134, rel=0.06)
    assert float(found.high) == pytest.approx(1.408368, rel=0.03)


def test_delta_variance_with_zeros_is_another_s() -> None:
    # No printed variance with zeros was found. These are what R 4.2.2 gives by deltadist of
    # fishmethods (G. A. Nelson, after Pennington 1983; source read on rdrr.io), whose series
    # stops at 1e-6. The first sample is constructed (shared/reference-values, section 6, b*).
    for x, mean, variance in ((np.array([0, 0, 3, 12, 150, 48, 7, 0, 1, 22.0]), "25.02119",
                               "252.1988"),
                              (np.loadtxt(ZERO_MODIFIED, skiprows=4), "1.07825", "0.0264")):
        places = len(variance.split(".")[1])
        assert f"{float(abundance.delta_mean(x, LEVEL).mean):.5f}" == mean
        assert f"{float(abundance.delta_variance(x)):.{places}f}" == variance


@pytest.mark.parametrize(("x", "expected"), [
    ([0.0, 0.0, 0.0], 0.0),  # Pennington (1983): nothing caught
    ([0.0, 8.0, 0.0, 0.0], 2.0),  # one catch: x / n
])
def test_delta_mean_at_its_edges(x: list[float], expected: float) -> None:
    assert float(abundance.delta_mean(np.array(x), LEVEL).mean) == pytest.approx(expected)


# -- geometric mean ---------------------------------------------------------------------------


def test_geometric_mean_of_ln_x_plus_one_is_the_printed_one() -> None:
    # Worked by another hand in R, printed in stats.stackexchange.com question 404730 ("CASE2"):
    # nine zeros, two ones and a two give 0.2300755.
    x = np.array([0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 2.0])
    assert f"{float(abundance.geometric_mean(x, LEVEL).mean):.7f}" == "0.2300755"


def test_geometric_mean_of_ln_x_plus_one_with_its_interval() -> None:
    # No published example with an interval was found. Constructed (shared/reference-values,
    # section 6, b*).
    x = np.array([0, 0, 3, 12, 150, 48, 7, 0, 1, 22.0])
    found = abundance.geometric_mean(x, LEVEL)
    assert f"{float(found.mean):.6f}" == "5.532846"
    assert f"{float(found.low):.6f}" == "0.840222"
    assert f"{float(found.high):.6f}" == "22.191805"
    assert float(abundance.arithmetic_mean(x, LEVEL).mean) == pytest.approx(24.3)


# -- area under the curve -------------------------------------------------------------------


def test_area_under_the_curve_by_trapezes() -> None:
    # Documentation of R's agricolae::audpc (after Campbell and Madden 1990): days 14, 21, 28
    # with 40, 80, 90 give A + B = 1015.
    assert abundance.area_under_curve(np.array([14, 21, 28.0]), np.array([40, 80, 90.0])) == 1015


SPAWNERS = {
    # Live spawners on the days they were counted; a day of 0 stands 11 days (the time that a
    # spawner stays) before a first and after a last count that is not 0.
    2015: ("09-13 0 09-24 27 10-01 82 10-05 54 10-09 20 10-13 75 10-16 86 10-19 68 10-22 61 "
           "10-25 29 10-29 12 11-05 0", "2065.0", 188),
    2019: ("09-27 0 10-04 10 10-09 8 10-13 13 10-16 63 10-19 28 10-22 13 10-25 6 10-30 14 "
           "11-10 0", "589.5", 54),
    2021: ("09-24 0 10-05 9 10-13 25 10-15 39 10-17 16 10-19 16 10-22 9 10-25 10 10-29 3 "
           "11-04 0", "437.5", 40),
    2022: ("09-23 0 10-04 4 10-12 84 10-14 246 10-16 309 10-18 206 10-24 371 10-28 184 "
           "11-03 118 11-14 0", "6170.0", 561),
}


@pytest.mark.parametrize("year", SPAWNERS)
def test_area_under_the_curve_with_days_that_nobody_counted_is_the_printed_one(year: int) -> None:
    # B. Judson, Okanagan sockeye above McIntyre Dam (BradenJudson/auc_oksox at 4ab8f0b, a public
    # analysis, not a textbook): counts in midOSO_counts.csv, areas [fish-days] and spawners,
    # area / 11 days, printed in mid_oso/mcin_auc.csv; trapezoids and half-triangle tails, as it
    # says after Hilborn.
    said, area, spawners = SPAWNERS[year]
    words = said.split()
    days = np.array([dt.date.fromisoformat(f"{year}-{day}").toordinal() for day in words[::2]])
    counts = np.array(words[1::2], float)
    found = abundance.area_under_curve(days.astype(float), counts)
    assert f"{found:.1f}" == area
    assert round(found / 11) == spawners
    # What the season's total does with the days between: a straight line, day by day.
    calendar = np.full((1, days[-1] - days[0] + 1), np.nan)
    calendar[0, days - days[0]] = counts
    filled = abundance.interpolated(nights_of(calendar.tolist()))
    assert np.isfinite(filled).sum() == calendar.shape[1] - len(days)
    assert f"{np.nansum(filled) + counts.sum():.1f}" == area


# -- timing ----------------------------------------------------------------------------------


def test_mean_date_is_the_weighted_mean_of_a_printed_example() -> None:
    # Documentation of R's SeedCalc::MGT (Labouriau 1983), the same statistic for seeds: days 1
    # to 10, 0 2 4 15 25 38 45 50 50 50 come so far, mean time printed as 5.42.
    so_far = np.array([0, 2, 4, 15, 25, 38, 45, 50, 50, 50.0])
    mean, _ = timing.mean_day(np.diff(so_far, prepend=0.0))
    assert f"{float(mean) + 1:.2f}" == "5.42"


def test_the_date_of_half_the_run_is_the_printed_one() -> None:
    # Tests of R's germinationmetrics (J. Aravind; tests/testthat/test-t50.R, read on rdrr.io):
    # half of 40 have come by day 5.94117647058824, on the line between days (Farooq et al. 2005,
    # Journal of Integrative Plant Biology 47, 187-193), the same statistic for seeds.
    daily = np.array([0, 0, 0, 0, 4, 17, 10, 7, 1, 0, 1, 0, 0, 0.0])
    half = timing.passing_days(daily, (0.50,))
    assert f"{float(half[0]) + 1:.14f}" == "5.94117647058824"


def test_run_timing_in_mundys_form() -> None:
    # Mundy (1982) prints no daily table. Constructed (shared/reference-values, section 6, b*):
    # days 100 to 111, mean 105.420408, variance 2.243665, dates of 5 to 95 % and the 10, 50 and
    # 90 % points on the line between days.
    daily = np.array([0, 2, 5, 10, 40, 80, 60, 30, 10, 5, 2, 1.0])
    mean, spread = timing.mean_day(daily)
    assert f"{100 + float(mean):.6f}" == "105.420408"
    assert f"{float(spread) ** 2:.6f}" == "2.243665"
    points = 100 + timing.passing_days(daily, (0.10, 0.50, 0.90))
    assert [f"{day:.5f}" for day in points] == ["103.18750", "104.81875", "106.78333"]
    shares = (0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
    assert np.ceil(100 + timing.passing_days(daily, shares)).tolist() == [
        103, 104, 105, 105, 106, 107, 108]


# -- trend -----------------------------------------------------------------------------------


def test_mann_kendall_by_hand() -> None:
    # J. Little, College of the Holy Cross, "A Mann-Kendall example (by hand)": 72 pairs rise, 18
    # fall, one is tied; S = 54, Z = 2.9058, one-sided p = .0018.
    x = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]
    found = mann_kendall(range(1, 15), x, LEVEL)
    assert found.s == 54
    assert f"{found.z:.4f}" == "2.9058"
    assert f"{found.p_plain / 2:.4f}" == "0.0018"


def test_mann_kendall_and_sen_on_gilberts_four_values() -> None:
    # Gilbert (1987), section 16.4: 10, 15, 14, 20 give S = 4, and by his table of the exact
    # distribution for n = 4 a one-sided p of 0.167. Sen's slope: median of six slopes.
    found = mann_kendall([1, 2, 3, 4], [10, 15, 14, 20], LEVEL)
    assert found.s == 4
    assert found.method == "exact"
    assert f"{found.p / 2:.3f}" == "0.167"
    assert found.slope == pytest.approx(2.91667, abs=5e-6)


def test_sens_slope_and_its_limits_of_example_17_7() -> None:
    # USEPA (2009), Unified Guidance, EPA 530/R-09-007, example 17-7, p. 17-36 (sodium, ppm),
    # values and results as printed by EnvStats for R (S. P. Millard; read in a public copy of its
    # script for the Guidance's chapter 17 and its help page of the data): slope 1.3333333,
    # z 2.146625, p 0.03182313, limits by Gilbert's modification 0.3992083 and 2.3333333.
    years = [89.6, 90.1, 90.8, 91.1, 92.1, 93.1, 94.1, 95.6, 96.1, 96.3]
    sodium = [56.0, 53, 51, 55, 52, 60, 62, 59, 61, 63]
    found = mann_kendall(years, sodium, LEVEL)
    assert f"{found.slope:.7f}" == "1.3333333"
    assert f"{found.z:.6f}" == "2.146625"
    assert f"{found.p_plain:.8f}" == "0.03182313"
    assert (f"{found.low:.7f}", f"{found.high:.7f}") == ("0.3992083", "2.3333333")


def test_the_exact_distribution_of_s() -> None:
    # Kendall (1975), Rank Correlation Methods, table of S for n = 4: 1 3 5 6 5 3 1 of 24;
    # Gilbert (1987), table A18: P(S >= 23 | n = 10) = 0.023.
    assert [round(24 * p) for p in null_distribution(4).values()] == [1, 3, 5, 6, 5, 3, 1]
    assert f"{sum(p for s, p in null_distribution(10).items() if s >= 23):.3f}" == "0.023"


def test_mann_kendall_and_sen_on_the_nile() -> None:
    # Nile at Aswan 1871-1970, ships with statsmodels. scipy and pymannkendall agree on
    # (shared/reference-values, section 6, b): S -1387, Z -4.12807, p 3.658e-5, Sen -2.6.
    from statsmodels.datasets import nile

    data = nile.load_pandas().data
    found = mann_kendall(data["year"].tolist(), data["volume"].tolist(), LEVEL)
    assert found.s == -1387
    assert f"{found.z:.5f}" == "-4.12807"
    assert f"{found.p_plain:.3e}" == "3.658e-05"
    assert found.slope == pytest.approx(-2.6, abs=1e-12)
    # The Nile remembers: with autocorrelation allowed for, the evidence is weaker.
    assert found.lag_one > 0.2
    assert found.p > found.p_plain


# -- negative binomial ------------------------------------------------------------------------


def test_negative_binomial_coefficients_of_the_health_insurance_experiment() -> None:
    # RAND Health Insurance Experiment, ships with statsmodels; coefficients, standard errors and
    # log likelihood as computed by R and stored in statsmodels' own tests.
    from statsmodels.datasets import randhie
    from statsmodels.discrete.tests.results.results_discrete import RandHIE

    stored = RandHIE.negativebinomial_nb2_bfgs
    data = randhie.load_pandas()
    x = np.column_stack([np.asarray(data.exog, float), np.ones(len(data.endog))])
    found = fit_counts(np.asarray(data.endog, float), x)
    assert found.converged
    assert found.coefficients == pytest.approx(np.asarray(stored.params)[:-1], abs=1e-6)
    assert found.errors == pytest.approx(np.asarray(stored.bse)[:-1], abs=1e-6)
    assert found.alpha == pytest.approx(1.292953, abs=1e-6)
    assert found.log_likelihood == pytest.approx(-43383.66208, abs=1e-4)


def test_counts_with_an_offset_and_hardly_any_extra_scatter() -> None:
    # Ships damaged by waves (McCullagh and Nelder 1989, section 6.3.2), ships with statsmodels:
    # Poisson with offset log(months of service). Their coefficients: constant -6.41, ship B
    # -0.54, C -0.69, D -0.08, E 0.33, built 65-69 0.70, 70-74 0.82, 75-79 0.45, operated 75-79
    # 0.38.
    import csv

    import statsmodels

    path = (Path(statsmodels.__file__).parent / "discrete" / "tests" / "results" / "ships.csv")
    with path.open(encoding="utf-8", newline="") as handle:
        rows = [row for row in csv.DictReader(handle) if float(row["service"] or 0) > 0]
    assert len(rows) == 34
    columns = [[1.0] * 34]
    for name in ("ship", "yr_con", "op_75_79"):
        values = sorted({row[name] for row in rows})
        columns += [[float(row[name] == value) for row in rows] for value in values[1:]]
    y = np.array([float(row["accident"]) for row in rows])
    found = fit_counts(y, np.array(columns).T, np.log([float(r["service"]) for r in rows]),
                       alpha=0.0)
    assert [f"{value:.2f}" for value in found.coefficients] == [
        "-6.41", "-0.54", "-0.69", "-0.08", "0.33", "0.70", "0.82", "0.45", "0.38"]


# -- moon -------------------------------------------------------------------------------------


def test_the_moon_of_meeus() -> None:
    # Meeus, Astronomical Algorithms, example 48.a: 12 April 1992, 0h: k = 0.6786; by the short
    # series (48.4) 0.680. Example 49.a: new moon 18 February 1977, 3h37m.
    assert moon.illuminated(dt.datetime(1992, 4, 12, tzinfo=dt.UTC)) == pytest.approx(
        0.6786, abs=0.002)
    away = moon.elongation(dt.datetime(1977, 2, 18, 3, 37, tzinfo=dt.UTC))
    assert min(away, 360 - away) < 0.3  # degrees; half an hour of its way
