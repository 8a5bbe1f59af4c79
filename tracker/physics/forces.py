"""What air does to a ball: buoyancy, added mass, drag, lift, and how fast it takes the spin away.

(m + C_a m_air) a = (m - m_air) g + drag + lift, with m_air the mass of the displaced air,
drag = -(rho A C_D / 2) |v| v and lift = (rho A C_L / 2) |v| (-v_z, v_x). The laws are functions of the
spin parameter S = r omega / |v|, positive for backspin.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Law = Callable[[Floats], tuple[Floats, Floats]]  # S -> value and its derivative by S

ADDED_MASS = 0.5  # sphere in ideal flow: Lamb, Hydrodynamics (1932), art. 92 (from memory)
U_ADDED_MASS = 0.25  # a ball with a wake drags along another share of air than ideal flow says

LIFT_LAW_U = 0.25  # relative; the three laws below scatter about their mean by that at S = 0.1 to 0.8

INERTIA_SOLID, INERTIA_HOLLOW = 2 / 5, 2 / 3  # of m r^2; thin shell

# Torque on a spinning ball as a share of r times a lift with C_L = S. Nathan, The effect of spin-down on the
# flight of a baseball (2008): at most about 0.1.
SPIN_DRAG = 0.1

DRAG_SD = 0.07  # foam, felt, seams and holes about the smooth sphere
ROUGH_SD = 0.15  # where rough balls are through their drag crisis and smooth ones are not
CRISIS_BEGINS, CRISIS_ENDS = 1e5, 3e5  # Reynolds numbers between which the one becomes the other
HIGHEST_REYNOLDS = 2e5  # of the smooth-sphere curve; held beyond


@dataclass(frozen=True, slots=True)
class Effective:
    """The equation of motion divided by what has to be accelerated.

    Parameters
    ----------
    g_m_s2 : float
        g (m - m_air) / (m + C_a m_air).
    per_m : float
        rho A / (2 (m + C_a m_air)); times C_D or C_L it is the drag or lift a metre.
    """

    g_m_s2: float
    per_m: float


def sphere_area(radius_m: float) -> float:
    """Cross-section in m2."""
    return math.pi * radius_m**2


def sphere_volume(radius_m: float) -> float:
    """Volume in m3."""
    return 4 / 3 * math.pi * radius_m**3


def displaced_mass(radius_m: float, rho_kg_m3: float) -> float:
    """Mass of the air a ball displaces, kg."""
    return rho_kg_m3 * sphere_volume(radius_m)


def effective(
    mass_kg: float, radius_m: float, rho_kg_m3: float, g_m_s2: float, added_mass: float = ADDED_MASS
) -> Effective:
    """Gravity and drag as a ball in air feels them.

    Raises
    ------
    ValueError
        If radius or density is not positive, the mass negative, or nothing would have to be accelerated.
    """
    if not (radius_m > 0 and rho_kg_m3 > 0 and mass_kg >= 0):
        raise ValueError("radius and density must be positive and the mass not negative")
    air_kg = displaced_mass(radius_m, rho_kg_m3)
    inertia_kg = mass_kg + added_mass * air_kg
    if not inertia_kg > 0:
        raise ValueError("a ball without mass needs the mass of the air that moves with it")
    return Effective(
        g_m_s2 * (mass_kg - air_kg) / inertia_kg, rho_kg_m3 * sphere_area(radius_m) / (2 * inertia_kg)
    )


def reynolds(speed_m_s: float, diameter_m: float, rho_kg_m3: float, viscosity_pa_s: float) -> float:
    """Reynolds number on the diameter."""
    return rho_kg_m3 * speed_m_s * diameter_m / viscosity_pa_s


# -- laws of the spin parameter ------------------------------------------------------------------


def stepanek_lift(spin_parameter: Floats) -> tuple[Floats, Floats]:
    """C_L of tennis balls, 1 / (2.022 + 0.981 / S), odd in S.

    Source: Stepanek, Am. J. Phys. 56 (1988) 138.
    """
    below = 2.022 * np.abs(spin_parameter) + 0.981
    return spin_parameter / below, 0.981 / below**2


def nathan_lift(spin_parameter: Floats) -> tuple[Floats, Floats]:
    """C_L of baseballs, 1 / (2.32 + 0.4 / S), odd in S.

    Source: Cross, Physics of Baseball & Softball (2011), after Nathan, Am. J. Phys. 76 (2008) 119.
    """
    below = 2.32 * np.abs(spin_parameter) + 0.4
    return spin_parameter / below, 0.4 / below**2


def sawicki_lift(spin_parameter: Floats) -> tuple[Floats, Floats]:
    """C_L of baseballs, 1.5 S up to S = 0.1, then 0.09 + 0.6 S; odd in S.

    Source: Sawicki, Hubbard & Stronge, Am. J. Phys. 71 (2003) 1152.
    """
    size = np.abs(spin_parameter)
    slow = size <= 0.1
    value = np.where(slow, 1.5 * size, 0.09 + 0.6 * size)
    return np.copysign(value, spin_parameter), np.where(slow, 1.5, 0.6)


LIFT: Law = stepanek_lift
LIFT_LAWS: dict[str, Law] = {"stepanek": stepanek_lift, "nathan": nathan_lift, "sawicki": sawicki_lift}


def stepanek_drag(spin_parameter: Floats) -> tuple[Floats, Floats]:
    """C_D of tennis balls, 0.508 + (22.053 + 4.196 |S|^-2.5)^-0.4, even in S.

    Written as 0.508 + |S| (22.053 |S|^2.5 + 4.196)^-0.4, which has a value at S = 0.
    Source: Stepanek, Am. J. Phys. 56 (1988) 138 (some transcriptions have 22.503).
    """
    size = np.abs(spin_parameter)
    below = 22.053 * size**2.5 + 4.196
    return 0.508 + size * below**-0.4, np.sign(spin_parameter) * 4.196 * below**-1.4


# -- what is known before a ball is filmed ---------------------------------------------------------


def drag_prior(reynolds_number: float, spin_parameter: float = 0.0) -> tuple[float, float]:
    """Drag coefficient to be expected of a ball, and its standard uncertainty.

    The smooth sphere of Clift & Gauvin, Can. J. Chem. Eng. 49 (1971) 439. Tennis balls in flight have
    0.507 +- 0.024 (Cross & Lindsey, Sports Eng. 17 (2014) 89); footballs, past their crisis, 0.2 (Goff &
    Carre, Am. J. Phys. 77 (2009) 1020), which is why the uncertainty grows with the Reynolds number.
    Spinning tennis balls have more drag (Stepanek); other balls may have less of that, so half of it is
    added and half taken as its uncertainty.

    Raises
    ------
    ValueError
        If the Reynolds number is not positive.
    """
    if not reynolds_number > 0:
        raise ValueError("the Reynolds number must be positive")
    Re = min(reynolds_number, HIGHEST_REYNOLDS)
    mean = 24 / Re * (1 + 0.15 * Re**0.687) + 0.42 / (1 + 42_500 * Re**-1.16)
    through = math.log(reynolds_number / CRISIS_BEGINS) / math.log(CRISIS_ENDS / CRISIS_BEGINS)
    sd = DRAG_SD + (ROUGH_SD - DRAG_SD) * min(max(through, 0.0), 1.0)
    rise = float(stepanek_drag(np.array(spin_parameter))[0]) - float(stepanek_drag(np.array(0.0))[0])
    return mean + rise / 2, math.hypot(sd, rise / 2)


def spin_decay_s(
    mass_kg: float, radius_m: float, speed_m_s: float, rho_kg_m3: float, inertia: float = INERTIA_HOLLOW
) -> float:
    """Time in which the spin falls to 1/e at this speed, 2 inertia m / (0.1 rho A v).

    Source: Nathan, The effect of spin-down on the flight of a baseball (2008), with C_L = S.

    Raises
    ------
    ValueError
        If any of mass, radius, speed, density or inertia is not positive.
    """
    if not min(mass_kg, radius_m, speed_m_s, rho_kg_m3, inertia) > 0:
        raise ValueError("mass, radius, speed, density and inertia must be positive")
    return 2 * inertia * mass_kg / (SPIN_DRAG * rho_kg_m3 * sphere_area(radius_m) * speed_m_s)
