"""Balls as they look and as they move: positions are given, nothing is computed about forces."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tracker.demo.camera import Camera, Floats

Colour = tuple[float, float, float]

_TOWARD_CAMERA = (0.0, -1.0, 0.0)


@dataclass(frozen=True, slots=True)
class Mark:
    """A dot (``cap``) or a band round the ball: direction in ball axes and half its opening angle.

    A band lies where the angle to ``direction`` is within ``half_rad`` of 90 degrees.
    """

    direction: tuple[float, float, float]
    half_rad: float
    band: bool = False


@dataclass(frozen=True, slots=True)
class BallLook:
    """Colour (linear light, red green blue, 0 to 1), marks and how it takes the light."""

    radius_m: float
    colour: Colour
    mark_colour: Colour = (0.85, 0.85, 0.82)
    marks: tuple[Mark, ...] = ()
    ambient: float = 0.45
    diffuse: float = 0.6
    highlight: float = 0.12
    gloss: float = 18.0


@dataclass(frozen=True, slots=True)
class BallPath:
    """Where one ball is, and how far it has turned, between samples by cubic Hermite polynomials.

    A time may stand twice: there the velocity jumps (a bounce).

    Parameters
    ----------
    t_s : (n,) array
        Ascending.
    xyz_m : (n, 3) array
        Centre in the room.
    v_m_s : (n, 3) array
    angle_rad : (n,) array
        Turn about ``axis``, right-handed.
    omega_rad_s : (n,) array
    axis : unit vector
        The default points at the camera: positive turns are counter-clockwise in the picture.
    """

    t_s: Floats
    xyz_m: Floats
    v_m_s: Floats
    angle_rad: Floats
    omega_rad_s: Floats
    axis: tuple[float, float, float] = field(default=_TOWARD_CAMERA)

    def __post_init__(self) -> None:
        n = len(self.t_s)
        shapes = (self.xyz_m.shape, self.v_m_s.shape, self.angle_rad.shape, self.omega_rad_s.shape)
        if n < 2 or shapes != ((n, 3), (n, 3), (n,), (n,)):
            raise ValueError(f"columns of a path do not fit {n} times: {shapes}")
        if np.any(np.diff(self.t_s) < 0):
            raise ValueError("times of a path must ascend")

    def at(self, t_s: npt.ArrayLike) -> tuple[Floats, Floats, Floats, Floats]:
        """Centre (..., 3), velocity (..., 3), angle (...) and its rate (...) at times (...)."""
        t = np.asarray(t_s, dtype=np.float64)
        i = np.clip(np.searchsorted(self.t_s, t, side="right") - 1, 0, len(self.t_s) - 2)
        h = self.t_s[i + 1] - self.t_s[i]
        safe = np.where(h > 0, h, 1.0)
        s = np.where(h > 0, (t - self.t_s[i]) / safe, 0.0)
        columns = np.column_stack([self.xyz_m, self.angle_rad])
        slopes = np.column_stack([self.v_m_s, self.omega_rad_s])
        a, b = columns[i], columns[i + 1]
        da, db = slopes[i] * h[..., None], slopes[i + 1] * h[..., None]
        s = s[..., None]
        value = (
            a * (1 + s * s * (2 * s - 3))
            + da * s * (1 - s) ** 2
            + b * s * s * (3 - 2 * s)
            + db * s * s * (s - 1)
        )
        rate = (6 * s * (s - 1) * (a - b) + da * (1 - s) * (1 - 3 * s) + db * s * (3 * s - 2)) / safe[
            ..., None
        ]
        return value[..., :3], rate[..., :3], value[..., 3], rate[..., 3]

    def covers(self, t_s: float) -> bool:
        """Whether the path says where the ball is at this time."""
        return bool(self.t_s[0] <= t_s <= self.t_s[-1])


@dataclass(frozen=True, slots=True)
class Stamp:
    """What one ball adds to a window of the picture: premultiplied linear light and coverage."""

    x0: int
    y0: int
    rgb: npt.NDArray[np.float32]
    cover: npt.NDArray[np.float32]


def _turn(axis: Floats, angle: float) -> Floats:
    """Rotation matrix from axis and angle (Rodrigues)."""
    x, y, z = axis
    k = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    turned: Floats = np.eye(3) + math.sin(angle) * k + (1 - math.cos(angle)) * (k @ k)
    return turned


def stamp_ball(
    camera: Camera,
    look: BallLook,
    path: BallPath,
    row_time_s: Floats,
    shutter_s: float,
    light: tuple[float, float, float],
    samples: int = 4,
) -> Stamp | None:
    """Picture of one moving ball over one exposure, by casting rays at the sphere.

    Parameters
    ----------
    row_time_s : (H,) array
        Mid-exposure time of every stored row.
    light : unit vector in the room, toward the lamp
    samples : int
        Rays a pixel along each side.

    Returns
    -------
    Stamp or None
        None where the ball is outside the picture.
    """
    middle = float(row_time_s[len(row_time_s) // 2])
    span = 0.5 * (shutter_s + abs(float(row_time_s[-1] - row_time_s[0])))
    ends = camera.to_camera(path.at(middle + np.array([-span, 0.0, span]))[0])
    if np.any(ends[:, 2] < 2 * look.radius_m):
        return None
    seen = camera.project_directions(ends)
    reach = 1.25 * camera.focal_px * look.radius_m / float(ends[:, 2].min()) + 3
    x0 = max(0, math.floor(seen[:, 0].min() - reach))
    x1 = min(camera.width_px, math.ceil(seen[:, 0].max() + reach) + 1)
    y0 = max(0, math.floor(seen[:, 1].min() - reach))
    y1 = min(camera.height_px, math.ceil(seen[:, 1].max() + reach) + 1)
    if x0 >= x1 or y0 >= y1:
        return None
    streak = float(np.hypot(*(seen[2] - seen[0]))) * shutter_s / max(2 * span, 1e-12)
    exposures = int(np.clip(math.ceil(streak / 0.4), 4, 64))
    fine = (np.arange(samples) + 0.5) / samples - 0.5
    sub_x = (np.arange(x0, x1)[:, None] + fine).ravel()
    sub_y = (np.arange(y0, y1)[:, None] + fine).ravel()
    dx, dy = camera.directions(sub_x[None, :], sub_y[:, None])
    rows = np.repeat(row_time_s[y0:y1], samples)
    rgb = np.zeros((len(sub_y), len(sub_x), 3), dtype=np.float32)
    cover = np.zeros((len(sub_y), len(sub_x)), dtype=np.float32)
    for k in range(exposures):
        offset = ((k + 0.5) / exposures - 0.5) * shutter_s
        _add_instant(camera, look, path, rows + offset, (dx, dy), light, rgb, cover)
    shape = (y1 - y0, samples, x1 - x0, samples)
    share = 1.0 / exposures
    return Stamp(
        x0,
        y0,
        rgb.reshape(*shape, 3).mean(axis=(1, 3)) * share,
        cover.reshape(shape).mean(axis=(1, 3)) * share,
    )


def _add_instant(
    camera: Camera,
    look: BallLook,
    path: BallPath,
    rows_s: Floats,
    rays: tuple[Floats, Floats],
    light: tuple[float, float, float],
    rgb: npt.NDArray[np.float32],
    cover: npt.NDArray[np.float32],
) -> None:
    """Add one instant of the ball (each row at its own time) to the sums."""
    dx, dy = rays
    centre, _, angle, _ = path.at(rows_s)
    cx, cy, cz = (camera.to_camera(centre)[:, i, None] for i in range(3))
    dd = dx * dx + dy * dy + 1
    s = (dx * cx + dy * cy + cz) / dd
    miss2 = (cx - s * dx) ** 2 + (cy - s * dy) ** 2 + (cz - s) ** 2
    left = look.radius_m**2 - miss2
    hit = np.nonzero(left > 0)
    if len(hit[0]) == 0:
        return
    row = hit[0]
    near = s[hit] - np.sqrt(left[hit] / dd[hit])
    full_x, full_y = np.broadcast_to(dx, s.shape), np.broadcast_to(dy, s.shape)
    normal_cam = np.stack(
        [near * full_x[hit] - cx[row, 0], near * full_y[hit] - cy[row, 0], near - cz[row, 0]], axis=-1
    )
    normal = (normal_cam / look.radius_m) @ camera.rotation
    middle_angle = float(angle[row].mean())
    rgb[hit] += _shade(look, path.axis, middle_angle, normal, light, camera, centre[row[0]])
    cover[hit] += 1.0


def _shade(
    look: BallLook,
    axis: tuple[float, float, float],
    angle: float,
    normal: Floats,
    light: tuple[float, float, float],
    camera: Camera,
    centre: Floats,
) -> npt.NDArray[np.float32]:
    """Linear light, shape (n, 3), that leaves the ball where its outward normals are (n, 3)."""
    body = normal @ _turn(np.asarray(axis), angle)
    marked = np.zeros(len(normal), dtype=bool)
    for mark in look.marks:
        direction = np.asarray(mark.direction) / np.linalg.norm(mark.direction)
        along = body @ direction
        marked |= np.abs(along) < math.sin(mark.half_rad) if mark.band else along > math.cos(mark.half_rad)
    albedo = np.where(marked[:, None], np.asarray(look.mark_colour), np.asarray(look.colour))
    lamp = np.asarray(light)
    sky = look.ambient * (1 + 0.35 * normal[:, 2:3]) if look.diffuse else look.ambient
    out = albedo * (sky + look.diffuse * np.maximum(0.0, normal @ lamp)[:, None])
    if look.highlight:
        eye = np.asarray(camera.centre_m) - centre
        half = lamp + eye / np.linalg.norm(eye)
        half /= np.linalg.norm(half)
        out = out + look.highlight * np.maximum(0.0, normal @ half)[:, None] ** look.gloss
    return np.asarray(out, dtype=np.float32)
