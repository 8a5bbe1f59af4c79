"""What the marks say beside what the lift says: which of them the shot's spin is."""

from __future__ import annotations

import dataclasses
import math

from tracker.spin.values import MarkedSpin, NoMarks
from tracker.values import COVERAGE_FACTOR_95, Number, Shot

DISAGREES = 2.5  # standard uncertainties
FASTEST_SPIN_PARAMETER = 2.5  # r omega / v; rolling off a backing has 1, two unlike wheels may have more


def likely_spin(lift: Number | None) -> tuple[float, float]:
    """Bounds of the spin that the lift leaves possible, well beyond its own interval."""
    if lift is None:
        return -math.inf, math.inf
    low = -math.inf if lift.low95 is None else lift.value - 2 * (lift.value - lift.low95)
    high = math.inf if lift.high95 is None else lift.value + 2 * (lift.high95 - lift.value)
    return low, high


def with_marks(shot: Shot, read: MarkedSpin | NoMarks) -> Shot:
    """The shot with the spin of its marks where they could be read; they are surer than the lift."""
    if isinstance(read, NoMarks):
        return dataclasses.replace(shot, flags=(*shot.flags, "spin_alias")) if read.code == "alias" else shot
    flags = [flag for flag in shot.flags if flag != "spin_unbounded"]
    if read.chosen:
        flags.append("spin_alias")
    if shot.spin_rad_s is not None and _disagree(read.spin_rad_s, shot.spin_rad_s):
        flags.append("spin_disagrees")
    return dataclasses.replace(shot, spin_rad_s=read.spin_rad_s, spin_source="marks", flags=tuple(flags))


def _disagree(marks: Number, lift: Number) -> bool:
    """Whether the two differ by more than both may be off; the lift's interval is lopsided."""
    bound = lift.high95 if marks.value > lift.value else lift.low95
    if bound is None:
        return False
    own = max(abs(bound - lift.value) / COVERAGE_FACTOR_95, lift.u_random)
    return abs(marks.value - lift.value) > DISAGREES * math.hypot(own, marks.u)
