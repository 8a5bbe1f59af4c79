"""The rule that judges a change, branch by branch, and its numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.errors import SessionError
from tracker.session.compare import compare, designed_verdict, difference
from tracker.session.power import verdict_power
from tracker.session.values import Sample


def made(n, centre, sd, u_common=0.0, calibration="phone on the tripod"):
    z = np.linspace(-1, 1, n)
    return Sample(centre + sd * z / np.std(z, ddof=1), np.zeros(n), u_common, calibration)


# B is 0.3 -+ 0.1, that is 0.2 to 0.4; or -0.3 -+ 0.1, mirrored
CASES = [
    # I95, I90, verdict
    ((0.22, 0.38), (0.24, 0.36), "as_designed"),
    ((0.19, 0.41), (0.21, 0.39), "as_designed"),  # only the 90 % interval has to lie inside
    ((0.18, 0.38), (0.19, 0.37), "too_few_shots"),  # reaches out below
    ((0.25, 0.45), (0.27, 0.43), "too_few_shots"),  # reaches out above
    ((0.41, 0.60), (0.43, 0.58), "changed_not_as_designed"),  # beyond B
    ((0.05, 0.19), (0.06, 0.18), "changed_not_as_designed"),  # short of B
    ((0.05, 0.20), (0.06, 0.19), "too_few_shots"),  # touches B
    ((-0.30, -0.05), (-0.28, -0.07), "changed_not_as_designed"),  # the other way
    ((-0.10, 0.15), (-0.08, 0.13), "no_change_seen"),  # holds 0, not the expected change
    ((-0.10, 0.25), (-0.08, 0.23), "no_change_seen"),  # may touch B as long as 0.3 is excluded
    ((-0.10, 0.30), (-0.08, 0.28), "too_few_shots"),  # cannot exclude 0.3
    ((-0.50, 0.90), (-0.40, 0.80), "too_few_shots"),
    ((0.0, 0.25), (0.02, 0.23), "no_change_seen"),  # an interval that ends at 0 contains it
]


@pytest.mark.parametrize(("i95", "i90", "verdict"), CASES)
def test_rule(i95, i90, verdict):
    assert designed_verdict(i95, i90, 0.3, 0.1) == verdict
    mirrored = [(-high, -low) for low, high in (i95, i90)]
    assert designed_verdict(*mirrored, -0.3, 0.1) == verdict


def test_change_the_other_way_is_never_as_designed():
    # a tolerance wider than the change itself reaches across 0
    assert designed_verdict((-0.09, -0.01), (-0.08, -0.02), 0.1, 0.3) == "changed_not_as_designed"


def test_as_designed_with_numbers_a_reader_can_follow():
    # 10 + 10 shots of sd 0.05: u = 0.05 sqrt(2/10) = 0.02236, t(0.975; 18) = 2.10092 (tables)
    found = compare(made(10, 7.0, 0.05), made(10, 7.3, 0.05), expected=0.3, within=0.1)
    number = found.difference.number
    assert number.value == pytest.approx(0.3)
    assert found.difference.dof == pytest.approx(18)
    assert number.high95 - number.value == pytest.approx(2.10092 * 0.02236068, rel=1e-5)
    # t(0.95; 18) = 1.73406
    assert found.difference.high90 - number.value == pytest.approx(1.73406 * 0.02236068, rel=1e-5)
    assert (found.verdict, found.could_hide, found.shots_needed, found.advice) == (
        "as_designed",
        None,
        None,
        None,
    )


def test_no_change_seen_tells_what_could_hide():
    found = compare(made(10, 7.0, 0.05), made(10, 7.01, 0.05), expected=0.3, within=0.1)
    assert found.verdict == "no_change_seen"
    assert found.could_hide == pytest.approx(0.01 + 2.10092 * 0.02236068, rel=1e-5)
    # the farther end counts, on whichever side it is
    other_way = compare(made(10, 7.0, 0.05), made(10, 6.99, 0.05), expected=0.3, within=0.1)
    assert other_way.could_hide == pytest.approx(found.could_hide)


def test_common_part_counts_only_without_a_shared_calibration():
    before, after = made(10, 7.0, 0.05, 0.1), made(10, 7.3, 0.05, 0.1)
    shared = difference(before, after)
    assert (shared.shared_calibration, shared.number.u_common) == (True, 0.0)
    apart = difference(before, made(10, 7.3, 0.05, 0.1, "another corner"))
    assert apart.number.u_common == pytest.approx(0.1 * math.sqrt(2))
    assert apart.number.u_random == shared.number.u_random
    assert apart.number.high95 > shared.number.high95
    # a calibration that is not known is shared with nothing
    unknown = difference(made(10, 7.0, 0.05, 0.1, ""), made(10, 7.3, 0.05, 0.1, ""))
    assert unknown.number.u_common == apart.number.u_common


def test_part_of_a_shared_error_that_does_not_cancel_is_told():
    # a scale that is off by 1 %: 0.06 at 6 m/s and 0.08 at 8 m/s, so that 0.02 is left
    found = difference(made(5, 6.0, 0.05, 0.06), made(5, 8.0, 0.05, 0.08))
    assert found.common_left == pytest.approx(0.02)


def test_too_few_shots_says_how_many():
    found = compare(made(3, 7.0, 0.1), made(3, 7.25, 0.1), expected=0.3, within=0.15)
    assert (found.verdict, found.advice) == ("too_few_shots", "more_shots")
    n = found.shots_needed
    assert n > 3
    assert verdict_power(n, (0.1, 0.1), 0.3, 0.15, 0.0) >= 0.8
    assert verdict_power(n - 1, (0.1, 0.1), 0.3, 0.15, 0.0) < 0.8


def test_common_part_that_forbids_a_verdict_asks_for_one_calibration():
    before = made(10, 7.0, 0.05, 0.2, "first")
    found = compare(before, made(10, 7.3, 0.05, 0.2, "second"), expected=0.3, within=0.1)
    assert (found.verdict, found.shots_needed, found.advice) == ("too_few_shots", None, "share_calibration")
    same = compare(before, made(10, 7.3, 0.05, 0.2, "first"), expected=0.3, within=0.1)
    assert same.verdict == "as_designed"


def test_enough_shots_but_on_the_edge():
    found = compare(made(40, 7.0, 0.1), made(40, 7.41, 0.1), expected=0.3, within=0.1)
    assert (found.verdict, found.advice) == ("too_few_shots", "on_the_edge")
    assert found.shots_needed <= 40


@pytest.mark.parametrize(("n", "m"), [(1, 1), (1, 6), (6, 1)])
def test_single_shots_have_no_bounds(n, m):
    z = {1: np.array([7.0]), 6: made(6, 7.0, 0.1).values}
    before, after = (Sample(z[k], np.full(k, 0.02)) for k in (n, m))
    found = compare(before, after, expected=0.3, within=0.1)
    assert found.verdict == "too_few_shots"
    assert found.difference.number.low95 is None
    assert found.spread is None
    assert (found.shots_needed is None) == (n == m == 1)


def test_without_an_expected_change():
    one, other = made(10, 7.0, 0.05), made(10, 7.3, 0.05)
    assert compare(one, other).verdict == "changed"
    same = compare(one, made(10, 7.01, 0.05))
    assert same.verdict == "no_change_seen"
    assert same.could_hide == pytest.approx(0.057, abs=1e-3)
    assert compare(one, made(10, 7.01, 0.05), within=0.1).verdict == "no_change_seen"
    unclear = compare(one, made(10, 7.01, 0.05), within=0.03)
    assert (unclear.verdict, unclear.advice) == ("too_few_shots", "more_shots")
    assert unclear.shots_needed > 10


@pytest.mark.parametrize(
    ("expected", "within", "message"),
    [
        (0.0, 0.1, "other than zero"),
        (math.nan, 0.1, "other than zero"),
        (0.3, None, "without a tolerance"),
        (0.3, 0.0, "above zero"),
        (None, -1.0, "above zero"),
    ],
)
def test_senseless_expectations_are_refused(expected, within, message):
    with pytest.raises(SessionError, match=message) as caught:
        compare(made(5, 7.0, 0.1), made(5, 7.3, 0.1), expected=expected, within=within)
    assert caught.value.advice.endswith(".")


def test_equal_shots_are_compared_without_complaint():
    found = compare(made(4, 7.0, 0.0), made(4, 7.3, 0.0), expected=0.3, within=0.1)
    assert found.verdict == "as_designed"
    assert found.spread.p_brown_forsythe is None


speeds = st.lists(st.floats(5.0, 9.0), min_size=2, max_size=8)


@settings(max_examples=60, deadline=None)
@given(speeds, speeds, st.floats(-3, 3), st.floats(0.01, 100), st.floats(0, 0.3))
def test_shift_and_scale(before, after, shift, factor, u_common):
    """A shift of both sessions changes nothing; a change of unit scales everything."""

    def sessions(a, b):
        return [
            Sample(a * np.array(v) + a * b, np.zeros(len(v)), a * u_common, name)
            for v, name in ((before, "x"), (after, "y"))
        ]

    plain, moved = difference(*sessions(1.0, 0.0)), difference(*sessions(factor, shift))
    assert moved.number.value == pytest.approx(factor * plain.number.value, abs=1e-9 * factor)
    assert moved.number.u_random == pytest.approx(factor * plain.number.u_random, rel=1e-6, abs=1e-9 * factor)
    if plain.number.u > 1e-6:
        assert moved.number.low95 == pytest.approx(factor * plain.number.low95, rel=1e-5, abs=1e-6 * factor)


@settings(max_examples=60, deadline=None)
@given(speeds, speeds)
def test_exchange_turns_the_difference_round(before, after):
    a, b = (Sample(np.array(v), np.zeros(len(v))) for v in (before, after))
    there, back = difference(a, b), difference(b, a)
    assert there.number.low95 == pytest.approx(-back.number.high95)
    assert there.number.value == -back.number.value
