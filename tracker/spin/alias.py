"""Which other spins would look the same: marks that repeat within a turn, filmed frame by frame."""

from __future__ import annotations

import math

import numpy as np

from calibration.values import Floats
from tracker.spin.refine import Refined, turned_s
from tracker.spin.search import COARSE_HARMONICS, score
from tracker.spin.spectra import Spectra

HIGHEST_ORDER = 8
SYMMETRIC_SHARE = 0.9
LOBE_STEPS = 7


def symmetry_of(gain: Floats) -> int:
    """Into how many like parts the marks divide a turn, by what each harmonic 1 to K tells, (K,)."""
    order = np.arange(1, len(gain) + 1)
    whole = float(gain.sum())
    for n in range(min(HIGHEST_ORDER, len(gain)), 1, -1):
        if gain[order % n == 0].sum() >= SYMMETRIC_SHARE * whole:
            return n
    return 1


def alias_rates(
    spectra: Spectra, found: Refined, time_s: Floats, step_s: float, most_rad_s: float, fits_too: float
) -> list[float]:
    """Rates up to ``most_rad_s`` that turn the marks by 1/n turn a frame more or less, and fit as well.

    How the spin falls off is not known well enough to tell them apart, so all share the found one's.
    """
    harmonics = min(COARSE_HARMONICS, len(spectra.value))
    base = found.rate_rad_s * turned_s(time_s, found.decay_per_s)
    near = np.linspace(-1, 1, LOBE_STEPS) * math.pi / (2 * float(np.ptp(time_s)))
    best = float(score(spectra, time_s, near / harmonics, harmonics, base).total.max())
    tried: dict[float, None] = {}
    for n in range(1, HIGHEST_ORDER + 1):
        aside = 2 * math.pi / (n * step_s)
        for turns in range(1, math.ceil(2 * most_rad_s / aside) + 1):
            tried.update(dict.fromkeys(round(sign * turns * aside, 9) for sign in (-1, 1)))
    rates = [extra for extra in tried if abs(found.rate_rad_s + extra) <= most_rad_s]
    if not rates:
        return []
    wide = (np.array(rates)[:, None] + near).ravel()
    total = score(spectra, time_s, wide, harmonics, base).total.reshape(len(rates), -1).max(axis=1)
    return [
        found.rate_rad_s + extra for extra, worth in zip(rates, total, strict=True) if worth > fits_too * best
    ]
