"""Paints: small pictures in linear light with opacity, made from numbers alone."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

Paint = npt.NDArray[np.float32]

_SHIFT = 6


def linear(hex_colour: str) -> tuple[float, float, float]:
    """Linear light of "#rrggbb" (IEC 61966-2-1, inverse transfer)."""
    value = np.array([int(hex_colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return float(light[0]), float(light[1]), float(light[2])


def flat(height_px: int, width_px: int, hex_colour: str, opacity: float = 1.0) -> Paint:
    """One colour all over."""
    paint = np.empty((height_px, width_px, 4), dtype=np.float32)
    paint[:] = (*linear(hex_colour), opacity)
    return paint


def clear(height_px: int, width_px: int, hex_colour: str = "#808080") -> Paint:
    """Nothing, of a colour that edges may blend to."""
    return flat(height_px, width_px, hex_colour, 0.0)


def mottled(paint: Paint, rng: np.random.Generator, cells: Sequence[tuple[float, float, float]]) -> Paint:
    """Lightness varied by smooth noise: (cell height px, cell width px, relative depth) each."""
    h, w = paint.shape[:2]
    factor = np.ones((h, w), dtype=np.float32)
    for cell_h, cell_w, depth in cells:
        shape = (max(2, int(h / cell_h) + 2), max(2, int(w / cell_w) + 2))
        coarse = rng.standard_normal(shape, dtype=np.float32)
        factor *= 1 + depth * np.clip(cv2.resize(coarse, (w, h), interpolation=cv2.INTER_CUBIC), -2.5, 2.5)
    out = paint.copy()
    out[..., :3] *= np.clip(factor, 0.2, 2)[..., None]
    return out


def polygon(paint: Paint, points_px: npt.ArrayLike, hex_colour: str, opacity: float = 1.0) -> None:
    """Fill an outline (n, 2), pixel edges at whole numbers, with soft edges."""
    shape = paint.shape[:2]
    mask = np.zeros(shape, dtype=np.uint8)
    fixed = np.rint((np.asarray(points_px, dtype=np.float64) - 0.5) * (1 << _SHIFT)).astype(np.int32)
    cv2.fillPoly(mask, [fixed], 255, lineType=cv2.LINE_AA, shift=_SHIFT)
    _blend(paint, mask, hex_colour, opacity)


def ellipse(
    paint: Paint,
    centre_px: tuple[float, float],
    radii_px: tuple[float, float],
    hex_colour: str,
    turn_rad: float = 0.0,
) -> None:
    """Fill an ellipse with soft edges."""
    a = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    x, y = radii_px[0] * np.cos(a), radii_px[1] * np.sin(a)
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    polygon(paint, np.column_stack([centre_px[0] + c * x - s * y, centre_px[1] + s * x + c * y]), hex_colour)


def box(
    paint: Paint, x0: float, y0: float, x1: float, y1: float, hex_colour: str, opacity: float = 1.0
) -> None:
    """Fill a rectangle."""
    polygon(paint, [[x0, y0], [x1, y0], [x1, y1], [x0, y1]], hex_colour, opacity)


def hole(paint: Paint, points_px: npt.ArrayLike) -> None:
    """Cut an outline (n, 2) out of the paint."""
    mask = np.zeros(paint.shape[:2], dtype=np.uint8)
    fixed = np.rint((np.asarray(points_px, dtype=np.float64) - 0.5) * (1 << _SHIFT)).astype(np.int32)
    cv2.fillPoly(mask, [fixed], 255, lineType=cv2.LINE_AA, shift=_SHIFT)
    paint[..., 3] *= 1 - mask.astype(np.float32) / 255


def graded(paint: Paint, top: float, bottom: float, left: float = 1.0, right: float = 1.0) -> None:
    """Multiply lightness by a ramp down and a ramp across."""
    h, w = paint.shape[:2]
    paint[..., :3] *= np.linspace(top, bottom, h, dtype=np.float32)[:, None, None]
    paint[..., :3] *= np.linspace(left, right, w, dtype=np.float32)[None, :, None]


def soft_spot(height_px: int, width_px: int, depth: float) -> Paint:
    """A dark blot with soft edges: the shade under a thing that stands on the floor."""
    y, x = np.mgrid[-1 : 1 : height_px * 1j, -1 : 1 : width_px * 1j]
    inside = np.clip(1.25 - np.maximum(np.abs(x), np.abs(y)) ** 3 - 0.25 * (x * x + y * y), 0, 1)
    paint = flat(height_px, width_px, "#000000")
    paint[..., 3] = depth * np.clip(inside, 0, 1) ** 2
    return paint


def _blend(paint: Paint, mask: npt.NDArray[np.uint8], hex_colour: str, opacity: float) -> None:
    share = (mask.astype(np.float32) / 255 * opacity)[..., None]
    before = paint[..., 3:]
    after = share + before * (1 - share)
    colour = np.asarray(linear(hex_colour), dtype=np.float32)
    mixed = colour * share + paint[..., :3] * before * (1 - share)
    paint[..., :3] = np.where(after > 0, mixed / np.maximum(after, 1e-6), paint[..., :3])
    paint[..., 3:] = after
