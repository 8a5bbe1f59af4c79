"""When a row is exposed: rows of the stored picture are read one after another."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.values import Floats


@dataclass(frozen=True, slots=True)
class Readout:
    """Seconds from the first to just past the last stored row, and what is not known about that."""

    readout_s: float
    u_readout_s: float
    stated: bool


def readout_of(stated_s: float | None, frame_interval_s: float) -> Readout:
    """The readout as stated, else anything between 0 and one real capture interval.

    Rectangular, so u = half width / sqrt(3): JCGM 100:2008, 4.3.7.
    """
    if stated_s is not None:
        return Readout(stated_s, 0.0, stated=True)
    half = 0.5 * frame_interval_s
    return Readout(half, half / math.sqrt(3), stated=False)


def row_share(row_px: Floats, stored_height_px: int) -> Floats:
    """Share of the readout that passes before each stored row (n,) is read; row 0 is time 0."""
    return np.asarray(row_px, dtype=np.float64) / stored_height_px
