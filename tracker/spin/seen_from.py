"""Where the points of a ball stand in its strip, when the camera does not look at it straight on.

A ball aside of the camera's axis is seen from aside: the pole about which it turns is not at the
middle of its outline, and marks do not run round that middle. The strip's samples are put back onto
rings about the pole. Plane geometry of the perspective picture of a sphere; a camera that looks
square at the plane of flight sees the axis of a ball that turns in that plane end on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from calibration import camera
from calibration.values import Floats, Picture
from tracker.values import STRIP_ANGLES, STRIP_RINGS

Samples = npt.NDArray[np.float32]

#: Sines of the angles from the pole at which the ball is looked at: in luma, in U and V.
LUMA_RINGS, CHROMA_RINGS = np.linspace(0.2, 0.9, 8), np.linspace(0.25, 0.85, 3)
RINGS = (LUMA_RINGS, CHROMA_RINGS, CHROMA_RINGS)
#: Outside of this share of the outline's radius a strip says nothing.
OUTERMOST = 0.95
#: Cameras are held square to within some degrees, and launchers turn balls about an axis as square as that.
U_TILT_RAD = math.radians(2.5)
MOST_ROWS = 30_000  # cv2.remap takes pictures of up to 32767 rows


@dataclass(frozen=True, slots=True)
class View:
    """From where a ball is seen, n times.

    Parameters
    ----------
    slant : (n, 2) array
        Tangents of the angles between the line of sight and the axis about which the ball turns, along
        x and y of the stored picture: where the ball stands from the principal point, over the focal
        length, if the camera looks along that axis.
    focal_px : float
    u_ln_focal, u_tilt_rad : float
        Standard uncertainties of the focal length's logarithm, and of the axis about x and about y.
    """

    slant: Floats
    focal_px: float
    u_ln_focal: float
    u_tilt_rad: float

    @classmethod
    def straight_on(cls, n: int) -> View:
        """A ball seen end on from far away, up to what a camera and a ball may be askew."""
        return cls(np.zeros((n, 2)), 1e6, 0.0, U_TILT_RAD)

    @classmethod
    def through(
        cls, theta: Floats, view: camera.View, u_ln_focal: float, picture: Picture, ideal_px: Floats
    ) -> View:
        """A ball that turns about the normal of the plane of flight, through a fitted camera.

        Parameters
        ----------
        theta : array
            Begins with the camera's parameters.
        view : calibration.camera.View
        u_ln_focal : float
        picture : Picture
        ideal_px : (n, 2) array
            Where the ball stands in the upright picture, straightened and steadied.
        """
        own = theta[: camera.PARAMETERS]
        focal = float(camera.focal_px(own))
        axis = camera.rotation(own) @ np.array([0.0, 1.0, 0.0])
        upright = (ideal_px - [view.centre_x_px, view.centre_y_px]) / focal - axis[:2] / axis[2]
        slant = picture.to_stored(upright) - picture.to_stored(np.zeros(2))
        return cls(slant, focal, u_ln_focal, U_TILT_RAD)

    @property
    def u(self) -> tuple[float, float, float]:
        """Standard uncertainties of what ``moved`` takes."""
        return self.u_ln_focal, self.u_tilt_rad, self.u_tilt_rad

    def only(self, which: npt.NDArray[np.int64]) -> View:
        """Some of its sightings."""
        return replace(self, slant=self.slant[which])

    def moved(self, change: Floats) -> View:
        """With another logarithm of the focal length, and the axis tilted along x and y, (3,)."""
        factor = math.exp(change[0])
        return replace(self, slant=self.slant / factor + change[1:], focal_px=self.focal_px * factor)


def about_pole(planes: tuple[Samples, ...], views: Sequence[View], radius_px: Floats) -> tuple[Samples, ...]:
    """Strips about the outline's centre, put onto rings about the pole, as each of v views has it.

    Parameters
    ----------
    planes : tuple of (n, rings, angles) float32 arrays
        Zero where a strip says nothing.
    views : sequence of v View
    radius_px : (n,) array

    Returns
    -------
    tuple of (v, n, rings about the pole, angles) float32 arrays
    """
    angle = 2 * np.pi * np.arange(STRIP_ANGLES) / STRIP_ANGLES
    slant = np.concatenate([view.slant for view in views])
    across_rad = np.concatenate([radius_px / view.focal_px for view in views])
    luma, chroma = (_places(rings, angle, slant, across_rad) for rings in (LUMA_RINGS, CHROMA_RINGS))
    out = []
    for plane, known, (share, turn, seen) in zip(planes, STRIP_RINGS, (luma, chroma, chroma), strict=True):
        ring = (share - np.float32(known[0])) / np.float32(known[1] - known[0])
        sampled = _sampled(plane, ring, turn * np.float32(STRIP_ANGLES / (2 * np.pi)))
        sampled *= seen & (share < OUTERMOST)
        out.append(sampled.reshape(len(views), len(plane), -1, STRIP_ANGLES))
    return tuple(out)


def _places(
    rings: Floats, angle: Floats, slant: Floats, across_rad: Floats
) -> tuple[Samples, Samples, npt.NDArray[np.bool_]]:
    """Share of the radius, angle in the strip and whether it is seen of each point of a ball, (n, points)."""
    sine, cosine = rings[:, None], np.sqrt(1 - rings[:, None] ** 2)
    columns = sine * np.cos(angle), sine * np.sin(angle), -np.broadcast_to(cosine, (len(rings), len(angle)))
    # The ball has radius 1 and its centre is at (slant x, slant y, 1) times depth; focal length 1.
    side = (slant**2).sum(axis=1)
    depth = np.hypot(1.0, (1 + side) ** 0.25 / across_rad)
    middle = slant * (depth**2 / (depth**2 - 1))[:, None]
    # Single precision is good to a millionth of the radius, and half the work.
    points = np.stack(columns).reshape(3, -1).astype(np.float32)
    centre = np.stack([slant[:, 0] * depth, slant[:, 1] * depth, depth], axis=1).astype(np.float32)
    seen = centre @ points < -1
    wide = (1 / across_rad).astype(np.float32)[:, None]
    near = centre[:, 2:] + points[2]
    np.divide(wide, near, out=near)
    offset = middle.astype(np.float32) * wide
    across = []
    for k in (0, 1):
        from_middle = centre[:, k : k + 1] + points[k]
        from_middle *= near
        from_middle -= offset[:, k : k + 1]
        across.append(from_middle)
    # Good to a hundredth of a degree (measured), and quick.
    share, turn = (np.asarray(v, dtype=np.float32) for v in cv2.cartToPolar(across[0], across[1]))
    return share, turn, seen


def _sampled(plane: Samples, ring: Samples, column: Samples) -> Samples:
    """Bilinear samples (v n, points) of strips (n, rings, angles) at places in rings and columns."""
    count, rings, _ = plane.shape
    # Closed into itself, so that the last column has the first one as its neighbour.
    closed = np.concatenate([plane, plane[:, :, :1]], axis=2)
    out = np.empty(ring.shape, dtype=np.float32)
    most = MOST_ROWS // rings
    strip = np.arange(len(ring)) % count
    at = np.clip(ring, 0, rings - 1)
    for first in range(0, count, most):
        last = min(first + most, count)
        # Where one call takes all strips, it takes them for all views.
        part = np.s_[:] if last - first == count else np.flatnonzero((strip >= first) & (strip < last))
        at[part] += ((strip[part] - first) * rings).astype(np.float32)[:, None]
        out[part] = cv2.remap(
            closed[first:last].reshape(-1, closed.shape[2]),
            column[part],
            at[part],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    return out
