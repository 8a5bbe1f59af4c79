"""Designed against measured, and the grip that a team learns."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from tracker.errors import SetupError
from tracker.launcher.check import check, design_check
from tracker.launcher.grip import GripSession, learn_grip
from tracker.launcher.setting import designed
from tracker.values import Ball, Design, Launcher, Number

FLOAT = Ball(diameter_m=0.140, mass_kg=0.088)
# 0.048 m times 300 rad/s: 14.4 m/s at the wheel, 7.2 m/s without slip
LAUNCHER = Launcher(
    wheel_diameter_m=0.096, wheel_speed_rad_s=300.0, gap_exit_m=0.126, deflector_angle_rad=math.radians(52)
)
ANGLE = Number.of(math.radians(52.2), math.radians(0.1), math.radians(0.3))
GOAL = Number.of(7.2, 0.0, 0.0)


@pytest.mark.parametrize(
    ("low", "value", "high", "verdict"),
    # tolerance 0.2 about 7.2
    [
        (7.10, 7.20, 7.30, "within"),
        (7.01, 7.20, 7.39, "within"),
        (7.20, 7.30, 7.45, "undecided"),
        (6.90, 7.05, 7.20, "undecided"),
        (6.50, 7.20, 7.90, "undecided"),
        (7.41, 7.50, 7.60, "outside"),
        (6.50, 6.70, 6.99, "outside"),
        (7.20, 7.30, None, "undecided"),
        (7.41, 7.50, None, "outside"),
        (None, 6.70, 6.99, "outside"),
        (None, 7.20, 7.30, "undecided"),
    ],
)
def test_verdict(low, value, high, verdict):
    found = check(GOAL, Number(value, 0.02, 0.03, low, high), 0.2)
    assert found.verdict == verdict
    assert found.designed == 7.2
    assert found.difference.value == pytest.approx(value - 7.2)
    assert (found.difference.u_random, found.difference.u_common) == (0.02, 0.03)


def test_stated_design_wins_over_the_setting():
    design = Design(exit_speed_m_s=6.5, speed_tolerance_m_s=0.2)
    found = design_check(design, LAUNCHER, FLOAT, Number.of(6.5, 0.02, 0.03), ANGLE, None)
    assert (found["exit_speed_m_s"].designed, found["exit_speed_m_s"].verdict) == (6.5, "within")
    # a stated value is exact, so that only the measurement is uncertain
    assert found["exit_speed_m_s"].difference.u_common == 0.03
    assert found["exit_angle_rad"].designed == pytest.approx(math.radians(52))
    assert found["exit_angle_rad"].verdict == "within"
    assert "spin_rad_s" not in found


def test_value_from_the_setting_brings_its_uncertainty():
    found = design_check(Design(), LAUNCHER, FLOAT, Number.of(7.2, 0.02, 0.03), ANGLE, None)
    # wheel speed 1 % and wheel diameter 0.5 % of 7.2 m/s
    assert found["exit_speed_m_s"].difference.u_common == pytest.approx(
        math.hypot(0.03, 7.2 * math.hypot(0.01, 0.005))
    )
    assert found["exit_speed_m_s"].difference.u_random == 0.02


def test_tolerances_where_none_is_stated():
    # 3 % of 7.0 m/s is 0.21; 1.5 degrees; 20 % of 50 rad/s is 10
    design = Design(exit_speed_m_s=7.0, exit_angle_rad=0.9, spin_rad_s=50.0)
    tight = 1e-6
    for off, verdict in ((0.99, "within"), (1.01, "outside")):
        found = design_check(
            design,
            Launcher(),
            FLOAT,
            Number.of(7.0 + 0.21 * off, tight, 0.0),
            Number.of(0.9 - math.radians(1.5) * off, tight, 0.0),
            Number.of(50.0 + 10.0 * off, tight, 0.0),
        )
        assert [one.verdict for one in found.values()] == [verdict] * 3


def test_design_without_spin_allows_half_a_revolution():
    for spin, verdict in ((3.0, "within"), (3.3, "outside")):
        found = design_check(
            Design(spin_rad_s=0.0), Launcher(), FLOAT, GOAL, ANGLE, Number.of(spin, 1e-6, 0.0)
        )
        assert found["spin_rad_s"].verdict == verdict


def test_wheel_above_the_ball_is_designed_for_topspin():
    # 7.2 m/s on 66.5 mm
    spins = [
        design_check(Design(), LAUNCHER, FLOAT, GOAL, ANGLE, Number.of(sign * 100, 1.0, 1.0))["spin_rad_s"]
        for sign in (1, -1)
    ]
    assert [spin.designed for spin in spins] == pytest.approx([7.2 / 0.0665, -7.2 / 0.0665])
    assert spins[0].difference.value == pytest.approx(-spins[1].difference.value)


def test_nothing_designed():
    assert design_check(Design(), Launcher(), FLOAT, GOAL, ANGLE, None) is None
    empty = designed(Launcher(), FLOAT)
    assert empty.exit_speed_m_s is empty.exit_angle_rad is empty.spin_rad_s is None


# -- grip -------------------------------------------------------------------------------------------------


def shots(values, u_random=0.02, u_common=0.0):
    return tuple(Number.of(float(value), u_random, u_common) for value in values)


def test_grip_of_one_session_by_hand():
    # 6.3, 6.5, 6.4 over 7.2; sd 0.1/7.2, t(0.975; 2) = 4.302653
    found = learn_grip([GripSession(LAUNCHER, shots([6.3, 6.5, 6.4]))])
    assert found.value.value == pytest.approx(6.4 / 7.2)
    assert found.value.u_random == pytest.approx(0.1 / 7.2 / math.sqrt(3))
    assert found.value.high95 == pytest.approx((6.4 + 4.302653 * 0.1 / math.sqrt(3)) / 7.2, rel=1e-6)
    assert (found.sessions, found.shots, found.between) == (1, 3, 0.0)


def test_grip_of_equal_sessions_weighs_by_shots():
    # means 6.40 and 6.45, no further apart than their shots allow
    many, few = shots([6.3, 6.5] * 10), shots([6.35, 6.55])
    found = learn_grip([GripSession(LAUNCHER, many), GripSession(LAUNCHER, few)])
    assert found.between == 0.0
    assert found.value.value == pytest.approx((20 * 6.40 + 2 * 6.45) / 22 / 7.2)


def test_shared_calibration_does_not_average_out():
    one = [GripSession(LAUNCHER, shots([6.3, 6.5, 6.4], u_common=0.1), "tripod") for _ in range(4)]
    found = learn_grip(one).value
    assert found.u_common == pytest.approx(found.value * 0.1 / 6.4, rel=1e-3)
    apart = [GripSession(LAUNCHER, shots([6.3, 6.5, 6.4], u_common=0.1), str(i)) for i in range(4)]
    assert learn_grip(apart).value.u_common == pytest.approx(found.u_common / 2, rel=1e-6)


def test_sessions_that_differ_widen_the_grip():
    sessions = [GripSession(LAUNCHER, shots(np.array([6.3, 6.5, 6.4]) + off)) for off in (-0.5, 0.0, 0.5)]
    found = learn_grip(sessions)
    # means 0.5/7.2 apart: between and within together are their variance, (0.5/7.2)^2
    assert found.between**2 + (0.1 / 7.2) ** 2 / 3 == pytest.approx((0.5 / 7.2) ** 2, rel=1e-6)
    assert found.value.high95 - found.value.value > 0.1


def test_sessions_that_differ_count_alike_however_many_their_shots():
    many, few = shots([6.0, 6.1] * 50), shots([6.9, 7.0])
    found = learn_grip([GripSession(LAUNCHER, many), GripSession(LAUNCHER, few)])
    assert found.value.value == pytest.approx((6.05 + 6.95) / 2 / 7.2, abs=0.002)


def test_learnt_grip_predicts_other_settings():
    slow = Launcher(wheel_diameter_m=0.096, wheel_speed_rad_s=200.0)
    grip = learn_grip([GripSession(LAUNCHER, shots([6.3, 6.5, 6.4])), GripSession(slow, shots([4.2, 4.3]))])
    fast = Launcher(wheel_diameter_m=0.096, wheel_speed_rad_s=400.0, gap_exit_m=0.126)
    found = designed(fast, FLOAT, grip=grip.value)
    assert found.exit_speed_m_s.value == pytest.approx(9.6 * grip.value.value)
    # the wheel's own uncertainty is in the grip already
    assert found.exit_speed_m_s.u == pytest.approx(9.6 * grip.value.u)
    assert found.spin_rad_s.value == pytest.approx(9.6 * grip.value.value / 0.0665)


def test_single_shots_give_a_grip_without_bounds():
    found = learn_grip([GripSession(LAUNCHER, shots([6.4]))]).value
    assert (found.low95, found.high95) == (None, None)
    assert found.u_random == pytest.approx(0.02 / 7.2)


@pytest.mark.parametrize(
    ("sessions", "message"),
    [
        ([], "no shot"),
        ([GripSession(LAUNCHER, ())], "no shot"),
        ([GripSession(Launcher(), shots([6.4]))], "not stated"),
    ],
)
def test_grip_needs_shots_and_wheels(sessions, message):
    with pytest.raises(SetupError, match=message):
        learn_grip(sessions)


@pytest.mark.parametrize(
    ("sessions", "between", "u_common", "shared"),
    [
        (1, 0.0, 0.0, False),
        (2, 0.02, 0.01, False),
        (3, 0.02, 0.01, False),
        (3, 0.02, 0.01, True),
        (6, 0.02, 0.01, False),
        (6, 0.0, 0.01, True),
    ],
)
def test_interval_of_the_grip_holds(sessions, between, u_common, shared):
    """Simulated teams: each session with its own grip and a calibration error, true grip 0.9.

    At least 95 %: sessions that happen to agree are not taken to be alike, so that it is more where they are.
    """
    rng = np.random.default_rng([sessions, int(1000 * between), shared])
    trials, hits, widths = 400, 0, []
    for _ in range(trials):
        made = []
        off = rng.normal(0, u_common)
        for _ in range(sessions):
            scale = 1 + (off if shared else rng.normal(0, u_common))
            centre = 7.2 * rng.normal(0.9, between) * scale
            speeds = shots(rng.normal(centre, 0.1, 5), u_common=centre * u_common)
            made.append(GripSession(LAUNCHER, speeds, "tripod" if shared else ""))
        number = learn_grip(made).value
        hits += number.low95 <= 0.9 <= number.high95
        widths.append(number.high95 - number.low95)
    assert hits >= stats.binom.ppf(0.0005, trials, 0.95)
    # and not by being endless: two sessions say little (t is 12.7), more say it to a few hundredths
    assert np.median(widths) < (0.35 if sessions == 2 else 0.12)
