"""Many views of a board that is being waved -> the few that tell most about the lens."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from calibration.lens_fit import CornerSet
from calibration.values import Floats

Luma = npt.NDArray[np.uint8]

_BLURRED = 0.35  # share of the sharpest view's sharpness below which a view is left out


def sharpness(luma: Luma, seen: CornerSet) -> float:
    """Steepest slopes about the corners over the contrast there: a moving board has softer edges."""
    points = seen.points_px
    x0, y0 = np.maximum(points.min(axis=0).astype(int) - 4, 0)
    x1, y1 = points.max(axis=0).astype(int) + 5
    part = luma[y0:y1, x0:x1]
    across = cv2.Sobel(part, cv2.CV_32F, 1, 0, ksize=3)
    down = cv2.Sobel(part, cv2.CV_32F, 0, 1, ksize=3)
    contrast = max(float(np.percentile(part, 95)) - float(np.percentile(part, 5)), 1.0)
    # Motion softens the edges across it and leaves those along it: the worse direction counts.
    return min(float(np.percentile(np.abs(slope), 97)) for slope in (across, down)) / contrast


def _kind(seen: CornerSet, width_px: int, height_px: int) -> Floats:
    """Where a board stands, how large it is and how it leans, each to about one, (6,)."""
    m = seen.points_m - seen.points_m.mean(axis=0)
    size_m = float(np.sqrt((m**2).sum(axis=1).mean()))
    H, _ = cv2.findHomography(m / size_m, seen.points_px)
    middle = seen.points_px.mean(axis=0)
    if H is None:
        return np.array([*(middle / [width_px, height_px]), 0.0, 0.0, 0.0, 0.0])
    # The third row of the homography is the lean, times the size: what a lens is learnt from.
    scale = float(np.sqrt(abs(np.linalg.det(H[:2, :2]))))
    turn = float(np.arctan2(H[1, 0], H[0, 0]))
    lean = H[2, :2] * width_px / max(scale, 1.0)
    return np.array([*(2 * middle / [width_px, height_px]), np.log(scale), *(1.5 * lean), 0.2 * np.sin(turn)])


def spread_views(
    sets: Sequence[CornerSet], sharp: Sequence[float], width_px: int, height_px: int, most: int = 20
) -> list[int]:
    """Indices of at most ``most`` sharp views that are as unlike one another as can be, ascending.

    Each next one is that farthest from all before it (farthest-point sampling, common practice).
    """
    if not sets:
        return []
    limit = _BLURRED * float(np.percentile(sharp, 90))
    good = [k for k in range(len(sets)) if sharp[k] >= limit]
    if len(good) <= most:
        return good
    kinds = np.array([_kind(sets[k], width_px, height_px) for k in good])
    chosen = [int(np.argmax(np.linalg.norm(kinds - kinds.mean(axis=0), axis=1)))]
    apart = np.linalg.norm(kinds - kinds[chosen[0]], axis=1)
    while len(chosen) < most:
        chosen.append(int(np.argmax(apart)))
        apart = np.minimum(apart, np.linalg.norm(kinds - kinds[chosen[-1]], axis=1))
    return sorted(good[k] for k in chosen)
