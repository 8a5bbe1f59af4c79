"""Wheel-speed budget, energy and gap."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.errors import SetupError
from tracker.launcher.budget import energy_view, one_wheel_parts, wheel_budget, wheel_pair
from tracker.launcher.gap import rolling_radius, squeeze
from tracker.launcher.propagate import covariance
from tracker.launcher.setting import wheel_share
from tracker.values import Ball, Launcher, Number

# the float of the invented game, in its ordinary gap
FLOAT = Ball(diameter_m=0.140, mass_kg=0.088, u_mass_kg=0.001, u_diameter_m=0.001)
LAUNCHER = Launcher(
    wheels=1, wheel_diameter_m=0.096, wheel_speed_rad_s=335.0, gap_entry_m=0.126, gap_exit_m=0.126
)
SPEED = Number.of(7.2, 0.03, 0.10)
SPIN = Number.of(100.0, 5.0, 10.0)


def changed(**fields):
    return Launcher(**({name: getattr(LAUNCHER, name) for name in LAUNCHER.__slots__} | fields))


@settings(max_examples=100, deadline=None)
@given(
    st.floats(0.5, 20), st.floats(0.001, 0.5), st.floats(0, 0.5),
    st.floats(-400, 400), st.floats(0.01, 50), st.floats(0, 50),
    st.floats(50, 600), st.floats(0.05, 0.139),
)  # fmt: skip
def test_parts_add_up(v, v_random, v_common, omega, omega_random, omega_common, wheel, gap):
    """Exit, spin loss and slip make the wheel's speed, and with their covariances its uncertainty."""
    launcher = changed(wheel_speed_rad_s=wheel, gap_exit_m=gap)
    speed, spin = Number.of(v, v_random, v_common), Number.of(omega, omega_random, omega_common)
    found = wheel_budget(launcher, FLOAT, speed, spin)
    parts = (found.exit_m_s, found.spin_loss_m_s, found.slip_m_s)
    assert sum(part.value for part in parts) == pytest.approx(found.wheel_speed_m_s.value)
    assert found.wheel_speed_m_s.value == pytest.approx(0.048 * wheel)
    assert found.exit_m_s.value == v
    assert found.exit_m_s.u_random == pytest.approx(v_random)
    assert found.exit_m_s.low95 == pytest.approx(speed.low95)
    assert found.spin_loss_share.value == pytest.approx(
        found.spin_loss_m_s.value / found.wheel_speed_m_s.value
    )
    assert found.backing_slip_m_s.value == pytest.approx(v - found.spin_loss_m_s.value)
    inputs = [wheel_share(0.01, 0.005), speed, Number.of(abs(omega), omega_random, omega_common)]
    inputs.append(rolling_radius(launcher, FLOAT))
    c = covariance(
        one_wheel_parts(0.048 * wheel),
        np.array([n.value for n in inputs]),
        np.diag([n.u**2 for n in inputs]),
    )
    together = np.array([0, 1, 1, 1, 0, 0])
    assert math.sqrt(together @ c @ together) == pytest.approx(found.wheel_speed_m_s.u, rel=1e-6)
    assert [math.sqrt(c[i, i]) for i in (1, 2, 3)] == pytest.approx([part.u for part in parts], rel=1e-6)


def test_intervals_against_monte_carlo():
    # JCGM 101:2008: draw the inputs, read off the results; the rolling radius is rectangular
    rng = np.random.default_rng(7)
    n = 200_000
    wheel = 0.048 * 335.0 * (1 + math.hypot(0.01, 0.005) * rng.standard_normal(n))
    v = 7.2 + math.hypot(0.03, 0.10) * rng.standard_normal(n)
    loss = rng.uniform(0.063, 0.070, n) * (100.0 + math.hypot(5.0, 10.0) * rng.standard_normal(n))
    found = wheel_budget(LAUNCHER, FLOAT, SPEED, SPIN)
    for part, drawn in (
        (found.wheel_speed_m_s, wheel),
        (found.exit_m_s, v),
        (found.spin_loss_m_s, loss),
        (found.slip_m_s, wheel - v - loss),
        (found.backing_slip_m_s, v - loss),
        (found.spin_loss_share, loss / wheel),
    ):
        assert part.value == pytest.approx(np.mean(drawn), abs=0.02 * part.u)
        assert part.u == pytest.approx(np.std(drawn), rel=0.02)
        assert np.mean((drawn > part.low95) & (drawn < part.high95)) == pytest.approx(0.95, abs=0.01)


def test_radius_that_alone_is_unknown_bounds_by_its_rectangle():
    # 95 % of a rectangle is 0.95 of its half width, less than 1.96 of its standard deviation
    found = wheel_budget(LAUNCHER, FLOAT, SPEED, Number.of(100.0, 0.0, 0.0)).spin_loss_m_s
    assert (found.low95, found.high95) == pytest.approx((6.65 - 0.95 * 0.35, 6.65 + 0.95 * 0.35))


