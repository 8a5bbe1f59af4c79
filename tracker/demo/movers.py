"""Things that move and are not balls: flat shapes at places that are given."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from tracker.demo.balls import Stamp
from tracker.demo.camera import Camera, Floats

_SHIFT = 8  # fraction bits of the polygon filler


@dataclass(frozen=True, slots=True)
class Shape:
    """A filled outline in the room: (n, 3) points in metres, and its linear light."""

    outline_m: Floats
    colour: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Mover:
    """Shapes as a function of time, later ones painted over earlier ones.

    ``front`` says whether they pass between the balls and the camera.
    """

    shapes: Callable[[float], list[Shape]]
    front: bool = False


def disc(centre_m: tuple[float, float, float], radius_m: float, squash: float = 1.0) -> Floats:
    """Outline of a disc facing along y, its height ``squash`` times its width, shape (48, 3)."""
    a = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    x, y, z = centre_m
    return np.column_stack([x + radius_m * np.cos(a), np.full(48, y), z + squash * radius_m * np.sin(a)])


def limb(start_m: tuple[float, float, float], end_m: tuple[float, float, float], width_m: float) -> Floats:
    """Outline of a rounded bar from start to end in a plane of equal y, shape (26, 3)."""
    a, b = np.asarray(start_m), np.asarray(end_m)
    along = np.arctan2(b[2] - a[2], b[0] - a[0])
    turn = np.linspace(np.pi / 2, 3 * np.pi / 2, 13)
    r = width_m / 2
    first = np.column_stack(
        [a[0] + r * np.cos(along + turn), np.full(13, a[1]), a[2] + r * np.sin(along + turn)]
    )
    turn = turn + np.pi
    second = np.column_stack(
        [b[0] + r * np.cos(along + turn), np.full(13, b[1]), b[2] + r * np.sin(along + turn)]
    )
    return np.concatenate([first, second])


def stamp_mover(
    camera: Camera, mover: Mover, time_s: float, shutter_s: float, samples: int = 4, exposures: int = 4
) -> Stamp | None:
    """Picture of the mover over one exposure; every row at the same time."""
    instants = [mover.shapes(time_s + ((k + 0.5) / exposures - 0.5) * shutter_s) for k in range(exposures)]
    drawn = [[(camera.project(s.outline_m), s.colour) for s in shapes] for shapes in instants]
    everything = [points for shapes in drawn for points, _ in shapes]
    if not everything:
        return None
    points = np.concatenate(everything)
    x0, y0 = np.maximum(0, np.floor(points.min(axis=0)).astype(int) - 2)
    x1, y1 = np.minimum([camera.width_px, camera.height_px], np.ceil(points.max(axis=0)).astype(int) + 3)
    if x0 >= x1 or y0 >= y1:
        return None
    h, w = (y1 - y0) * samples, (x1 - x0) * samples
    total = np.zeros((h, w, 4), dtype=np.float32)
    for shapes in drawn:
        canvas = np.zeros((h, w, 4), dtype=np.float32)
        for outline, colour in shapes:
            fine = (outline - [x0, y0] + 0.5) * samples - 0.5
            fixed = np.rint(fine * (1 << _SHIFT)).astype(np.int32)
            cv2.fillPoly(canvas, [fixed], (*colour, 1.0), lineType=cv2.LINE_8, shift=_SHIFT)
        total += canvas
    small: npt.NDArray[np.float32] = total.reshape(y1 - y0, samples, x1 - x0, samples, 4).mean(axis=(1, 3))
    small /= exposures
    return Stamp(int(x0), int(y0), small[..., :3], small[..., 3])
