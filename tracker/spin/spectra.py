"""Strips -> what of each ring changes round the circle, as harmonics, with the light taken out.

A ball that turns by an angle multiplies the k-th harmonic of its marks by exp(-i k angle). What the lamp
does (shade, highlight) stands still or changes slowly, so it is a short polynomial of time in every
harmonic, and whatever such a polynomial can explain is taken out of everything.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from calibration.values import Floats
from tracker.spin.seen_from import RINGS, Samples
from tracker.values import STRIP_RINGS, Bytes

Complexes = npt.NDArray[np.complex64]

MOST_HARMONICS = 14
FEWEST_HARMONICS = 4
BLACK = 16.0  # lowest luma of a limited-range picture: ITU-R BT.709-6, item 4.6
DARK_LEVELS = 10.0  # added to the shade that divides, so that dark places do not shout
#: Frames for each degree of the polynomial that stands for the light.
FRAMES_A_DEGREE, HIGHEST_DEGREE = 12, 3


@dataclass(frozen=True, slots=True)
class Spectra:
    """Harmonics of n strips.

    Parameters
    ----------
    value : (..., K, n, rings) complex array
        Harmonic 1 to K of every ring, the light taken out; more than once where the strips are looked at
        in more than one way.
    light : (n, d) array
        Orthonormal columns: what was taken out.
    planes : (rings,) int array
        Which plane each ring belongs to.
    """

    value: Complexes
    light: Floats
    planes: npt.NDArray[np.int64]

    def one(self, view: int) -> Spectra:
        """Those of one way of looking at the strips."""
        return Spectra(self.value[view], self.light, self.planes)


def contrasts(strips: Bytes) -> tuple[Samples, ...]:
    """Luma, U and V of strips (n, rings, angles) over what the lamp makes of a ball without marks."""
    ends = np.cumsum([0, *map(len, STRIP_RINGS)])
    rows = strips.astype(np.float32)
    luma = np.maximum(rows[:, : ends[1]] - BLACK, 1.0)
    # Lamps on the mains flicker; a ball that only turns keeps its mean.
    luma *= luma.mean() / luma.mean(axis=(1, 2), keepdims=True)
    shade = luma.mean(axis=0)
    chroma = [rows[:, a:b] for a, b in pairwise(ends[1:])]
    return (luma - shade) / (shade + DARK_LEVELS), *((c - c.mean(axis=0)) / shade.mean() for c in chroma)


def spectra(planes: tuple[Samples, ...], time_s: Floats, radius_px: float) -> Spectra:
    """Harmonics of contrasts (v, n, rings, angles) on rings about the pole, at times (n,).

    ``radius_px`` is the ball's.
    """
    count = int(np.clip(round(radius_px), FEWEST_HARMONICS, MOST_HARMONICS))
    # A larger ring has more pixels to the harmonic.
    weight = np.sqrt(np.concatenate(RINGS)).astype(np.float32)
    rows = np.concatenate(planes, axis=2)
    rows *= weight[:, None]
    views, n, rings, angles = rows.shape
    light = light_basis(time_s)
    value = np.empty((views, count, n, rings), dtype=np.complex64)
    real, imaginary = (_waves(count, angles) @ rows.reshape(-1, angles).T).reshape(2, count, views, n, rings)
    value.real, value.imag = real.swapaxes(0, 1), imaginary.swapaxes(0, 1)
    which = np.repeat(np.arange(len(planes)), [p.shape[2] for p in planes])
    return Spectra(without(light, value), light, which)


@lru_cache(maxsize=16)
def _waves(count: int, angles: int) -> npt.NDArray[np.float32]:
    """Rows, (2 K, angles), that give the real and the imaginary parts of harmonics 1 to K.

    So few of them are had sooner by a product than by a fast transform.
    """
    turn = np.exp(-2j * np.pi / angles * (np.arange(1, count + 1)[:, None] * np.arange(angles) % angles))
    return np.concatenate([turn.real, turn.imag]).astype(np.float32) / np.float32(angles)


def square(value: Complexes) -> npt.NDArray[np.float32]:
    """Absolute values squared, of any shape; without the root that ``abs`` takes."""
    return np.asarray(value.real**2 + value.imag**2)


def light_basis(time_s: Floats) -> Floats:
    """Orthonormal polynomials of time, (n, d)."""
    n = len(time_s)
    degree = min(n // FRAMES_A_DEGREE, HIGHEST_DEGREE)
    middle = 0.5 * (time_s[0] + time_s[-1])
    scaled = (time_s - middle) / max(float(np.ptp(time_s)) / 2, 1e-9)
    basis, _ = np.linalg.qr(np.vander(scaled, degree + 1, increasing=True))
    return np.asarray(basis)


def without(light: Floats, value: Complexes) -> Complexes:
    """``value`` (..., n, rings) less what the columns of ``light`` explain."""
    basis = light.astype(np.float32)
    return np.asarray(value - basis @ (basis.T @ value), dtype=np.complex64)
