"""Which spots are worth a close look: where many balls fly at once, not each in every picture.

How a ball left the launcher is told by the first sightings of it; those that come much later, whose errors
hang together with their neighbours', hardly add to that. So where several balls have been flying evenly for
long, each is looked at in every fourth picture only, until it does something else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tracker.ball.spots import Spot

CROWD = 3  # balls in flight
LOOKED_AT, EVERY = 60, 4  # pictures of an even motion without a gap, and each how manyth after them
BEGUN, IN_FLIGHT = 8, 24  # pictures of an even motion
#: By how much free flight turns a step, in pixels a picture; what rests, rolls or swings slowly does not.
LEAST_TURN_PX = 1.0
LOST_TURN_PX = 0.5  # a step that turns back by more swings
NOTICED, TURNED = 0.5, 0.2  # shares of a deviation that place and step follow: an alpha-beta filter's gains
#: Of its radius, and in pixels: what is farther from where it should be moves otherwise.
UNEVEN, UNEVEN_PX = 0.12, 1.5
FARTHEST = 6  # radii that a spot may move from one picture to the next


@dataclass(slots=True)
class _Moving:
    """Where a spot is, evened out, its step a picture, and for how many pictures it has moved evenly.

    ``first`` is its step soon after that began, ``turned_px`` the most by which it was turned since.
    """

    x: float
    y: float
    step: tuple[float, float] | None = None
    first: tuple[float, float] = (0.0, 0.0)
    turned_px: float = 0.0
    even: int = 0

    @property
    def flies(self) -> bool:
        """Whether this is how a ball in flight moves."""
        if self.even < IN_FLIGHT or self.step is None or self.turned_px < LEAST_TURN_PX:
            return False
        return math.dist(self.step, self.first) >= max(LEAST_TURN_PX, self.turned_px - LOST_TURN_PX)


class Sparing:
    """Follows spots from picture to picture, by nothing but where they should be next."""

    def __init__(self) -> None:
        self._last: list[_Moving] = []

    def worth(self, frame: int, spots: Sequence[Spot]) -> list[bool]:
        """Whether each spot of the next picture should be looked at."""
        self._last = [self._moved(spot) for spot in spots]
        if len(spots) < CROWD or frame % EVERY == 0:
            return [True] * len(spots)
        fly = [moving.flies for moving in self._last]
        if sum(fly) < CROWD:
            return [True] * len(spots)
        return [not flies or moving.even < LOOKED_AT for moving, flies in zip(self._last, fly, strict=True)]

    def _moved(self, spot: Spot) -> _Moving:
        """The motion that a spot goes on with, or begins."""
        radius = math.sqrt(spot.area_px / math.pi)
        new, going = (FARTHEST * radius) ** 2, max(UNEVEN * radius, UNEVEN_PX) ** 2
        best, before, off_x, off_y = math.inf, None, 0.0, 0.0
        for last in self._last:
            dx, dy = spot.x_px - last.x, spot.y_px - last.y
            if last.step is not None:
                dx, dy = dx - last.step[0], dy - last.step[1]
            away = dx * dx + dy * dy
            if away < best and away < (new if last.step is None else going):
                best, before, off_x, off_y = away, last, dx, dy
        if before is None:
            return _Moving(spot.x_px, spot.y_px)
        if before.step is None:
            return _Moving(spot.x_px, spot.y_px, (off_x, off_y), (off_x, off_y), 0.0, 1)
        step = before.step[0] + TURNED * off_x, before.step[1] + TURNED * off_y
        first = step if before.even < BEGUN else before.first
        turned = max(before.turned_px, math.dist(step, first))
        left = 1 - NOTICED
        return _Moving(
            spot.x_px - left * off_x, spot.y_px - left * off_y, step, first, turned, before.even + 1
        )
