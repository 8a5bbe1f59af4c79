"""Errors of the ball's outline that come back at the same place of the picture, shot after shot.

What stands behind the ball and how the lamp falls on it moves the outline's centre a little, slowly along
the path and alike in every shot that passes there; more sightings do not make that smaller. Its size was
measured on made clips of known truth, by two renderers: a few hundredths of a pixel along a flight, up to
a tenth from place to place. The ends of a streak fade into what stands behind them, and the longer
they are, the farther that moves its middle; that is not fitted as the rest is, since short flights of streaks
cannot tell it from their own motion, but counted.
"""

from __future__ import annotations

import math

import numpy as np

from calibration.values import Floats

#: Standard deviation of these errors, per coordinate, and what a large ball adds as a share of its radius.
U_OUTLINE_PX, U_OUTLINE_SHARE = 0.04, 0.001
#: The same for streaks, as a share of the length over which their ends fade: their own, or the ball's
#: diameter where they are longer than that. Measured on made clips of dim halls.
U_STREAK_SHARE = 0.015
#: Half waves across the picture, each way, that the errors are made of.
WAVES = 3


def outline_errors(xy_px: Floats, size_px: tuple[float, float], radius_px: float) -> Floats:
    """Independent errors of one standard deviation each at places (n, 2), shape (k, n, 2).

    Parameters
    ----------
    xy_px : (n, 2) array
    size_px : (width, height)
        Of the picture.
    radius_px : float
        Of the ball.
    """
    return _waves(xy_px, size_px, math.hypot(U_OUTLINE_PX, U_OUTLINE_SHARE * radius_px))


def streak_errors(xy_px: Floats, size_px: tuple[float, float], radius_px: float, streak_px: float) -> Floats:
    """What streaks add to them, in the same shape; none where that is too little to matter.

    ``streak_px`` is how long the streaks are; the rest as for ``outline_errors``.
    """
    sd = U_STREAK_SHARE * min(streak_px, 2 * radius_px)
    return _waves(xy_px, size_px, sd) if sd > 0.5 * U_OUTLINE_PX else np.zeros((0, len(xy_px), 2))


def _waves(xy_px: Floats, size_px: tuple[float, float], sd: float) -> Floats:
    across = np.cos(math.pi * np.arange(WAVES + 1)[:, None] * xy_px[:, 0] / size_px[0])
    down = np.cos(math.pi * np.arange(WAVES + 1)[:, None] * xy_px[:, 1] / size_px[1])
    # The even shift of all places only moves the origin.
    waves = (across[:, None] * down[None]).reshape(-1, len(xy_px))[1:]
    # Mean square of a product of cosines is 1/4, of a single one 1/2.
    mean_square = (len(waves) - 2 * WAVES) / 4 + 2 * WAVES / 2
    waves *= sd / math.sqrt(mean_square)
    errors = np.zeros((2 * len(waves), len(xy_px), 2))
    errors[: len(waves), :, 0] = waves
    errors[len(waves) :, :, 1] = waves
    return errors
