"""Designed against measured."""

from __future__ import annotations

import math

from tracker.launcher.setting import designed
from tracker.values import Ball, Design, DesignCheck, Launcher, Number

# Tolerances where none is stated (common practice, no source).
SPEED_TOLERANCE_SHARE = 0.03
ANGLE_TOLERANCE_RAD = math.radians(1.5)
SPIN_TOLERANCE_SHARE = 0.2
LEAST_SPIN_TOLERANCE_RAD_S = math.pi  # half a revolution a second, for a launcher that is to give no spin


def design_check(
    design: Design,
    launcher: Launcher,
    ball: Ball,
    speed: Number,
    angle: Number,
    spin: Number | None,
    *,
    grip: Number | None = None,
) -> dict[str, DesignCheck] | None:
    """Each measured value beside the designed one; None where nothing is designed.

    Stated design values win over those from the setting. A value from the setting brings its own
    uncertainty into the difference, as common. Without a tolerance: 3 % of the speed, 1.5 degrees, 20 % of
    the spin and at least half a revolution a second.

    Returns
    -------
    dict or None
        Keys exit_speed_m_s, exit_angle_rad, spin_rad_s, as far as they are designed and measured.
    """
    setting = designed(launcher, ball, grip=grip)
    turned = setting.spin_rad_s
    if turned is not None and launcher.wheels == 1 and spin is not None and spin.value < 0:
        turned = turned.times(-1.0)  # one wheel above the ball drives it the other way round
    checks: dict[str, DesignCheck] = {}
    goal = _goal(design.exit_speed_m_s, setting.exit_speed_m_s)
    if goal is not None:
        default = SPEED_TOLERANCE_SHARE * abs(goal.value)
        checks["exit_speed_m_s"] = check(goal, speed, _stated(design.speed_tolerance_m_s, default))
    goal = _goal(design.exit_angle_rad, setting.exit_angle_rad)
    if goal is not None:
        tolerance = _stated(design.angle_tolerance_rad, ANGLE_TOLERANCE_RAD)
        checks["exit_angle_rad"] = check(goal, angle, tolerance)
    goal = _goal(design.spin_rad_s, turned)
    if goal is not None and spin is not None:
        default = max(SPIN_TOLERANCE_SHARE * abs(goal.value), LEAST_SPIN_TOLERANCE_RAD_S)
        checks["spin_rad_s"] = check(goal, spin, _stated(design.spin_tolerance_rad_s, default))
    return checks or None


def check(goal: Number, measured: Number, tolerance: float) -> DesignCheck:
    """One value: within when the 95 % interval of the difference lies inside the tolerance.

    Outside when it lies wholly outside, undecided otherwise; an open interval cannot lie inside.
    Source: the rule of ISO 14253-1 for deciding with uncertainty (as it is commonly told; from memory).
    """
    value = measured.value - goal.value
    below, above = _half(measured, goal, low=True), _half(measured, goal, low=False)
    low = None if below is None else value - below
    high = None if above is None else value + above
    difference = Number(value, measured.u_random, math.hypot(measured.u_common, goal.u), low, high)
    if low is not None and high is not None and low >= -tolerance and high <= tolerance:
        return DesignCheck(goal.value, difference, "within")
    if (low is not None and low > tolerance) or (high is not None and high < -tolerance):
        return DesignCheck(goal.value, difference, "outside")
    return DesignCheck(goal.value, difference, "undecided")


def _half(measured: Number, goal: Number, *, low: bool) -> float | None:
    """How far the difference may lie to one side, halves combined in quadrature."""
    bound = measured.low95 if low else measured.high95
    against = goal.high95 if low else goal.low95
    if bound is None or against is None:
        return None
    return math.hypot(measured.value - bound, goal.value - against)


def _goal(stated: float | None, from_setting: Number | None) -> Number | None:
    return from_setting if stated is None else Number.of(stated, 0.0, 0.0)


def _stated(stated: float | None, default: float) -> float:
    return default if stated is None else stated
