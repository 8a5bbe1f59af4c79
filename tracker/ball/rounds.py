"""Round things that move, whatever their colour: edges of what changed vote for the centres of circles.

For balls without a colour of their own (white, black, grey, patterned) and where none is named. Works on
luma at half size and less. An edge pixel votes along its gradient, both ways, at every radius in
question; a round thing gathers votes from all sides at its centre.
Source of the vote along the gradient: Kimme, Ballard & Sklansky, Communications of the ACM 18 (1975) 120
(from memory).
"""

from __future__ import annotations

import math

import cv2
import numpy as np

from calibration.values import Floats
from tracker.ball.spots import Plane, Spot, follow

WORK_WIDTH = 480  # luma is reduced to about this many columns
SMALLEST_PX, LARGEST_SHARE = 4.0, 0.16  # radii looked for, in work pixels and as a share of the height
RADII = 10
LEAST_CHANGE = 12
LEAST_SLOPE = 40.0  # Sobel 3 x 3 of 8-bit luma
LEAST_SUPPORT = 0.16  # share of the circumference that must vote
MOST_ROUNDS = 6
MOST_EDGES = 8000
BACKGROUND_EVERY = 2


class RoundFinder:
    """Finds round moving things frame by frame; keeps a background and the previous frame, reduced.

    Parameters
    ----------
    radius_px : float or None
        Radius in the picture, where it is known.
    """

    def __init__(self, radius_px: float | None) -> None:
        self._radius_px = radius_px
        self._background: Plane | None = None
        self._previous: Plane | None = None
        self._seen = 0

    def learn(self, radius_px: float) -> None:
        """Look for this radius from the next frame on."""
        self._radius_px = radius_px

    def see(self, y: Plane) -> list[Spot]:
        """Round moving things in one frame's luma, (h, w), best first."""
        step = max(1, round(y.shape[1] / WORK_WIDTH))
        size = (y.shape[1] // step, y.shape[0] // step)
        small = np.asarray(cv2.resize(y, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        if self._background is None or self._previous is None:
            self._background, self._previous = small.copy(), small
            return []
        change = cv2.max(cv2.absdiff(small, self._background), cv2.absdiff(small, self._previous))
        changed = cv2.threshold(change, LEAST_CHANGE, 255, cv2.THRESH_BINARY)[1]
        mask = np.asarray(cv2.dilate(changed, np.ones((3, 3), np.uint8)), dtype=np.uint8)
        spots = self._vote(small, mask, step)
        if self._seen % BACKGROUND_EVERY == 0:
            follow(self._background, small)
        self._previous = small
        self._seen += 1
        return spots

    def _radii(self, height: int, step: int) -> Floats:
        if self._radius_px is not None:
            return self._radius_px / step * np.array([0.88, 0.94, 1.0, 1.06, 1.13])
        return np.geomspace(SMALLEST_PX, LARGEST_SHARE * height, RADII)

    def _vote(self, small: Plane, mask: Plane, step: int) -> list[Spot]:
        gx = cv2.Sobel(small, cv2.CV_32F, 1, 0)
        gy = cv2.Sobel(small, cv2.CV_32F, 0, 1)
        slope = cv2.magnitude(gx, gy)
        rows, columns = np.nonzero((slope > LEAST_SLOPE) & (mask > 0))
        if len(rows) > MOST_EDGES:
            strongest = np.argsort(slope[rows, columns])[-MOST_EDGES:]
            rows, columns = rows[strongest], columns[strongest]
        if len(rows) < 8:
            return []
        s = slope[rows, columns]
        nx, ny = gx[rows, columns] / s, gy[rows, columns] / s
        height, width = small.shape
        found: list[tuple[float, float, float, float]] = []
        for r in self._radii(height, step):
            votes = np.zeros(height * width, dtype=np.float32)
            for way in (-1.0, 1.0):
                cx = np.rint(columns + way * r * nx).astype(np.int64)
                cy = np.rint(rows + way * r * ny).astype(np.int64)
                inside = (cx >= 0) & (cx < width) & (cy >= 0) & (cy < height)
                votes += np.bincount(cy[inside] * width + cx[inside], minlength=height * width)
            blurred = cv2.GaussianBlur(votes.reshape(height, width), (0, 0), max(0.08 * r, 0.8))
            # A full circle of pixels leaves about this much at its centre after the blur.
            full = 2 * math.pi * r / (2 * math.pi * (max(0.08 * r, 0.8) ** 2 + 0.35))
            found += _peaks(blurred / full, float(r))
        return _best(found, step)


def _peaks(support: Floats, radius: float) -> list[tuple[float, float, float, float]]:
    """Local maxima as (support, x, y, radius)."""
    top = cv2.dilate(support, np.ones((5, 5), np.uint8))
    rows, columns = np.nonzero((support >= top) & (support > LEAST_SUPPORT))
    return [(float(support[y, x]), float(x), float(y), radius) for y, x in zip(rows, columns, strict=True)]


def _best(found: list[tuple[float, float, float, float]], step: int) -> list[Spot]:
    """The best supported circles that are not about the same place, as spots in full pixels."""
    taken: list[tuple[float, float, float, float]] = []
    for one in sorted(found, reverse=True):
        if all(math.hypot(one[1] - t[1], one[2] - t[2]) > 0.7 * max(one[3], t[3]) for t in taken):
            taken.append(one)
        if len(taken) == MOST_ROUNDS:
            break
    spots = []
    for _, x, y, r in taken:
        px, py, radius = (x + 0.5) * step - 0.5, (y + 0.5) * step - 0.5, r * step
        spots.append(
            Spot(
                x_px=px,
                y_px=py,
                area_px=math.pi * radius**2,
                left_px=int(px - radius),
                top_px=int(py - radius),
                right_px=int(px + radius),
                bottom_px=int(py + radius),
            )
        )
    return spots
