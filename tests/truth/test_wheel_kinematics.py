"""Setting and wheel-speed budget against textbook rolling.

A rigid ball that rolls without slip between two surfaces moves with the mean of their speeds and turns
with half their difference over its radius (any textbook of mechanics; the ball as a planet between two
rings). The rotational shares follow from the moments of inertia 2/5 and 2/3 m r^2.
"""

from __future__ import annotations

import math

import pytest

from tracker.launcher.budget import energy_view, wheel_budget, wheel_pair
from tracker.launcher.gap import rolling_radius, squeeze
from tracker.launcher.setting import designed, surface_speeds
from tracker.values import Ball, Launcher, Number

RPM = 2 * math.pi / 60
# a gap as wide as the ball: it then rolls on its free radius, 35 mm
BALL = Ball(diameter_m=0.070)
HOOD = Launcher(wheels=1, wheel_diameter_m=0.096, wheel_speed_rad_s=3000 * RPM, gap_exit_m=0.070)


def exactly(value):
    return Number.of(value, 0.0, 0.0)


def test_wheel_of_96_mm_at_3000_rpm():
    # by hand: pi 0.096 m 50/s = 15.0796 m/s; half of it; 7.5398 / 0.035 = 215.423 rad/s = 2057.14 rpm
    assert surface_speeds(HOOD) == pytest.approx((15.079644737, 0.0))
    found = designed(HOOD, BALL)
    assert found.exit_speed_m_s.value == pytest.approx(7.5398223686)
    assert found.spin_rad_s.value == pytest.approx(215.4234962462)
    assert found.spin_rad_s.value / RPM == pytest.approx(2057.142857)


def test_squeezed_ball_turns_faster():
    # rolling on 30 mm: 251.327 rad/s; a 50 mm gap puts the middle of 25 to 35 mm there
    found = designed(Launcher(**{**vars_of(HOOD), "gap_exit_m": 0.050}), BALL)
    assert found.spin_rad_s.value == pytest.approx(251.3274123)
    # rectangular, half width 5 mm: 5/sqrt(3) of 30 mm (JCGM 100:2008, 4.3.7)
    assert rolling_radius(Launcher(gap_exit_m=0.050), BALL).u_common == pytest.approx(0.005 / math.sqrt(3))


def vars_of(launcher):
    return {name: getattr(launcher, name) for name in launcher.__slots__}


def test_no_slip_splits_the_wheels_speed_in_halves():
    found = wheel_budget(HOOD, BALL, exactly(7.5398223686), exactly(215.4234962462))
    assert found.wheel_speed_m_s.value == pytest.approx(15.079644737)
    assert found.spin_loss_m_s.value == pytest.approx(7.5398223686)
    assert found.spin_loss_share.value == pytest.approx(0.5)
    assert found.slip_m_s.value == pytest.approx(0.0, abs=1e-8)
    assert found.backing_slip_m_s.value == pytest.approx(0.0, abs=1e-8)


def test_ball_that_only_slides_on_the_backing_slips_there():
    # no spin: the backing sees the whole exit speed, the wheel the rest
    found = wheel_budget(HOOD, BALL, exactly(7.0), exactly(0.0))
    assert found.backing_slip_m_s.value == pytest.approx(7.0)
    assert found.slip_m_s.value == pytest.approx(15.079644737 - 7.0)


@pytest.mark.parametrize(
    ("second", "speed", "turn"),
    # u1 = 15.0796 m/s; the second wheel at the same, half, no, and the opposite speed
    [
        (3000, 15.0796447, 0.0),
        (1500, 11.3097336, 3.7699112),
        (0, 7.5398224, 7.5398224),
        (-3000, 0.0, 15.0796447),
    ],
)
def test_two_wheels(second, speed, turn):
    two = Launcher(**{**vars_of(HOOD), "wheels": 2, "second_wheel_speed_rad_s": second * RPM})
    found = designed(two, BALL)
    assert found.exit_speed_m_s.value == pytest.approx(speed, abs=1e-7)
    assert found.spin_rad_s.value * 0.035 == pytest.approx(turn, abs=1e-7)
    pair = wheel_pair(two, BALL, exactly(speed), exactly(turn / 0.035))
    assert pair.difference_m_s.value == pytest.approx(turn, abs=1e-7)
    assert pair.first_slip_m_s.value == pytest.approx(0.0, abs=1e-6)
    assert pair.second_slip_m_s.value == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("solid", "share", "linear"),
    # rolling: rotational over translational energy is k, so that the share is k/(1 + k): 2/7 and 2/5
    [(True, 2 / 7, 5 / 7), (False, 2 / 5, 3 / 5)],
)
def test_energy_of_a_rolling_ball(solid, share, linear):
    ball = Ball(diameter_m=0.070, mass_kg=0.025, solid=solid)
    found = energy_view(ball, exactly(7.0), exactly(7.0 / 0.035))
    assert found.share.value == pytest.approx(share)
    # 0.5 m v^2 = 0.6125 J
    assert found.translation_j.value == pytest.approx(0.6125)
    assert found.rotation_j.value == pytest.approx(0.6125 * share / linear)


def test_ordinary_gap_for_a_soft_ball_is_sound():
    # a soft ball of about 127 mm in a gap of about 115 mm, a good 9 % (common practice, no source; the
    # ball's size from memory)
    found = squeeze(Launcher(gap_entry_m=0.115, gap_exit_m=0.115), Ball(diameter_m=0.127))
    assert found.sound
    assert found.exit == pytest.approx(0.0945, abs=5e-5)
