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
CHUNK = 512  # as many as stay close at hand
#: Rates so slow that the light's polynomial explains most of their harmonic have no say in it.
LEAST_LEFT = 0.35
#: Where there is nothing to explain, and what is left where all is explained.
LEAST_POWER, LEAST_REST = 1e-30, 1e-4


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


@dataclass(frozen=True, slots=True)
class _Told:
    """What the strips tell, laid out for products.

    Parameters
    ----------
    columns : tuple of K (n, 2 rings + d) arrays
        Real and imaginary parts of a harmonic, and the light.
    belongs : (planes, rings) array
        1 where a ring is of a plane.
    rest : (K, planes, 1) array
        What there is to explain.
    """

    columns: tuple[Singles, ...]
    belongs: Singles
    rest: Singles

    @classmethod
    def of(cls, spectra: Spectra, harmonics: int) -> _Told:
        """The first harmonics."""
        light = spectra.light.astype(np.float32)
        value = spectra.value[:harmonics]
        belongs = (np.unique(spectra.planes)[:, None] == spectra.planes).astype(np.float32)
        rest = np.maximum(belongs @ square(value).sum(axis=1)[:, :, None], LEAST_POWER)
        return cls(tuple(np.hstack([v.real, v.imag, light]) for v in value), belongs, rest)

    def gain(self, turn: Singles) -> tuple[Floats, Floats]:
        """Gain (K, m) of every harmonic by turns of the first one, and by the opposite turns.

        The turns (n, 2, m) are cosines and sines, and are written over.
        """
        n, _, m = turn.shape
        rings = self.belongs.shape[1]
        gain = np.zeros((2, len(self.columns), m))
        twice, wave, last = 2 * turn[:, :1], turn, turn
        for k, columns in enumerate(self.columns):
            cosine, sine = (columns.T @ wave.reshape(n, -1)).reshape(-1, 2, m).transpose(1, 0, 2)
            power = cosine * cosine + sine * sine
            own = n - power[2 * rings :].sum(axis=0)
            even = self.belongs @ (power[:rings] + power[rings : 2 * rings])
            # Turned the other way, marks have the power that their mirror image has when turned this way.
            odd = sine[:rings] * cosine[rings : 2 * rings] - cosine[:rings] * sine[rings : 2 * rings]
            odd = self.belongs @ (2 * odd)
            share = np.stack([even + odd, even - odd]) / (self.rest[k] * np.maximum(own, LEAST_LEFT * n))
            told = -n * np.log(np.maximum(1 - share, LEAST_REST).prod(axis=1))
            gain[:, k] = np.where(own > LEAST_LEFT * n, told, 0.0)
            # Cosine and sine of (k + 1) x are 2 cos x times those of k x less those of (k - 1) x.
            following = twice * wave
            if k == 0:
                following[:, 0] -= 1
            else:
                following = np.subtract(following, last, out=last)
            last, wave = wave, following
        return gain[0], gain[1]


def score(
    spectra: Spectra, turned_s: Floats, rate_rad_s: Floats, harmonics: int, base_rad: Floats | float = 0.0
) -> Scores:
    """Score rates, (m,); ``turned_s`` (n,) times the rate, and ``base_rad`` (n,), are the angle turned."""
    told = _Told.of(spectra, harmonics)
    gain = np.zeros((harmonics, len(rate_rad_s)))
    for first in range(0, len(rate_rad_s), CHUNK):
        part = slice(first, first + CHUNK)
        gain[:, part] = told.gain(_wave(turned_s, rate_rad_s[part], base_rad))[0]
    return Scores(rate_rad_s, gain)


def _wave(turned_s: Floats, rate_rad_s: npt.NDArray[np.floating], base_rad: Floats | float = 0.0) -> Singles:
    """Cosines and sines of the angles turned, in single precision, (n, 2, m).

    For angles of less than a turn that is quick.
    """
    turns = np.outer(turned_s / (2 * math.pi), rate_rad_s)
    turns += np.asarray(base_rad / (2 * math.pi)).reshape(-1, 1)
    turns -= np.rint(turns)
    small = (2 * math.pi * turns).astype(np.float32)
    wave = np.empty((len(small), 2, small.shape[1]), dtype=np.float32)
    np.cos(small, out=wave[:, 0])
    np.sin(small, out=wave[:, 1])
    return wave


def search(spectra: Spectra, turned_s: Floats, most_rad_s: float) -> Scores:
    """Score all rates up to ``most_rad_s`` in both senses."""
    harmonics = min(COARSE_HARMONICS, len(spectra.value))
    step = 2 * math.pi / (float(np.ptp(turned_s)) * harmonics * OVERSAMPLING)
    half = min(math.ceil(most_rad_s / step), MOST_RATES // 2)
    told = _Told.of(spectra, harmonics)
    gain = np.zeros((harmonics, 2 * half + 1))
    for first in range(0, half + 1, CHUNK):
        place = np.arange(first, min(first + CHUNK, half + 1))
        gain[:, half + place], gain[:, half - place] = told.gain(_wave(turned_s, step * place))
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
