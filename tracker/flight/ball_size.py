"""The ball's own diameter as a ruler: how large it looks against how large it is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import COMPLEX_STEP, PARAMETERS, View, outline_radius_px
from calibration.values import Floats, Ints
from tracker.flight.assumed import Assumed
from tracker.flight.observed import Flight

#: An outline's radius may be off by this much at its edge, whatever the noise.
U_EDGE_PX = 0.25
#: How well one flight's outlines compare with another's of the same clip.
U_LN_RADIUS_RATIO = 0.007


@dataclass(frozen=True, slots=True)
class BallSize:
    """Outlines of all sightings of a clip's flights.

    Parameters
    ----------
    radius_px : (n,) array
    which : (n,) int array
        Flight of each sighting.
    radius_m : float
    u_ln : float
        Relative standard uncertainty of the scale that the outlines give.
    flights : int
    own_planes : bool
        Whether each flight has a plane of its own, so that each has a row of its own, too.
    """

    radius_px: Floats
    which: Ints
    radius_m: float
    u_ln: float
    flights: int
    own_planes: bool

    @classmethod
    def of(cls, flights: Sequence[Flight], which: Ints, assumed: Assumed, *, own_planes: bool) -> BallSize:
        """From a clip's flights."""
        radius = np.concatenate([f.radius_px for f in flights])
        u_ln = math.hypot(assumed.u_ln_radius, U_EDGE_PX / float(np.median(radius)))
        return cls(radius, which, assumed.radius_m, u_ln, len(flights), own_planes)

    @property
    def median_px(self) -> float:
        """Median radius in the picture."""
        return float(np.median(self.radius_px))

    @property
    def count(self) -> int:
        """Number of rows."""
        return 1 + (self.flights if self.own_planes else 0)

    def rows(
        self, theta: Floats, view: View, place_m: Floats, by_depth: Floats, u_px: Floats
    ) -> tuple[Floats, Floats]:
        """How much larger the balls look than they should, as residuals (k,), and their derivatives (k, p).

        One row for all flights together; where each has its own plane, one more for each flight against
        the mean of all. Places (n, 3) come with the derivatives of how far behind the plane they are, (n, p).
        """
        camera = theta[:PARAMETERS]
        expected = outline_radius_px(camera, view, place_m, self.radius_m)
        slope = np.zeros((len(expected), len(theta)))
        for k in range(PARAMETERS):
            moved = camera.astype(complex)
            moved[k] += 1j * COMPLEX_STEP
            slope[:, k] = np.log(outline_radius_px(moved, view, place_m, self.radius_m)).imag / COMPLEX_STEP
        near = place_m.astype(complex)
        near[:, 1] += 1j * COMPLEX_STEP
        shrinks = np.log(outline_radius_px(camera, view, near, self.radius_m)).imag / COMPLEX_STEP
        slope += shrinks[:, None] * by_depth
        off = np.log(expected / self.radius_px)
        weight = np.zeros((self.flights, len(off)))
        weight[self.which, np.arange(len(off))] = u_px**-2
        whole = weight.sum(axis=1, keepdims=True)
        each, each_slope = weight / whole @ off, weight / whole @ slope
        share = np.full((1, self.flights), 1 / self.flights) if self.own_planes else (whole / whole.sum()).T
        rows, slopes = share @ each / self.u_ln, share @ each_slope / self.u_ln
        if self.own_planes:
            apart = (np.eye(self.flights) - 1 / self.flights) / U_LN_RADIUS_RATIO
            rows, slopes = np.concatenate([rows, apart @ each]), np.vstack([slopes, apart @ each_slope])
        return rows, slopes
