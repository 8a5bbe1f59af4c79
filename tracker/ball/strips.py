"""A polar picture of the inside of each ball, from which its turning can be read later on.

Rows are rings round the fitted centre, columns are angles: a ball that turns in the picture shifts its
marks along the rows, while shade and highlights stay where they are. Only these few hundred samples of a
ball are kept, never its picture.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration.values import Floats
from tracker.ball.outline import CHROMA_SHIFT, MOST_ROWS
from tracker.values import STRIP_ANGLES, STRIP_RINGS, STRIP_ROWS, Bytes

_ANGLE = 2 * np.pi * np.arange(STRIP_ANGLES) / STRIP_ANGLES


def _offsets(rings: Floats) -> tuple[Floats, Floats]:
    """Places of the samples on a ball of radius 1, flat arrays, ring by ring."""
    x, y = np.outer(rings, np.cos(_ANGLE)).ravel(), np.outer(rings, np.sin(_ANGLE)).ravel()
    return x, y


_PLACES = tuple(_offsets(rings) for rings in STRIP_RINGS)


def cut_strips(planes: tuple[Bytes, Bytes, Bytes], x_px: Floats, y_px: Floats, radius_px: Floats) -> Bytes:
    """Luma and chroma of each ball on rings about its centre.

    Parameters
    ----------
    planes : tuple of uint8 arrays
        Luma (N, h, w), U and V (N, h/2, w/2) of N windows.
    x_px, y_px, radius_px : (N,) arrays
        The fitted outlines, window pixels.

    Returns
    -------
    (N, STRIP_ROWS, STRIP_ANGLES) uint8 array
        Rings of luma, then of U, then of V, from the inside out; the angle grows from +x toward +y of
        the stored picture.
    """
    count, height = planes[0].shape[:2]
    most = max(1, MOST_ROWS // height)
    out = np.empty((count, STRIP_ROWS, STRIP_ANGLES), dtype=np.uint8)
    for first in range(0, count, most):
        part = slice(first, first + most)
        x, y, r = (column[part] for column in (x_px, y_px, radius_px))
        row = 0
        for plane, rings, places in zip(planes, STRIP_RINGS, _PLACES, strict=True):
            half = plane is not planes[0]
            scale, shift = (0.5, CHROMA_SHIFT) if half else (1.0, 0.0)
            sampled = _sampled(plane[part], scale * x + shift, scale * y + shift, scale * r, places)
            out[part, row : row + len(rings)] = sampled
            row += len(rings)
    return out


def _sampled(stack: Bytes, x: Floats, y: Floats, radius: Floats, places: tuple[Floats, Floats]) -> Bytes:
    """Bilinear samples of N pictures (N, h, w), at places about N centres."""
    count, height, width = stack.shape
    px = (x[:, None] + radius[:, None] * places[0]).astype(np.float32)
    py = (y[:, None] + radius[:, None] * places[1]).astype(np.float32)
    # One above the other, so that one call samples them all; none may look into its neighbour.
    np.clip(py, 0, height - 1, out=py)
    py += (np.arange(count, dtype=np.float32) * height)[:, None]
    values = cv2.remap(
        stack.reshape(count * height, width), px, py, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(values, dtype=np.uint8).reshape(count, -1, STRIP_ANGLES)
