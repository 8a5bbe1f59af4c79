"""One flight's sightings as the adjustment takes them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.values import Floats, Ints

Bools = np.typing.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Flight:
    """A ball in free flight: columns of equal length n.

    Parameters
    ----------
    rows : (n,) int array
        Into the clip's sightings.
    frame_time_s : (n,) array
        Real time of each sighting's frame.
    share : (n,) array
        Share of the readout that passes before its row is read.
    xy_px : (n, 2) array
        Upright picture coordinates, straightened and steadied.
    u_px, radius_px, streak_px : (n,) arrays
    sense : int
        +1 for a flight toward the right of the picture, -1 toward the left.
    """

    rows: Ints
    frame_time_s: Floats
    share: Floats
    xy_px: Floats
    u_px: Floats
    radius_px: Floats
    streak_px: Floats
    sense: int

    def __len__(self) -> int:
        return len(self.rows)

    def only(self, keep: Bools) -> Flight:
        """The sightings where ``keep``, shape (n,), is true."""
        return Flight(
            self.rows[keep],
            self.frame_time_s[keep],
            self.share[keep],
            self.xy_px[keep],
            self.u_px[keep],
            self.radius_px[keep],
            self.streak_px[keep],
            self.sense,
        )

    def retimed(self, factor: float) -> Flight:
        """The same flight with all times multiplied by a factor."""
        return Flight(
            self.rows,
            self.frame_time_s * factor,
            self.share,
            self.xy_px,
            self.u_px,
            self.radius_px,
            self.streak_px,
            self.sense,
        )
