"""One place in a picture -> what colour it is, by the names that a setup file knows."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from tracker.ball.colour import FAMILIES, direction_of

WHITE_ABOVE, BLACK_BELOW = 170.0, 60.0  # levels of a grey that one would call white or black; from memory
GREY_SHARE = 0.12  # of the largest channel: less difference between channels than that is no colour


def colour_at(bgr: npt.NDArray[np.uint8], x_px: float, y_px: float, reach_px: float) -> tuple[str, str]:
    """Name of the colour's family and "#rrggbb", from the median about a place of an upright picture.

    Parameters
    ----------
    bgr : (h, w, 3) array
    x_px, y_px : float
    reach_px : float
        How far from it counts.
    """
    height, width = bgr.shape[:2]
    x0, x1 = max(0, math.floor(x_px - reach_px)), min(width, math.ceil(x_px + reach_px) + 1)
    y0, y1 = max(0, math.floor(y_px - reach_px)), min(height, math.ceil(y_px + reach_px) + 1)
    y, x = np.mgrid[y0:y1, x0:x1]
    inside = (x - x_px) ** 2 + (y - y_px) ** 2 <= max(reach_px, 0.75) ** 2
    pixels = bgr[y0:y1, x0:x1][inside] if inside.any() else bgr[y0:y1, x0:x1].reshape(-1, 3)
    blue, green, red = (int(v) for v in np.median(pixels, axis=0))
    return family_of((red, green, blue)), f"#{red:02x}{green:02x}{blue:02x}"


def family_of(rgb: tuple[int, int, int]) -> str:
    """The family of hue nearest to an sRGB colour; white, grey or black where it has hardly any."""
    here = direction_of(rgb)
    if here is None or max(rgb) - min(rgb) < GREY_SHARE * max(rgb):
        mean = sum(rgb) / 3
        return "white" if mean > WHITE_ABOVE else "black" if mean < BLACK_BELOW else "grey"

    def apart(name: str) -> float:
        there = direction_of(FAMILIES[name])
        assert there is not None
        return -(here.du * there.du + here.dv * there.dv)

    return min((name for name in FAMILIES if name not in {"brown", "cyan", "purple"}), key=apart)
