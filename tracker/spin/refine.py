"""A rate that is nearly right -> the rate, by the phase of the marks in every single frame.

All frames, turned back, give one picture of the marks; each frame compared with it gives that frame's
angle; the angles over the whole flight give rate and decay, and their scatter how sure these are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibration.values import Floats
from tracker.spin.spectra import Spectra, square

ROUNDS = 6
SETTLED_RAD = 3e-4  # of the angle turned; far below what a hundred frames say of it
MOST_SHRINK = 0.6  # of one step to the next; a smaller loss is not trusted
LINES, SETTLED_LINE_RAD = 8, 1e-6
LIMIT = 2.5  # of the angles' scatter; what lies farther off counts less
#: Angles of neighbouring frames share codec, light and view; this many of the flight's length are looked at.
LONGEST_MEMORY = 0.25
LEAST_SCATTER_RAD = 1e-4
#: Error of the angle turned over a flight, times that angle. Seen on clips of known spin.
ANGLE_LEFT_RAD2 = 0.25
TINY = 1e-20


@dataclass(frozen=True, slots=True)
class Decay:
    """1 / e-folding time of the spin as known beforehand, 1/s, and its standard uncertainty."""

    per_s: float
    u_per_s: float


@dataclass(frozen=True, slots=True)
class Refined:
    """Rate at time 0 and its decay, with what the frames say of them.

    ``angle_rad`` (n,) is the turn of the marks in every frame, unwrapped, as measured; ``scatter_rad``
    what a frame's angle scatters by, ``gain`` (K,) the log-likelihood ratio of every harmonic against a
    ball that shows nothing but light.
    """

    rate_rad_s: float
    u_rate_rad_s: float
    decay_per_s: float
    angle_rad: Floats
    scatter_rad: float
    gain: Floats


def turned_s(time_s: Floats, decay_per_s: float) -> Floats:
    """Angle turned since time 0 over the rate at time 0, (n,)."""
    if abs(decay_per_s) < 1e-9:
        return np.asarray(time_s, dtype=np.float64)
    return np.asarray(-np.expm1(-decay_per_s * time_s) / decay_per_s)


def refine(
    spectra: Spectra, time_s: Floats, rate_rad_s: float, decay: Decay, per_s: float | None = None
) -> Refined:
    """Improve a rate; ``time_s`` (n,) is from the instant for which the rate is wanted.

    ``per_s`` is the decay to start from, where a better one is known than the expected.
    """
    rate, per_s = rate_rad_s, decay.per_s if per_s is None else per_s
    power = _power(spectra.value)
    last: Floats | None = None
    for _ in range(ROUNDS):
        turn = _Turn(time_s, rate, per_s)
        off, gain = _off(spectra, turn.angle_rad, power)
        step, trust = _line(turn, off, decay)
        moved = turn.slope[:, :2] @ step[:2]
        moved -= moved.mean()
        whole = 1.0 if last is None else _whole(moved, last)
        last = moved if whole == 1.0 else None
        rate, per_s = rate + whole * step[0], per_s + whole * step[1]
        if whole * np.abs(moved).max() < SETTLED_RAD:
            break
    scatter, u_rate = _sureness(turn, off - turn.slope @ step, trust, decay)
    return Refined(rate, u_rate, per_s, turn.angle_rad + off, scatter, gain)


def _whole(moved: Floats, last: Floats) -> float:
    """What successive steps of the angles, (n,), add up to if they go on shrinking as from last to now.

    Each step is too short by about the same share, since the marks' picture follows the angles: Aitken's
    extrapolation (from memory).
    """
    size2 = float(last @ last)
    shrink = float(moved @ last) / size2 if size2 > 0 else 0.0
    return 1 / (1 - min(max(shrink, 0.0), MOST_SHRINK))


@dataclass(frozen=True, slots=True)
class _Turn:
    """A rate and its decay at times (n,)."""

    time_s: Floats
    rate: float
    per_s: float

    @property
    def angle_rad(self) -> Floats:
        """Angle turned since time 0, (n,)."""
        return self.rate * turned_s(self.time_s, self.per_s)

    @property
    def slope(self) -> Floats:
        """How angles follow the rate, the decay and the first angle, (n, 3)."""
        since = self.time_s
        by_decay = -0.5 * self.rate * since**2
        return np.stack([turned_s(since, self.per_s), by_decay, np.ones(len(since))], axis=1)


def _off(spectra: Spectra, angle_rad: Floats, power: Floats) -> tuple[Floats, Floats]:
    """How far each frame's marks lie from where they should, (n,), and each harmonic's gain, (K,).

    ``power`` (K, rings) is the mean square of the spectra.
    """
    value, light = spectra.value, spectra.light
    K, n, _ = value.shape
    number = np.arange(1, K + 1)
    wave = np.exp(-1j * number[:, None] * angle_rad)
    clear = (wave - (wave @ light) @ light.T).astype(np.complex64)
    own = square(clear).sum(axis=1)
    marks = (clear.conj()[:, None] @ value)[:, 0] / np.maximum(own, 0.3 * n)[:, None]
    rest = value - clear[:, :, None] * marks[:, None]
    each = np.unique(spectra.planes)
    mean = (spectra.planes == each[:, None]) / np.bincount(spectra.planes)[each][:, None]
    before = power @ mean.T
    after = np.maximum(_power(rest) @ mean.T, TINY)
    gain = n * np.log(np.maximum(before, TINY) / after).sum(axis=1)
    noise = after[:, np.searchsorted(each, spectra.planes)]
    # Marks turned a little further change by -i k times themselves.
    seen = (rest @ (marks.conj() / noise)[:, :, None])[:, :, 0]
    score = ((1j * number[:, None] * wave.conj()) * seen).real.sum(axis=0)
    weight = float((number**2 * (square(marks) / noise).sum(axis=1)).sum())
    return score / max(weight, 1e-12), gain


def _power(value: npt.NDArray[np.complex64]) -> Floats:
    """Mean square over the frames of (K, n, rings), (K, rings)."""
    return np.asarray(square(value).mean(axis=1), dtype=np.float64)


def _line(turn: _Turn, off: Floats, decay: Decay) -> tuple[Floats, Floats]:
    """Change of rate, decay and first angle that takes the angles' errors away; trust in each, (n,)."""
    slope = turn.slope
    trust = np.ones(len(off))
    step: Floats = np.zeros(3)
    prior = _prior(decay)
    for _ in range(LINES):
        last, rest = step, np.abs(off - slope @ step)
        scatter = max(1.4826 * _median(rest), LEAST_SCATTER_RAD)
        trust = 1 / np.maximum(rest / (LIMIT * scatter), 1.0)
        weighted = slope.T * (trust / scatter**2)
        normal, right = weighted @ slope + prior, weighted @ off
        right[1] += (decay.per_s - turn.per_s) / decay.u_per_s**2
        step = np.asarray(np.linalg.solve(normal, right), dtype=np.float64)
        if np.abs(slope @ (step - last)).max() < SETTLED_LINE_RAD:
            break
    return step, trust


