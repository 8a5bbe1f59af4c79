"""Stored pixels of any frame -> pixels of one still, straight, upright picture, and what that costs.

Steadiness is taken out first (the background's motion since the first frame, seen in stored pixels),
then the lens, then the picture is turned upright: points, never pictures.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibration.lens import Lens, require, straighten, straighten_sensitivity
from calibration.steady import Steadiness, take_out
from calibration.values import Floats, Picture

#: Share of the background's motion by which the plane of flight, nearer or farther, may move otherwise.
U_PARALLAX_SHARE = 0.02
UNKNOWN_PX = 5.0  # where the background's motion could not be followed


@dataclass(frozen=True, slots=True)
class Sight:
    """How this clip's pixels become those of an ideal camera.

    Parameters
    ----------
    picture : Picture
    lens : Lens or None
        For the stored picture.
    steady : Steadiness or None
        None where the camera stood still, or nothing is known.
    """

    picture: Picture
    lens: Lens | None = None
    steady: Steadiness | None = None

    @classmethod
    def of(cls, picture: Picture, lens: Lens | None, steady: Steadiness | None) -> Sight:
        """Take what is worth taking out.

        Raises
        ------
        CalibrationError
            If the lens was measured for another picture size.
        """
        if lens is not None:
            require(lens, picture.stored_width_px, picture.stored_height_px)
        return cls(picture, lens, steady if steady is not None and steady.is_moving else None)

    def stilled(self, frame: npt.ArrayLike, stored_px: Floats) -> Floats:
        """Stored pixels (n, 2) at frames (n,) to those of the first frame."""
        return stored_px if self.steady is None else take_out(self.steady, frame, stored_px)

    def ideal(self, frame: npt.ArrayLike, stored_px: Floats) -> Floats:
        """Stored pixels (n, 2) at frames (n,) to ideal upright ones."""
        return self._straight(self.stilled(frame, stored_px))

    def ideal_from_upright(self, frame: int, upright_px: Floats) -> Floats:
        """Upright pixels (n, 2) of one frame, as somebody pointed at them, to ideal ones."""
        stored = self.picture.to_stored(upright_px)
        return self.ideal(np.full(len(stored), frame), stored)

    def _straight(self, stored_px: Floats) -> Floats:
        if self.lens is None:
            return self.picture.to_upright(stored_px)
        lens = self.lens
        f = self.focal_px
        assert f is not None
        straight = straighten(lens, stored_px)
        # One focal length for both axes, as an ideal camera has it.
        square = (straight - [lens.cx, lens.cy]) * [f[0] / lens.fx, f[0] / lens.fy] + [lens.cx, lens.cy]
        return self.picture.to_upright(square)

    @property
    def focal_px(self) -> tuple[float, float] | None:
        """Focal length and its standard uncertainty; None without a lens."""
        if self.lens is None:
            return None
        f = math.sqrt(self.lens.fx * self.lens.fy)
        variance = self.lens.covariance[0, 0] + self.lens.covariance[1, 1] + 2 * self.lens.covariance[0, 1]
        return f, 0.5 * math.sqrt(max(float(variance), 0.0))

    @property
    def centre_px(self) -> tuple[float, float] | None:
        """Principal point, upright; None without a lens."""
        if self.lens is None:
            return None
        x, y = self.picture.to_upright(np.array([self.lens.cx, self.lens.cy]))
        return float(x), float(y)

    def lens_errors(self, frame: npt.ArrayLike, stored_px: Floats) -> Floats:
        """What one standard uncertainty of each independent error of the lens does to ideal pixels.

        Returns
        -------
        (k, n, 2) array
            k is 0 without a lens; their squares add up to the lens's own covariance. The focal length's
            part is left out where it only magnifies: the adjustment carries that.
        """
        if self.lens is None:
            return np.zeros((0, len(stored_px), 2))
        still = self.stilled(frame, stored_px)
        by = straighten_sensitivity(self.lens, still)
        values, vectors = np.linalg.eigh(self.lens.covariance)
        errors = vectors * np.sqrt(np.maximum(values, 0.0))
        moved = np.moveaxis(by @ errors, 2, 0)
        origin = self.picture.to_upright(np.zeros((1, 2)))
        turned = self.picture.to_upright(moved.reshape(-1, 2)) - origin
        return np.asarray(turned.reshape(moved.shape))

    def u_steady_px(self, frame: npt.ArrayLike, stored_px: Floats) -> Floats:
        """Standard uncertainty per coordinate that taking out the motion leaves, (n,)."""
        if self.steady is None:
            return np.zeros(len(stored_px))
        moved = np.hypot(*(self.stilled(frame, stored_px) - stored_px).T)
        known = self.steady.u_at(frame, stored_px)
        return np.asarray(np.hypot(np.where(np.isfinite(known), known, UNKNOWN_PX), U_PARALLAX_SHARE * moved))


def lens_shift_px(lens: Lens) -> tuple[float, float]:
    """Largest shift that a lens makes at the edges' middles, and the largest uncertainty there, pixels."""
    right, bottom = lens.width_px - 1.0, lens.height_px - 1.0
    edges = np.array([[0, bottom / 2], [right, bottom / 2], [right / 2, 0], [right / 2, bottom]])
    shift = np.linalg.norm(straighten(lens, edges) - edges, axis=1)
    by = straighten_sensitivity(lens, edges)
    # A longer focal length or a moved middle is no bend: only the five coefficients count.
    bent = np.sqrt(np.einsum("nip,pq,niq->n", by[:, :, 4:], lens.covariance[4:, 4:], by[:, :, 4:]))
    return float(np.nanmax(shift)), float(np.nanmax(bent))
