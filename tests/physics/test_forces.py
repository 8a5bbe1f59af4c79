"""Laws of the spin parameter as functions, and what odd input gets."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tracker.physics.air import air_density, viscosity
from tracker.physics.forces import (
    LIFT,
    LIFT_LAWS,
    drag_prior,
    effective,
    spin_decay_s,
    stepanek_drag,
    stepanek_lift,
)
from tracker.physics.gravity import normal_gravity


@pytest.mark.parametrize("law", [*LIFT_LAWS.values(), stepanek_drag], ids=[*LIFT_LAWS, "drag"])
def test_slopes(law):
    # Central differences, away from the corner that one law has at 0.1.
    S = np.array([-2.0, -0.4, -0.05, 0.03, 0.3, 1.0, 5.0])
    difference = (law(S + 1e-6)[0] - law(S - 1e-6)[0]) / 2e-6
    np.testing.assert_allclose(law(S)[1], difference, rtol=1e-6)


@pytest.mark.parametrize("law", LIFT_LAWS.values(), ids=LIFT_LAWS)
def test_lift_is_odd_and_grows(law):
    S = np.linspace(0, 3, 301)
    np.testing.assert_allclose(law(-S)[0], -law(S)[0])
    np.testing.assert_allclose(law(-S)[1], law(S)[1])
    assert (np.diff(law(S)[0]) > 0).all()


def test_no_spin_no_lift():
    value, slope = LIFT(np.array([0.0]))
    assert value == 0
    assert slope == pytest.approx(1 / 0.981)
    assert LIFT is stepanek_lift
    drag, slope = stepanek_drag(np.array([0.0]))
    assert drag == 0.508
    assert slope == 0


def test_huge_spin_parameters_stay_finite():
    for law in (*LIFT_LAWS.values(), stepanek_drag):
        value, slope = law(np.array([1e9, -1e9]))
        assert np.isfinite(value).all()
        assert np.isfinite(slope).all()


def test_prior_widens_with_spin_and_reynolds():
    at = [drag_prior(Re)[1] for Re in (1e4, 1e5, 2e5, 3e5, 1e6)]
    assert at == sorted(at)
    assert at[0] == at[1] == pytest.approx(0.07)
    assert at[3] == at[4] == pytest.approx(0.15)
    still, spinning = drag_prior(3e4), drag_prior(3e4, 0.5)
    assert spinning[0] > still[0]
    assert spinning[1] > still[1]
    assert drag_prior(3e4, -0.5) == spinning


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: effective(0.1, 0.0, 1.2, 9.8), "must be positive"),
        (lambda: effective(-0.1, 0.1, 1.2, 9.8), "must be positive"),
        (lambda: effective(0.0, 0.1, 1.2, 9.8, added_mass=0.0), "without mass"),
        (lambda: drag_prior(0.0), "Reynolds number"),
        (lambda: drag_prior(math.nan), "Reynolds number"),
        (lambda: spin_decay_s(0.1, 0.1, 0.0, 1.2), "must be positive"),
        (lambda: air_density(-1, 101325, 0.5), "must be positive"),
        (lambda: air_density(293, 101325, 50), "between 0 and 1"),
        (lambda: viscosity(0), "must be positive"),
        (lambda: normal_gravity(2.0), "must lie between"),
    ],
)
def test_odd_input(call, message):
    with pytest.raises(ValueError, match=message):
        call()
