"""Flight paths against closed forms, the exact hodograph, an outside integrator and worked trajectories."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from tracker.physics.forces import stepanek_drag, stepanek_lift
from tracker.physics.path import fly

G = 9.80665  # 3rd CGPM (1901)
RHO = 1.2
NO_DECAY = math.inf

BALLS = {  # diameter m, mass kg
    "foam": (0.070, 0.025),
    "small": (0.040, 0.0027),
    "felt": (0.067, 0.0577),
    "large": (0.243, 0.624),
}
LEVEL_SHOTS = [("foam", 8.0, 55.0), ("small", 10.0, 30.0), ("felt", 12.0, 45.0), ("large", 9.0, 52.0)]


def per_m(ball, rho=RHO):
    """The textbook's rho A / (2 m), no buoyancy and no added mass."""
    diameter, mass = BALLS[ball]
    return rho * math.pi * diameter**2 / 4 / (2 * mass)


def start(speed, angle_deg, g=G, drag=0.0, lift=0.0, spin=0.0):
    angle = math.radians(angle_deg)
    return np.array([[speed * math.cos(angle), speed * math.sin(angle), g, drag, lift, spin]])


def flown(values, end_s, begin_s=0.0, **kwargs):
    settings = {"radius_m": 0.035, "spin_decay_s": NO_DECAY} | kwargs
    flights = fly(values, np.array([begin_s]), np.array([end_s]), **settings)
    assert flights.solved.all()
    assert flights.resolved.all()
    return flights


def landing(flights, end_s, below_m=0.0):
    """When and where the ball comes down, and its velocity there."""

    def height(t):
        return flights.at(0, np.array([t]))[0][0, 1] + below_m

    T = brentq(height, end_s / 5, end_s, xtol=1e-14)
    xz, v, _, _ = flights.at(0, np.array([T]))
    return T, xz[0, 0], v[0]


def constant(value):
    return lambda S: (np.full_like(S, value), np.zeros_like(S))


def textbook(values, t_s, radius_m, spin_decay_s):
    """(x, z, vx, vz) by DOP853; the equations as the textbooks write them, Stepanek's C_L."""
    vx0, vz0, g, drag, lift, spin0 = values

    def motion(t, y):
        _, _, vx, vz = y
        v = math.hypot(vx, vz)
        S = radius_m * spin0 * math.exp(-t / spin_decay_s) / v
        C = math.copysign(1 / (2.022 + 0.981 / abs(S)), S) if S else 0.0
        return [vx, vz, -drag * v * vx - lift * C * v * vz, -g - drag * v * vz + lift * C * v * vx]

    path = np.empty((len(t_s), 4))
    for side in (t_s >= 0, t_s < 0):
        if side.any():
            order = np.argsort(np.abs(t_s[side]))
            ordered = t_s[side][order]
            solution = solve_ivp(
                motion, (0, ordered[-1]), [0, 0, vx0, vz0], "DOP853", ordered, rtol=1e-13, atol=1e-14
            )
            rows = np.empty((len(order), 4))
            rows[order] = solution.y.T
            path[side] = rows
    return path


# -- closed forms --------------------------------------------------------------------------------------


def test_vacuum_projectile():
    # Any textbook: T = 2 v sin a / g, R = v^2 sin 2a / g, H = (v sin a)^2 / 2 g.
    flights = flown(start(10, 45), 1.6)
    T, R, v = landing(flights, 1.6)
    assert pytest.approx(1.4420964981651176, rel=1e-12) == T
    assert pytest.approx(10.197162129779283, rel=1e-12) == R
    assert math.degrees(math.atan2(v[1], v[0])) == pytest.approx(-45, abs=1e-9)
    apex = flights.at(0, np.array([T / 2]))[0][0]
    assert apex[1] == pytest.approx(2.5492905324448203, rel=1e-12)


