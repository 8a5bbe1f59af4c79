"""Two pictures from two clips -> whether the camera still stands where it stood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibration.steady import SteadyWatch

#: A camera that was not touched shows the same background to this; common practice, no source.
STILL_PX = 0.5


@dataclass(frozen=True, slots=True)
class Between:
    """How a picture moved from one clip to the next.

    Parameters
    ----------
    comparable : bool
        Whether the pictures are of one size and have enough background in common.
    moved_px : float
        Largest motion of any corner of the picture.
    u_px : float
        Standard uncertainty of the motion of its middle.
    """

    comparable: bool
    moved_px: float
    u_px: float

    @property
    def stands(self) -> bool:
        """Whether marks of the first clip hold in the second."""
        return self.comparable and self.moved_px <= max(STILL_PX, 3 * self.u_px)


def between(first: npt.NDArray[np.uint8], second: npt.NDArray[np.uint8]) -> Between:
    """Compare pieces of background of two pictures, luma (H, W) each."""
    if first.shape != second.shape:
        return Between(False, float("inf"), float("inf"))
    watch = SteadyWatch()
    watch.see(0, first)
    watch.see(1, second)
    found = watch.result()
    u_px = float(found.u_px[-1]) if len(found.u_px) else float("inf")
    comparable = found.measured and bool(np.isfinite(u_px))
    return Between(comparable, found.largest_px, u_px)
