"""The unknowns of the adjustment, where each stands, and how the air's lump together.

In this order: the camera's seven (calibration.camera), the readout, logarithms of gravity, air density and
ball mass, the added-mass coefficient, the drag coefficient, and the exponent by which lift follows the
spin parameter; then for each flight its start (x, z, vx, vz), its velocity out of the plane, its lift
coefficient, the logarithm of its own gravity over that of all (where gravity is to be found freely), and
its distance behind the plane (where flights share none); last, the outline's errors that come back at the
same place (tracker.flight.outline_errors), each in units of its standard deviation.
"""

from __future__ import annotations

import math

import numpy as np

from calibration.camera import PARAMETERS
from calibration.values import Floats

READOUT = PARAMETERS
LOG_G, LOG_AIR, LOG_MASS, ADDED, DRAG, LIFT_SHAPE = range(READOUT + 1, READOUT + 7)
COMMON = READOUT + 7
X0, Z0, VX, VZ, VY, LIFT_C, OWN_LOG_G, Y0 = range(8)
EACH = 8

_COMMON_NAMES = ("readout", "gravity", "air", "mass", "added_mass", "drag", "lift")
_EACH_NAMES = ("", "", "", "", "out_of_plane", "lift", "gravity", "out_of_plane")


def prior_names(flights: int, outline_errors: int) -> list[str]:
    """What each unknown's prior stands for; empty where it has none."""
    names = [""] * PARAMETERS + list(_COMMON_NAMES) + list(_EACH_NAMES) * flights
    return names + ["outline"] * outline_errors


def lumped(theta: Floats, radius_m: float) -> tuple[Floats, Floats]:
    """(g_eff / g, per-metre factor) and their derivatives by (ln air, ln mass, added mass), (2, 3).

    (m + C m_air) a = (m - m_air) g + ...: Batchelor, An Introduction to Fluid Dynamics, 6.8 (from
    memory).
    """
    m_air = math.exp(theta[LOG_AIR]) * 4 / 3 * math.pi * radius_m**3
    m, c = math.exp(theta[LOG_MASS]), theta[ADDED]
    moved = m + c * m_air
    buoyed = (m - m_air) / moved
    factor = math.exp(theta[LOG_AIR]) * math.pi * radius_m**2 / (2 * moved)
    by = np.array(
        [
            [
                -m_air / moved - buoyed * c * m_air / moved,
                m / moved - buoyed * m / moved,
                -buoyed * m_air / moved,
            ],
            [factor - factor * c * m_air / moved, -factor * m / moved, -factor * m_air / moved],
        ]
    )
    return np.array([buoyed, factor]), by