def test_vacuum_derivatives():
    # x = vx t, z = vz t - g t^2 / 2.
    t = np.linspace(-0.2, 1.0, 7)
    _, _, dxz, dv = flown(start(10, 45), 1.0, -0.2).at(0, t)
    nought = np.zeros_like(t)
    np.testing.assert_allclose(dxz[:, 0, :3], np.column_stack([t, nought, nought]), atol=1e-12)
    np.testing.assert_allclose(dxz[:, 1, :3], np.column_stack([nought, t, -(t**2) / 2]), atol=1e-12)
    np.testing.assert_allclose(dv[:, 1, :3], np.column_stack([nought, nought + 1, -t]), atol=1e-12)


@pytest.mark.parametrize("t", [0.5, 1.0, 2.0])
def test_drop_from_rest(t):
    # v = vt tanh(g t / vt), y = vt^2 / g ln cosh(g t / vt): any textbook, quadratic drag in one dimension.
    drag = 0.47 * per_m("foam")
    terminal = math.sqrt(G / drag)
    xz, v, _, _ = flown(start(0, 0, drag=drag), 2.0).at(0, np.array([t]))
    assert -v[0, 1] == pytest.approx(terminal * math.tanh(G * t / terminal), rel=1e-9)
    assert -xz[0, 1] == pytest.approx(terminal**2 / G * math.log(math.cosh(G * t / terminal)), rel=1e-9)


def test_straight_up():
    # H = ln(1 + k v^2 / g) / 2k, t_up = atan(v sqrt(k / g)) / sqrt(g k): any textbook.
    drag, v0 = 0.47 * per_m("foam"), 10.0
    t_up = math.atan(v0 * math.sqrt(drag / G)) / math.sqrt(G * drag)
    xz, v, _, _ = flown(start(v0, 90, drag=drag), 1.2).at(0, np.array([t_up]))
    assert xz[0, 1] == pytest.approx(math.log(1 + drag * v0**2 / G) / (2 * drag), rel=1e-9)
    assert v[0, 1] == pytest.approx(0, abs=1e-8)


def test_drag_without_gravity():
    # x = ln(1 + k v t) / k, v = v0 / (1 + k v0 t): any textbook. Its derivatives by v0 and k by hand.
    k, v0, t = 0.47 * per_m("foam"), 10.0, 0.5
    xz, v, dxz, _ = flown(start(v0, 0, g=0.0, drag=k), t).at(0, np.array([t]))
    assert xz[0, 0] == pytest.approx(math.log(1 + k * v0 * t) / k, rel=1e-12)
    assert v[0, 0] == pytest.approx(v0 / (1 + k * v0 * t), rel=1e-12)
    assert dxz[0, 0, 0] == pytest.approx(t / (1 + k * v0 * t), rel=1e-9)
    assert dxz[0, 0, 3] == pytest.approx(v0 * t / k / (1 + k * v0 * t) - math.log(1 + k * v0 * t) / k**2)


def test_lift_alone_flies_a_circle():
    # Constant lift at right angles to the motion: a circle of radius 1 / (lift C), flown at constant speed.
    flights = flown(start(6, 0, g=0.0, lift=0.5), 1.0, law=constant(0.8))
    t = np.linspace(0, 1, 9)
    xz, v, _, _ = flights.at(0, t)
    turned = 6 * 0.4 * t
    np.testing.assert_allclose(xz, np.column_stack([np.sin(turned), 1 - np.cos(turned)]) / 0.4, atol=1e-10)
    np.testing.assert_allclose(np.hypot(*v.T), 6, rtol=1e-10)


# -- exact hodograph -----------------------------------------------------------------------------------


