"""Simulated teams: intervals hold their level, and a useless change is not called a good one.

Each share is counted over many seeded sessions and held against the binomial band in which it would fall 999
times in 1000 if the stated level were true.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from tracker.session.compare import compare, designed_verdict, difference
from tracker.session.consistency import coefficient_of_variation, mean, sd_bounds
from tracker.session.order import first_shot
from tracker.session.outliers import outliers
from tracker.session.power import verdict_power
from tracker.session.recheck import recheck
from tracker.session.spread import spread_ratio
from tracker.session.tolerance import two_sided_k
from tracker.session.trend import trend
from tracker.session.values import Sample


def band(level, trials):
    """Counts between which a share of ``level`` falls 999 times in 1000."""
    return stats.binom.ppf([0.0005, 0.9995], trials, level)


def held(hits, level, trials):
    low, high = band(level, trials)
    return low <= hits <= high


def session(rng, n, centre, sd, u_common=0.0, calibration=""):
    """A team's session, its calibration off by a draw of its own."""
    off = rng.normal(0, u_common) if u_common else 0.0
    return Sample(rng.normal(centre + off, sd, n), np.zeros(n), u_common, calibration)


@pytest.mark.parametrize("n", [3, 6, 12])
@pytest.mark.parametrize("u_common", [0.0, 0.08])
def test_useless_change_is_not_called_as_designed(n, u_common):
    rng = np.random.default_rng([n, int(100 * u_common)])
    trials, called, seen = 1200, 0, 0
    for _ in range(trials):
        found = difference(session(rng, n, 7.0, 0.1, u_common), session(rng, n, 7.0, 0.1, u_common))
        i95 = (found.number.low95, found.number.high95)
        verdict = designed_verdict(i95, (found.low90, found.high90), 0.3, 0.25)
        called += verdict == "as_designed"
        seen += verdict in ("as_designed", "changed_not_as_designed")
    assert called <= band(0.05, trials)[1]
    # it is seen as a change at all in 5 % at most, and half of these go the wrong way
    assert seen <= band(0.05, trials)[1]


def test_shared_calibration_cancels():
    """One draw of the common error for both sessions: the interval without it holds its level."""
    rng = np.random.default_rng(11)
    trials, hits = 1500, 0
    for _ in range(trials):
        off = rng.normal(0, 0.5)
        before, after = (
            Sample(rng.normal(centre + off, 0.1, 6), np.zeros(6), 0.5, "same") for centre in (7.0, 7.2)
        )
        number = difference(before, after).number
        hits += number.low95 <= 0.2 <= number.high95
    assert held(hits, 0.95, trials)


# Welch's interval is an approximation: three and three shots make it a little wide, and a small session
# that scatters thrice as much as the large one a little narrow (0.93; known since Wang, J. Am. Stat. Assoc.
# 66 (1971) 605, from memory).
@pytest.mark.parametrize(
    ("n", "m", "sd", "sd_after", "u_common", "lowest", "highest"),
    [
        (5, 5, 1.0, 1.0, 0.0, 0.95, 0.96),
        (10, 10, 1.0, 1.0, 0.0, 0.95, 0.95),
        (8, 15, 1.0, 2.0, 0.0, 0.95, 0.95),
        (5, 5, 1.0, 1.0, 0.5, 0.95, 0.95),
        (3, 3, 1.0, 1.0, 0.5, 0.95, 0.95),
        (3, 3, 1.0, 1.0, 2.0, 0.95, 0.95),
        (3, 3, 1.0, 1.0, 0.0, 0.95, 0.97),
        (8, 3, 1.0, 3.0, 0.0, 0.92, 0.95),
    ],
)
def test_interval_of_the_difference_holds(n, m, sd, sd_after, u_common, lowest, highest):
    rng = np.random.default_rng([n, m, int(10 * u_common)])
    trials, hits = 1500, 0
    for _ in range(trials):
        number = difference(
            session(rng, n, 7.0, sd, u_common), session(rng, m, 7.5, sd_after, u_common)
        ).number
        hits += number.low95 <= 0.5 <= number.high95
    assert band(lowest, trials)[0] <= hits <= band(highest, trials)[1]


@pytest.mark.parametrize(("n", "u_common"), [(2, 0.0), (5, 0.0), (5, 0.05), (20, 0.02)])
def test_interval_of_the_mean_holds(n, u_common):
    rng = np.random.default_rng([n, int(100 * u_common)])
    trials, hits = 1500, 0
    for _ in range(trials):
        number = mean(session(rng, n, 7.0, 0.1, u_common)).value
        hits += number.low95 <= 7.0 <= number.high95
    assert held(hits, 0.95, trials)


