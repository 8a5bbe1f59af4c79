"""The fit with the reference alone beside the one adjustment -> what moved, and the verdict in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from calibration.camera import PITCH, YAW
from calibration.second_opinions import Explanation, Verdict
from calibration.values import Floats
from tracker.flight.launch import scale_numbers
from tracker.flight.leaving import leavings
from tracker.flight.settle import Settled
from tracker.flight.spread import Spread, number
from tracker.flight.stages import Fall
from tracker.values import Moved, Number, Shot

DEGREES = 180 / math.pi


def what_moved(
    fall: Fall,
    settled: Settled,
    spread: Spread,
    shots: Sequence[Shot],
    exits_px: Sequence[Floats | None],
    u_rate: float,
) -> tuple[Moved, ...]:
    """Scale, the camera's turns and each shot's speed and angle, before and after gravity helped."""
    before, after = scale_numbers(fall.settled, fall.spread), scale_numbers(settled, spread)
    moved = [
        Moved("one pixel", "mm", 1000.0, before[0], after[0]),
        Moved("tilt", "degrees", DEGREES, before[1], after[1]),
    ]
    for what, at in (("yaw", YAW), ("pitch", PITCH)):
        first = _unknown(fall.settled, fall.spread, at)
        moved.append(Moved(what, "degrees", DEGREES, first, _unknown(settled, spread, at)))
    alone = leavings(fall.settled, fall.spread, exits_px, u_rate)
    for k, shot in enumerate(shots):
        speed, angle = alone[k].numbers
        name = f"shot {k + 1}"
        moved.append(Moved(f"speed of {name}", "m/s", 1.0, speed, shot.exit_speed_m_s))
        moved.append(Moved(f"angle of {name}", "degrees", DEGREES, angle, shot.exit_angle_rad))
    return tuple(moved)


def _unknown(settled: Settled, spread: Spread, at: int) -> Number:
    unit = np.zeros(settled.problem.size)
    unit[at] = 1.0
    return number(float(settled.theta[at]), spread.of(unit))


def in_words(verdict: Verdict) -> str:
    """The verdict as one sentence."""
    if verdict.best is None:
        return "Gravity, the ball's size and its path agree with the reference as well as they can be known."
    return f"What explains the second opinions best: {_mistake(verdict.best)}."


def _mistake(best: Explanation) -> str:
    k = int(np.argmax(np.abs(best.size)))
    size, u = float(best.size[k]), float(best.u_size[k])
    if best.name == "clock":
        return f"time runs {math.exp(size):.3f} (give or take {2 * u:.3f}) times too slowly"
    if best.name == "scale":
        return (
            f"lengths are {math.exp(-size):.3f} (give or take {2 * u:.3f}) times what the reference says, "
            "because its length is wrong or it stands before or behind the plane of flight"
        )
    if best.name == "ball":
        return f"the ball is {math.exp(size):.3f} (give or take {2 * u:.3f}) times as large as stated"
    if best.name == "yaw":
        return (
            f"the camera is turned by {abs(size) * DEGREES:.0f} (give or take {2 * u * DEGREES:.0f}) degrees "
            "to the plane of flight"
        )
    if best.name == "plane":
        way = "away from" if size > 0 else "toward"
        return (
            f"the ball of shot {k + 1} moves {way} the camera at {abs(size):.2f} "
            f"(give or take {2 * u:.2f}) m/s"
        )
    return f"the lens bends the picture, with k1 of {size:.3f} (give or take {2 * u:.3f})"