def hodograph(speed, angle_deg, drag):
    """Time, range and apex on level ground by quadrature over the path's slope angle.

    Bernoulli 1719; in the textbooks on exterior ballistics: V as a function of the angle a, then
    t, x, z as integrals over a. F(a) = sin a / cos^2 a + ln tan(a / 2 + pi / 4), k = drag / g.
    """
    th, k = math.radians(angle_deg), drag / G

    def F(a):
        return math.sin(a) / math.cos(a) ** 2 + math.log(math.tan(a / 2 + math.pi / 4))

    def V(a):
        vx = speed * math.cos(th)
        return vx / (math.cos(a) * math.sqrt(1 + k * vx**2 * (F(th) - F(a))))

    def integral(function, a):
        return quad(function, a, th, epsabs=1e-11, epsrel=1e-11)[0] / G

    def height(a):
        return integral(lambda b: V(b) ** 2 * math.tan(b), a)

    down = brentq(height, -1.5, -0.1, xtol=1e-13)
    T = integral(lambda b: V(b) / math.cos(b), down)
    return T, integral(lambda b: V(b) ** 2, down), height(0.0), V(down), math.degrees(down)


# T, R, H, impact speed and angle with C_D = 0.47: from quadrature and DOP853 (rtol 1e-12), which agreed
# to 1e-8; both were run outside this project.
LEVEL = {
    "foam": (1.25938612, 5.00177735, 1.94601263, 6.79430598, -59.523501),
    "small": (0.86731220, 5.13133698, 0.93245230, 5.67340509, -42.611580),
    "felt": (1.64769076, 12.32958914, 3.33142658, 10.18196864, -49.462314),
    "large": (1.39405397, 7.03863639, 2.38334923, 8.05434427, -55.115831),
}
# T, R, H with C_L = 0.2 added: DOP853 (rtol 1e-12), run outside this project.
LIFTED = {
    "foam": (1.309339, 4.997723, 2.036123),
    "small": (1.084214, 5.763742, 1.225278),
    "felt": (1.731614, 12.628591, 3.521376),
    "large": (1.435202, 7.088938, 2.462842),
}


def level_flight(ball, speed, angle, lift=0.0, law=stepanek_lift):
    flights = flown(start(speed, angle, drag=0.47 * per_m(ball), lift=lift), 2.0, law=law)
    T, R, v = landing(flights, 2.0)
    t_apex = brentq(lambda t: flights.at(0, np.array([t]))[1][0, 1], 0, T)
    H = flights.at(0, np.array([t_apex]))[0][0, 1]
    return T, R, H, math.hypot(*v), math.degrees(math.atan2(v[1], v[0]))


@pytest.mark.parametrize(("ball", "speed", "angle"), LEVEL_SHOTS)
def test_hodograph(ball, speed, angle):
    ours = level_flight(ball, speed, angle)
    np.testing.assert_allclose(ours, hodograph(speed, angle, 0.47 * per_m(ball)), rtol=1e-9)
    np.testing.assert_allclose(ours, LEVEL[ball], atol=6e-7)  # the table's last digit


@pytest.mark.parametrize(("ball", "speed", "angle"), LEVEL_SHOTS)
def test_constant_lift(ball, speed, angle):
    ours = level_flight(ball, speed, angle, lift=per_m(ball), law=constant(0.2))
    np.testing.assert_allclose(ours[:3], LIFTED[ball], atol=6e-7)


# -- an outside integrator -----------------------------------------------------------------------------

CASES = {  # vx, vz, g, drag, lift, spin
    "backspin": [4.6, 6.5, 9.80665, 0.0434, 0.0924, 100.0],
    "topspin": [9.0, 4.0, 9.80665, 0.0434, 0.0924, -180.0],
    "light and fast": [25.0, 10.0, 9.80665, 0.131, 0.2, 300.0],
    "steep": [0.5, 8.0, 9.80665, 0.0434, 0.09, 30.0],
    "almost straight up": [0.01, 8.0, 9.80665, 0.0434, 0.09, 5.0],
    "falling": [3.0, -2.0, 9.80665, 0.1, 0.1, 60.0],
    "one gram of foam": [6.0, 6.0, 9.5, 0.6, 1.2, 80.0],
}


