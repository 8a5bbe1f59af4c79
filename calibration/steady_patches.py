"""Small pieces of the still background, and how far each has moved since the first picture.

Each piece is compared with itself as it was in the first picture, never in the previous one, so errors
do not add up. All that can be prepared is prepared: measuring one piece is three dot products.
Source of the method: Lucas & Kanade (1981); the inverse form and the projection of brightness and
contrast: Baker & Matthews, Lucas-Kanade 20 years on, IJCV 56 (2004) 221.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from calibration.values import Floats, Ints

Luma = npt.NDArray[np.uint8]
Single = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

SIDE = 24
_HALF = SIDE // 2
_ROOM = 4
_FRACTIONS = 4  # prepared sub-pixel places each way; what is left is at most an eighth of a pixel
_MARGIN_PX = 40  # room to move before a piece leaves the picture
_COLUMNS, _ROWS = 8, 5  # one piece a cell, so that rotation and zoom are seen everywhere
_LEAST_SLOPE = 6.0  # smallest eigenvalue of the mean slope product, (levels/px)^2: above noise and coding
_NOISE_SLOPE = 1.5  # times the noise variance: noise alone has slopes of half of it
_LEAST_LIKENESS = 0.6


@dataclass(frozen=True, slots=True)
class Patches:
    """Pieces of the first picture, prepared.

    Parameters
    ----------
    corner_px : (n, 2) int array
        Upper left pixel of each piece in the first picture.
    around : (n, SIDE + 8, SIDE + 8) array
        Each piece with some pixels round it.
    weights : (1 or 16, n, 3, SIDE * SIDE) array
        For each sub-pixel place that is prepared: what a piece is multiplied with to give its shift in
        x and y, times the contrast, and its contrast.
    power : (1 or 16, n) array
        Sum of squares of each piece about its mean.
    trust : (n,) array
        Inverse variance of a shift, up to a common factor.
    strain : (n, 2, 4) array
        How much a shift measured on a piece that is turned or stretched about its middle, by
        [[s0, s1], [s2, s3]] - 1, differs from the shift of its middle: a piece's edges count where they are.
    """

    corner_px: Ints
    around: Luma
    weights: Single
    power: Floats
    trust: Floats
    strain: Floats

    def __len__(self) -> int:
        return len(self.corner_px)

    @property
    def centre_px(self) -> Floats:
        """Middle of each piece, shape (n, 2)."""
        return np.asarray(self.corner_px + (SIDE - 1) / 2)


def choose(luma: Luma, avoid: Floats | None) -> Patches:
    """The best corner of each cell of the picture, outside the boxes to avoid (x0, y0, x1, y1)."""
    half = cv2.resize(luma, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    strength = np.asarray(cv2.cornerMinEigenVal(half, blockSize=_HALF, ksize=3), dtype=np.float32)
    height, width = strength.shape
    edge = (_MARGIN_PX + _HALF) // 2
    usable = np.zeros_like(strength)
    usable[edge : height - edge, edge : width - edge] = 1
    for x0, y0, x1, y1 in np.zeros((0, 4)) if avoid is None else avoid:
        near = _HALF // 2
        top, bottom = max(0, int(y0 / 2) - near), max(0, int(y1 / 2) + near + 1)
        left, right = max(0, int(x0 / 2) - near), max(0, int(x1 / 2) + near + 1)
        usable[top:bottom, left:right] = 0
    strength = strength * usable
    corners = []
    for rows in np.array_split(np.arange(height), _ROWS):
        for columns in np.array_split(np.arange(width), _COLUMNS):
            cell = strength[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
            y, x = np.unravel_index(int(np.argmax(cell)), cell.shape)
            if cell[y, x] > 0:
                corners.append((2 * (int(x) + columns[0]) - _HALF, 2 * (int(y) + rows[0]) - _HALF))
    return _whole(luma, np.array(corners, dtype=np.int64).reshape(-1, 2))


def _whole(luma: Luma, corner_px: Ints) -> Patches:
    """Pieces prepared for a picture that has not moved."""
    size = SIDE + 2 * _ROOM
    lefts_tops = (corner_px - _ROOM).tolist()
    around = np.array([luma[y : y + size, x : x + size] for x, y in lefts_tops], dtype=np.uint8)
    around = around.reshape(-1, size, size)
    if len(around) == 0:
        return Patches(
            corner_px,
            around,
            np.zeros((1, 0, 3, SIDE**2), dtype=np.float32),
            np.zeros((1, 0)),
            np.zeros(0),
            np.zeros((0, 2, 4)),
        )
    weights, power, trust, strain = _weights(_moved(around, np.zeros(2)))
    keep = trust > max(_LEAST_SLOPE, _NOISE_SLOPE * _noise(luma) ** 2)
    return Patches(
        corner_px[keep], around[keep], weights[None, keep], power[None, keep], trust[keep], strain[keep]
    )


def _noise(luma: Luma) -> float:
    """Standard deviation of a picture's noise in levels. Source: J. Immerkaer, CVIU 64 (1996) 300.

    His mask answers neither to slopes nor to curvature; the median leaves out the edges.
    """
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float32)
    answer = cv2.filter2D(luma, cv2.CV_16S, mask)
    return float(np.median(np.abs(answer[1:-1:2, 1:-1:2]))) / (0.6745 * 6.0)


def prepared(patches: Patches) -> Patches:
    """The same pieces prepared for every sub-pixel place."""
    if len(patches.weights) > 1 or len(patches) == 0:
        return patches
    made = []
    for k in range(_FRACTIONS**2):
        fy, fx = divmod(k, _FRACTIONS)
        made.append(_weights(_moved(patches.around, np.array([float(fraction(fx)), float(fraction(fy))]))))
    return replace(patches, weights=np.array([m[0] for m in made]), power=np.array([m[1] for m in made]))


def _moved(around: Luma, moved: Floats) -> Floats:
    """Pieces and one pixel round them, (n, SIDE + 2, SIDE + 2), as they look moved by part of a pixel."""
    size = around.shape[-1]
    inner = slice(_ROOM - 1, _ROOM + SIDE + 1)
    if not moved.any() or len(around) == 0:
        return around[:, inner, inner].astype(np.float64)
    # One tall picture, because one call is much quicker than many; the room keeps neighbours apart.
    tall = around.reshape(-1, size).astype(np.float32)
    shift = np.array([[1.0, 0.0, moved[0]], [0.0, 1.0, moved[1]]])
    out = cv2.warpAffine(
        tall, shift, tall.shape[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(out, dtype=np.float64).reshape(-1, size, size)[:, inner, inner]


def fraction(index: npt.ArrayLike) -> Any:
    """Sub-pixel part of a prepared place: 0, 1/4, -1/2, -1/4 px for 0, 1, 2, 3."""
    at = np.asarray(index) / _FRACTIONS
    return at - (at >= 0.5)


def _weights(wide: Floats) -> tuple[Single, Floats, Floats, Floats]:
    """The three rows of each piece, (n, 3, p), its power and weakest slope, (n,), and its strain."""
    n = len(wide)
    piece = wide[:, 1:-1, 1:-1].reshape(n, -1)
    along_x = 0.5 * (wide[:, 1:-1, 2:] - wide[:, 1:-1, :-2]).reshape(n, -1)
    along_y = 0.5 * (wide[:, 2:, 1:-1] - wide[:, :-2, 1:-1]).reshape(n, -1)
    piece = piece - piece.mean(axis=1, keepdims=True)
    power = np.maximum(np.einsum("np,np->n", piece, piece), 1e-6)
    raw = np.stack([along_x, along_y], axis=1)
    slopes = raw - raw.mean(axis=2, keepdims=True)
    slopes = slopes - (slopes @ piece[:, :, None]) * piece[:, None, :] / power[:, None, None]
    normal = slopes @ slopes.transpose(0, 2, 1)
    weakest = np.linalg.eigvalsh(normal)[:, 0] / piece.shape[1]
    rows = np.zeros((n, 3, piece.shape[1]), dtype=np.float32)
    rows[:, :2] = np.linalg.solve(normal + 1e-6 * np.eye(2), slopes)
    rows[:, 2] = piece / power[:, None]
    middle = np.arange(SIDE) - (SIDE - 1) / 2
    from_middle = np.stack([np.tile(middle, SIDE), np.repeat(middle, SIDE)])
    stretched = (raw[:, :, None, :] * from_middle).reshape(n, 4, -1)
    strain = rows[:, :2].astype(np.float64) @ stretched.transpose(0, 2, 1)
    return rows, power, weakest, strain


def measure(luma: Luma, patches: Patches, guess_px: Floats) -> tuple[Floats, Bools]:
    """Shift of each piece since the first picture, (n, 2) px, from a guess; and which to believe, (n,)."""
    n = len(patches)
    f = _FRACTIONS if len(patches.weights) > 1 else 1
    place = np.rint(guess_px * f).astype(np.int64)
    whole = (place + f // 2) // f
    index = (place - whole * f) % f
    k = index[:, 1] * f + index[:, 0]
    at = patches.corner_px + whole
    height, width = luma.shape
    inside = np.array([0 <= x <= width - SIDE and 0 <= y <= height - SIDE for x, y in at.tolist()])
    squares = np.zeros((n, SIDE, SIDE), dtype=np.float32)
    for i, (x, y) in enumerate(at.tolist()):
        if inside[i]:
            squares[i] = luma[y : y + SIDE, x : x + SIDE]
    pieces = squares.reshape(n, -1)
    pieces -= pieces.mean(axis=1, keepdims=True)
    every = np.arange(n)
    products = np.matmul(patches.weights[k, every], pieces[:, :, None])[:, :, 0].astype(np.float64)
    contrast = products[:, 2]
    seen = np.einsum("np,np->n", pieces, pieces).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        # The piece seen here is the first one moved back by what is left of the shift.
        left = -products[:, :2] / contrast[:, None]
        likeness = contrast * np.sqrt(patches.power[k, every] / seen)
    good = inside & (likeness > _LEAST_LIKENESS) & (np.abs(left) < 2.0).all(axis=1)
    shift = place / f + np.where(good[:, None], left, 0.0)
    return shift, good
