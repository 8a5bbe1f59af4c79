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
from tracker.ball.scratch import Scratch
from tracker.values import STRIP_ANGLES, STRIP_RINGS, STRIP_ROWS, Bytes

_ANGLE = 2 * np.pi * np.arange(STRIP_ANGLES) / STRIP_ANGLES


def _offsets(rings: Floats) -> tuple[Floats, Floats]:
    """Places of the samples on a ball of radius 1, flat arrays, ring by ring."""
    x, y = np.outer(rings, np.cos(_ANGLE)).ravel(), np.outer(rings, np.sin(_ANGLE)).ravel()
    return x, y


#: Of luma and of chroma, both planes of which have the same rings.
_PLACES = _offsets(STRIP_RINGS[0]), _offsets(STRIP_RINGS[1])
_scratch = Scratch()


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
        rings = len(STRIP_RINGS[0])
        out[part, :rings] = _sampled([planes[0][part]], x, y, r, _PLACES[0])[0]
        half_x, half_y = 0.5 * x + CHROMA_SHIFT, 0.5 * y + CHROMA_SHIFT
        chroma = [plane[part] for plane in planes[1:]]
        out[part, rings:] = np.concatenate(_sampled(chroma, half_x, half_y, 0.5 * r, _PLACES[1]), axis=1)
    return out


def _sampled(
    stacks: list[Bytes], x: Floats, y: Floats, radius: Floats, places: tuple[Floats, Floats]
) -> list[Bytes]:
    """Bilinear samples of stacks of N pictures (N, h, w) of one size, at places about N centres."""
    count, height, width = stacks[0].shape
    shape = count, len(places[0])
    px, py = _scratch.floats("px", *shape), _scratch.floats("py", *shape)
    exact = _scratch.doubles("exact", *shape)
    for out, centre, place in ((px, x, places[0]), (py, y, places[1])):
        np.multiply(radius[:, None], place, out=exact)
        out[:] = np.add(centre[:, None], exact, out=exact)
    # One above the other, so that one call samples them all; none may look into its neighbour.
    np.clip(py, 0, height - 1, out=py)
    py += (np.arange(count, dtype=np.float32) * height)[:, None]
    samples = [
        cv2.remap(
            stack.reshape(count * height, width), px, py, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        for stack in stacks
    ]
    return [np.asarray(values, dtype=np.uint8).reshape(count, -1, STRIP_ANGLES) for values in samples]
