"""Buoyancy, added mass, drag, lift and loss of spin against textbooks, papers and an outside library."""

from __future__ import annotations

import math

import fluids.drag
import numpy as np
import pytest

from tracker.physics.forces import (
    ADDED_MASS,
    INERTIA_SOLID,
    LIFT_LAW_U,
    LIFT_LAWS,
    U_ADDED_MASS,
    displaced_mass,
    drag_prior,
    effective,
    nathan_lift,
    reynolds,
    sawicki_lift,
    spin_decay_s,
    stepanek_drag,
    stepanek_lift,
)
from tracker.physics.path import fly

G = 9.80665  # 3rd CGPM (1901)

# -- buoyancy and added mass ---------------------------------------------------------------------------


def test_bubble_starts_at_twice_gravity():
    # A massless sphere in ideal fluid starts upward at 2 g: Batchelor, An Introduction to Fluid Dynamics
    # (1967), 6.8 (from memory).
    assert effective(0.0, 0.001, 998.0, G).g_m_s2 == pytest.approx(-2 * G)


def test_released_light_sphere():
    # Initial acceleration (m - m_a) g / (m + m_a / 2): Lamb, Hydrodynamics (1932), art. 92 (from memory).
    # A 140 mm ball of 88 g displaces pi / 6 * 0.14^3 * 1.2 = 1.724106 g.
    assert displaced_mass(0.07, 1.2) == pytest.approx(1.724106e-3, rel=1e-6)
    expected = G * (88 - 1.724106) / (88 + 1.724106 / 2)
    eff = effective(0.088, 0.07, 1.2, G)
    assert eff.g_m_s2 == pytest.approx(expected, rel=1e-8)
    flights = fly(
        np.array([[0, 0, eff.g_m_s2, eff.per_m * 0.47, 0, 0]]),
        np.array([0.0]),
        np.array([0.1]),
        radius_m=0.07,
        spin_decay_s=10.0,
    )
    t = 1e-4
    assert flights.at(0, np.array([t]))[1][0, 1] / t == pytest.approx(-expected, rel=1e-7)


def test_weight_that_floats():
    # Archimedes: a ball as dense as the air hangs in it.
    mass = displaced_mass(0.1, 1.2)
    assert effective(mass, 0.1, 1.2, G).g_m_s2 == pytest.approx(0, abs=1e-12)


def test_terminal_speed():
    # v_t = sqrt(2 (m - m_a) g / (rho A C_D)), any textbook; added mass takes no part in it.
    eff = effective(0.025, 0.035, 1.2, G)
    area, air = math.pi * 0.035**2, 4 / 3 * math.pi * 0.035**3 * 1.2
    terminal = math.sqrt(2 * (0.025 - air) * G / (1.2 * area * 0.47))
    assert math.sqrt(eff.g_m_s2 / (0.47 * eff.per_m)) == pytest.approx(terminal, rel=1e-12)


def test_added_mass_holds_theory_within_two_standard_uncertainties_of_none():
    # Between none and the whole of the displaced air lies what has been reported for spheres with a wake.
    assert ADDED_MASS - 2 * U_ADDED_MASS >= 0
    assert ADDED_MASS + 2 * U_ADDED_MASS <= 1


# -- drag ----------------------------------------------------------------------------------------------

# Smooth sphere, measured: points of a public teaching page on sphere drag (after Long & Weiss, Amer. Math.
# Monthly 106 (1999) 127, from memory).
MEASURED_DRAG = [(8375, 0.3981), (15560, 0.4395), (26480, 0.4571), (34670, 0.4775), (58880, 0.4732)]
MEASURED_DRAG += [(1.0e5, 0.4624), (1.702e5, 0.4395), (2.317e5, 0.4046)]


@pytest.mark.parametrize(("Re", "C_D"), MEASURED_DRAG)
def test_drag_prior_holds_the_smooth_sphere(Re, C_D):
    mean, sd = drag_prior(Re)
    assert abs(mean - C_D) < sd


@pytest.mark.parametrize("Re", [1e3, 4e3, 1e4, 3e4, 5e4, 1e5, 1.5e5, 2e5])
@pytest.mark.parametrize("curve", [fluids.drag.Clift, fluids.drag.Barati_high, fluids.drag.Haider_Levenspiel])
def test_drag_prior_agrees_with_published_curves(Re, curve):
    mean, sd = drag_prior(Re)
    assert abs(mean - curve(Re)) < 0.6 * sd


def test_drag_prior_holds_balls_in_play():
    # Tennis, 0.507 +- 0.024 at 15 to 30 m/s: Cross & Lindsey, Sports Eng. (2014), abstract.
    mean, sd = drag_prior(9e4)
    assert abs(mean - 0.507) < sd
    # A football past its crisis, 0.2: Goff & Carre, Am. J. Phys. 77 (2009) 1020, abstract.
    mean, sd = drag_prior(3e5)
    assert abs(mean - 0.2) < 2 * sd
    # Spinning tennis balls: Stepanek (1988), 0.7246 at S = 0.5 and 0.7786 at S = 1.
    for S, C_D in ((0.5, 0.7246), (1.0, 0.7786)):
        mean, sd = drag_prior(9e4, S)
        assert abs(mean - C_D) < 1.5 * sd


