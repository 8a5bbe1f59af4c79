"""Gravity on the Earth's surface. Source: NGA.STND.0036, World Geodetic System 1984, ch. 4."""

from __future__ import annotations

import math

STANDARD_M_S2 = 9.80665  # 3rd CGPM (1901), exact
EQUATOR_M_S2 = 9.7803253359
SOMIGLIANA_K = 0.00193185265241
ECCENTRICITY2 = 6.69437999014e-3
SEMI_MAJOR_M = 6_378_137.0
FLATTENING = 1 / 298.257223563
CENTRIFUGAL_RATIO = 0.00344978650684  # omega2 a2 b / GM
HIGHEST_TOWNS_M = 2500.0  # most people live lower (common knowledge, no source)


def normal_gravity(latitude_rad: float, height_m: float = 0.0) -> float:
    """Gravity in m/s2 by Somigliana's formula, with height to second order.

    Raises
    ------
    ValueError
        If the latitude lies beyond a pole.
    """
    if not abs(latitude_rad) <= math.pi / 2:
        raise ValueError("the latitude must lie between -pi/2 and pi/2")
    s2 = math.sin(latitude_rad) ** 2
    surface = EQUATOR_M_S2 * (1 + SOMIGLIANA_K * s2) / math.sqrt(1 - ECCENTRICITY2 * s2)
    h = height_m / SEMI_MAJOR_M
    return surface * (1 - 2 * h * (1 + FLATTENING + CENTRIFUGAL_RATIO - 2 * FLATTENING * s2) + 3 * h**2)


def ordinary_gravity() -> tuple[float, float]:
    """Gravity where nothing is known of the place, and its standard uncertainty, m/s2.

    Rectangular from a high town on the equator to a pole at sea level: JCGM 100:2008, 4.3.7.
    """
    half = (normal_gravity(math.pi / 2) - normal_gravity(0.0, HIGHEST_TOWNS_M)) / 2
    return STANDARD_M_S2, half / math.sqrt(3)