def test_intervals_of_scatter_hold():
    rng = np.random.default_rng(21)
    trials, hits_sd, hits_cv, hits_ratio = 600, 0, 0, 0
    for _ in range(trials):
        first, second = rng.normal(7.0, 0.1, 5), rng.normal(7.0, 0.2, 8)
        low, high = sd_bounds(float(np.std(first, ddof=1)), 4)
        hits_sd += low <= 0.1 <= high
        cv = coefficient_of_variation(first)
        hits_cv += cv.low95 <= 0.1 / 7.0 <= cv.high95
        ratio = spread_ratio(first, second).ratio
        hits_ratio += ratio.low95 <= 2.0 <= ratio.high95
    assert held(hits_sd, 0.95, trials)
    assert held(hits_cv, 0.95, trials)
    assert held(hits_ratio, 0.95, trials)


def test_tolerance_interval_holds():
    rng = np.random.default_rng(22)
    trials = 4000
    values = rng.normal(0.0, 1.0, (trials, 6))
    centre, half = values.mean(axis=1), two_sided_k(6, 0.90, 0.95) * values.std(axis=1, ddof=1)
    inside = stats.norm.cdf(centre + half) - stats.norm.cdf(centre - half)
    assert held(int(np.sum(inside >= 0.90)), 0.95, trials)


@pytest.mark.parametrize("n", [6, 9, 15])
def test_trend_holds(n):
    """The exact test refuses no more than 5 %, the exact interval holds no less than 95 %."""
    rng = np.random.default_rng(n)
    trials, refused, hits = 800, 0, 0
    for _ in range(trials):
        values = rng.normal(7.0, 0.1, n)
        refused += trend(values).p <= 0.05
        slope = trend(values + 0.03 * np.arange(n)).slope
        hits += slope.low95 <= 0.03 <= slope.high95
    assert refused <= band(0.05, trials)[1]
    assert hits >= band(0.95, trials)[0]


# Rosner's limits are approximations made for 25 values and more; at 15 they cry wolf in 7 %
@pytest.mark.parametrize(("n", "level"), [(5, 0.05), (10, 0.05), (15, 0.07), (25, 0.055)])
def test_outliers_cry_wolf_as_seldom_as_told(n, level):
    rng = np.random.default_rng(n)
    trials = 1000
    wolf = sum(bool(outliers(rng.normal(7.0, 0.1, n)).shots) for _ in range(trials))
    assert wolf <= band(level, trials)[1]


def test_first_shot_effect_holds():
    rng = np.random.default_rng(31)
    trials, hits = 1000, 0
    for _ in range(trials):
        runs = [rng.normal(centre, 0.1, n) for centre, n in ((7.0, 4), (7.2, 6))]
        for run in runs:
            run[0] -= 0.2
        effect = first_shot(runs).effect
        hits += effect.low95 <= -0.2 <= effect.high95
    assert held(hits, 0.95, trials)


@pytest.mark.parametrize("u_common", [0.0, 0.1])
def test_launcher_that_is_itself_is_seldom_called_something_else(u_common):
    rng = np.random.default_rng([41, int(10 * u_common)])
    trials, wrong = 1000, 0
    for _ in range(trials):
        found = recheck(session(rng, 20, 7.0, 0.1, u_common), session(rng, 5, 7.0, 0.1, u_common))
        wrong += found.verdict in ("moved", "scattered")
    assert wrong <= band(0.05, trials)[1]


@pytest.mark.parametrize(
    ("n", "sds", "within", "u_common"),
    [
        (8, (0.1, 0.1), 0.2, 0.0),
        (6, (0.1, 0.2), 0.3, 0.0),
        (10, (0.15, 0.15), 0.2, 0.03),
        (3, (0.1, 0.1), 0.5, 0.1),
    ],
)
def test_promised_power_is_kept(n, sds, within, u_common):
    rng = np.random.default_rng([n, int(100 * u_common)])
    each = u_common / math.sqrt(2)
    trials, called = 1500, 0
    for _ in range(trials):
        found = difference(session(rng, n, 7.0, sds[0], each), session(rng, n, 7.3, sds[1], each))
        i95 = (found.number.low95, found.number.high95)
        called += designed_verdict(i95, (found.low90, found.high90), 0.3, within) == "as_designed"
    # Welch's degrees of freedom are taken at the true scatter; that costs up to 0.01
    low, high = band(verdict_power(n, sds, 0.3, within, u_common), trials)
    assert low - 0.01 * trials <= called <= high + 0.01 * trials


def test_number_of_shots_that_was_advised_is_enough():
    """A team that follows the advice gets its verdict about four times in five."""
    # the pilot's scatter is 0.1 exactly, for the advice to be about the scatter that is simulated
    z = np.array([-1.0, 0.0, 1.0]) * 0.1
    pilot = compare(Sample(7.0 + z, np.zeros(3)), Sample(7.25 + z, np.zeros(3)), expected=0.3, within=0.15)
    n = pilot.shots_needed
    rng = np.random.default_rng(51)
    trials, called = 400, 0
    for _ in range(trials):
        before, after = session(rng, n, 7.0, 0.1), session(rng, n, 7.3, 0.1)
        called += compare(before, after, expected=0.3, within=0.15).verdict == "as_designed"
    # a whole number of shots gives a little more than four in five
    assert band(0.8, trials)[0] <= called <= band(0.87, trials)[1]
