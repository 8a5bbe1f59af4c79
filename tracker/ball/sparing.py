"""Which spots are worth a close look: where many balls fly at once, not each in every picture.

How a ball left the launcher is told by the first sightings of it; those that come much later, whose errors
hang together with their neighbours', hardly add to that. So where several balls have been flying evenly for
long, each is looked at in every third picture only, until it does something else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from tracker.ball.spots import Spot

CROWD = 3  # balls in flight
LOOKED_AT, EVERY = 72, 3  # pictures of an even motion without a gap, and each how manyth after them
BEGUN, IN_FLIGHT = 8, 24  # pictures of an even motion
#: By how much free flight turns a step, in pixels a picture; what rests, rolls or swings slowly does not.
LEAST_TURN_PX = 1.0
LOST_TURN_PX = 0.5  # a step that turns back by more swings
NOTICED, TURNED = 0.5, 0.2  # shares of a deviation that place and step follow: an alpha-beta filter's gains
UNEVEN, UNEVEN_PX = (
    0.12,
    1.5,
)  # of its radius, and in pixels: farther from where it should be is another motion
FARTHEST = 6  # radii that a spot may move from one picture to the next


@dataclass(frozen=True, slots=True)
class _Moving:
    """Where a spot is, evened out, its step a picture, and for how many pictures it has moved evenly.

    ``first_px`` is its step soon after that began, ``turned_px`` the most by which it was turned since.
    """

    x_px: float
    y_px: float
    step_px: tuple[float, float] | None = None
    first_px: tuple[float, float] = (0.0, 0.0)
    turned_px: float = 0.0
    even: int = 0

    @property
    def flies(self) -> bool:
        """Whether this is how a ball in flight moves."""
        if self.even < IN_FLIGHT or self.step_px is None:
            return False
        turned = math.dist(self.step_px, self.first_px)
        return turned >= LEAST_TURN_PX and turned >= self.turned_px - LOST_TURN_PX


class Sparing:
    """Follows spots from picture to picture, by nothing but where they should be next."""

    def __init__(self) -> None:
        self._last: list[_Moving] = []

    def worth(self, frame: int, spots: Sequence[Spot]) -> list[bool]:
        """Whether each spot of the next picture should be looked at."""
        self._last = [self._moved(spot) for spot in spots]
        crowd = sum(moving.flies for moving in self._last) >= CROWD
        spare = crowd and frame % EVERY != 0
        return [not (spare and moving.flies and moving.even >= LOOKED_AT) for moving in self._last]

    def _moved(self, spot: Spot) -> _Moving:
        """The motion that a spot goes on with, or begins."""
        radius = math.sqrt(spot.area_px / math.pi)
        best, found = math.inf, _Moving(spot.x_px, spot.y_px)
        for before in self._last:
            step = before.step_px or (0.0, 0.0)
            off = spot.x_px - before.x_px - step[0], spot.y_px - before.y_px - step[1]
            most = FARTHEST * radius if before.step_px is None else max(UNEVEN * radius, UNEVEN_PX)
            away = math.hypot(*off)
            if away < min(best, most):
                best, found = away, _followed(before, spot, off)
        return found


def _followed(before: _Moving, spot: Spot, off: tuple[float, float]) -> _Moving:
    """The motion with a spot that lies aside of where it should."""
    if before.step_px is None:
        return _Moving(spot.x_px, spot.y_px, off, off, even=1)
    step = before.step_px[0] + TURNED * off[0], before.step_px[1] + TURNED * off[1]
    first = step if before.even < BEGUN else before.first_px
    left = 1 - NOTICED
    return replace(
        before,
        x_px=spot.x_px - left * off[0],
        y_px=spot.y_px - left * off[1],
        step_px=step,
        first_px=first,
        turned_px=max(before.turned_px, math.dist(step, first)),
        even=before.even + 1,
    )
