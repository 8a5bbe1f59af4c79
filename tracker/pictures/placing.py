"""Puts words beside the things they speak of, clear of everything else."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from tracker.pictures import look

DIRECTIONS = 24
STEPS = 9


@dataclass(slots=True)
class Placer:
    """Finds room for words within a frame; keeps what is already taken.

    Parameters
    ----------
    canvas : FigureCanvasAgg
        Measures the words.
    frame : Bbox
        Where words may stand, in dots.
    taken : list of Bbox
        What they must keep clear of, in dots.
    """

    canvas: FigureCanvasAgg
    frame: Bbox
    taken: list[Bbox] = field(default_factory=list)

    def keep_clear(self, x: float, y: float, reach: float) -> None:
        """Take a square of half width ``reach`` dots about a place."""
        self.taken.append(Bbox.from_extents(x - reach, y - reach, x + reach, y + reach))

    def place(self, text: Text, x: float, y: float, start_rad: float, gap: float) -> float:
        """Move the words near (x, y), preferably in direction ``start_rad``, and take that room.

        The words must be centred on their position and their position must be in dots.

        Returns
        -------
        float
            Distance in dots from (x, y) to the middle of the words.
        """
        box = text.get_window_extent(look.renderer(self.canvas))
        half_w, half_h = box.width / 2 + gap / 2, box.height / 2 + gap / 2
        best: tuple[float, float, float] | None = None
        for step, turn in itertools.product(range(STEPS), range(DIRECTIONS)):
            side = 1 if turn % 2 else -1
            angle = start_rad + side * ((turn + 1) // 2) * 2 * math.pi / DIRECTIONS
            reach = gap + abs(half_w * math.cos(angle)) + abs(half_h * math.sin(angle))
            reach += step * (half_h + gap)
            to_x, to_y = x + reach * math.cos(angle), y + reach * math.sin(angle)
            to_x = min(max(to_x, self.frame.x0 + half_w), self.frame.x1 - half_w)
            to_y = min(max(to_y, self.frame.y0 + half_h), self.frame.y1 - half_h)
            there = Bbox.from_extents(to_x - half_w, to_y - half_h, to_x + half_w, to_y + half_h)
            cost = math.hypot(to_x - x, to_y - y) + 20 * abs(math.remainder(angle - start_rad, 2 * math.pi))
            cost += 40 * math.sqrt(sum(_shared(there, other) for other in self.taken))
            if best is None or cost < best[0]:
                best = cost, to_x, to_y
        assert best is not None
        text.set_position(best[1:])
        self.taken.append(
            Bbox.from_extents(best[1] - half_w, best[2] - half_h, best[1] + half_w, best[2] + half_h)
        )
        return math.hypot(best[1] - x, best[2] - y)


def _shared(one: Bbox, other: Bbox) -> float:
    """Area that two boxes share, in square dots."""
    width = min(one.x1, other.x1) - max(one.x0, other.x0)
    height = min(one.y1, other.y1) - max(one.y0, other.y0)
    return float(max(width, 0.0) * max(height, 0.0))