def test_spin_without_a_bound_leaves_the_parts_open_on_its_side():
    found = wheel_budget(LAUNCHER, FLOAT, SPEED, Number(100.0, 5.0, 25.0, 60.0, None))
    assert found.spin_loss_m_s.high95 is None
    assert found.spin_loss_m_s.low95 is not None
    assert found.slip_m_s.low95 is None
    assert found.slip_m_s.high95 is not None
    assert found.exit_m_s.high95 == pytest.approx(SPEED.high95)


def test_wheel_above_the_ball_drives_topspin():
    below, above = (wheel_budget(LAUNCHER, FLOAT, SPEED, SPIN.times(sign)) for sign in (1.0, -1.0))
    assert above == below


def test_nothing_without_what_it_takes():
    assert wheel_budget(changed(wheel_speed_rad_s=None), FLOAT, SPEED, SPIN) is None
    assert wheel_budget(changed(wheel_diameter_m=None), FLOAT, SPEED, SPIN) is None
    assert wheel_budget(LAUNCHER, FLOAT, SPEED, None) is None
    assert energy_view(FLOAT, SPEED, None) is None
    assert wheel_pair(LAUNCHER, FLOAT, SPEED, SPIN) is None


def test_two_wheels_budget_needs_no_spin_and_adds_up():
    two = changed(wheels=2, second_wheel_speed_rad_s=235.0)
    found = wheel_budget(two, FLOAT, Number.of(13.0, 0.05, 0.2), None)
    assert found.wheel_speed_m_s.value == pytest.approx(0.048 * 285.0)
    assert found.slip_m_s.value == pytest.approx(0.048 * 285.0 - 13.0)
    assert found.spin_loss_m_s.value == 0.0
    pair = wheel_pair(two, FLOAT, Number.of(13.0, 0.05, 0.2), Number.of(30.0, 1.0, 1.0))
    assert pair.difference_m_s.value == pytest.approx(2.4)
    # the two slips are twice the slip of the budget, whatever the spin
    both = pair.first_slip_m_s.value + pair.second_slip_m_s.value
    assert both == pytest.approx(2 * found.slip_m_s.value)


def test_standing_wheel_is_no_division_by_zero():
    assert wheel_budget(changed(wheel_speed_rad_s=0.0), FLOAT, SPEED, SPIN).spin_loss_share.value == 0.0


def test_three_wheels_are_refused():
    with pytest.raises(SetupError, match="3 wheels"):
        wheel_budget(changed(wheels=3), FLOAT, SPEED, SPIN)


def test_energy_share_stays_a_share():
    found = energy_view(FLOAT, Number.of(7.0, 0.1, 0.3), Number.of(200.0, 20.0, 150.0))
    assert 0.0 <= found.share.low95 < found.share.value < found.share.high95 <= 1.0
    assert found.inertia_factor == pytest.approx(2 / 3)
    light = Ball(diameter_m=0.14)
    assert energy_view(light, SPEED, SPIN).rotation_j is None


# -- gap ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("entry", "leaving", "codes"),
    [
        (0.126, 0.126, ()),
        (0.126, None, ()),
        (None, 0.126, ()),
        (0.130, 0.126, ("gap_uneven",)),
        (0.122, 0.128, ("gap_uneven",)),
        (0.141, 0.141, ("gap_too_wide",)),
        (0.137, 0.137, ("squeeze_light",)),
        (0.100, 0.100, ("squeeze_hard",)),
        (0.141, 0.100, ("gap_uneven", "squeeze_hard")),
    ],
)
def test_remarks_on_the_gap(entry, leaving, codes):
    found = squeeze(changed(gap_entry_m=entry, gap_exit_m=leaving), FLOAT)
    assert tuple(remark.code for remark in found.remarks) == codes
    assert found.sound == (not codes)
    assert all("{" not in remark.message + remark.advice for remark in found.remarks)


def test_squeeze_of_a_tenth():
    found = squeeze(LAUNCHER, FLOAT)
    assert (found.entry, found.exit, found.change_m) == pytest.approx((0.1, 0.1, 0.0))
    assert squeeze(Launcher(), FLOAT) is None


@pytest.mark.parametrize(
    ("entry", "leaving", "low"),
    # half the gap at the exit; at the entry if only that is stated; never more than the free radius
    [(0.13, 0.126, 0.063), (0.126, None, 0.063), (None, 0.160, 0.070), (None, None, 0.0525)],
)
def test_rolling_radius_lies_between_half_the_gap_and_the_free_radius(entry, leaving, low):
    found = rolling_radius(changed(gap_entry_m=entry, gap_exit_m=leaving), FLOAT)
    assert found.value == pytest.approx((low + 0.070) / 2)
    assert found.u_common == pytest.approx((0.070 - low) / math.sqrt(12))
    assert found.u_random == 0.0
