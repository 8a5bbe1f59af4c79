"""A film of even times that is a faster one with frames left out: found by what moves in it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.values import Floats, Ints

#: Frames of a faster film that a slower one is made of by leaving some out, as kept / taken.
CADENCES = ((4, 5), (5, 6), (2, 3), (3, 4), (3, 5))
CADENCE_GAIN = 0.5  # how much smoother the motion must become for a cadence to be believed
UNTOUCHED = 0.35  # share of the windows that surely holds no contact
CADENCE_WINDOW = 5
FEWEST_FOR_CADENCE = 40
#: Windows that must speak for another phase before a slip is believed.
FEWEST_FOR_SLIP = 8


@dataclass(frozen=True, slots=True)
class Cadence:
    """A film of even times made of ``taken`` frames by keeping ``kept`` of each; ``phase`` says which.

    ``slips`` holds frames from which on the phase is another one, and that phase.
    """

    kept: int
    taken: int
    phase: int
    slips: tuple[tuple[int, int], ...] = ()

    def slots(self, count: int) -> Floats:
        """True times of frames 0 to count - 1 in steps of the film, even on the whole, shape (count,)."""
        phase = np.full(count, self.phase)
        for frame, other in self.slips:
            phase[frame:] = other
        return np.asarray(self._true(np.arange(count), phase) * (self.kept / self.taken))

    def _true(self, frame: Ints | int, phase: Ints | int) -> Ints:
        return np.asarray((frame * self.taken + phase) // self.kept)

    def slipping(self, frame: int, phase: int) -> Cadence:
        """With another phase from about this frame on: the first at which no time passes twice."""
        last = self.slips[-1][1] if self.slips else self.phase
        while self._true(frame, phase) <= self._true(frame - 1, last):
            frame += 1
        return Cadence(self.kept, self.taken, self.phase, (*self.slips, (frame, phase)))


def find_cadence(frames: list[Ints], places_px: list[Floats], frame_count: int) -> Cadence | None:
    """The cadence that makes motion smooth, where even times do not.

    Phones and editors turn 30 frames a second into 24 by leaving out every fifth and spacing the rest
    evenly; nothing in the file tells, but what moves evenly then seems to jump. Now and then they lose
    count, and another one of each five is left out from there on.

    Parameters
    ----------
    frames, places_px : lists of (n,) and (n, 2) arrays
        Frame numbers and places of things that move.
    frame_count : int
        Frames in the clip.
    """
    long_enough = [k for k, f in enumerate(frames) if len(f) >= CADENCE_WINDOW]
    if sum(len(f) for f in frames) < FEWEST_FOR_CADENCE or not long_enough:
        return None
    frames, places_px = [frames[k] for k in long_enough], [places_px[k] for k in long_enough]
    rough = _roughness(frames, places_px, np.arange(frame_count, dtype=np.float64))
    even = _quiet(rough)
    middle = np.concatenate([_windows(f)[:, CADENCE_WINDOW // 2] for f in frames])
    best, found = CADENCE_GAIN * even, None
    for kept, taken in CADENCES:
        plain = [Cadence(kept, taken, phase) for phase in range(kept)]
        each = np.array([_roughness(frames, places_px, cadence.slots(frame_count)) for cadence in plain])
        path = _likeliest(np.minimum(each, even), FEWEST_FOR_SLIP * even)
        quiet = _quiet(each[path, np.arange(len(path))])
        if quiet < best:
            best, found = quiet, plain[path[0]]
            for k in np.flatnonzero(np.diff(path)):
                found = found.slipping(int(middle[k]) + 1, int(path[k + 1]))
    return found


def _likeliest(cost: Floats, change: float) -> Ints:
    """The cheapest way (w,) through the rows of (p, w), where a change of row costs something: Viterbi's.

    A. J. Viterbi, IEEE Transactions on Information Theory 13 (1967) 260 (from memory).
    """
    rows, count = cost.shape
    total, came = cost[:, 0].copy(), np.zeros((rows, count), dtype=np.int64)
    for w in range(1, count):
        cheapest = int(np.argmin(total))
        stays = total <= total[cheapest] + change
        came[:, w] = np.where(stays, np.arange(rows), cheapest)
        total = np.where(stays, total, total[cheapest] + change) + cost[:, w]
    path = np.zeros(count, dtype=np.int64)
    path[-1] = int(np.argmin(total))
    for w in range(count - 1, 0, -1):
        path[w - 1] = came[path[w], w]
    return path


def _roughness(frames: list[Ints], places_px: list[Floats], slot: Floats) -> Floats:
    """Distances of places from parabolas through their neighbours, pixels, for each window (w,)."""
    t = np.concatenate([_windows(slot[f]) for f in frames])
    xy = np.concatenate([_windows(places) for places in places_px]).transpose(0, 2, 1)
    basis = (t - t.mean(axis=1, keepdims=True))[:, :, None] ** np.arange(3)
    q = np.linalg.qr(basis)[0]
    left = xy - q @ (q.transpose(0, 2, 1) @ xy)
    return np.asarray(np.hypot(left[:, :, 0], left[:, :, 1]).mean(axis=1))


def _quiet(rough: Floats) -> float:
    """What is typical where nothing touches what moves."""
    return float(np.quantile(rough, UNTOUCHED)) if len(rough) else math.inf


def _windows(values: Floats | Ints) -> Floats:
    """All runs of neighbours along the first axis, as the last axis."""
    return np.asarray(np.lib.stride_tricks.sliding_window_view(values, CADENCE_WINDOW, axis=0))