@pytest.mark.parametrize("name", CASES)
def test_outside_integrator(name):
    t = np.linspace(-0.1, 1.5, 161)
    xz, v, _, _ = flown(np.array([CASES[name]]), 1.5, -0.1, spin_decay_s=6.0).at(0, t)
    reference = textbook(CASES[name], t, 0.035, 6.0)
    np.testing.assert_allclose(xz, reference[:, :2], rtol=0, atol=1e-9)
    np.testing.assert_allclose(v, reference[:, 2:], rtol=0, atol=1e-8)


@pytest.mark.parametrize("name", ["backspin", "topspin", "steep", "one gram of foam"])
@pytest.mark.parametrize("value", range(6))
def test_derivatives_against_outside_integrator(name, value):
    t = np.linspace(-0.1, 1.5, 33)
    values = np.array(CASES[name])
    _, _, dxz, dv = flown(values[None], 1.5, -0.1, spin_decay_s=6.0).at(0, t)
    ours = np.concatenate([dxz, dv], axis=1)[:, :, value]
    step = 2e-4 * max(abs(values[value]), 0.01) * np.eye(6)[value]
    # Five-point differences: their own error is below 1e-6 of the largest derivative.
    at = {k: textbook(values + k * step, t, 0.035, 6.0) for k in (-2, -1, 1, 2)}
    reference = (8 * (at[1] - at[-1]) - (at[2] - at[-2])) / (12 * step[value])
    np.testing.assert_allclose(ours, reference, rtol=0, atol=2e-6 * np.abs(reference).max())


# -- worked trajectory ---------------------------------------------------------------------------------

# Klvana's tennis ball in Gander & Hrebicek, Solving Problems in Scientific Computing Using Maple and MATLAB,
# ch. 1: 50 g, 63 mm, rho 1.29, from 1 m at 25 m/s and 15 degrees, equatorial speed 20 m/s, g 9.81; the
# case from memory. Landings were integrated outside this project with the book's C_D and C_M.
KLVANA = {
    "no spin": (0.0, 1.3620136921, 25.0767148712),
    "topspin": (-20.0, 0.9307241189, 17.0473439737),
    "backspin": (20.0, 1.9811693980, 28.5649317360),
}


@pytest.mark.parametrize("name", KLVANA)
def test_spinning_tennis_ball(name):
    equator_m_s, T, x = KLVANA[name]
    k = 1.29 * math.pi * 0.063**2 / 4 / (2 * 0.05)
    values = start(25, 15, g=9.81, drag=k, lift=k, spin=equator_m_s / 0.0315)
    flights = flown(values, 2.5, radius_m=0.0315, law=stepanek_lift, drag_law=stepanek_drag)
    T_ours, x_ours, _ = landing(flights, 2.5, below_m=1.0)
    assert T_ours == pytest.approx(T, abs=2e-9)
    assert x_ours == pytest.approx(x, abs=2e-8)


# -- common practice, no source ------------------------------------------------------------------------


@pytest.mark.parametrize("spin", [0.0, 60.0])
def test_shallower_carries_farther_and_peaks_lower(spin):
    # What every launcher crew sees: above about 45 degrees, with the exit speed kept.
    carries, peaks = [], []
    for angle in (50, 55, 60, 65):
        values = start(8, angle, drag=0.47 * per_m("foam"), lift=per_m("foam"), spin=spin)
        flights = flown(values, 2.0)
        T, R, _ = landing(flights, 2.0)
        carries.append(R)
        peaks.append(flights.at(0, np.linspace(0, T, 400))[0][:, 1].max())
    assert (np.diff(carries) < 0).all()
    assert (np.diff(peaks) > 0).all()


def test_backspin_carries_farther_and_topspin_drops():
    ranges = []
    for spin in (-100.0, 0.0, 100.0):
        values = start(10, 30, drag=0.47 * per_m("felt"), lift=per_m("felt"), spin=spin)
        ranges.append(landing(flown(values, 2.0), 2.0)[1])
    assert ranges[0] < ranges[1] < ranges[2]
