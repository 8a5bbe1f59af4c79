"""Robust weights: what large residuals count.

Source: Huber & Ronchetti, Robust Statistics (2009), ch. 4 and 7.8 (from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy  # its parts load when they are first used

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# In standard deviations, for one row a point; each keeps 95 % efficiency for normal errors (from memory).
THRESHOLDS = {"linear": np.inf, "huber": 1.345, "cauchy": 2.385}


def threshold_of(loss: str, point: Ints | None) -> Floats | float:
    """From which size on a residual counts less; with ``point``, one for each point.

    However many rows a point has, the same share of good points lies beyond.
    """
    threshold = THRESHOLDS[loss]
    if point is None or loss == "linear":
        return threshold
    beyond = scipy.special.chdtrc(1, threshold**2)
    thresholds: Floats = np.sqrt(scipy.special.chdtri(np.maximum(np.bincount(point), 1), beyond))
    return thresholds


def weigh(
    residuals: Floats, loss: str, threshold: Floats | float, point: Ints | None
) -> tuple[Floats, float]:
    """Weights of the rows (m,), and the sum of their losses (squares where all is well).

    Rows with the same number in ``point`` (m,) are judged together, by the length of their residuals.
    """
    if loss == "linear":
        return np.ones_like(residuals), float(residuals @ residuals)
    size = np.abs(residuals) if point is None else np.sqrt(np.bincount(point, weights=residuals**2))
    c = threshold
    if loss == "huber":
        weights = np.asarray(c / np.maximum(size, c))
        losses = np.where(size <= c, size**2, 2 * c * size - c**2)
    else:
        weights = 1 / (1 + (size / c) ** 2)
        losses = c**2 * np.log1p((size / c) ** 2)
    return (weights if point is None else weights[point]), float(np.sum(losses))
