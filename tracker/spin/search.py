"""Which rate explains the strips best: every rate is tried, all frames and harmonics at once.

For one rate the marks' own harmonics and the light are a linear fit; what it leaves unexplained in each
harmonic gives the log-likelihood ratio against a ball that shows nothing but light. Harmonics judge
their own noise, so that one full of a moving highlight has little to say. A pattern with an n-fold
symmetry has harmonics n, 2 n, ... only, and then rates that differ by 1/n turn a frame score alike:
aliases show themselves as equal peaks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibration.values import Floats
from tracker.spin.spectra import Spectra, square

Singles = npt.NDArray[np.float32]

OVERSAMPLING = 3.0
COARSE_HARMONICS = 8
MOST_RATES = 24_000
CHUNK = 1024
#: Rates so slow that the light's polynomial explains most of their harmonic have no say in it.
LEAST_LEFT = 0.35


@dataclass(frozen=True, slots=True)
class Scores:
    """How well each of m rates explains the strips.

    ``gain`` (K, m) is the log-likelihood ratio of each harmonic, in nats for one ring's worth of noise.
    """

    rate_rad_s: Floats
    gain: Floats

    @property
    def total(self) -> Floats:
        """All harmonics together, (m,)."""
        return np.asarray(self.gain.sum(axis=0))

    @property
    def sure(self) -> Floats:
        """Without each rate's best harmonic, (m,): one alone may be anything that swings."""
        return np.asarray(self.gain.sum(axis=0) - self.gain.max(axis=0))

    def agreement(self, place: int) -> float:
        """What the harmonics score at one rate over what they score when each may choose its own, 0 to 1."""
        return float(self.gain[:, place].sum() / max(float(self.gain.max(axis=1).sum()), 1e-12))


def score(
    spectra: Spectra, turned_s: Floats, rate_rad_s: Floats, harmonics: int, base_rad: Floats | float = 0.0
) -> Scores:
    """Score rates, (m,); ``turned_s`` (n,) times the rate, and ``base_rad`` (n,), are the angle turned."""
    gain = np.zeros((harmonics, len(rate_rad_s)))
    for first in range(0, len(rate_rad_s), CHUNK):
        part = slice(first, first + CHUNK)
        gain[:, part] = _gain(spectra, _wave(np.outer(rate_rad_s[part], turned_s) + base_rad), harmonics)[0]
    return Scores(rate_rad_s, gain)


def _gain(spectra: Spectra, turn: Singles, harmonics: int) -> tuple[Floats, Floats]:
    """Gain (K, m) of every harmonic by turns of the first one, and by the opposite turns.

    The turns (2, m, n) are cosines and sines.
    """
    value = spectra.value[:harmonics]
    n, rings = value.shape[1:]
    m = turn.shape[1]
    light = np.broadcast_to(spectra.light.astype(np.float32), (harmonics, *spectra.light.shape))
    columns = np.concatenate([value.real, value.imag, light], axis=2)
    belongs = (spectra.planes[:, None] == np.unique(spectra.planes)).astype(np.float32)
    rest = np.maximum(square(value).sum(axis=1) @ belongs, 1e-30)
    gain = np.zeros((2, harmonics, m))
    # Cosine and sine of (k + 1) x are 2 cos x times those of k x less those of (k - 1) x.
    twice, wave, following = 2 * turn[0], np.zeros_like(turn), turn.copy()
    wave[0] = 1.0
    for k in range(harmonics):
        wave, following = following, np.subtract(twice * following, wave, out=wave)
        cosine, sine = (wave.reshape(2 * m, n) @ columns[k]).reshape(2, m, -1)
        own = n - (cosine[:, 2 * rings :] ** 2 + sine[:, 2 * rings :] ** 2).sum(axis=1)
        cosine, sine = cosine[:, : 2 * rings], sine[:, : 2 * rings]
        power = cosine**2 + sine**2
        power = (power[:, :rings] + power[:, rings:]) @ belongs
        # Turned the other way, this part changes its sign.
        odd = 2 * (sine[:, :rings] * cosine[:, rings:] - cosine[:, :rings] * sine[:, rings:]) @ belongs
        share = np.stack([power + odd, power - odd])
        share /= rest[k] * np.maximum(own, LEAST_LEFT * n)[:, None]
        told = -n * np.log1p(-np.minimum(share, 0.9999)).sum(axis=2)
        gain[:, k] = np.where(own > LEAST_LEFT * n, told, 0.0)
    return gain[0], gain[1]


def _wave(angle_rad: Floats) -> Singles:
    """Cosines and sines in single precision, which for angles of less than a turn is quick, (2, ...)."""
    turns = angle_rad / (2 * math.pi)
    turns -= np.rint(turns)
    small = (2 * math.pi * turns).astype(np.float32)
    wave = np.empty((2, *small.shape), dtype=np.float32)
    np.cos(small, out=wave[0])
    np.sin(small, out=wave[1])
    return wave


def search(spectra: Spectra, turned_s: Floats, most_rad_s: float) -> Scores:
    """Score all rates up to ``most_rad_s`` in both senses."""
    harmonics = min(COARSE_HARMONICS, len(spectra.value))
    step = 2 * math.pi / (float(np.ptp(turned_s)) * harmonics * OVERSAMPLING)
    half = min(math.ceil(most_rad_s / step), MOST_RATES // 2)
    gain = np.zeros((harmonics, 2 * half + 1))
    for first in range(0, half + 1, CHUNK):
        place = np.arange(first, min(first + CHUNK, half + 1))
        turn = _wave(np.outer(step * place, turned_s))
        gain[:, half + place], gain[:, half - place] = _gain(spectra, turn, harmonics)
    return Scores(step * np.arange(-half, half + 1, dtype=np.float64), gain)


def peaks(scores: Scores, apart_rad_s: float, most: int) -> list[int]:
    """Places of the best rates that lie at least so far from one another, best first."""
    left = scores.total.copy()
    found: list[int] = []
    while len(found) < most:
        best = int(np.argmax(left))
        if not np.isfinite(left[best]):
            break
        found.append(best)
        left[np.abs(scores.rate_rad_s - scores.rate_rad_s[best]) < apart_rad_s] = -np.inf
    return found
