"""Drift over a session: Theil-Sen slope and Mann-Kendall test, exact for small samples."""

from __future__ import annotations

import math

import numpy as np
from scipy import stats

from calibration.values import Floats
from tracker.errors import SessionError
from tracker.evaluation import Estimate, Trend
from tracker.session.distributions import EXACT_UP_TO, kendall_limit, kendall_tail, tie_sizes
from tracker.session.values import need


def trend(values: Floats, against: Floats | None = None, *, confidence: float = 0.95) -> Trend:
    """Trend of values, shape (n,), against the shot's number or ``against``, shape (n,).

    Sources: Mann, Econometrica 13 (1945) 245; Kendall, Rank Correlation Methods (1970), ch. 4;
    Sen, J. Am. Stat. Assoc. 63 (1968) 1379. The interval holds the slopes that the test would not refuse.

    Raises
    ------
    SessionError
        With fewer than three shots, or if nothing differs in ``against``.
    """
    n = len(values)
    need(n, 3, "A trend")
    x = np.arange(n, dtype=np.float64) if against is None else np.asarray(against, dtype=np.float64)
    first, second = np.triu_indices(n, 1)
    dx, dy = x[second] - x[first], values[second] - values[first]
    apart = dx != 0
    if not apart.any():
        raise SessionError(
            "nothing_varies",
            "All shots were fired under the same condition, so there is no trend to see.",
            "Vary the condition between shots.",
        )
    s = int(np.sum(np.sign(dx) * np.sign(dy)))
    p, method = _probability(s, tie_sizes(x), tie_sizes(values))
    return Trend(_slope(dy[apart] / dx[apart], tie_sizes(x), 1 - confidence), s, p, method)


def _probability(s: int, ties_x: tuple[int, ...], ties_y: tuple[int, ...]) -> tuple[float, str]:
    """Two-sided probability of S, and how it was found."""
    n = sum(ties_x)
    if n <= EXACT_UP_TO:
        if ties_x[0] == 1:
            return kendall_tail(s, ties_y), "exact"
        if ties_y[0] == 1:
            return kendall_tail(s, ties_x), "exact"
    variance = kendall_variance(ties_x, ties_y)
    if variance == 0 or s == 0:
        return 1.0, "normal"
    return min(1.0, float(2 * stats.norm.sf((abs(s) - 1) / math.sqrt(variance)))), "normal"


def kendall_variance(ties_x: tuple[int, ...], ties_y: tuple[int, ...]) -> float:
    """Variance of S when every order is equally likely, ties on both sides.

    Source: Kendall, Rank Correlation Methods (1970), (4.3).
    """
    n = sum(ties_x)

    def sums(ties: tuple[int, ...]) -> tuple[int, int, int]:
        return (
            sum(t * (t - 1) * (2 * t + 5) for t in ties),
            sum(t * (t - 1) * (t - 2) for t in ties),
            sum(t * (t - 1) for t in ties),
        )

    (x5, x2, x1), (y5, y2, y1) = sums(ties_x), sums(ties_y)
    variance = (n * (n - 1) * (2 * n + 5) - x5 - y5) / 18 + x1 * y1 / (2 * n * (n - 1))
    return variance + (x2 * y2 / (9 * n * (n - 1) * (n - 2)) if n > 2 else 0.0)


def _slope(slopes: Floats, ties_x: tuple[int, ...], alpha: float) -> Estimate:
    """Median of the pairs' slopes, shape (m,), and the order statistics that bound it."""
    if sum(ties_x) <= EXACT_UP_TO:
        limit = kendall_limit(ties_x, alpha)
    else:
        ones = (1,) * sum(ties_x)
        limit = math.ceil(float(stats.norm.ppf(1 - alpha / 2)) * math.sqrt(kendall_variance(ties_x, ones)))
    ordered = np.sort(slopes)
    outside = (len(ordered) - limit) // 2  # slopes left out at either end, one less
    middle = float(np.median(ordered))
    if outside < 1:
        return Estimate(middle, None, None)
    return Estimate(middle, float(ordered[outside - 1]), float(ordered[-outside]))