def test_reynolds_number():
    # 70 mm at 8 m/s in air of 1.2 kg/m3 and 1.8e-5 Pa s: 37333.
    assert reynolds(8, 0.07, 1.2, 1.8e-5) == pytest.approx(37333.33, rel=1e-6)


# diameter, mass, time, (speed, distance) by fluids.drag.integrate_drag_sphere: falls from rest with the
# drag curve of Barati and with buoyancy, without added mass.
FALLS = [(0.07, 0.025, 1.0), (0.04, 0.0027, 0.6), (0.0674, 0.0577, 1.0)]


@pytest.mark.parametrize(("diameter", "mass", "t"), FALLS)
def test_fall_with_a_drag_curve(diameter, mass, t):
    rho, mu = 1.2, 1.8e-5
    density = mass / (math.pi / 6 * diameter**3)
    speed, fallen = fluids.drag.integrate_drag_sphere(
        D=diameter, rhop=density, rho=rho, mu=mu, t=t, V=0, distance=True
    )
    curve = np.vectorize(lambda Re: fluids.drag.drag_sphere(Re, "Barati"))

    # Without lift, S = r omega / v only carries the speed, so that any C_D(v) can be flown.
    def drag_law(S):
        def C_D(S):
            return curve(rho * (diameter / 2 / S) * diameter / mu)

        return C_D(S), (C_D(S * (1 + 1e-5)) - C_D(S * (1 - 1e-5))) / (2e-5 * S)

    eff = effective(mass, diameter / 2, rho, G, added_mass=0.0)
    flights = fly(
        np.array([[0, 0, eff.g_m_s2, eff.per_m, 0, 1.0]]),
        np.array([0.0]),
        np.array([t]),
        radius_m=diameter / 2,
        spin_decay_s=math.inf,
        drag_law=drag_law,
    )
    xz, v, _, _ = flights.at(0, np.array([t]))
    assert -v[0, 1] == pytest.approx(speed, abs=2e-6)
    assert -xz[0, 1] == pytest.approx(fallen, abs=2e-6)


# -- lift ----------------------------------------------------------------------------------------------

# The papers' formulas, worked by hand: S, Stepanek C_L, Cross/Nathan C_L, Sawicki-Hubbard-Stronge C_L,
# Stepanek C_D.
LIFT_TABLE = [
    (0.05, 0.0462, 0.0969, 0.0750, 0.5361),
    (0.1, 0.0845, 0.1582, 0.1500, 0.5640),
    (0.2, 0.1444, 0.2315, 0.2100, 0.6167),
    (0.5, 0.2510, 0.3205, 0.3900, 0.7246),
    (1.0, 0.3330, 0.3676, 0.6900, 0.7786),
]


@pytest.mark.parametrize(("S", "stepanek", "nathan", "sawicki", "C_D"), LIFT_TABLE)
def test_laws_of_the_papers(S, stepanek, nathan, sawicki, C_D):
    for law, expected in ((stepanek_lift, stepanek), (nathan_lift, nathan), (sawicki_lift, sawicki)):
        assert law(np.array(S))[0] == pytest.approx(expected, abs=6e-5)
        assert law(np.array(-S))[0] == pytest.approx(-expected, abs=6e-5)
    assert stepanek_drag(np.array(S))[0] == pytest.approx(C_D, abs=6e-5)
    assert stepanek_drag(np.array(-S))[0] == pytest.approx(C_D, abs=6e-5)


def test_scatter_of_the_lift_laws():
    # Three published laws for three balls: their relative scatter is what a spin from lift must carry.
    S = np.linspace(0.1, 0.8, 71)
    values = np.array([law(S)[0] for law in LIFT_LAWS.values()])
    scatter = values.std(axis=0, ddof=1) / values.mean(axis=0)
    assert np.sqrt(np.mean(scatter**2)) == pytest.approx(LIFT_LAW_U, abs=0.03)


# -- loss of spin --------------------------------------------------------------------------------------


def test_spin_decay_of_a_baseball():
    # Nathan, The effect of spin-down on the flight of a baseball (2008): I = 0.4 M R^2, 145 g, 36.4 mm,
    # 1.27 kg/m3, 100 mph: about 5 s; with all figures kept 4.9086 s.
    decay = spin_decay_s(0.145, 0.0364, 100 * 0.44704, 1.27, INERTIA_SOLID)
    assert decay == pytest.approx(4.9086, abs=1e-4)
    assert decay == pytest.approx(5, rel=0.03)
