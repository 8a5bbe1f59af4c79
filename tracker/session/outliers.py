"""Shots that do not belong to the others."""

from __future__ import annotations

import math

import numpy as np
from scipy import stats

from calibration.values import Floats, frozen
from tracker.evaluation import Outliers
from tracker.session.values import need

MANY = (
    15  # shots from which more than one outlier is looked for (Rosner's approximation; e-Handbook 1.3.5.17.3)
)


def outliers(values: Floats, *, alpha: float = 0.05, most: int | None = None) -> Outliers:
    """Generalised extreme Studentised deviate test on values, shape (n,).

    With fewer than 15 shots one outlier is looked for (Grubbs' test), from 15 on up
    to a fifth of them. The robust scores (0.6745 / MAD; Iglewicz & Hoaglin 1993) are for looking only:
    among few shots a limit on them would cry wolf.

    Sources: Rosner, Technometrics 25 (1983) 165; NIST/SEMATECH e-Handbook 1.3.5.17.

    Raises
    ------
    SessionError
        With fewer than three shots.
    """
    n = len(values)
    need(n, 3, "Looking for outliers")
    sought = most if most is not None else (n // 5 if n >= MANY else 1)
    order, deviation, limit = extreme_deviates(values, min(sought, n - 2), alpha)
    beyond = np.flatnonzero(deviation > limit)
    found = int(beyond[-1]) + 1 if len(beyond) else 0
    median = float(np.median(values))
    mad = float(np.median(np.abs(values - median)))
    score = float(stats.norm.ppf(0.75)) * (values - median) / mad if mad > 0 else np.zeros(n)
    return Outliers(tuple(order[:found]), median, mad, frozen(score), sought)


def extreme_deviates(values: Floats, most: int, alpha: float) -> tuple[list[int], Floats, Floats]:
    """Shots in the order of removal, their Studentised deviates and the limits, shapes (most,)."""
    left = list(range(len(values)))
    order: list[int] = []
    deviation, limit = np.zeros(most), np.zeros(most)
    for step in range(most):
        rest = values[left]
        m = len(rest)
        sd = float(np.std(rest, ddof=1))
        away = np.abs(rest - np.mean(rest))
        worst = int(np.argmax(away))
        # equal values leave a rounding error for a standard deviation
        deviation[step] = away[worst] / sd if sd > 1e-12 * float(np.max(np.abs(rest))) else 0.0
        t = float(stats.t.ppf(1 - alpha / (2 * m), m - 2))
        limit[step] = (m - 1) * t / math.sqrt((m - 2 + t**2) * m)
        order.append(left.pop(worst))
    return order, deviation, limit
