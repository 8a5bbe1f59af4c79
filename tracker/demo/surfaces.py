"""Flat painted pieces in the room -> the still picture behind and in front of the balls."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from tracker.demo.camera import Camera, Floats

Pictures = npt.NDArray[np.float32]
Point = tuple[float, float, float]

_BAND_PX = 120


@dataclass(frozen=True, slots=True)
class Piece:
    """A painted parallelogram.

    Parameters
    ----------
    corner_m, across_m, down_m : (x, y, z)
        Top-left corner of the paint, its edge to the right and its edge down.
    paint : (h, w, 4) float32 array
        Linear light and opacity, 0 to 1.
    front : bool
        Whether it stands between the balls and the camera.
    """

    corner_m: Point
    across_m: Point
    down_m: Point
    paint: Pictures
    front: bool = False


@dataclass(frozen=True, slots=True)
class Still:
    """What does not move: light behind the balls, light and opacity before them, and where it is.

    ``behind`` (h, w, 3), ``front`` (h, w, 4, premultiplied), ``place_m`` (h, w, 3): the room point
    each pixel of ``behind`` shows.
    """

    behind: Pictures
    front: Pictures
    place_m: Pictures


def still_picture(camera: Camera, pieces: tuple[Piece, ...], samples: int = 4) -> Still:
    """Picture of the pieces, painted in the order given, ``samples`` squared rays a pixel."""
    h, w = camera.height_px, camera.width_px
    behind = np.zeros((h, w, 3), dtype=np.float32)
    front = np.zeros((h, w, 4), dtype=np.float32)
    place = np.full((h, w, 3), np.nan, dtype=np.float32)
    fine = (np.arange(samples) + 0.5) / samples - 0.5
    sub_x = (np.arange(w)[:, None] + fine).ravel()
    boxes = [_box(camera, piece) for piece in pieces]
    for y0 in range(0, h, _BAND_PX):
        y1 = min(h, y0 + _BAND_PX)
        sub_y = (np.arange(y0, y1)[:, None] + fine).ravel()
        dx, dy = camera.directions(sub_x[None, :], sub_y[:, None])
        dx, dy = np.broadcast_arrays(dx, dy)
        layers = [np.zeros((*dx.shape, 4), dtype=np.float32) for _ in range(2)]
        for piece, box in zip(pieces, boxes, strict=True):
            x_a, x_b = max(0, box[0]) * samples, min(w, box[2]) * samples
            y_a, y_b = (max(y0, box[1]) - y0) * samples, (min(y1, box[3]) - y0) * samples
            if x_a < x_b and y_a < y_b:
                window = np.s_[y_a:y_b, x_a:x_b]
                rgba, points = _cast(camera, piece, dx[window], dy[window])
                layer = layers[int(piece.front)][window]
                layer *= 1 - rgba[..., 3:]
                layer += rgba
                if not piece.front:
                    solid = rgba[::samples, ::samples, 3] > 0.5
                    target = place[y0 + y_a // samples : y0 + y_b // samples, x_a // samples : x_b // samples]
                    target[solid] = points[::samples, ::samples][solid]
        shape = (y1 - y0, samples, w, samples, 4)
        small = [layer.reshape(shape).mean(axis=(1, 3)) for layer in layers]
        behind[y0:y1] = small[0][..., :3]
        front[y0:y1] = small[1]
    return Still(behind, front, place)


def _box(camera: Camera, piece: Piece) -> tuple[int, int, int, int]:
    """Pixels (x0, y0, x1, y1) that the piece can cover; everything where it reaches behind the lens."""
    corner, across, down = (np.asarray(v) for v in (piece.corner_m, piece.across_m, piece.down_m))
    step = np.linspace(0, 1, 9)[:, None]
    rim = np.concatenate(
        [
            corner + step * across,
            corner + step * down,
            corner + across + step * down,
            corner + down + step * across,
        ]
    )
    if np.any(camera.to_camera(rim)[:, 2] < 0.1):
        return 0, 0, camera.width_px, camera.height_px
    xy = camera.project(rim)
    low, high = np.floor(xy.min(axis=0)).astype(int) - 3, np.ceil(xy.max(axis=0)).astype(int) + 4
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _cast(camera: Camera, piece: Piece, dx: Floats, dy: Floats) -> tuple[Pictures, Pictures]:
    """Premultiplied paint (h, w, 4) seen along rays, and the room points (h, w, 3) they meet."""
    rotation = camera.rotation
    corner = camera.to_camera(piece.corner_m)
    across, down = (rotation @ np.asarray(v) for v in (piece.across_m, piece.down_m))
    normal = np.cross(across, down)
    # Coordinates in the piece are ratios of linear forms of the ray (Cramer's rule).
    u_form, v_form = np.cross(corner, down), np.cross(across, corner)
    slope = normal[0] * dx + normal[1] * dy + normal[2]
    depth = float(normal @ corner) / np.where(slope == 0, 1e-12, slope)
    denominator = np.where(slope == 0, 1e-12, slope)
    u = -(u_form[0] * dx + u_form[1] * dy + u_form[2]) / denominator
    v = -(v_form[0] * dx + v_form[1] * dy + v_form[2]) / denominator
    h, w = piece.paint.shape[:2]
    inside = (u >= 0) & (u < 1) & (v >= 0) & (v < 1) & (depth > 0)
    map_x = np.clip(u * w - 0.5, -2, w + 1).astype(np.float32)
    map_y = np.clip(v * h - 0.5, -2, h + 1).astype(np.float32)
    rgba = cv2.remap(piece.paint, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    rgba = np.asarray(rgba, dtype=np.float32) * inside[..., None]
    rgba[..., :3] *= rgba[..., 3:]
    room = np.stack([dx * depth, dy * depth, depth], axis=-1) @ rotation + np.asarray(camera.centre_m)
    return rgba, room.astype(np.float32)
