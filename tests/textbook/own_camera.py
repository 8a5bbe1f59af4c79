"""A pinhole camera from first principles, and outlines of spheres as conics: truth for tests.

World: x right, y away from the camera, z up. Upright picture: x right, y down, centre of the top-left
pixel (0, 0). A camera that is turned by nothing looks along y. Yaw turns the lens to the right, pitch
turns it down, roll turns the camera anticlockwise about its axis, so that the picture turns clockwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation


@dataclass(frozen=True)
class Pinhole:
    """Focal length and principal point in pixels, place in metres, three angles."""

    focal_px: float = 1100.0
    centre_px: tuple[float, float] = (639.5, 359.5)
    place_m: tuple[float, float, float] = (0.0, -4.0, 1.0)
    yaw_rad: float = 0.0
    pitch_rad: float = 0.0
    roll_rad: float = 0.0

    def axes(self) -> np.ndarray:
        """Rows: the camera's right, down and forward in the world."""
        rows = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])
        rows = Rotation.from_rotvec([0, 0, -self.yaw_rad]).apply(rows)
        rows = Rotation.from_rotvec(-self.pitch_rad * rows[0]).apply(rows)
        return np.asarray(Rotation.from_rotvec(-self.roll_rad * rows[2]).apply(rows))

    def matrix(self) -> np.ndarray:
        """The 3 x 3 matrix from rays to pixels."""
        cx, cy = self.centre_px
        return np.array([[self.focal_px, 0, cx], [0, self.focal_px, cy], [0, 0, 1.0]])

    def seen_from(self, world_m: np.ndarray) -> np.ndarray:
        """Points (n, 3) in the camera's own axes, (n, 3)."""
        return (np.atleast_2d(world_m) - self.place_m) @ self.axes().T

    def project(self, world_m: np.ndarray) -> np.ndarray:
        """Pixels (n, 2) of points (n, 3)."""
        at = self.seen_from(world_m) @ self.matrix().T
        return at[:, :2] / at[:, 2:]

    def outline(self, world_m: np.ndarray, radius_m: float) -> tuple[np.ndarray, np.ndarray]:
        """Centres (n, 2) and mean radii (n,) of the outlines of spheres about points (n, 3).

        A ray n touches a sphere about c if (n c)^2 = (n n) (c c - r^2): the matrix of that cone, brought
        to pixels, is the conic of the outline. A conic x^T A x = 0 has its centre where its gradient
        vanishes and the area pi |det A| / |det A22|^(3/2) (analytic geometry of any textbook).
        """
        inverse = np.linalg.inv(self.matrix())
        c = self.seen_from(world_m)
        cone = c[:, :, None] * c[:, None, :]
        cone -= ((c**2).sum(axis=1) - radius_m**2)[:, None, None] * np.eye(3)
        A = inverse.T @ cone @ inverse
        centre = np.linalg.solve(A[:, :2, :2], -A[:, :2, 2:])[..., 0]
        radius = np.sqrt(np.abs(np.linalg.det(A)) / np.abs(np.linalg.det(A[:, :2, :2])) ** 1.5)
        return centre, radius

    def touching_circle(self, centre_m: np.ndarray, radius_m: float, n: int = 20_000) -> np.ndarray:
        """Pixels (n, 2) of the circle in which the cone of tangents touches a sphere."""
        c = self.seen_from(centre_m)[0]
        far2 = c @ c
        e1 = np.cross(c, [1.0, 0, 0] if abs(c[0]) < 0.5 * np.sqrt(far2) else [0, 1.0, 0])
        e1 /= np.linalg.norm(e1)
        e2 = np.cross(c, e1) / np.sqrt(far2)
        angle = 2 * np.pi * np.arange(n) / n
        middle = c * (1 - radius_m**2 / far2)
        around = radius_m * np.sqrt(1 - radius_m**2 / far2)
        at = middle + around * (np.cos(angle)[:, None] * e1 + np.sin(angle)[:, None] * e2)
        at = at @ self.matrix().T
        return at[:, :2] / at[:, 2:]


def polygon(xy: np.ndarray) -> tuple[np.ndarray, float]:
    """Centre of area (2,) and area of a closed polygon (n, 2): the shoelace formula."""
    x, y = xy.T
    x1, y1 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y1 - x1 * y
    area = cross.sum() / 2
    return np.array([((x + x1) * cross).sum(), ((y + y1) * cross).sum()]) / (6 * area), abs(area)