def _median(values: Floats) -> float:
    """Median of values (n,); the library's own takes many times as long for so few."""
    half = len(values) // 2
    ordered = np.sort(values)
    return float(ordered[half] if len(values) % 2 else 0.5 * (ordered[half - 1] + ordered[half]))


def _prior(decay: Decay) -> Floats:
    """What is known beforehand of rate, decay and first angle, as inverse variances (3, 3)."""
    return np.diag([0.0, decay.u_per_s**-2, 0.0])


def _sureness(turn: _Turn, rest: Floats, trust: Floats, decay: Decay) -> tuple[float, float]:
    """By how much angles scatter about their line, and the standard uncertainty of the rate."""
    n, span = len(rest), float(np.ptp(turn.time_s))
    spread = math.sqrt(float((trust * rest**2).sum() / max(trust.sum(), 1.0)) * n / max(n - 3, 1))
    spread = max(spread, LEAST_SCATTER_RAD)
    # What the lamp does to the marks comes round every turn; where turns are few, some of it is left.
    drift = ANGLE_LEFT_RAD2 / max(abs(turn.rate) * span, 1.0) / max(span, 1e-9)
    slope = turn.slope
    cover = np.linalg.inv((slope.T * trust) @ slope / (spread**2 * memory(rest)) + _prior(decay))
    return spread, math.hypot(math.sqrt(float(cover[0, 0])), drift)


def memory(rest: Floats) -> float:
    """Variance of a sum of successive errors over that of independent ones, at least 1.

    Bartlett's window: Newey and West, Econometrica 55 (1987) 703 (from memory).
    """
    n = len(rest)
    longest = max(int(LONGEST_MEMORY * n), 1)
    centred = rest - rest.mean()
    own = float(centred @ centred)
    if own <= 0:
        return 1.0
    together = np.correlate(centred, centred, "full")[n : n + longest] / own
    window = 1 - np.arange(1, longest + 1) / (longest + 1)
    return max(1 + 2 * float(window[: len(together)] @ together), 1.0)
