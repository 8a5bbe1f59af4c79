"""A pinhole camera with pose and Brown distortion, and the exact outline of a sphere in it.

Room coordinates: x to the picture's right, y away from the camera, z up, metres. Pixels are those
of the stored picture: centre of the top-left pixel (0, 0), x right, y down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_OUTLINE_POINTS = 720
_FIXED_POINT_ROUNDS = 60


@dataclass(frozen=True, slots=True)
class Camera:
    """Where the camera stands, where it looks, and how it maps.

    Parameters
    ----------
    width_px, height_px : int
        Size of the stored picture.
    focal_px : float
    centre_m : (x, y, z)
        Place of the lens.
    yaw_rad, pitch_rad, roll_rad : float
        Positive yaw looks right, positive pitch looks up, positive roll turns the camera clockwise
        as seen from behind it.
    principal_px : (x, y) or None
        Principal point; None is the middle of the picture.
    distortion : (k1, k2, p1, p2, k3)
        Brown's coefficients on x = X/Z, y = Y/Z. Source: D. C. Brown, "Close-range camera
        calibration", Photogrammetric Engineering 37 (1971) 855; from memory.
    """

    width_px: int
    height_px: int
    focal_px: float
    centre_m: tuple[float, float, float]
    yaw_rad: float = 0.0
    pitch_rad: float = 0.0
    roll_rad: float = 0.0
    principal_px: tuple[float, float] | None = None
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)

    @property
    def principal(self) -> tuple[float, float]:
        """Principal point in pixels."""
        return self.principal_px or ((self.width_px - 1) / 2, (self.height_px - 1) / 2)

    @property
    def matrix(self) -> Floats:
        """Camera matrix K, shape (3, 3)."""
        cx, cy = self.principal
        return np.array([[self.focal_px, 0.0, cx], [0.0, self.focal_px, cy], [0.0, 0.0, 1.0]])

    @property
    def rotation(self) -> Floats:
        """Room to camera axes (x right, y down, z forward), shape (3, 3)."""
        base = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
        c, s = math.cos(self.yaw_rad), math.sin(self.yaw_rad)
        yaw = np.array([[c, 0.0, -s], [0.0, 1.0, 0.0], [s, 0.0, c]])
        c, s = math.cos(self.pitch_rad), math.sin(self.pitch_rad)
        pitch = np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]])
        c, s = math.cos(self.roll_rad), math.sin(self.roll_rad)
        roll = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        turned: Floats = roll @ pitch @ yaw @ base
        return turned

    @property
    def distorts(self) -> bool:
        """Whether any distortion coefficient differs from zero."""
        return any(self.distortion)

    def turned(self, yaw_rad: float, pitch_rad: float, roll_rad: float) -> Camera:
        """The same camera with small turns added to its pose."""
        return replace(
            self,
            yaw_rad=self.yaw_rad + yaw_rad,
            pitch_rad=self.pitch_rad + pitch_rad,
            roll_rad=self.roll_rad + roll_rad,
        )

    def widened(self, margin_px: int) -> Camera:
        """The same camera with a border of ``margin_px`` added on every side of its picture."""
        cx, cy = self.principal
        return replace(
            self,
            width_px=self.width_px + 2 * margin_px,
            height_px=self.height_px + 2 * margin_px,
            principal_px=(cx + margin_px, cy + margin_px),
        )

    def to_camera(self, points_m: npt.ArrayLike) -> Floats:
        """Room points, shape (..., 3), in camera axes, same shape."""
        offset = np.asarray(points_m, dtype=np.float64) - np.asarray(self.centre_m)
        turned: Floats = offset @ self.rotation.T
        return turned

    def project(self, points_m: npt.ArrayLike) -> Floats:
        """Pixels, shape (..., 2), of room points, shape (..., 3)."""
        return self.project_directions(self.to_camera(points_m))

    def project_directions(self, directions: Floats) -> Floats:
        """Pixels, shape (..., 2), of directions in camera axes, shape (..., 3)."""
        x = directions[..., 0] / directions[..., 2]
        y = directions[..., 1] / directions[..., 2]
        if self.distorts:
            x, y = self._bend(x, y)
        cx, cy = self.principal
        return np.stack([x * self.focal_px + cx, y * self.focal_px + cy], axis=-1)

    def directions(self, x_px: Floats, y_px: Floats) -> tuple[Floats, Floats]:
        """Straightened (X/Z, Y/Z) in camera axes of pixels; same shapes as given."""
        cx, cy = self.principal
        bent_x, bent_y = (x_px - cx) / self.focal_px, (y_px - cy) / self.focal_px
        if not self.distorts:
            return bent_x, bent_y
        x, y = bent_x + 0.0 * bent_y, bent_y + 0.0 * bent_x
        bent_x, bent_y = x.copy(), y.copy()
        for _ in range(_FIXED_POINT_ROUNDS):
            got_x, got_y = self._bend(x, y)
            x, y = x + bent_x - got_x, y + bent_y - got_y
        return x, y

    def _bend(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        k1, k2, p1, p2, k3 = self.distortion
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        bent_x = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        bent_y = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        return bent_x, bent_y


@dataclass(frozen=True, slots=True)
class Outline:
    """A sphere's outline in the picture: centre and the radius of a disc of equal area."""

    x_px: float
    y_px: float
    radius_px: float
    points_px: Floats


def sphere_outline(camera: Camera, centre_m: npt.ArrayLike, radius_m: float) -> Outline:
    """Exact outline of a sphere: its tangent circle, projected.

    The rays that graze a sphere of radius r at distance D touch it on a circle of radius
    r sqrt(1 - r2/D2) about (1 - r2/D2) c; without distortion its picture is an ellipse.
    """
    c = camera.to_camera(centre_m)
    distance = float(np.linalg.norm(c))
    shrink = 1 - (radius_m / distance) ** 2
    axis = c / distance
    side = np.cross(axis, [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    angle = np.linspace(0, 2 * math.pi, _OUTLINE_POINTS, endpoint=False)[:, None]
    rim = np.cos(angle) * side + np.sin(angle) * np.cross(axis, side)
    points = camera.project_directions(c * shrink + radius_m * math.sqrt(shrink) * rim)
    x, y = points[:, 0], points[:, 1]
    x0, y0 = float(x.mean()), float(y.mean())
    u, v = x - x0, y - y0
    cross = u * np.roll(v, -1) - np.roll(u, -1) * v
    area = float(cross.sum()) / 2
    mean_x = float(((u + np.roll(u, -1)) * cross).sum()) / (6 * area)
    mean_y = float(((v + np.roll(v, -1)) * cross).sum()) / (6 * area)
    return Outline(x0 + mean_x, y0 + mean_y, math.sqrt(abs(area) / math.pi), points)
