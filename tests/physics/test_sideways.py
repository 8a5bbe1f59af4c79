"""Motion out of the plane against the whole motion in three dimensions, integrated by scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from own_flight import Throw

from tracker.physics.path import fly
from tracker.physics.sideways import sideways

SLOWLY = Throw(5.2, math.radians(62), spin_rad_s=0, vy_m_s=0.02)
FAST = Throw(9.0, math.radians(20), spin_rad_s=0, vy_m_s=-0.05, drag=0.6)
STEEP = Throw(6.0, math.radians(86), spin_rad_s=0, vy_m_s=0.05)


def flown(throws: list[Throw], seconds: float):
    """The package's paths for these throws and their drag a metre, from the textbook's equation."""
    start = np.zeros((len(throws), 6))
    for row, throw in zip(start, throws, strict=True):
        air = throw.air_kg_m3 * 4 / 3 * math.pi * throw.radius_m**3
        inertia = throw.mass_kg + throw.added_mass * air
        row[0], row[1] = (throw.speed_m_s * f(throw.angle_rad) for f in (math.cos, math.sin))
        row[2] = throw.g_m_s2 * (throw.mass_kg - air) / inertia
        row[3] = throw.air_kg_m3 * math.pi * throw.radius_m**2 * throw.drag / (2 * inertia)
    begin, end = np.full(len(throws), -0.02), np.full(len(throws), seconds)
    return fly(start, begin, end, radius_m=0.07, spin_decay_s=9.0), begin, end, start[:, 3]


@pytest.mark.parametrize("seconds", [0.15, 1.1])
def test_places_and_velocities_are_those_of_the_whole_motion(seconds):
    """To 1e-4 of the way: v_y itself adds (v_y / v)^2, some 1e-4, to the drag; the rest is smaller."""
    throws = [SLOWLY, FAST, STEEP]
    t = np.linspace(0.01, seconds, 20)
    shot, times = np.repeat(np.arange(3), 20), np.tile(t, 3)
    found = sideways(*flown(throws, seconds), shot, times)
    for k, throw in enumerate(throws):
        truth = throw.fly(seconds)(t)
        mine = shot == k
        np.testing.assert_allclose(throw.vy_m_s * found.place_m[mine], truth[:, 1], rtol=2e-4)
        np.testing.assert_allclose(throw.vy_m_s * found.velocity_m_s[mine], truth[:, 4], rtol=4e-4)
        # The check would see a velocity that is kept: over a second that is off by percents.
        assert seconds < 1 or abs(throw.vy_m_s * t[-1] / truth[-1, 1] - 1) > 0.05


def test_the_derivative_by_drag_is_a_difference():
    paths, begin, end, drag = flown([SLOWLY, FAST], 0.9)
    shot, t = np.array([0, 0, 1, 1]), np.array([-0.01, 0.8, 0.3, 0.9])
    h = 1e-6
    more, less = (sideways(paths, begin, end, drag + d, shot, t).place_m for d in (h, -h))
    found = sideways(paths, begin, end, drag, shot, t)
    np.testing.assert_allclose(found.place_by_drag, (more - less) / (2 * h), rtol=1e-6, atol=1e-9)


def test_nothing_has_moved_at_the_start():
    found = sideways(*flown([SLOWLY], 0.5), np.array([0]), np.array([0.0]))
    assert found.place_m[0] == pytest.approx(0, abs=1e-12)
    assert found.velocity_m_s[0] == pytest.approx(1, abs=1e-12)
