"""Statistics against published worked examples, certified values and tables."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tracker.session.chart import D2, D4, control_chart
from tracker.session.compare import difference
from tracker.session.consistency import coefficient_of_variation, mean, repeatability, sd_bounds
from tracker.session.distributions import kendall_tail, t_quantile, t_two_sided
from tracker.session.outliers import extreme_deviates, outliers
from tracker.session.power import one_sample_power, shots_for_difference, two_sample_power
from tracker.session.spread import brown_forsythe, spread_ratio
from tracker.session.tolerance import one_sided_k, two_sided_k
from tracker.session.trend import kendall_variance, trend
from tracker.session.values import Sample


def sample(values, u_common=0.0, calibration=""):
    values = np.asarray(values, dtype=float)
    return Sample(values, np.zeros(len(values)), u_common, calibration)


def made(n, centre, sd):
    """n values with exactly this mean and standard deviation."""
    z = np.linspace(-1, 1, n)
    return centre + sd * z / np.std(z, ddof=1)


# -- mean and standard deviation ------------------------------------------------------------------

# Michelson's 100 speeds of light, 1879, in km/s less 299000 (data from memory; the certified values
# below, read in third-party test code quoting NIST StRD univariate "Michelso", confirm them).
MICHELSON = """
850 740 900 1070 930 850 950 980 980 880 1000 980 930 650 760 810 1000 1000 960 960
960 940 960 940 880 800 850 880 900 840 830 790 810 880 880 830 800 790 760 800
880 880 880 860 720 720 620 860 970 950 880 910 850 870 840 840 850 840 840 840
890 810 810 820 800 770 760 740 750 760 910 920 890 860 880 720 840 850 850 780
890 840 780 810 760 810 790 810 820 850 870 870 810 740 810 940 950 800 810 870
"""


@pytest.mark.parametrize(
    ("values", "certified_mean", "certified_sd", "digits"),
    [
        # NIST StRD univariate, certified to 15 digits; NumAcc from memory, Michelso as above
        ([10000001, 10000003, 10000002], 10000002.0, 1.0, 14),
        ([1.2] + [1.1, 1.3] * 500, 1.2, 0.1, 13),
        ([1000000.2] + [1000000.1, 1000000.3] * 500, 1000000.2, 0.1, 9),
        ([10000000.2] + [10000000.1, 10000000.3] * 500, 10000000.2, 0.1, 8),
        ((299000 + np.array(MICHELSON.split(), dtype=float)) / 1000, 299.8524, 0.0790105478190518, 12),
    ],
)
def test_nist_certified_mean_and_sd(values, certified_mean, certified_sd, digits):
    assert mean(sample(values)).value.value == pytest.approx(certified_mean, rel=1e-14)
    assert repeatability(sample(values)).sd.value == pytest.approx(certified_sd, rel=10.0**-digits)


def test_gum_twenty_temperatures():
    # JCGM 100:2008, 4.4.3: mean 100.14, s 1.49, s of the mean 0.33 (from memory)
    kelvin = """96.90 98.18 98.25 98.61 99.03 99.49 99.56 99.74 99.89 100.07
                100.33 100.42 100.68 100.95 101.11 101.20 101.57 101.84 102.36 102.72"""
    t = sample(np.array(kelvin.split(), dtype=float))
    found = mean(t)
    assert found.value.value == pytest.approx(100.145, abs=5e-4)
    assert repeatability(t).sd.value == pytest.approx(1.489, abs=5e-4)
    assert found.value.u_random == pytest.approx(0.333, abs=5e-4)
    assert found.dof == 19


def test_mean_interval_uses_students_t():
    # t(0.975; 9) = 2.262157 (tables of Student's t; scipy agrees)
    found = mean(sample(made(10, 7.0, 0.1))).value
    assert found.high95 - found.value == pytest.approx(2.262157 * 0.1 / math.sqrt(10), rel=1e-6)


def test_common_part_has_infinite_degrees_of_freedom():
    # JCGM 100:2008, G.4.2: u^4 / (u_r^4 / nu); written out here by hand for u_r = 0.1, nu = 4, u_c = 0.2
    found = mean(sample(made(5, 7.0, 0.1 * math.sqrt(5)), u_common=0.2))
    u = math.sqrt(0.05)
    assert found.dof == pytest.approx(u**4 / (0.1**4 / 4))
    # 100 degrees of freedom: t = 1.98397 (tables)
    assert found.dof == pytest.approx(100)
    assert found.value.high95 - 7.0 == pytest.approx(1.98397 * u, rel=1e-5)


def test_sd_interval_chi_square():
    # chi2(9): 2.700390 and 19.022768 (tables)
    low, high = sd_bounds(2.0, 9)
    assert low == pytest.approx(2 * math.sqrt(9 / 19.022768), rel=1e-6)
    assert high == pytest.approx(2 * math.sqrt(9 / 2.700390), rel=1e-6)


@pytest.mark.parametrize(
    ("n", "cv", "chi2_high", "chi2_low"),
    # chi-square 0.975 and 0.025 quantiles from tables
    [(5, 0.01, 11.143287, 0.484419), (10, 0.02, 19.022768, 2.700390), (10, 0.002, 19.022768, 2.700390)],
)
def test_cv_interval_against_vangels_approximation(n, cv, chi2_high, chi2_low):
    # Vangel, Am. Stat. 50 (1996) 21, "modified McKay"; formula read in third-party code that cites it.
    # Its error is far below the tolerance for coefficients this small.
    found = coefficient_of_variation(made(n, 1.0, cv))
    for bound, u in ((found.low95, chi2_high), (found.high95, chi2_low)):
        assert bound == pytest.approx(cv / math.sqrt(((u + 2) / n - 1) * cv**2 + u / (n - 1)), rel=2e-5)


# -- control chart --------------------------------------------------------------------------------


def test_individuals_chart_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.2, flow rate; limits read in third-party test code. The handbook
    # rounds d2 to 1.128, which moves the limits by less than 0.002.
    flow = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    chart = control_chart(flow)
    assert chart.centre == pytest.approx(50.81)
    assert chart.range_centre == pytest.approx(1.8778, abs=5e-5)
    assert chart.high == pytest.approx(55.8041, abs=2e-3)
    assert chart.low == pytest.approx(45.8159, abs=2e-3)
    assert chart.range_high == pytest.approx(6.1347, abs=2e-3)
    assert chart.signals == ()


def test_chart_constants():
    # Tables of control chart constants (e.g. ASTM STP 15D): d2(2) 1.128, D4(2) 3.267
    assert pytest.approx(1.128, abs=5e-4) == D2
    assert pytest.approx(3.267, abs=5e-4) == D4


# -- trend ----------------------------------------------------------------------------------------

# One-sided probabilities of Kendall's S without ties: Kendall, Rank Correlation Methods, appendix table 1, as
# reprinted by Gilbert (1987), table A18 (from memory; 0.167 for n = 4, S = 4 is confirmed by references).
KENDALL_TABLE = {
    4: {2: 0.375, 4: 0.167, 6: 0.042},
    5: {2: 0.408, 4: 0.242, 6: 0.117, 8: 0.042},
    8: {2: 0.452, 4: 0.360, 6: 0.274, 8: 0.199, 10: 0.138, 12: 0.089, 14: 0.054, 16: 0.031, 18: 0.016},
    9: {2: 0.460, 4: 0.381, 6: 0.306, 8: 0.238, 10: 0.179, 12: 0.130, 14: 0.090, 16: 0.060, 18: 0.038},
    10: {1: 0.500, 3: 0.431, 5: 0.364, 7: 0.300, 9: 0.242, 11: 0.190, 13: 0.146, 15: 0.108, 23: 0.023},
}


@pytest.mark.parametrize("n", KENDALL_TABLE)
def test_exact_mann_kendall_table(n):
    for s, one_sided in KENDALL_TABLE[n].items():
        assert kendall_tail(s, (1,) * n) / 2 == pytest.approx(one_sided, abs=5.1e-4)


def test_gilberts_four_values():
    # Gilbert (1987), ch. 16: S = 4, variance 8.6667; two-sided exact probability twice 0.167
    found = trend(np.array([10.0, 15, 14, 20]))
    assert (found.s, found.method) == (4, "exact")
    assert found.p == pytest.approx(1 / 3)
    assert kendall_variance((1,) * 4, (1,) * 4) == pytest.approx(8.6667, abs=5e-5)


def test_ten_values_with_a_tie():
    # S and slope: pymannkendall 1.4.3 and scipy 1.17.1 theilslopes
    found = trend(np.array([9.0, 8.8, 9.1, 8.7, 8.6, 8.9, 8.5, 8.4, 8.6, 8.2]))
    assert found.s == -30
    assert found.slope.value == pytest.approx(-0.08)
    assert found.slope.low95 == pytest.approx(-0.10)
    assert found.slope.high95 == pytest.approx(-0.05)
    # pymannkendall's z of -2.604277 comes from this variance
    variance = kendall_variance((1,) * 10, (2,) + (1,) * 8)
    assert -29 / math.sqrt(variance) == pytest.approx(-2.604277, abs=1e-6)
    # the exact probability lies near the approximate 0.0092068 and has to be counted
    assert found.p == pytest.approx(0.0063, abs=5e-5)


def test_fourteen_values_by_hand():
    # A worked example of a college course (J. Little, Holy Cross, "MannKendallByHand"): 72 rise, 18
    # fall, 1 tie, variance (14)(13)(33)/18 - (2)(1)(9)/18
    values = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]
    assert trend(np.array(values)).s == 54
    assert kendall_variance((1,) * 14, (2,) + (1,) * 12) == pytest.approx((14 * 13 * 33 - 18) / 18)


def test_theil_sen_of_five():
    # scipy 1.17.1 theilslopes([1, 2, 4, 8, 16]): 3.375, 1 to 8
    found = trend(np.array([1.0, 2, 4, 8, 16])).slope
    assert (found.value, found.low95, found.high95) == (3.375, 1.0, 8.0)


# -- outliers -------------------------------------------------------------------------------------

# NIST/SEMATECH e-Handbook 1.3.5.17.3, after Rosner (1983); data and table read in third-party test code
ROSNER = """-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70
1.76 1.77 1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47 2.54
2.62 2.64 2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01"""


def test_rosners_example():
    # one unit of the last digit, for the table cuts digits off rather than rounds them
    values = np.array(ROSNER.split(), dtype=float)
    _, deviation, limit = extreme_deviates(values, 10, 0.05)
    assert deviation == pytest.approx(
        [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067], abs=1e-3
    )
    assert limit == pytest.approx(
        [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085], abs=1e-3
    )
    assert outliers(values).shots == (53, 52, 51)


def test_grubbs_example_and_table():
    # e-Handbook 1.3.5.17.1 (Tietjen-Moore data): G = 2.4687, the eighth value stands apart; read as above
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    _, deviation, _ = extreme_deviates(values, 1, 0.05)
    assert deviation[0] == pytest.approx(2.4687, abs=5e-4)
    assert outliers(values).shots == (7,)
    # Two-sided limits at 5 %: tables after Grubbs & Beck (1972), read in third-party test code; good to one
    # unit of their last digit
    for n, limit in {5: 1.715, 10: 2.290, 20: 2.709}.items():
        assert extreme_deviates(np.arange(float(n)), 1, 0.05)[2][0] == pytest.approx(limit, abs=1e-3)


# -- tolerance intervals --------------------------------------------------------------------------

# Berthouex & Brown, Statistics for Environmental Engineers, table 21.1 (two decimals); four decimals from an
# independent integral and toleranceinterval 1.0.3, which agree
TWO_SIDED_95 = {
    2: (31.0922, 36.5192, 46.9444),
    3: (8.3059, 9.7888, 12.6471),
    5: (4.2906, 5.0769, 6.5980),
    10: (2.8563, 3.3934, 4.4369),
    20: (2.3188, 2.7603, 3.6210),
    50: (1.9990, 2.3816, 3.1288),
    100: (1.8748, 2.2339, 2.9355),
}
TWO_SIDED_99 = {5: (6.6549, 7.8697, 10.2201), 20: (2.6752, 3.1838, 4.1747), 30: (2.3940, 2.8509, 3.7425)}


@pytest.mark.parametrize(("table", "confidence"), [(TWO_SIDED_95, 0.95), (TWO_SIDED_99, 0.99)])
def test_two_sided_tolerance_table(table, confidence):
    for n, row in table.items():
        for coverage, k in zip((0.90, 0.95, 0.99), row, strict=True):
            assert two_sided_k(n, coverage, confidence) == pytest.approx(k, abs=6e-5)


def test_tolerance_example_of_the_handbook():
    # e-Handbook 7.2.6.3, 43 wafers, 90 % at 99 %: k2 = 2.2173 by Howe's approximation, exactly 2.2228251738
    # (toleranceinterval 1.0.3); k1 = 1.8752 by Natrella's, exactly 1.87395
    assert two_sided_k(43, 0.90, 0.99) == pytest.approx(2.2228251738, abs=1e-8)
    assert one_sided_k(43, 0.90, 0.99) == pytest.approx(1.87395, abs=5e-6)


# -- sample size ----------------------------------------------------------------------------------


def test_sample_size_of_the_handbook():
    # e-Handbook 7.2.2.2, one-sided, delta = sigma, alpha 0.05, beta 0.10: 11; powers from statsmodels 0.15.0
    assert one_sample_power(11, 1, 1, sides=1) == pytest.approx(0.92449, abs=5e-6)
    assert one_sample_power(10, 1, 1, sides=1) == pytest.approx(0.89752, abs=5e-6)


@pytest.mark.parametrize(("d", "exact"), [(1.0, 16.7147), (0.5, 63.7656)])
def test_two_sample_size(d, exact):
    # statsmodels 0.15.0 TTestIndPower (alpha 0.05 two-sided, power 0.8); 17 and 64 also in Cohen (1988)
    n = shots_for_difference(d, 1.0)
    assert n == math.ceil(exact)
    assert two_sample_power(n, d, 1.0) >= 0.8 > two_sample_power(n - 1, d, 1.0)


# -- difference of means --------------------------------------------------------------------------

OLD = [32, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42]
NEW = [36, 31, 30, 31, 34, 36, 29, 32, 31]


def test_old_and_new_process():
    # e-Handbook 7.3.1: t = 2.269 (from memory); scipy, statsmodels and pingouin: t 2.269373, df
    # 15.532514, p 0.037879, interval 0.25 to 7.49
    found = difference(sample(NEW), sample(OLD))
    t = found.number.value / found.number.u_random
    assert t == pytest.approx(2.269373, abs=1e-6)
    assert found.dof == pytest.approx(15.532514, abs=1e-6)
    assert t_two_sided(t, found.dof) == pytest.approx(0.037879, abs=1e-6)
    assert found.number.low95 == pytest.approx(0.25, abs=5e-3)
    assert found.number.high95 == pytest.approx(7.49, abs=5e-3)


# A public set of examples of Welch's test, read in the test code of several public libraries, which expect
# t -1.57 and p 0.149 of the first; further digits of t, df and p by scipy 1.17.1
WELCH = [
    (
        "17.2 20.9 22.6 18.1 21.7 21.4 23.5 24.2 14.7 21.8",
        "21.5 22.8 21.0 23.0 21.6 23.6 22.5 20.7 23.4 21.8 20.7 21.7 21.5 22.5 23.6 21.5 22.5 23.5 21.5 21.8",
        (-1.5654335, 9.9047413, 0.1488417),
    ),
    (
        "19.8 20.4 19.6 17.8 18.5 18.9 18.3 18.9 19.5 22.0",
        "28.2 26.6 20.1 23.3 25.2 22.1 17.7 27.6 20.6 13.7 23.2 17.5 20.6 18.0 23.9 21.6 24.3 20.4 24.0 13.2",
        (-2.2192409, 24.4962231, 0.0359723),
    ),
]


@pytest.mark.parametrize(("first", "second", "expected"), WELCH)
def test_welch_examples(first, second, expected):
    a, b = (sample(np.array(text.split(), dtype=float)) for text in (first, second))
    found = difference(b, a)
    t = found.number.value / found.number.u_random
    assert (t, found.dof, t_two_sided(t, found.dof)) == pytest.approx(expected, rel=1e-6)


def test_cars_of_two_countries():
    # e-Handbook 1.3.5.3, AUTO83B summary (read in third-party code); Welch by scipy 1.17.1
    found = difference(sample(made(79, 30.48101, 6.10771)), sample(made(249, 20.14458, 6.41470)))
    assert found.number.value / found.number.u_random == pytest.approx(-12.9462676, rel=1e-6)
    assert found.dof == pytest.approx(136.87499, rel=1e-6)


def test_infinite_degrees_of_freedom_are_normal():
    assert t_quantile(0.975, math.inf) == pytest.approx(1.959963985)


# -- spreads --------------------------------------------------------------------------------------

# e-Handbook 1.3.5.10, GEAR: ten batches of ten (data from memory; the published W confirms them)
GEAR = """
1.006 0.996 0.998 1.000 0.992 0.993 1.002 0.999 0.994 1.000
0.998 1.006 1.000 1.002 0.997 0.998 0.996 1.000 1.006 0.988
0.991 0.987 0.997 0.999 0.995 0.994 1.000 0.999 0.996 0.996
1.005 1.002 0.994 1.000 0.995 0.994 0.998 0.996 1.002 0.996
0.998 0.998 0.982 0.990 1.002 0.984 0.996 0.993 0.980 0.996
1.009 1.013 1.009 0.997 0.988 1.002 0.995 0.998 0.981 0.996
0.990 1.004 0.996 1.001 0.998 1.000 1.018 1.010 0.996 1.002
0.998 1.000 1.006 1.000 1.002 0.996 0.998 0.996 1.002 1.006
1.002 0.998 0.996 0.995 0.996 1.004 1.004 0.998 0.999 0.991
0.991 0.995 0.984 0.994 0.997 0.997 0.991 0.998 1.004 0.997
"""


def test_gear_batches():
    # W = 1.705910 published (read in third-party code); p 0.0991 from the F distribution
    groups = list(np.array(GEAR.split(), dtype=float).reshape(10, 10))
    w, p = brown_forsythe(groups)
    assert w == pytest.approx(1.705910, abs=1e-5)
    assert p == pytest.approx(0.0991, abs=5e-5)


def test_ceramic_strength_f():
    # e-Handbook 1.3.5.9, JAHANMI2: F = 1.123037, 0.025 and 0.975 quantiles 0.7756 and 1.2894 (from memory)
    found = spread_ratio(made(240, 600.0, 61.85425), made(240, 600.0, 65.54909))
    assert found.ratio.value**2 == pytest.approx(1.123037, abs=1e-6)
    assert found.ratio.low95**2 == pytest.approx(1.123037 / 1.2894, rel=1e-4)
    assert found.ratio.high95**2 == pytest.approx(1.123037 / 0.7756, rel=1e-4)


def test_ratio_interval_of_ten_and_ten():
    # F(0.95; 9, 9) = 3.178893 (tables)
    found = spread_ratio(made(10, 5.0, 1.0), made(10, 5.0, 1.0), confidence=0.90).ratio
    assert found.high95 == pytest.approx(math.sqrt(3.178893), rel=1e-6)
    assert found.low95 == pytest.approx(1 / math.sqrt(3.178893), rel=1e-6)
