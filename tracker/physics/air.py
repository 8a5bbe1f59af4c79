"""Density and viscosity of air.

Source of the density: Picard, Davis, Glaser & Fujii, Revised formula for the density of moist air
(CIPM-2007), Metrologia 45 (2008) 149, with the CO2 fraction at its standard 0.0004.
"""

from __future__ import annotations

import math

R_J_MOL_K = 8.314472  # CIPM-2007 keeps the value of its year
MOLAR_MASS_DRY_KG = 28.96546e-3  # at 0.0004 of CO2
MOLAR_MASS_WATER_KG = 18.01528e-3
ICE_POINT_K = 273.15

# Sutherland's law with the constants of the U.S. Standard Atmosphere 1976, eq. 51.
SUTHERLAND_KG_M_S_K05 = 1.458e-6
SUTHERLAND_K = 110.4

# Where a launcher is likely to be filmed: heated halls and summer fields, sea level to about 700 m in any
# weather (common practice, no source). Each is (lowest, highest).
ORDINARY_TEMPERATURE_K = (288.15, 303.15)
ORDINARY_PRESSURE_PA = (93_000.0, 103_500.0)
ORDINARY_HUMIDITY = (0.2, 0.8)


def air_density(temperature_k: float, pressure_pa: float, humidity: float) -> float:
    """Density of moist air in kg/m3; good to 1e-4 from 15 to 27 degrees C and 600 to 1100 hPa.

    Parameters
    ----------
    temperature_k, pressure_pa : float
    humidity : float
        Relative, 0 to 1.

    Raises
    ------
    ValueError
        If there can be no such air.
    """
    if not (temperature_k > 0 and pressure_pa > 0 and 0 <= humidity <= 1):
        raise ValueError("temperature and pressure must be positive, humidity between 0 and 1")
    T, t, p = temperature_k, temperature_k - ICE_POINT_K, pressure_pa
    saturation_pa = math.exp(1.2378847e-5 * T**2 - 1.9121316e-2 * T + 33.93711047 - 6.3431645e3 / T)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    x_v = humidity * enhancement * saturation_pa / p
    first = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * x_v
        + (1.9898e-4 - 2.376e-6 * t) * x_v**2
    )
    Z = 1 - p / T * first + (p / T) ** 2 * (1.83e-11 - 0.765e-8 * x_v**2)
    dry = p * MOLAR_MASS_DRY_KG / (Z * R_J_MOL_K * T)
    return dry * (1 - x_v * (1 - MOLAR_MASS_WATER_KG / MOLAR_MASS_DRY_KG))


def ordinary_air() -> tuple[float, float]:
    """Density of air in an ordinary room and its standard uncertainty, kg/m3.

    Each of temperature, pressure and humidity is rectangular over its ordinary range: JCGM 100:2008,
    4.3.7; the three are combined as in 5.1.2.
    """
    ranges = (ORDINARY_TEMPERATURE_K, ORDINARY_PRESSURE_PA, ORDINARY_HUMIDITY)
    T, p, h = ((low + high) / 2 for low, high in ranges)
    ends = (
        [air_density(end, p, h) for end in ORDINARY_TEMPERATURE_K],
        [air_density(T, end, h) for end in ORDINARY_PRESSURE_PA],
        [air_density(T, p, end) for end in ORDINARY_HUMIDITY],
    )
    return air_density(T, p, h), math.hypot(*((high - low) / 2 / math.sqrt(3) for low, high in ends))


def viscosity(temperature_k: float) -> float:
    """Dynamic viscosity of air in Pa s by Sutherland's law; damp room air is about 0.5 % off.

    Raises
    ------
    ValueError
        If the temperature is not positive.
    """
    if not temperature_k > 0:
        raise ValueError("the temperature must be positive")
    return SUTHERLAND_KG_M_S_K05 * math.pow(temperature_k, 1.5) / (temperature_k + SUTHERLAND_K)
