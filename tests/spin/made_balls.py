"""Pictures of turning balls, cast here ray by ray: what they show is known because it was put in.

The camera is at the origin and looks along z (x right, y down); its focal length is 1 in units of the
picture plane. The ball turns about an axis along z, anticlockwise in the picture where angles grow.
Light stands still while marks turn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from tracker.ball.strips import cut_strips

Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]

#: Dots: (angle from the pole, angle round it, half opening angle), radians.
UNEQUAL_DOTS = ((0.55, 0.3, 0.2), (0.8, 2.1, 0.28), (0.65, 4.0, 0.15))
FINE = 3  # rays a pixel along each side
SMEAR = 5  # instants of an exposure
BEHIND = 70.0  # level of what is behind the ball


def even_dots(n: int) -> tuple[tuple[float, float, float], ...]:
    """The same dot n times round the pole."""
    return tuple((0.7, 0.4 + 2 * math.pi * k / n, 0.22) for k in range(n))


@dataclass(frozen=True)
class Paint:
    """What the ball looks like and how it is filmed; levels are those of an 8-bit picture."""

    radius_px: float = 15.0
    focal_px: float = 900.0
    dots: tuple[tuple[float, float, float], ...] = UNEQUAL_DOTS
    base: float = 110.0
    mark: float = 210.0
    base_uv: tuple[float, float] = (100.0, 160.0)
    shade: float = 0.35
    highlight: float = 45.0
    noise: float = 3.0
    sharpness_px: float = 0.7
    centre_error_px: float = 0.05
    flicker: float = 0.0
    smear_rad: float = 0.0  # angle turned while the shutter is open


def paint(look: Paint, angle_rad: Floats, rng: np.random.Generator, aside: Floats | None = None) -> Bytes:
    """Strips (n, rings, angles) of a ball turned by ``angle_rad`` (n,).

    ``aside`` (n, 2) is where the ball stands in the picture, from the camera's axis, over the focal length.
    """
    n = len(angle_rad)
    place = np.zeros((n, 2)) if aside is None else aside
    half = 2 * math.ceil((1.12 * look.radius_px + 4) / 2)
    middle = half - 0.5 + rng.uniform(-0.5, 0.5, (n, 2))
    made = [_ray_cast(look, *each, half) for each in zip(angle_rad, middle, place, strict=True)]
    luma, marked, lit, outline = (np.stack(column) for column in zip(*made, strict=True))
    planes = [luma * (1 + look.flicker * rng.standard_normal((n, 1, 1)))]
    # Marks are grey; the shade takes colour away with the light.
    colours = [128 + (level - 128) * lit * (1 - marked) for level in look.base_uv]
    planes += [c.reshape(n, half, 2, half, 2).mean(axis=(2, 4)) for c in colours]
    blurs = (look.sharpness_px, look.sharpness_px / 2, look.sharpness_px / 2)
    filmed = [_filmed(p, blur, look.noise, rng) for p, blur in zip(planes, blurs, strict=True)]
    x, y = (outline[:, :2] + look.centre_error_px * rng.standard_normal((n, 2))).T
    return cut_strips((filmed[0], filmed[1], filmed[2]), x, y, outline[:, 2])


def _ray_cast(look: Paint, angle: float, middle: Floats, aside: Floats, half: int) -> tuple[Floats, ...]:
    """Luma, share of mark, light on the ball, each (h, h), and the outline's x, y and radius."""
    side = 2 * half
    at = (np.arange(side * FINE) + 0.5) / FINE - 0.5
    x, y = np.meshgrid(
        aside[0] + (at - middle[0]) / look.focal_px, aside[1] + (at - middle[1]) / look.focal_px
    )
    ray = np.stack([x, y, np.ones_like(x)], axis=-1)
    # Radius 1, as far away as makes the outline about that many pixels.
    centre = np.array([*aside, 1.0]) * math.hypot(1.0, look.focal_px / look.radius_px)
    square = (ray**2).sum(axis=-1)
    along = ray @ centre / square
    inside = along**2 - (centre @ centre - 1) / square
    ball = inside > 0
    normal = (along - np.sqrt(np.maximum(inside, 0)))[..., None] * ray - centre
    marked = np.zeros_like(x)
    smears = (np.arange(SMEAR) + 0.5) / SMEAR - 0.5 if look.smear_rad else np.zeros(1)
    for part in smears:
        for from_pole, round_it, open_rad in look.dots:
            turn = round_it + angle + part * look.smear_rad
            ring = math.sin(from_pole)
            dot = np.array([ring * math.cos(turn), -ring * math.sin(turn), -math.cos(from_pole)])
            marked += (normal @ dot > math.cos(open_rad)) / len(smears)
    marked = np.minimum(marked, 1) * ball
    lamp = np.array([0.45, -0.75, -0.49]) / np.linalg.norm([0.45, 0.75, 0.49])
    lit = ((1 - look.shade) + look.shade * np.maximum(normal @ lamp, 0)) * ball
    between = lamp - centre / np.linalg.norm(centre)
    glint = look.highlight * np.maximum(normal @ (between / np.linalg.norm(between)), 0) ** 25
    luma = np.where(ball, lit * (look.base + (look.mark - look.base) * marked) + glint, BEHIND)
    rows, columns = np.nonzero(ball)
    outline = np.array([at[columns].mean(), at[rows].mean(), math.sqrt(ball.sum() / math.pi) / FINE])
    shape = (side, FINE, side, FINE)
    return *(v.reshape(shape).mean(axis=(1, 3)) for v in (luma, marked, lit)), outline


def _filmed(plane: Floats, blur_px: float, noise: float, rng: np.random.Generator) -> Bytes:
    blurred = np.stack([cv2.GaussianBlur(picture, (0, 0), blur_px) for picture in plane])
    return np.clip(np.rint(blurred + noise * rng.standard_normal(plane.shape)), 0, 255).astype(np.uint8)
