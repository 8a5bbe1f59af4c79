"""How long balls are drawn out in the picture: the share of a frame for which the shutter is open."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from calibration.values import Floats
from tracker.ball.outline import RAY_ANGLE, Outlines
from tracker.ball.spots import Spot

GOOD_VISIBLE = 0.65
FEWEST_STREAKS = 5
WIDEST_PX = 60.0
OPEN_SHARES = (0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.0)
ODD_STREAK = 0.2  # of the logarithm of the radius


class Shutter:
    """Learns ``open_share`` from how wide edges are along the motion."""

    def __init__(self, *, sure: bool = False) -> None:
        self.open_share = 0.0
        self._sure = sure  # that what is seen is the ball: without a colour it may be anything that moves

    def learn(self, found: Outlines, step: Floats, heading: Floats, radius_px: float | None) -> bool:
        """Take in N outlines; True if streaks grew by that.

        Along the motion an edge is as wide as the streak is long, across it as wide as the lens and
        the codec leave it: width^2 = w0^2 + (share * step * cos)^2.
        """
        if radius_px is not None and self.open_share * np.median(step) > 1.5 * radius_px:
            return False  # edges are no wider than the ball
        along = (step[:, None] * np.cos(RAY_ANGLE[None] - heading[:, None])) ** 2
        width = found.edge_width_px**2
        seen = (found.visible > GOOD_VISIBLE) & (step > 1)
        use = np.isfinite(width) & (width < WIDEST_PX**2) & seen[:, None]
        if use.sum() < FEWEST_STREAKS * len(RAY_ANGLE):
            return False
        a, w = along[use], width[use]
        low, high = np.quantile(a, [0.3, 0.8])
        if high < 4.0:
            return False
        across, lengthwise = a <= low, a >= high
        rise = np.median(w[lengthwise]) - np.median(w[across])
        run = np.median(a[lengthwise]) - np.median(a[across])
        share = math.sqrt(min(max(float(rise / run), 0.0), 1.0))
        grown = bool(np.median(step) * (share - self.open_share) > 1.5)
        at_once = self.open_share == 0 or (grown and self._sure)
        self.open_share = share if at_once else 0.5 * (self.open_share + share)
        return grown

    def choose(self, merit: Callable[[float], float]) -> None:
        """Take the share of greatest merit.

        The edges of a streak longer than the ball are as wide as the ball: they no longer tell its length.
        """
        self.open_share = max(OPEN_SHARES, key=merit)


def steps(
    frames: Sequence[int], spots: Sequence[Spot], recent: Mapping[int, Sequence[Spot]]
) -> tuple[Floats, Floats]:
    """How far and in which direction N spots move a frame, shape (N,) each; 0 where unknown.

    ``recent`` holds the spots of each frame.
    """
    step, heading = np.zeros(len(spots)), np.zeros(len(spots))
    for i, (frame, here) in enumerate(zip(frames, spots, strict=True)):
        best = 3 * math.sqrt(here.area_px)
        for way in (-1, 1):
            for there in recent.get(frame + way, ()):
                dx, dy = (there.x_px - here.x_px) * way, (there.y_px - here.y_px) * way
                if abs(dx) >= best or abs(dy) >= best or not 0.5 < there.area_px / here.area_px < 2:
                    continue
                length = math.hypot(dx, dy)
                if length < best:
                    best, step[i], heading[i] = length, length, math.atan2(dy, dx)
    return step, heading


def long_spots(spots: Sequence[Spot], step: Floats, radius_px: float) -> bool:
    """Whether what moves far is much longer than the ball."""
    boxes = [(s.right_px - s.left_px, s.bottom_px - s.top_px) for s in spots]
    long = np.hypot(*np.maximum(np.array(boxes) - 2 * radius_px, 0).T)
    far = step > 2 * radius_px
    return bool(far.sum() >= FEWEST_STREAKS and np.median(long[far]) > radius_px)


def agreement(found: Outlines, round_radius_px: Floats, step: Floats, radius_px: float) -> float:
    """How well outlines of streaks of some length fit: clear all round, full of contrast, the right size."""
    moving = step > 0
    seen = (found.visible * found.contrast)[moving].mean()
    off = np.median(np.log(round_radius_px[moving] / radius_px))
    return float(seen * np.exp(-0.5 * (off / ODD_STREAK) ** 2))
