"""What colour the ball is: a direction in the U-V plane, first from its name, then from the clip.

A direction survives exposure, range, bit depth and HDR, which change how far a colour lies from
grey but hardly where it points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.values import Floats

#: Families of hue by an example in sRGB, 0 to 255. Common practice, no source.
FAMILIES: dict[str, tuple[int, int, int]] = {
    "red": (205, 35, 35),
    "orange": (245, 130, 30),
    "brown": (130, 80, 40),
    "yellow": (230, 215, 45),
    "lime": (160, 220, 40),
    "green": (45, 170, 60),
    "turquoise": (30, 190, 180),
    "cyan": (30, 190, 210),
    "blue": (40, 85, 205),
    "purple": (125, 50, 185),
    "violet": (125, 50, 185),
    "magenta": (205, 40, 170),
    "pink": (240, 110, 170),
}
COLOURLESS = ("white", "black", "grey", "gray", "silver")
FAMILY_HALF_WIDTH_RAD = math.radians(38.0)


@dataclass(frozen=True, slots=True)
class Direction:
    """A unit vector (du, dv) in the U-V plane and the half width of the family round it."""

    du: float
    dv: float
    half_width_rad: float = FAMILY_HALF_WIDTH_RAD

    @property
    def hue_rad(self) -> float:
        """Angle from +U toward +V."""
        return math.atan2(self.dv, self.du)

    def holds(self, hue_rad: Floats) -> np.typing.NDArray[np.bool_]:
        """Whether each hue, shape (n,), belongs to the family."""
        apart = np.angle(np.exp(1j * (np.asarray(hue_rad) - self.hue_rad)))
        return np.asarray(np.abs(apart) <= self.half_width_rad)


def direction_of(rgb: tuple[int, int, int]) -> Direction | None:
    """Where an sRGB colour points in the U-V plane; None if it is too grey to point anywhere.

    Source: ITU-R BT.709-6, item 3.3 (colour-difference signals).
    """
    r, g, b = (c / 255 for c in rgb)
    luma = 0.2126 * r + 0.7152 * g + 0.0722 * b
    u, v = (b - luma) / 1.8556, (r - luma) / 1.5748
    length = math.hypot(u, v)
    return None if length < 0.04 else Direction(u / length, v / length)


def named_direction(colour: str | None) -> Direction | None:
    """Direction of a colour name or "#rrggbb"; None if it has none or is not stated."""
    if colour is None:
        return None
    name = colour.strip().lower()
    if name.startswith("#"):
        return direction_of((int(name[1:3], 16), int(name[3:5], 16), int(name[5:7], 16)))
    return None if name in COLOURLESS or name not in FAMILIES else direction_of(FAMILIES[name])


def is_colourless(colour: str | None) -> bool:
    """Whether the stated colour is white, black or grey, by name or by "#rrggbb"."""
    return colour is not None and named_direction(colour) is None


def learnt_direction(named: Direction, u: Floats, v: Floats) -> Direction:
    """The clip's own direction from mean chroma of good sightings, shape (n,), each minus 128.

    It may leave the named family's middle, but not the family.
    """
    mean_u, mean_v = float(np.median(u)), float(np.median(v))
    length = math.hypot(mean_u, mean_v)
    if length < 4.0:
        return named
    found = Direction(mean_u / length, mean_v / length, named.half_width_rad)
    return found if bool(named.holds(np.array([found.hue_rad]))[0]) else named
