"""Spots of the ball's colour that were not there before: one quick look at each frame.

Works on the decoder's quarter-size U and V planes. Still things of the ball's colour belong to the
background and vanish; the background follows slow changes of light by one level every few frames, which
makes it a running median.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from tracker.ball.colour import Direction

Plane = np.typing.NDArray[np.uint8]
Contour = np.typing.NDArray[np.int32]
Bools = np.typing.NDArray[np.bool_]

BACKGROUND_EVERY = 4
LUMA_BACKGROUND_EVERY = 8
NOISE_EVERY = 16
LEAST_CHANGE = 7.0
NOISE_FACTOR = 5.0
SMALLEST_AREA_PX = 24.0
FEWEST_BOUNDARY = 5
PIECE_SHARE = 0.15  # of the least ball: what marks leave of its colour in one piece
MOST_PIECES = 60
MOST_SPOTS = 24  # per frame; a picture full of spots holds no ball that could be told from them


@dataclass(frozen=True, slots=True)
class Spot:
    """One coloured spot in luma pixels: place, area, and box."""

    x_px: float
    y_px: float
    area_px: float
    left_px: int
    top_px: int
    right_px: int
    bottom_px: int


class SpotFinder:
    """Finds spots frame by frame; keeps one background and a noise level, nothing else.

    Parameters
    ----------
    direction : Direction or None
        The ball's colour; None looks for any change of colour.
    area_px : (float, float)
        Least and largest area of a spot worth a closer look.
    radius_px : float, optional
        The ball's radius, where it is known.
    """

    def __init__(
        self, direction: Direction | None, area_px: tuple[float, float], radius_px: float | None = None
    ) -> None:
        self.direction = direction
        self._radius_px = radius_px
        self._reach = radius_px  # half a luma radius is a chroma radius; this is the diameter there
        self._least, self._largest = max(area_px[0], SMALLEST_AREA_PX), area_px[1]
        self._y: Plane | None = None
        self._u: Plane | None = None
        self._v: Plane | None = None
        self._level: Plane | None = None
        self._noise = 1.0
        self._seen = 0

    def learn(self, direction: Direction) -> None:
        """Look along another direction from the next frame on."""
        self.direction = direction
        if self._u is not None and self._v is not None:
            self._level = self._project(self._u, self._v)

    def draw_out(self, streak_px: float) -> None:
        """Expect balls drawn out by so much: what noise cuts apart belongs together along all of it."""
        if self._radius_px is not None:
            self._reach = self._radius_px + 0.5 * streak_px

    @property
    def background(self) -> tuple[Plane, Plane, Plane]:
        """Luma and chroma planes without anything that moves; valid until the next frame is seen."""
        assert self._y is not None
        assert self._u is not None
        assert self._v is not None
        return self._y, self._u, self._v

    def see(self, y: Plane, u: Plane, v: Plane) -> list[Spot]:
        """Spots in one frame, luma (2 h, 2 w) and chroma (h, w)."""
        if self._u is None or self._v is None:
            self._y, self._u, self._v = y.copy(), u.copy(), v.copy()
            self._level = None if self.direction is None else self._project(u, v)
            self._seen = 1
            return []
        change = self._change(u, v)
        if self._seen % NOISE_EVERY == 1:
            self._measure_noise(u, v)
        threshold = max(LEAST_CHANGE, NOISE_FACTOR * self._noise)
        mask = cv2.threshold(change, threshold, 255, cv2.THRESH_BINARY)[1]
        contours = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
        spots = self._spots([np.asarray(c) for c in contours if len(c) > FEWEST_BOUNDARY])
        if self._seen % BACKGROUND_EVERY == 0:
            follow(self._u, u)
            follow(self._v, v)
            if self.direction is not None:
                self._level = self._project(self._u, self._v)
        if self._seen % LUMA_BACKGROUND_EVERY == 2:
            assert self._y is not None
            follow(self._y, y)
        self._seen += 1
        if len(spots) > MOST_SPOTS:
            spots = sorted(spots, key=lambda spot: -spot.area_px)[:MOST_SPOTS]
        return spots

    def _project(self, u: Plane, v: Plane) -> Plane:
        assert self.direction is not None
        du, dv = self.direction.du, self.direction.dv
        return np.asarray(cv2.addWeighted(u, du, v, dv, 128.0 - 128.0 * (du + dv)), dtype=np.uint8)

    def _change(self, u: Plane, v: Plane) -> Plane:
        assert self._u is not None
        assert self._v is not None
        if self.direction is None or self._level is None:
            return np.asarray(cv2.add(cv2.absdiff(u, self._u), cv2.absdiff(v, self._v)), dtype=np.uint8)
        return np.asarray(cv2.subtract(self._project(u, v), self._level), dtype=np.uint8)

    def _measure_noise(self, u: Plane, v: Plane) -> None:
        assert self._u is not None
        assert self._v is not None
        sparse = np.s_[2::5, 2::5]
        if self.direction is None:
            du = u[sparse].astype(np.int16) - self._u[sparse]
            dv = v[sparse].astype(np.int16) - self._v[sparse]
            difference = np.abs(du) + np.abs(dv)
        else:
            assert self._level is not None
            now = self._project(u[sparse].copy(), v[sparse].copy()).astype(np.int16)
            difference = np.abs(now - self._level[sparse])
        # The mean of the lower nine tenths keeps moving things out of the noise.
        lower = np.sort(difference, axis=None)[: int(0.9 * difference.size)]
        level = float(np.mean(lower)) / 0.62  # mean of the lower 90 % of |normal| is 0.62 sigma
        self._noise += 0.5 * (max(level, 0.5) - self._noise)

    def _spots(self, contours: list[Contour]) -> list[Spot]:
        """Pieces put together where marks cut a ball apart, and what is large enough of them."""
        pieces = [
            (contour, area) for contour in contours if (area := _area(contour)) >= PIECE_SHARE * self._least
        ]
        if len(pieces) > MOST_PIECES:
            pieces = sorted(pieces, key=lambda piece: -piece[1])[:MOST_PIECES]
        boxes = np.array([cv2.boundingRect(contour) for contour, _ in pieces]).reshape(-1, 4)
        spots = []
        for group in _together(boxes, self._reach):
            area = sum(pieces[k][1] for k in group)
            contour = pieces[group[0]][0]
            if len(group) > 1:
                contour = np.asarray(cv2.convexHull(np.concatenate([pieces[k][0] for k in group])), np.int32)
                area = _area(contour)
            if self._least <= area <= self._largest:
                spots.append(_spot(contour, area))
        return spots


def _area(contour: Contour) -> float:
    """Luma pixels of a region, boundary included: Pick's theorem."""
    return 4 * (float(cv2.contourArea(contour)) + 0.5 * len(contour) + 1)


