"""Where the wheel's surface speed goes, and the ball's energy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.values import Floats
from tracker.launcher.gap import rolling_radius
from tracker.launcher.propagate import Function, propagate
from tracker.launcher.setting import (
    U_WHEEL_DIAMETER_SHARE,
    U_WHEEL_SPEED_SHARE,
    surface_speeds,
    wheel_share,
)
from tracker.values import Ball, Launcher, Number, WheelBudget

SOLID = 2 / 5  # moment of inertia over m r^2 of a uniform sphere; any textbook of mechanics
HOLLOW = 2 / 3  # the same of a thin shell

NOTHING = Number(0.0, 0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class WheelPair:
    """Two wheels: the spin they should give and the slip at each.

    ``difference_m_s`` is half the difference of their surface speeds, which without slip is the spin times
    the rolling radius, ``spin_m_s``. Spin is positive in the sense in which the first wheel, the lower one,
    drives the ball.
    """

    difference_m_s: Number
    spin_m_s: Number
    first_slip_m_s: Number
    second_slip_m_s: Number


@dataclass(frozen=True, slots=True)
class EnergyView:
    """How the ball's kinetic energy is shared.

    ``share`` is the rotational share; the energies are None where the mass is not known.
    """

    share: Number
    inertia_factor: float
    translation_j: Number | None
    rotation_j: Number | None


def wheel_budget(
    launcher: Launcher,
    ball: Ball,
    exit_speed: Number,
    spin: Number | None,
    *,
    u_wheel_speed_share: float = U_WHEEL_SPEED_SHARE,
    u_wheel_diameter_share: float = U_WHEEL_DIAMETER_SHARE,
) -> WheelBudget | None:
    """Wheel-speed budget: u = v + r_c omega + s; the parts add up.

    One wheel drives spin in its own sense only, so that the sign of ``spin`` says on which side of the
    ball the wheel is. Two wheels: the budget is on their mean speed, which spin takes nothing from, and
    there is no backing to slip on; ``wheel_pair`` tells of the spin.

    Parameters
    ----------
    exit_speed, spin : Number
        m/s and rad/s.

    Returns
    -------
    WheelBudget or None
        None where the wheel's speed or diameter is not stated, or where one wheel's spin is not known.
    """
    speeds = surface_speeds(launcher)
    if speeds is None or (launcher.wheels == 1 and spin is None):
        return None
    surface = (speeds[0] + speeds[1]) / launcher.wheels
    share = wheel_share(u_wheel_speed_share, u_wheel_diameter_share)
    if launcher.wheels == 1 and spin is not None:
        driven = spin.times(-1.0) if spin.value < 0 else spin
        inputs = [share, exit_speed, driven, rolling_radius(launcher, ball)]
        wheel, leaving, loss, slip, backing, loss_share = propagate(one_wheel_parts(surface), inputs)
        return WheelBudget(wheel, leaving, loss, slip, backing, loss_share)

    def mean_parts(x: Floats) -> Floats:
        return np.array([surface * x[0], x[1], surface * x[0] - x[1]])

    wheel, leaving, slip = propagate(mean_parts, [share, exit_speed])
    return WheelBudget(wheel, leaving, NOTHING, slip, NOTHING, NOTHING)


def one_wheel_parts(surface_m_s: float) -> Function:
    """Wheel, exit, spin loss, slip, slip at the backing, share, from (wheel factor, v, omega, r_c)."""

    def parts(x: Floats) -> Floats:
        u = surface_m_s * x[0]
        loss = x[3] * x[2]
        return np.array([u, x[1], loss, u - x[1] - loss, x[1] - loss, loss / u if u else 0.0])

    return parts


def wheel_pair(
    launcher: Launcher,
    ball: Ball,
    exit_speed: Number,
    spin: Number | None,
    *,
    u_wheel_speed_share: float = U_WHEEL_SPEED_SHARE,
    u_wheel_diameter_share: float = U_WHEEL_DIAMETER_SHARE,
) -> WheelPair | None:
    """u1 = v + r_c omega + s1 and u2 = v - r_c omega + s2; None where it is not two wheels or not known."""
    speeds = surface_speeds(launcher)
    if speeds is None or spin is None or launcher.wheels != 2:
        return None
    first, second = speeds

    def parts(x: Floats) -> Floats:
        turn = x[3] * x[2]
        return np.array(
            [x[0] * (first - second) / 2, turn, x[0] * first - x[1] - turn, x[0] * second - x[1] + turn]
        )

    share = wheel_share(u_wheel_speed_share, u_wheel_diameter_share)
    return WheelPair(*propagate(parts, [share, exit_speed, spin, rolling_radius(launcher, ball)]))


def energy_view(ball: Ball, exit_speed: Number, spin: Number | None) -> EnergyView | None:
    """Rotational share of the kinetic energy, k r^2 omega^2 / (v^2 + k r^2 omega^2); None without spin.

    k is that of a uniform or of a thin-walled ball; which of them is taken to be known.
    """
    if spin is None:
        return None
    k = SOLID if ball.solid else HOLLOW
    radius = Number.of(ball.diameter_m / 2, 0.0, (ball.u_diameter_m or 0.0) / 2)
    turning = spin.times(-1.0) if spin.value < 0 else spin

    def parts(x: Floats) -> Floats:
        v2, turn2 = x[0] ** 2, k * (x[1] * x[2]) ** 2
        return np.array([turn2 / (v2 + turn2) if v2 + turn2 else 0.0, v2 / 2 * x[3], turn2 / 2 * x[3]])

    mass = Number.of(ball.mass_kg or 0.0, 0.0, ball.u_mass_kg or 0.0)
    share, translation, rotation = propagate(parts, [exit_speed, turning, radius, mass])
    share = Number(share.value, share.u_random, share.u_common, _clip(share.low95), _clip(share.high95))
    known = ball.mass_kg is not None
    return EnergyView(share, k, translation if known else None, rotation if known else None)


def _clip(bound: float | None) -> float | None:
    """A share's bound, which cannot leave 0 to 1."""
    return None if bound is None else min(1.0, max(0.0, bound))
