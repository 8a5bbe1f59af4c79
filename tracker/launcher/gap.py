"""What the gap does to the ball: squeeze and rolling radius."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tracker.flags import Doubt, remark
from tracker.values import Ball, Launcher, Number

# Shares of the diameter between which a soft ball is gripped without being crushed (common practice,
# no source).
LIGHT = 0.04
HARD = 0.25
UNEVEN = 0.02  # share of the diameter by which entry and exit may differ (common practice, no source)
LEAST_ROLLING = 0.75  # of the free radius, where no gap is stated: half a gap at the hardest squeeze


@dataclass(frozen=True, slots=True)
class Squeeze:
    """How far the ball is pressed together, as shares of its diameter; negative is a gap too wide.

    ``change_m`` is how much wider the gap is at the exit than at the entry.
    """

    entry: float
    exit: float
    change_m: float
    remarks: tuple[Doubt, ...]

    @property
    def sound(self) -> bool:
        """Whether there is nothing to remark."""
        return not self.remarks


def squeeze(launcher: Launcher, ball: Ball) -> Squeeze | None:
    """Compression from ball and gap; None where no gap is stated. A gap stated once is even."""
    gaps = [gap for gap in (launcher.gap_entry_m, launcher.gap_exit_m) if gap is not None]
    if not gaps:
        return None
    gap_entry, gap_exit = gaps[0], gaps[-1]
    entry, leaving = (1 - gap / ball.diameter_m for gap in (gap_entry, gap_exit))
    change = gap_exit - gap_entry
    remarks = []
    if abs(change) > UNEVEN * ball.diameter_m:
        remarks.append(remark("gap_uneven", change_mm=1000 * abs(change)))
    tightest = max(entry, leaving)
    if tightest <= 0:
        remarks.append(remark("gap_too_wide"))
    elif tightest < LIGHT:
        remarks.append(remark("squeeze_light", percent=100 * tightest))
    elif tightest > HARD:
        remarks.append(remark("squeeze_hard", percent=100 * tightest))
    return Squeeze(entry, leaving, change, tuple(remarks))


def rolling_radius(launcher: Launcher, ball: Ball) -> Number:
    """Radius on which the ball rolls in the gap.

    Somewhere between half the gap at the exit and the free radius, each place as likely (rectangular:
    JCGM 100:2008, 4.3.7); what is not known about it is common to all shots.
    """
    free = ball.diameter_m / 2
    gap = launcher.gap_exit_m if launcher.gap_exit_m is not None else launcher.gap_entry_m
    low = LEAST_ROLLING * free if gap is None else min(gap / 2, free)
    middle, half = (low + free) / 2, (free - low) / 2
    return Number(middle, 0.0, half / math.sqrt(3), middle - 0.95 * half, middle + 0.95 * half)
