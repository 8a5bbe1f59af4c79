"""Air and gravity against published values and an outside property library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from CoolProp.HumidAirProp import HAPropsSI

from tracker.physics.air import air_density, ordinary_air, viscosity
from tracker.physics.gravity import normal_gravity, ordinary_gravity

# temperature C, pressure Pa, relative humidity; density by CIPM-2007 (Picard et al., Metrologia 45 (2008)
# 149) from another implementation, 400 ppm of CO2.
MOIST_AIR = [
    (20, 101325, 0.5, 1.199314),
    (20, 101325, 0.0, 1.204557),
    (20, 100000, 0.5, 1.183557),
    (23, 101325, 0.45, 1.186707),
    (25, 99000, 0.6, 1.148739),
    (30, 101325, 0.8, 1.150013),
]


@pytest.mark.parametrize(("t_c", "pressure_pa", "humidity", "rho"), MOIST_AIR)
def test_density(t_c, pressure_pa, humidity, rho):
    T = t_c + 273.15
    ours = air_density(T, pressure_pa, humidity)
    assert ours == pytest.approx(rho, abs=1.5e-6)
    # CoolProp's humid air is another model (virial); the two agree to 4e-5.
    assert ours == pytest.approx(1 / HAPropsSI("Vha", "T", T, "P", pressure_pa, "R", humidity), rel=1e-4)


def test_density_of_the_standard_atmosphere():
    # ISO 2533:1975, sea level: 288.15 K, 101325 Pa, 1.225 kg/m3, dry; by another molar mass, hence 3e-4.
    assert air_density(288.15, 101325, 0.0) == pytest.approx(1.225, rel=5e-4)


@pytest.mark.parametrize(("t_c", "humidity"), [(0, 0.0), (20, 0.0), (20, 0.5), (30, 0.5)])
def test_viscosity(t_c, humidity):
    T = t_c + 273.15
    assert viscosity(T) == pytest.approx(HAPropsSI("mu", "T", T, "P", 101325, "R", humidity), rel=0.01)


def test_viscosity_of_the_standard_atmosphere():
    # U.S. Standard Atmosphere 1976, sea level: 1.7894e-5 Pa s at 288.15 K.
    assert viscosity(288.15) == pytest.approx(1.7894e-5, rel=1e-4)


def test_ordinary_air_covers_ordinary_places():
    # Rooms from 16 to 29 degrees C, 935 to 1032 hPa, 25 to 75 %: two uncertainties hold 95 % of them.
    rho, u = ordinary_air()
    rng = np.random.default_rng(5)
    rooms = rng.uniform([289.15, 93_500, 0.25], [302.15, 103_200, 0.75], (400, 3))
    outside = np.array([1 / HAPropsSI("Vha", "T", T, "P", p, "R", h) for T, p, h in rooms])
    assert np.mean(np.abs(outside - rho) < 2 * u) > 0.95
    assert np.sqrt(np.mean((outside - rho) ** 2)) > 0.6 * u  # nor is it much too wide
    assert u < 0.05 * rho


# WGS 84 by Somigliana's formula at sea level; the pole is a published derived constant of the system.
LATITUDES = [(0, 9.7803253), (30, 9.7932473), (45, 9.8061978), (60, 9.8191770), (90, 9.8321849)]


@pytest.mark.parametrize(("latitude_deg", "g"), LATITUDES)
def test_normal_gravity(latitude_deg, g):
    ours = normal_gravity(math.radians(latitude_deg))
    assert ours == pytest.approx(g, abs=6e-8)
    # International gravity formula 1980 (GRS 80), its short form; agrees to about 2e-6.
    s, s2 = (math.sin(math.radians(k * latitude_deg)) ** 2 for k in (1, 2))
    assert ours == pytest.approx(9.780327 * (1 + 0.0053024 * s - 0.0000058 * s2), abs=4e-6)
    assert normal_gravity(-math.radians(latitude_deg)) == ours


def test_gravity_falls_with_height():
    # Free-air gradient -3.086e-6 per s2 (any textbook on gravimetry): 9.803112 at 45 degrees and 1000 m.
    assert normal_gravity(math.pi / 4, 1000) == pytest.approx(9.803112, abs=2e-6)


def test_ordinary_gravity_covers_the_earth():
    # Lowest and highest on WGS 84 at sea level: 9.7803253359 and 9.8321849378.
    g, u = ordinary_gravity()
    assert g == 9.80665
    assert g - 2 * u < 9.7803253359
    assert g + 2 * u > 9.8321849378
    assert u < 0.02
