"""How many shots it takes to see a difference."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import stats

from tracker.errors import SessionError
from tracker.session.distributions import noncentral_t_cdf, t_quantile

MOST_SHOTS = 10**9  # a search that goes beyond has no practical answer
_CHANCES = (np.arange(400) + 0.5) / 400  # midpoints of equally likely slices of the estimated scatter


def two_sample_power(n: int, difference: float, sd: float, *, alpha: float = 0.05) -> float:
    """Chance that two sessions of ``n`` shots each show a true difference, two-sided t test.

    Source: noncentral t with 2n - 2 degrees of freedom and shift d sqrt(n/2) (Cohen, Statistical Power
    Analysis, 1988, 2.2; NIST/SEMATECH e-Handbook 7.2.2.2 for one sample).
    """
    return _t_power(2 * n - 2, abs(difference) / sd * math.sqrt(n / 2), alpha, sides=2)


def one_sample_power(n: int, difference: float, sd: float, *, alpha: float = 0.05, sides: int = 2) -> float:
    """Chance that one session of ``n`` shots shows a true difference from a fixed value."""
    return _t_power(n - 1, abs(difference) / sd * math.sqrt(n), alpha, sides)


def _t_power(dof: int, shift: float, alpha: float, sides: int) -> float:
    if dof < 1:
        return 0.0
    limit = t_quantile(1 - alpha / sides, dof)
    seen = 1 - noncentral_t_cdf(limit, dof, shift)
    return seen + noncentral_t_cdf(-limit, dof, shift) if sides == 2 else seen


def shots_for_difference(difference: float, sd: float, *, power: float = 0.8, alpha: float = 0.05) -> int:
    """Shots in each of two sessions that show ``difference`` with this chance.

    Raises
    ------
    SessionError
        If the difference is zero, or the standard deviation is not positive.
    """
    if difference == 0 or not math.isfinite(difference) or not sd > 0:
        raise SessionError(
            "nothing_to_see",
            "A number of shots needs a difference other than zero and a scatter above zero.",
            "State the smallest difference that matters to you.",
        )
    found = smallest(lambda n: two_sample_power(n, difference, sd, alpha=alpha) >= power)
    if found is None:
        raise SessionError(
            "too_small_to_see",
            "The difference is too small beside the scatter to be seen with any number of shots.",
            "Make the shots more alike first, or look for a larger difference.",
        )
    return found


def smallest(enough: Callable[[int], bool]) -> int | None:
    """Smallest number of shots from 2 up that is enough, for a chance that grows with the shots."""
    high = 2
    while not enough(high):
        high *= 2
        if high > MOST_SHOTS:
            return None
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def verdict_power(
    shots: float,
    sds: tuple[float, float],
    expected: float,
    within: float,
    u_common: float,
) -> float:
    """Chance that a change that is truly as expected is called so.

    That is: the 95 % interval of the difference excludes 0 on the expected side, and the 90 % interval lies
    within ``expected`` -+ ``within`` (infinite: no such condition). Averaged over the scatter that the
    sessions will happen to show; infinite ``shots`` gives what the common part alone allows.

    Parameters
    ----------
    shots : float
        Shots in each session.
    sds : tuple of float
        True standard deviations before and after.
    u_common : float
        Standard uncertainty of the difference that no shot reduces.
    """
    variances = np.asarray(sds) ** 2
    u_random = math.sqrt(float(variances.sum()) / shots)
    dof = float(variances.sum() ** 2 / np.sum(variances**2)) * (shots - 1) if u_random > 0 else math.inf
    sigma = math.hypot(u_random, u_common)
    size = abs(expected)
    if sigma == 0:
        return 1.0
    if math.isinf(dof):
        seen, u, dofs = np.zeros(1), np.array([u_common]), np.array([np.inf])
    else:
        seen = u_random * np.sqrt(stats.chi2.ppf(_CHANCES, dof) / dof)
        u = np.hypot(seen, u_common)
        dofs = dof * (u / seen) ** 4
    low = np.maximum(_quantile(0.975, dofs) * u, size - within + _quantile(0.95, dofs) * u)
    high = size + within - _quantile(0.95, dofs) * u
    chance = stats.norm.cdf((high - size) / sigma) - stats.norm.cdf((low - size) / sigma)
    return float(np.mean(np.maximum(chance, 0.0)))


def _quantile(probability: float, dofs: np.ndarray) -> np.ndarray:
    """Quantiles of Student's t, normal where the degrees of freedom are very many."""
    return np.asarray(stats.t.ppf(probability, np.minimum(dofs, 1e12)))
