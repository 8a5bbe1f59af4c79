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

from calibration.values import Floats
from tracker.spin.spectra import Spectra

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
    value = spectra.value[:harmonics]
    K, n, _ = value.shape
    light = spectra.light.astype(np.float32)
    planes = np.unique(spectra.planes)
    rest = np.stack([(np.abs(value[:, :, spectra.planes == p]) ** 2).sum(axis=(1, 2)) for p in planes])
    gain = np.zeros((K, len(rate_rad_s)))
    for first in range(0, len(rate_rad_s), CHUNK):
        part = slice(first, first + CHUNK)
        turn = np.exp(1j * (np.outer(rate_rad_s[part], turned_s) + base_rad)).astype(np.complex64)
        wave = np.ones_like(turn)
        for k in range(K):
            wave = wave * turn
            own = n - (np.abs(wave @ light) ** 2).sum(axis=1)
            power = np.abs(wave @ value[k]) ** 2 / np.maximum(own, LEAST_LEFT * n)[:, None]
            for p in planes:
                share = power[:, spectra.planes == p].sum(axis=1) / max(float(rest[p, k]), 1e-30)
                gain[k, part] -= np.where(own > LEAST_LEFT * n, n * np.log1p(-np.minimum(share, 0.9999)), 0.0)
    return Scores(rate_rad_s, gain)


def search(spectra: Spectra, turned_s: Floats, most_rad_s: float) -> Scores:
    """Score all rates up to ``most_rad_s`` in both senses."""
    harmonics = min(COARSE_HARMONICS, len(spectra.value))
    step = 2 * math.pi / (float(np.ptp(turned_s)) * harmonics * OVERSAMPLING)
    half = min(math.ceil(most_rad_s / step), MOST_RATES // 2)
    rates = step * np.arange(-half, half + 1, dtype=np.float64)
    return score(spectra, turned_s, rates, harmonics)


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
