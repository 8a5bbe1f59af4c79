"""What is assumed of air, ball and gravity before a flight is fitted, each with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tracker.physics import air, forces, gravity
from tracker.values import Ball, Room

#: A ball that a phone sees well is anything from a balloon to a wooden one. Common practice, no source.
UNKNOWN_DENSITY_KG_M3, U_LN_UNKNOWN_DENSITY = 90.0, 0.5
U_MASS_SHARE = 0.01
U_DIAMETER_SHARE = 0.01
#: Lift coefficient at the exit: from none to that of a ball rolling off a backing. Common practice,
#: no source.
LIFT_MEAN, LIFT_SD = 0.2, 0.2
#: d ln C_L / d ln S of the published laws (tracker.physics.forces) at S = 0.1 to 0.5: 0.26 to 0.83; their
#: mean, and what they scatter by.
LIFT_SHAPE, U_LIFT_SHAPE = 0.6, 0.2
#: The drag prior is for the speeds of lobs; the sightings say the rest.
TYPICAL_SPEED_M_S = 6.0
TYPICAL_SPIN_PARAMETER = 0.3
ROOM_TEMPERATURE_K, ROOM_PRESSURE_PA, ROOM_HUMIDITY = 294.0, 99_500.0, 0.45
#: Readings of a house thermometer, a weather report and a house hygrometer.
U_LN_STATED_AIR = 0.004
U_LN_STATED_G = 5e-5  # heights up to some 300 m and local anomalies


@dataclass(frozen=True, slots=True)
class Assumed:
    """Means and standard uncertainties of what all flights of a clip share."""

    g_m_s2: float
    u_ln_g: float
    air_kg_m3: float
    u_ln_air: float
    added_mass: float
    u_added_mass: float
    mass_kg: float
    u_ln_mass: float
    drag: float
    u_drag: float
    lift: float
    u_lift: float
    lift_shape: float
    u_lift_shape: float
    radius_m: float
    u_ln_radius: float
    spin_decay_s: float


def assume(ball: Ball, room: Room) -> Assumed:
    """What is known beforehand of a clip's flights."""
    radius = 0.5 * ball.diameter_m
    rho, u_ln_rho = _air(room)
    g, u_ln_g = _gravity(room)
    volume = forces.sphere_volume(radius)
    known = ball.mass_kg is not None
    mass = ball.mass_kg if ball.mass_kg is not None else UNKNOWN_DENSITY_KG_M3 * volume
    u_mass = (ball.u_mass_kg / mass if ball.u_mass_kg else U_MASS_SHARE) if known else U_LN_UNKNOWN_DENSITY
    re = forces.reynolds(TYPICAL_SPEED_M_S, ball.diameter_m, rho, air.viscosity(ROOM_TEMPERATURE_K))
    drag, u_drag = forces.drag_prior(re)
    inertia = forces.INERTIA_SOLID if ball.solid else forces.INERTIA_HOLLOW
    return Assumed(
        g_m_s2=g,
        u_ln_g=u_ln_g,
        air_kg_m3=rho,
        u_ln_air=u_ln_rho,
        added_mass=forces.ADDED_MASS,
        # Stated as +-, without more: rectangular, JCGM 100:2008, 4.3.7.
        u_added_mass=forces.U_ADDED_MASS / math.sqrt(3),
        mass_kg=mass,
        u_ln_mass=u_mass,
        drag=drag,
        u_drag=u_drag,
        lift=LIFT_MEAN,
        u_lift=LIFT_SD,
        lift_shape=LIFT_SHAPE,
        u_lift_shape=U_LIFT_SHAPE,
        radius_m=radius,
        u_ln_radius=ball.u_diameter_m / ball.diameter_m if ball.u_diameter_m else U_DIAMETER_SHARE,
        spin_decay_s=forces.spin_decay_s(mass, radius, TYPICAL_SPEED_M_S, rho, inertia),
    )


def _air(room: Room) -> tuple[float, float]:
    rho, u = air.ordinary_air()
    stated = (room.temperature_k, room.pressure_pa, room.humidity)
    if all(value is None for value in stated):
        return rho, u / rho
    t, p, h = (
        default if value is None else value
        for value, default in zip(stated, (ROOM_TEMPERATURE_K, ROOM_PRESSURE_PA, ROOM_HUMIDITY), strict=True)
    )
    # Temperature and pressure carry nearly all of it; with one of them missing little is gained.
    known = room.temperature_k is not None and room.pressure_pa is not None
    return air.air_density(t, p, h), U_LN_STATED_AIR if known else u / rho


def _gravity(room: Room) -> tuple[float, float]:
    if room.latitude_rad is None:
        g, u = gravity.ordinary_gravity()
        return g, u / g
    return gravity.normal_gravity(room.latitude_rad), U_LN_STATED_G