def _together(boxes: np.typing.NDArray[np.int32], reach: float | None) -> list[list[int]]:
    """Indices of boxes (k, 4) grouped where they are near and make no more than one ball.

    ``reach`` is the ball's diameter in chroma pixels where it is known; else pieces join that are nearer
    to one another than a third of their own size.
    """
    groups: list[list[int]] = []
    spans: list[tuple[int, int, int, int]] = []
    for k, (x, y, w, h) in enumerate(boxes.tolist()):
        for g, (left, top, right, bottom) in enumerate(spans):
            union = min(left, x), min(top, y), max(right, x + w), max(bottom, y + h)
            gap = max(x - right, left - x - w, y - bottom, top - y - h, 0)
            most = max(union[2] - union[0], union[3] - union[1])
            size = max(right - left, bottom - top, w, h)
            if gap <= 0.35 * (reach or size) and (reach is None or most <= 1.3 * reach):
                groups[g].append(k)
                spans[g] = union
                break
        else:
            groups.append([k])
            spans.append((x, y, x + w, y + h))
    return groups


def _spot(contour: Contour, area: float) -> Spot:
    moments = cv2.moments(contour)
    mass = max(moments["m00"], 1e-9)
    x, y, w, h = cv2.boundingRect(contour)
    inside = moments["m00"] > 0
    return Spot(
        x_px=2 * (moments["m10"] / mass if inside else x + 0.5 * w) + 0.5,
        y_px=2 * (moments["m01"] / mass if inside else y + 0.5 * h) + 0.5,
        area_px=area,
        left_px=2 * x,
        top_px=2 * y,
        right_px=2 * (x + w),
        bottom_px=2 * (y + h),
    )


@lru_cache(maxsize=8)
def _work(shape: tuple[int, ...]) -> tuple[Bools, Bools]:
    """Two planes to work in: to allocate a plane costs more than to fill it."""
    return np.empty(shape, dtype=np.bool_), np.empty(shape, dtype=np.bool_)


def follow(kept: Plane, plane: Plane) -> None:
    """Bring the background one level nearer to the present plane, in place: in time, a running median."""
    above, below = _work(kept.shape)
    np.greater(plane, kept, out=above)
    np.less(plane, kept, out=below)
    np.add(kept, above.view(np.uint8), out=kept)
    np.subtract(kept, below.view(np.uint8), out=kept)
