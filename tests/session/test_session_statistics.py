"""A session's statistics: what they say, what they refuse, how they move with the data."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.errors import SessionError
from tracker.session.chart import Signal, control_chart
from tracker.session.consistency import coefficient_of_variation, mean, repeatability
from tracker.session.distributions import kendall_tail, noncentral_t_cdf
from tracker.session.order import first_shot, recovery
from tracker.session.outliers import outliers
from tracker.session.power import shots_for_difference, two_sample_power, verdict_power
from tracker.session.recheck import recheck
from tracker.session.spread import spread_ratio
from tracker.session.summary import summarise
from tracker.session.tolerance import tolerance_interval
from tracker.session.trend import trend
from tracker.session.values import Sample
from tracker.values import Number


def sample(values, u_random=0.0, u_common=0.0, calibration=""):
    values = np.asarray(values, dtype=float)
    return Sample(values, np.full(len(values), u_random), u_common, calibration)


def made(n, centre, sd, **more):
    z = np.linspace(-1, 1, n)
    return sample(centre + sd * z / np.std(z, ddof=1), **more)


# -- sample -----------------------------------------------------------------------------------------


def test_sample_of_numbers():
    found = Sample.of([Number.of(7.0, 0.02, 0.10), Number.of(7.2, 0.03, 0.12)], "tripod")
    assert found.values.tolist() == [7.0, 7.2]
    assert found.u_random.tolist() == [0.02, 0.03]
    assert found.u_common == pytest.approx(0.11)
    assert not found.values.flags.writeable


@pytest.mark.parametrize(
    ("values", "u", "common", "message"),
    [
        ([], [], 0.0, "no shot"),
        ([7.0, math.nan], [0, 0], 0.0, "not a number"),
        ([7.0], [-0.1], 0.0, "negative"),
        ([7.0], [0.1], -1.0, "negative"),
        ([7.0], [0.1], math.nan, "not a number"),
    ],
)
def test_bad_samples(values, u, common, message):
    with pytest.raises(SessionError, match=message):
        Sample(np.array(values), np.array(u), common)


# -- mean and scatter ---------------------------------------------------------------------------------


def test_one_shot_has_no_bounds():
    found = mean(sample([7.0], u_random=0.02, u_common=0.1))
    assert (found.value.value, found.value.low95, found.value.high95) == (7.0, None, None)
    assert (found.value.u_random, found.value.u_common) == (0.02, 0.1)


def test_random_shrinks_with_shots_and_common_does_not():
    few, many = (mean(made(n, 7.0, 0.1, u_common=0.05)).value for n in (4, 400))
    assert many.u_random == pytest.approx(few.u_random / 10)
    assert many.u_common == few.u_common == 0.05


def test_measuring_error_is_taken_out_of_the_scatter():
    # 0.05^2 = 0.03^2 + 0.04^2
    found = repeatability(made(10, 7.0, 0.05, u_random=0.03))
    assert found.launcher_sd.value == pytest.approx(0.04)
    assert found.sd.low95 < 0.05 < found.sd.high95
    assert repeatability(made(10, 7.0, 0.02, u_random=0.03)).launcher_sd.value == 0.0


def test_cv_of_a_mean_that_may_be_zero_is_open():
    assert coefficient_of_variation(np.array([-1.0, 0.5, 1.0])).high95 is None
    assert coefficient_of_variation(np.array([5.0, 5.0, 5.0])).value == 0.0


def test_noncentral_t_meets_the_central_one_and_its_mirror():
    # Student's t with 9 degrees of freedom: 0.975 at 2.262157 (tables)
    assert noncentral_t_cdf(2.262157, 9, 0.0) == pytest.approx(0.975, abs=1e-7)
    assert noncentral_t_cdf(-2.262157, 9, 0.0) == pytest.approx(0.025, abs=1e-7)
    assert noncentral_t_cdf(0.0, 9, 1.959964) == pytest.approx(0.025, abs=1e-7)


@pytest.mark.parametrize(
    "call",
    [
        lambda: repeatability(sample([7.0])),
        lambda: coefficient_of_variation(np.array([7.0])),
        lambda: control_chart(np.array([7.0, 7.1])),
        lambda: trend(np.array([7.0, 7.1])),
        lambda: outliers(np.array([7.0, 7.1])),
        lambda: tolerance_interval(sample([7.0])),
        lambda: spread_ratio(np.array([7.0]), np.array([7.0, 7.1])),
        lambda: first_shot([np.array([7.0, 7.1])]),
        lambda: recovery(np.array([7.0, 7.1]), np.array([math.nan, 1.0])),
        lambda: recheck(sample([7.0]), sample([7.0])),
    ],
)
def test_too_few_shots_are_refused_in_plain_words(call):
    with pytest.raises(
        SessionError, match=r"needs at least \d shots; there (is 1 shot|are \d shots)"
    ) as caught:
        call()
    assert caught.value.code == "too_few_shots"
    assert caught.value.advice == "Film more shots with the same setting."


# -- chart --------------------------------------------------------------------------------------------


def test_chart_sees_a_jump_and_a_run():
    steady = np.tile([7.0, 7.1], 10)
    jumped = steady.copy()
    jumped[12] = 8.5
    signals = control_chart(jumped).signals
    assert Signal(12, "beyond_limit") in signals
    assert {Signal(12, "moving_range"), Signal(13, "moving_range")} <= set(signals)
    shifted = np.concatenate([np.tile([7.0, 7.1], 6), np.tile([7.2, 7.3], 6)])
    rules = {signal.rule for signal in control_chart(shifted).signals}
    assert rules == {"run"}


def test_equal_and_steady_shots_do_not_signal():
    assert control_chart(np.full(12, 7.1)).signals == ()
    assert control_chart(np.tile([7.0, 7.1], 10)).signals == ()


def test_chart_of_few_shots_is_on_trial_and_tells_its_false_alarms():
    few, many = control_chart(np.tile([7.0, 7.1], 5)), control_chart(np.tile([7.0, 7.1], 15))
    assert (few.trial, many.trial) == (True, False)
    assert 0.02 < few.false_alarm < 0.08 < many.false_alarm < 0.4


# -- trend --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("values", [[1, 2, 2, 3, 4, 4], [1, 1, 1, 2, 3, 5], [5, 3, 3, 3, 2, 2, 1]])
def test_exact_probability_with_ties_by_counting_every_order(values):
    def kendall_s(order):
        return sum((b > a) - (b < a) for a, b in itertools.combinations(order, 2))

    s = kendall_s(values)
    all_s = [kendall_s(order) for order in itertools.permutations(values)]
    share = np.mean([abs(one) >= abs(s) for one in all_s])
    found = trend(np.array(values, dtype=float))
    assert (found.s, found.method) == (s, "exact")
    assert found.p == pytest.approx(share)
    # the same with the roles of order and value exchanged
    swapped = trend(np.arange(len(values), dtype=float), np.array(values, dtype=float))
    assert (swapped.method, swapped.p) == ("exact", pytest.approx(share))


def test_four_shots_cannot_bound_a_slope():
    assert trend(np.array([1.0, 2, 3, 4])).slope.low95 is None


def test_ties_on_both_sides_say_that_they_are_approximate():
    found = trend(np.array([1.0, 1, 2, 3, 3, 4]), np.array([1.0, 1, 2, 2, 3, 3]))
    assert found.method == "normal"
    assert found.p < 0.1


def test_many_shots_say_that_they_are_approximate():
    rng = np.random.default_rng(1)
    found = trend(rng.normal(size=80) + 0.05 * np.arange(80))
    assert found.method == "normal"
    assert found.slope.low95 < 0.05 < found.slope.high95


def test_nothing_to_set_a_trend_against():
    with pytest.raises(SessionError, match="same condition"):
        trend(np.array([1.0, 2, 3]), np.ones(3))


def test_equal_shots_have_no_trend():
    found = trend(np.full(6, 7.0))
    assert (found.s, found.p, found.slope.value) == (0, 1.0, 0.0)
    assert kendall_tail(0, (6,)) == 1.0


# -- outliers -------------------------------------------------------------------------------------------


def test_one_bad_shot_among_few():
    found = outliers(np.array([7.0, 7.1, 6.95, 7.05, 7.02, 5.2]))
    assert found.shots == (5,)
    assert found.robust_score[5] == pytest.approx(0.67449 * (5.2 - 7.01) / 0.05, rel=1e-4)


def test_two_bad_shots_that_would_hide_each_other():
    values = np.concatenate([made(18, 7.0, 0.1).values, [5.0, 5.05]])
    assert set(outliers(values).shots) == {18, 19}


def test_equal_shots_have_no_outlier():
    assert outliers(np.full(6, 7.1)).shots == ()


# -- order ----------------------------------------------------------------------------------------------


def test_first_shot_of_one_run_by_hand():
    # rest 7.0, 7.1, 7.2: mean 7.1, sd 0.1; 6.7 - 7.1 = -0.4, u = 0.1 sqrt(1 + 1/3), t(0.975; 2) = 4.302653
    found = first_shot([np.array([6.7, 7.0, 7.1, 7.2])])
    assert found.effect.value == pytest.approx(-0.4)
    assert found.dof == 2
    assert found.effect.high95 == pytest.approx(-0.4 + 4.302653 * 0.1 * math.sqrt(4 / 3), rel=1e-6)


def test_first_shots_of_several_runs_are_seen_together():
    runs = [np.array([6.7, 7.0, 7.1, 7.2]) + 0.3 * i for i in range(4)]
    found = first_shot([*runs, np.array([7.0])])
    assert (found.runs, found.dof) == (4, 8)
    assert found.effect.high95 < 0
    assert found.p < 0.001


def recovering(n, seed, drop=0.8, tau=0.5, sd=0.05):
    rng = np.random.default_rng(seed)
    wait = rng.uniform(0.3, 3.0, n)
    return 7.0 - drop * np.exp(-wait / tau) + rng.normal(0, sd, n), wait


def test_recovery_finds_how_long_to_wait():
    values, wait = recovering(25, 3)
    found = recovery(np.concatenate([[7.0], values]), np.concatenate([[math.nan], wait]))
    assert found.shots == 25
    assert found.trend.p < 0.01
    # what is missing falls to one standard deviation after tau ln(drop/sd)
    assert found.wait_s.low95 < 0.5 * math.log(0.8 / 0.05) < found.wait_s.high95
    assert found.drop > 0.3


def test_launcher_that_needs_no_rest():
    values, wait = recovering(25, 4, drop=0.0)
    found = recovery(values, wait)
    assert (found.wait_s, found.drop) == (None, None)
    assert found.trend.slope.low95 < 0 < found.trend.slope.high95


def test_shots_out_of_order():
    with pytest.raises(SessionError, match="does not come after"):
        recovery(np.array([7.0, 7.1, 7.2]), np.array([1.0, -1.0, 2.0]))


# -- power ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("within", "u_common"), [(math.inf, 0.0), (0.15, 0.0), (0.2, 0.03)])
def test_power_grows_with_shots_and_shrinks_with_scatter(within, u_common):
    by_shots = [verdict_power(n, (0.1, 0.15), 0.3, within, u_common) for n in range(2, 60)]
    assert np.all(np.diff(by_shots) >= -1e-9)
    assert by_shots[-1] <= verdict_power(math.inf, (0.1, 0.15), 0.3, within, u_common)
    by_scatter = [verdict_power(10, (sd, sd), 0.3, within, u_common) for sd in np.linspace(0.02, 0.5, 25)]
    assert np.all(np.diff(by_scatter) <= 1e-9)
    by_common = [verdict_power(10, (0.1, 0.1), 0.3, within, u) for u in np.linspace(0, 0.3, 25)]
    assert np.all(np.diff(by_common) <= 1e-9)


def test_power_without_a_tolerance_is_that_of_the_t_test():
    # two_sample_power meets published sizes elsewhere; it also counts the wrong side, which is nothing here
    for n in (8, 17, 30):
        assert verdict_power(n, (1.0, 1.0), 1.0, math.inf, 0.0) == pytest.approx(
            two_sample_power(n, 1.0, 1.0), abs=1e-3
        )


def test_nothing_to_look_for():
    with pytest.raises(SessionError, match="other than zero"):
        shots_for_difference(0.0, 1.0)


# -- recheck --------------------------------------------------------------------------------------------

RECORD = made(20, 7.0, 0.1, u_common=0.2, calibration="tripod")


def test_launcher_is_still_itself():
    found = recheck(RECORD, made(5, 7.01, 0.1, u_common=0.2, calibration="tripod"))
    assert found.verdict == "itself"
    # t(0.975; 19) = 2.093024
    assert found.could_hide == pytest.approx(0.01 + 2.093024 * 0.1 * math.sqrt(1 / 20 + 1 / 5), rel=1e-6)
    assert found.within == pytest.approx(0.2)


def test_launcher_has_moved_or_scatters():
    assert recheck(RECORD, made(5, 7.3, 0.1, calibration="tripod")).verdict == "moved"
    wild = recheck(RECORD, made(5, 7.0, 0.3, calibration="tripod"))
    assert (wild.verdict, wild.spread_ratio) == ("scattered", pytest.approx(3.0))


def test_recheck_cannot_tell_without_the_calibration_or_with_one_shot():
    other = recheck(RECORD, made(5, 7.01, 0.1, u_common=0.2, calibration="moved phone"))
    assert other.verdict == "too_few_shots"
    single = recheck(RECORD, sample([7.0], calibration="tripod"))
    assert (single.verdict, single.spread_ratio, single.p_spread) == ("too_few_shots", None, 1.0)


def test_recheck_refuses_a_record_without_scatter():
    with pytest.raises(SessionError, match="equal"):
        recheck(sample([7.0, 7.0, 7.0]), sample([7.0]))
    with pytest.raises(SessionError, match="above zero"):
        recheck(RECORD, RECORD, within=0.0)


# -- summary --------------------------------------------------------------------------------------------


def test_summary_says_what_the_shots_carry():
    alone = summarise(sample([7.0]), time_s=np.array([0.0]))
    assert alone.mean.value.value == 7.0
    assert alone.repeatability is alone.chart is alone.trend is alone.recovery is None
    two = summarise(sample([7.0, 7.1]))
    assert two.repeatability is not None
    assert two.tolerance is not None
    assert two.chart is None
    values, wait = recovering(12, 5)
    full = summarise(sample(values), time_s=np.cumsum(wait))
    assert all(getattr(full, name) is not None for name in full.__slots__)
    assert full.recovery.shots == 11
    even = summarise(sample(values), time_s=np.arange(12.0))
    assert even.recovery is None


# -- invariants -----------------------------------------------------------------------------------------

shots = st.lists(st.integers(500, 900), min_size=5, max_size=14).map(lambda v: np.array(v) / 100)


@settings(max_examples=50, deadline=None)
@given(shots, st.integers(-200, 200), st.sampled_from([0.25, 0.5, 2.0, 4.0, 16.0]))
def test_shift_and_scale(values, hundredths, factor):
    """Spread, limits and slopes scale with the unit and do not see a shift; verdicts see neither."""
    # powers of two and quarter steps keep ties ties
    moved = factor * (values + hundredths * 0.25)
    sd, sd_moved = (repeatability(sample(v)).sd for v in (values, moved))
    near = {"rel": 1e-7, "abs": 1e-9}
    assert sd_moved.high95 == pytest.approx(factor * sd.high95, **near)
    chart, chart_moved = control_chart(values), control_chart(moved)
    assert chart_moved.range_high == pytest.approx(factor * chart.range_high, **near)
    assert chart_moved.high == pytest.approx(factor * (chart.high + hundredths * 0.25), **near)
    slope, slope_moved = trend(values), trend(moved)
    assert slope_moved.slope.value == pytest.approx(factor * slope.slope.value, **near)
    interval, interval_moved = (tolerance_interval(sample(v)) for v in (values, moved))
    assert interval_moved.high - interval_moved.low == pytest.approx(
        factor * (interval.high - interval.low), **near
    )


@settings(max_examples=50, deadline=None)
@given(shots)
def test_backwards_turns_the_trend_round(values):
    there, back = trend(values), trend(values[::-1].copy())
    assert there.s == -back.s
    assert there.p == back.p
    assert there.slope.value == pytest.approx(-back.slope.value, abs=1e-12)
