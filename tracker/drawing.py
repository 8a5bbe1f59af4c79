"""A measured shot -> its pictures with its numbers as words in them."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from tracker.pictures import Captions, flight_over_film, png
from tracker.report.rounding import plus_minus
from tracker.report.words import spin_rev_s
from tracker.values import Shot


def captions(shot: Shot, clip: str) -> Captions:
    """The numbers of a shot as words for its pictures."""
    spin = spin_rev_s(shot)
    return Captions(
        title=f"Shot {shot.shot} of {clip}",
        speed=f"{plus_minus(shot.exit_speed_m_s)} m/s",
        angle=f"{plus_minus(shot.exit_angle_rad.times(180 / math.pi))}°",
        spin=None if spin is None else f"spin {plus_minus(spin)} rev/s",
    )


def flight_png(shot: Shot, film: Mapping[int, npt.NDArray[np.uint8]], clip: str) -> bytes:
    """The flight over the film as a file; ``film`` holds upright pictures by frame, blue green red."""
    return png(flight_over_film(shot, film, captions(shot, clip)))
