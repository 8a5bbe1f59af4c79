"""The quantities of a shot that people ask about: what they are called and how they are written."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

from tracker.report.document import PER_DEGREE, PER_TURN


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity of a shot.

    Parameters
    ----------
    name : str
        What a person types.
    key : str
        Its key in documents; the unit is its last part.
    field : str
        Its name in the log, in SI.
    factor : float
        From SI to the unit of ``key``.
    noun, unit : str
        As written in sentences.
    more, less : str
        What a shot with a larger and a smaller value is called.
    """

    name: str
    key: str
    field: str
    factor: float
    noun: str
    unit: str
    more: str
    less: str


EXIT_SPEED = Quantity(
    "exit_speed", "exit_speed_m_s", "exit_speed_m_s", 1.0, "exit speed", "m/s", "faster", "slower"
)
EXIT_ANGLE = Quantity(
    "exit_angle",
    "exit_angle_deg",
    "exit_angle_rad",
    PER_DEGREE,
    "exit angle",
    "degrees",
    "steeper",
    "flatter",
)
SPIN = Quantity(
    "spin", "spin_rev_s", "spin_rad_s", PER_TURN, "spin", "rev/s", "higher in spin", "lower in spin"
)

QUANTITIES = MappingProxyType({quantity.name: quantity for quantity in (EXIT_SPEED, EXIT_ANGLE, SPIN)})
