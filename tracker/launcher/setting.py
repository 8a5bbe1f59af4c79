"""What a setting is designed to give, rolling without slip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.values import Floats
from tracker.errors import SetupError
from tracker.launcher.gap import rolling_radius
from tracker.launcher.propagate import propagate
from tracker.values import Ball, Launcher, Number

# Relative standard uncertainties of a setting stated without them (common practice, no source): a wheel's
# speed under load, and the diameter of a soft or worn wheel.
U_WHEEL_SPEED_SHARE = 0.01
U_WHEEL_DIAMETER_SHARE = 0.005


@dataclass(frozen=True, slots=True)
class Designed:
    """What a setting should give; None where the setting does not say.

    ``spin_rad_s`` is positive in the sense in which the wheel, or the first of two, drives the ball.
    """

    exit_speed_m_s: Number | None
    exit_angle_rad: Number | None
    spin_rad_s: Number | None


def surface_speeds(launcher: Launcher) -> tuple[float, float] | None:
    """Surface speeds at the two sides of the ball, m/s; a fixed backing has 0.

    A second wheel without a speed of its own turns like the first. None where speed or diameter
    is not stated.

    Raises
    ------
    SetupError
        If there are neither one nor two wheels.
    """
    if launcher.wheels not in (1, 2):
        raise SetupError(
            "wheels_not_known",
            f"A launcher with {launcher.wheels} wheels is not known.",
            "State one wheel against a fixed backing, or two wheels.",
        )
    if launcher.wheel_diameter_m is None or launcher.wheel_speed_rad_s is None:
        return None
    radius = launcher.wheel_diameter_m / 2
    first = radius * launcher.wheel_speed_rad_s
    if launcher.wheels == 1:
        return first, 0.0
    if launcher.second_wheel_speed_rad_s is None:
        return first, first
    return first, radius * launcher.second_wheel_speed_rad_s


def wheel_share(u_speed_share: float, u_diameter_share: float) -> Number:
    """A factor of 1 that carries what is not known about the wheels, the same for both and for all shots."""
    return Number.of(1.0, 0.0, float(np.hypot(u_speed_share, u_diameter_share)))


def designed(
    launcher: Launcher,
    ball: Ball,
    *,
    grip: Number | None = None,
    u_wheel_speed_share: float = U_WHEEL_SPEED_SHARE,
    u_wheel_diameter_share: float = U_WHEEL_DIAMETER_SHARE,
) -> Designed:
    """Exit speed, angle and spin from a setting.

    A ball that rolls without slip between surfaces at u1 and u2 leaves with (u1 + u2)/2 and turns with
    (u1 - u2)/(2 r_c); ``grip`` multiplies both. A learnt grip holds the errors of the wheel's stated
    speed and diameter already, so that these are not counted again. Source: rigid rolling, any textbook.
    """
    angle = launcher.deflector_angle_rad
    exit_angle = None if angle is None else Number.of(angle, 0.0, 0.0)
    speeds = surface_speeds(launcher)
    if speeds is None:
        return Designed(None, exit_angle, None)
    first, second = speeds
    factor = wheel_share(u_wheel_speed_share, u_wheel_diameter_share) if grip is None else grip

    def leave(x: Floats) -> Floats:
        return np.array([x[0] * (first + second) / 2, x[0] * (first - second) / (2 * x[1])])

    speed, spin = propagate(leave, [factor, rolling_radius(launcher, ball)])
    return Designed(speed, exit_angle, spin)
