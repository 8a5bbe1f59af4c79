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
from tracker.spin.spectra import Spectra

ROUNDS = 6
SETTLED_RAD = 1e-4
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


def refine(spectra: Spectra, time_s: Floats, rate_rad_s: float, decay: Decay) -> Refined:
    """Improve a rate; ``time_s`` (n,) is from the instant for which the rate is wanted."""
    rate, per_s = rate_rad_s, decay.per_s
    scatter, u_rate = math.inf, math.inf
    angle = rate * turned_s(time_s, per_s)
    off, gain = np.zeros(len(time_s)), np.zeros(len(spectra.value))
    for _ in range(ROUNDS):
        angle = rate * turned_s(time_s, per_s)
        off, gain = _off(spectra, angle)
        step, scatter, u_rate = _line(time_s, off, rate, per_s, decay)
        rate, per_s = rate + step[0], per_s + step[1]
        if np.abs(rate * turned_s(time_s, per_s) - angle - step[2]).max() < SETTLED_RAD:
            break
    return Refined(rate, u_rate, per_s, angle + off, scatter, gain)


def _off(spectra: Spectra, angle_rad: Floats) -> tuple[Floats, Floats]:
    """How far each frame's marks lie from where they should, (n,), and each harmonic's gain, (K,)."""
    value, light = spectra.value, spectra.light
    K, n, _ = value.shape
    number = np.arange(1, K + 1)
    wave = np.exp(-1j * number[:, None] * angle_rad)
    clear = (wave - (wave @ light) @ light.T).astype(np.complex64)
    own = (np.abs(clear) ** 2).sum(axis=1)
    marks = (clear.conj()[:, None] @ value)[:, 0] / np.maximum(own, 0.3 * n)[:, None]
    rest = value - clear[:, :, None] * marks[:, None]
    each = np.unique(spectra.planes)
    mean = (spectra.planes == each[:, None]) / np.bincount(spectra.planes)[each][:, None]
    before = _power(value) @ mean.T
    after = np.maximum(_power(rest) @ mean.T, TINY)
    gain = n * np.log(np.maximum(before, TINY) / after).sum(axis=1)
    noise = after[:, np.searchsorted(each, spectra.planes)]
    # Marks turned a little further change by -i k times themselves.
    seen = (rest @ (marks.conj() / noise)[:, :, None])[:, :, 0]
    score = ((1j * number[:, None] * wave.conj()) * seen).real.sum(axis=0)
    weight = float((number**2 * (np.abs(marks) ** 2 / noise).sum(axis=1)).sum())
    return score / max(weight, 1e-12), gain


def _power(value: npt.NDArray[np.complex64]) -> Floats:
    """Mean square over the frames of (K, n, rings), (K, rings)."""
    return np.asarray((value.real**2 + value.imag**2).mean(axis=1), dtype=np.float64)


def _line(
    time_s: Floats, off: Floats, rate: float, per_s: float, decay: Decay
) -> tuple[Floats, float, float]:
    """Change of rate, decay and first angle that takes the angles' errors away; scatter; u of the rate."""
    slope = np.stack([turned_s(time_s, per_s), -0.5 * rate * time_s**2, np.ones(len(time_s))], axis=1)
    trust = np.ones(len(time_s))
    scatter = LEAST_SCATTER_RAD
    step: Floats = np.zeros(3)
    prior = np.diag([0.0, decay.u_per_s**-2, 0.0])
    for _ in range(8):
        rest = off - slope @ step
        scatter = max(1.4826 * float(np.median(np.abs(rest))), LEAST_SCATTER_RAD)
        trust = 1 / np.maximum(np.abs(rest) / (LIMIT * scatter), 1.0)
        normal = (slope.T * trust) @ slope / scatter**2 + prior
        right = (slope.T * trust) @ off / scatter**2
        right[1] += (decay.per_s - per_s) / decay.u_per_s**2
        step = np.asarray(np.linalg.solve(normal, right), dtype=np.float64)
    rest = off - slope @ step
    n = len(rest)
    spread = math.sqrt(float((trust * rest**2).sum() / max(trust.sum(), 1.0)) * n / max(n - 3, 1))
    spread = max(spread, LEAST_SCATTER_RAD)
    # What the lamp does to the marks comes round every turn; where turns are few, some of it is left.
    turn = abs(rate) * float(np.ptp(time_s))
    drift = ANGLE_LEFT_RAD2 / max(turn, 1.0) / max(float(np.ptp(time_s)), 1e-9)
    cover = np.linalg.inv((slope.T * trust) @ slope / (spread**2 * memory(rest)) + prior)
    return step, spread, math.hypot(math.sqrt(float(cover[0, 0])), drift)


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
    total = 1.0
    for lag in range(1, longest + 1):
        total += 2 * (1 - lag / (longest + 1)) * float(centred[lag:] @ centred[:-lag]) / own
    return max(total, 1.0)
