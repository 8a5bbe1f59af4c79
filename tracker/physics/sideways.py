"""What drag leaves of a ball's motion out of its plane of flight.

dv_y/dt = -drag |v| v_y, so that v_y = v_y0 exp(-drag L) with L the length of the path since the start. A ball
that flies 5 m loses a fifth of it: taken as constant, it would look nearer or farther than it is by some
centimetres at the end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.polynomial import chebyshev

from tracker.physics.collocation import Floats, matrices
from tracker.physics.path import Flights

Ints = npt.NDArray[np.integer]

DEGREE = 12  # the speed is smooth; what is wanted is good to a thousandth


@dataclass(frozen=True, slots=True)
class Sideways:
    """At times (n,), for a velocity of 1 m/s at the start: place, velocity left, d place / d drag."""

    place_m: Floats
    velocity_m_s: Floats
    place_by_drag: Floats


def sideways(
    paths: Flights, begin_s: Floats, end_s: Floats, drag_per_m: Floats, shot: Ints, t_s: Floats
) -> Sideways:
    """Motion out of the plane of flights (S,) at times (n,) of shots (n,), 0 at t = 0.

    Parameters
    ----------
    begin_s, end_s, drag_per_m : (S,) arrays
        Where the paths are good, and their drag as `fly` takes it.
    """
    tools = matrices(DEGREE)
    half, middle = 0.5 * (end_s - begin_s), 0.5 * (end_s + begin_s)
    nodes_s = middle[:, None] + half[:, None] * tools.nodes
    velocity = paths.velocities(nodes_s)
    speed = np.hypot(velocity[..., 0], velocity[..., 1])
    start = chebyshev.chebvander(-middle / half, DEGREE + 1)

    def since_start(values: Floats) -> Floats:
        """Series (S, DEGREE + 2) of the integral from t = 0 of values at the nodes (S, DEGREE + 1)."""
        series = values @ tools.to_integral.T * half[:, None]
        series[:, 0] -= (start * series).sum(axis=1)
        return np.asarray(series)

    length = since_start(speed)
    length_at_nodes = length @ tools.basis.T
    left = np.exp(-drag_per_m[:, None] * length_at_nodes)
    basis = chebyshev.chebvander((t_s - middle[shot]) / half[shot], DEGREE + 1)

    def at(series: Floats) -> Floats:
        return np.asarray((basis * series[shot]).sum(axis=1))

    return Sideways(
        place_m=at(since_start(left)),
        velocity_m_s=np.exp(-drag_per_m[shot] * at(length)),
        place_by_drag=at(since_start(-length_at_nodes * left)),
    )
