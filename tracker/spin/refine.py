"""A rate that is nearly right -> the rate, by the phase of the marks in every single frame.

All frames, turned back, give one picture of the marks; each frame compared with it gives that frame's
angle; the angles over the whole flight give rate and decay, and their scatter how sure these are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.values import Floats
from tracker.spin.spectra import Complexes, Spectra, square

ROUNDS = 6
SETTLED_RAD = 3e-4  # of the angle turned; far below what a hundred frames say of it
MOST_SHRINK = 0.6  # of one step to the next; a smaller loss is not trusted
LINES, SETTLED_LINE_RAD = 8, 1e-5
LIMIT = 2.5  # of the angles' scatter; what lies farther off counts less
#: Angles of neighbouring frames share codec, light and view; this many of the flight's length are looked at.
LONGEST_MEMORY = 0.25
LEAST_SCATTER_RAD = 1e-4
#: Error of the angle turned over a flight, times that angle. Seen on clips of known spin.
ANGLE_LEFT_RAD2 = 0.25
TINY = 1e-20
LEAST_LEFT = 1e-6  # of the power: single precision tells no less
STEADY_PER_S = 1e-9  # a spin that falls off no faster does not fall off


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


def turned_s(time_s: Floats, decay_per_s: float | Floats) -> Floats:
    """Angle turned since time 0 over the rate at time 0, (n,); or (v, n) for decays (v, 1)."""
    still = np.abs(decay_per_s) < STEADY_PER_S
    decay = np.where(still, STEADY_PER_S, decay_per_s)
    return np.asarray(np.where(still, time_s, -np.expm1(-decay * time_s) / decay), dtype=np.float64)


def refine(
    spectra: Spectra, time_s: Floats, rate_rad_s: float, decay: Decay, per_s: float | None = None
) -> Refined:
    """Improve a rate; ``time_s`` (n,) is from the instant for which the rate is wanted.

    ``per_s`` is the decay to start from, where a better one is known than the expected.
    """
    start = rate_rad_s, decay.per_s if per_s is None else per_s
    only = _settle(spectra.value[None], spectra, time_s, start, decay)
    rest = only.off_rad - (only.turn.slope @ only.step[..., None])[..., 0]
    scatter, u_rate = _sureness(only.turn, rest[0], only.trust[0], decay)
    return Refined(
        float(only.rate[0]),
        u_rate,
        float(only.per_s[0]),
        (only.turn.angle_rad + only.off_rad)[0],
        scatter,
        only.gain[0],
    )


def refine_views(spectra: Spectra, time_s: Floats, found: Refined, decay: Decay) -> tuple[Floats, Floats]:
    """Rates and gains, (v,) each, of what was found when the strips are looked at in v ways."""
    settled = _settle(spectra.value, spectra, time_s, (found.rate_rad_s, found.decay_per_s), decay)
    return settled.rate, np.asarray(settled.gain.sum(axis=1))


@dataclass(frozen=True, slots=True)
class _Turn:
    """Rates and their decays, (v,) each, at times (n,)."""

    time_s: Floats
    rate: Floats
    per_s: Floats

    @property
    def angle_rad(self) -> Floats:
        """Angles turned since time 0, (v, n)."""
        return np.asarray(self.rate[:, None] * turned_s(self.time_s, self.per_s[:, None]))

    @property
    def slope(self) -> Floats:
        """How angles follow the rate, the decay and the first angle, (v, n, 3)."""
        slope = np.ones((len(self.rate), len(self.time_s), 3))
        slope[..., 0] = turned_s(self.time_s, self.per_s[:, None])
        slope[..., 1] = -0.5 * self.rate[:, None] * self.time_s**2
        return slope


@dataclass(frozen=True, slots=True)
class _Settled:
    """Rates and decays (v,), gains (v, K), and the last step (v, 3), taken from ``turn``.

    ``off_rad`` and ``trust`` (v, n) are what the angles were off by there, and what each counted.
    """

    rate: Floats
    per_s: Floats
    gain: Floats
    turn: _Turn
    step: Floats
    off_rad: Floats
    trust: Floats


def _settle(
    value: Complexes, spectra: Spectra, time_s: Floats, start: tuple[float, float], decay: Decay
) -> _Settled:
    """Rates and decays that the angles of all frames agree with, from the same start for v views.

    ``value`` (v, K, n, rings) are the harmonics in each view, of which ``spectra`` has light and planes.
    """
    rate, per_s = (np.full(len(value), one) for one in start)
    power = _power(value)
    last = np.zeros((len(value), len(time_s)))
    for _ in range(ROUNDS):
        turn = _Turn(time_s, rate, per_s)
        off, gain = _off(value, spectra, turn.angle_rad, power)
        step, trust = _line(turn, off, decay)
        moved = (turn.slope[..., :2] @ step[:, :2, None])[..., 0]
        moved -= moved.mean(axis=1, keepdims=True)
        whole = _whole(moved, last)
        last = np.where(whole[:, None] == 1.0, moved, 0.0)
        rate, per_s = rate + whole * step[:, 0], per_s + whole * step[:, 1]
        if (whole * np.abs(moved).max(axis=1)).max() < SETTLED_RAD:
            break
    return _Settled(rate, per_s, gain, turn, step, off, trust)


def _whole(moved: Floats, last: Floats) -> Floats:
    """What successive steps of the angles, (v, n), add up to if they shrink on as from last to now, (v,).

    Each step is too short by about the same share, since the marks' picture follows the angles: Aitken's
    extrapolation (from memory). A last step of nought tells nothing.
    """
    size2 = (last**2).sum(axis=1)
    shrink = (moved * last).sum(axis=1) / np.where(size2 > 0, size2, 1.0)
    return np.asarray(1 / (1 - np.clip(shrink, 0.0, MOST_SHRINK)))


def _off(value: Complexes, spectra: Spectra, angle_rad: Floats, power: Floats) -> tuple[Floats, Floats]:
    """How far each frame's marks lie from where they should, (v, n), and each harmonic's gain, (v, K).

    ``power`` (v, K, rings) is the mean square of ``value`` (v, K, n, rings).
    """
    light, planes = spectra.light, spectra.planes
    K, n = value.shape[1:3]
    number = np.arange(1, K + 1)
    once = np.exp(-1j * angle_rad)[:, None]
    wave = np.cumprod(np.broadcast_to(once, (len(once), K, n)), axis=1)  # every harmonic's, one by one
    clear = (wave - (wave @ light) @ light.T).astype(np.complex64)
    own = square(clear).sum(axis=2)[..., None]
    held = np.maximum(own, 0.3 * n)
    marks = (clear.conj()[:, :, None] @ value)[:, :, 0] / held
    told = square(marks)
    each = np.unique(planes)
    mean = (planes == each[:, None]) / np.bincount(planes)[each][:, None]
    before = np.maximum(power @ mean.T, TINY)
    # What is left when the marks are taken out: by Pythagoras, without taking them out of anything.
    after = np.maximum(before - (told * (2 * held - own) / n) @ mean.T, LEAST_LEFT * before)
    gain = n * np.log(before / after).sum(axis=2)
    noise = after[..., np.searchsorted(each, planes)]
    # Marks turned a little further change by -i k times themselves.
    along = (marks.conj() / noise).astype(np.complex64)
    seen = (value @ along[..., None])[..., 0] - clear * (marks * along).sum(axis=2)[..., None]
    score = ((1j * number[:, None] * wave.conj()) * seen).real.sum(axis=1)
    weight = (number**2 * (told / noise).sum(axis=2)).sum(axis=1)
    return score / np.maximum(weight, 1e-12)[:, None], gain


def _power(value: Complexes) -> Floats:
    """Mean square over the frames of (v, K, n, rings), (v, K, rings)."""
    return np.asarray(square(value).mean(axis=2), dtype=np.float64)


def _line(turn: _Turn, off: Floats, decay: Decay) -> tuple[Floats, Floats]:
    """Changes (v, 3) of rate, decay and first angle that take the angles' errors away; trust (v, n)."""
    slope = turn.slope
    prior = _prior(decay)
    toward = (decay.per_s - turn.per_s) / decay.u_per_s**2
    step: Floats = np.zeros((len(off), 3))
    for _ in range(LINES):
        last, rest = step, np.abs(off - (slope @ step[..., None])[..., 0])
        scatter = np.maximum(1.4826 * _median(rest), LEAST_SCATTER_RAD)[:, None]
        trust = 1 / np.maximum(rest / (LIMIT * scatter), 1.0)
        weighted = slope.swapaxes(1, 2) * (trust / scatter**2)[:, None]
        right = (weighted @ off[..., None])[..., 0]
        right[:, 1] += toward
        step = np.asarray(np.linalg.solve(weighted @ slope + prior, right[..., None])[..., 0])
        if np.abs(slope @ (step - last)[..., None]).max() < SETTLED_LINE_RAD:
            break
    return step, trust


def _median(values: Floats) -> Floats:
    """Medians of rows (v, n), (v,); the library's own takes many times as long for so few."""
    count = values.shape[1]
    ordered = np.sort(values, axis=1)
    return np.asarray(0.5 * (ordered[:, (count - 1) // 2] + ordered[:, count // 2]))


def _prior(decay: Decay) -> Floats:
    """What is known beforehand of rate, decay and first angle, as inverse variances (3, 3)."""
    return np.diag([0.0, decay.u_per_s**-2, 0.0])


def _sureness(turn: _Turn, rest: Floats, trust: Floats, decay: Decay) -> tuple[float, float]:
    """By how much the angles of one view scatter about their line, and the rate's standard uncertainty."""
    n, span = len(rest), float(np.ptp(turn.time_s))
    spread = math.sqrt(float((trust * rest**2).sum() / max(trust.sum(), 1.0)) * n / max(n - 3, 1))
    spread = max(spread, LEAST_SCATTER_RAD)
    # What the lamp does to the marks comes round every turn; where turns are few, some of it is left.
    drift = ANGLE_LEFT_RAD2 / max(abs(float(turn.rate[0])) * span, 1.0) / max(span, 1e-9)
    slope = turn.slope[0]
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
