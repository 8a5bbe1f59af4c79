"""The distributions that small samples need and that a table of normal quantiles does not give."""

from __future__ import annotations

import functools
import math
from collections import Counter

import numpy as np
from scipy import stats

from calibration.values import Floats

# Trapezoid nodes for means over a standard normal variable: for a smooth integrand that falls off on both
# sides the rule converges faster than any power of the step
# (Trefethen & Weideman, SIAM Review 56 (2014) 385).
NODES: Floats = np.linspace(-8.5, 8.5, 681)
WEIGHTS: Floats = np.exp(-0.5 * NODES**2) / np.sum(np.exp(-0.5 * NODES**2))

EXACT_UP_TO = 60  # values; beyond, the exact counts cost more than they tell


def t_quantile(probability: float, dof: float) -> float:
    """Quantile of Student's t; infinite ``dof`` is the normal distribution."""
    return float(stats.norm.ppf(probability) if math.isinf(dof) else stats.t.ppf(probability, dof))


def t_two_sided(t: float, dof: float) -> float:
    """Probability of a larger ``|t|``; infinite ``dof`` is the normal distribution."""
    return float(2 * (stats.norm.sf(abs(t)) if math.isinf(dof) else stats.t.sf(abs(t), dof)))


def effective_dof(u_random: float, dof_random: float, u_common: float) -> float:
    """Degrees of freedom of a random part together with a common part whose own are infinite.

    Source: Welch-Satterthwaite, JCGM 100:2008, G.4.1 formula (G.2b); infinite for a part
    evaluated otherwise than by repetition, G.4.3.
    """
    if u_random == 0:
        return math.inf if u_common > 0 else dof_random
    return float(dof_random * (1 + (u_common / u_random) ** 2) ** 2)


def noncentral_t_cdf(t: float, dof: float, shift: float) -> float:
    """Probability that (Z + shift) / sqrt(chi2/dof) is at most ``t``.

    The mean over Z of the chance that chi2 is large enough; exact also where ``shift`` is
    in the hundreds, as it is for the coefficient of variation of a good launcher.
    Source: definition of the noncentral t distribution (Johnson, Kotz & Balakrishnan, vol. 2, ch. 31).
    """
    if t <= 0:
        return float(stats.norm.cdf(-shift)) if t == 0 else 1 - noncentral_t_cdf(-t, dof, -shift)
    numerator = np.maximum(NODES + shift, 0.0)
    return float(np.sum(WEIGHTS * stats.chi2.sf(dof * (numerator / t) ** 2, dof)))


@functools.lru_cache(maxsize=256)
def inversion_counts(sizes: tuple[int, ...]) -> tuple[int, ...]:
    """How many orders of values, tied in groups of these sizes, have 0, 1, 2 ... inversions.

    The coefficients of the Gaussian multinomial [n]! / ([t1]! [t2]! ...).
    Source: MacMahon's theorem on inversions of a multiset (Stanley, Enumerative Combinatorics 1, 1.7).
    """
    n = sum(sizes)
    degree = (n * (n - 1) - sum(t * (t - 1) for t in sizes)) // 2
    counts = [1] + [0] * degree
    for i in range(1, n + 1):
        for k in range(degree, i - 1, -1):
            counts[k] -= counts[k - i]
    for size in sizes:
        for j in range(1, size + 1):
            for k in range(j, degree + 1):
                counts[k] += counts[k - j]
    return tuple(counts)


def tie_sizes(values: Floats) -> tuple[int, ...]:
    """Sizes of the groups of equal values, largest first; 1 for a value that stands alone."""
    return tuple(sorted(Counter(values.tolist()).values(), reverse=True))


def kendall_tail(s: int, sizes: tuple[int, ...]) -> float:
    """Exact probability that ``|S|`` is at least ``|s|`` when every order is equally likely.

    S is the number of pairs in rising order less those in falling order.
    """
    counts = inversion_counts(sizes)
    degree = len(counts) - 1
    # S = degree - 2 * inversions, and the counts are symmetric
    few = (degree - abs(s)) // 2
    return 1.0 if s == 0 else min(1.0, 2 * sum(counts[: few + 1]) / sum(counts))


def kendall_limit(sizes: tuple[int, ...], alpha: float) -> int:
    """Largest reachable S that is exceeded in size with probability at most ``alpha``."""
    counts = inversion_counts(sizes)
    degree = len(counts) - 1
    total = sum(counts)
    tail = 0
    for inversions, count in enumerate(counts):
        tail += count
        if 2 * tail > alpha * total:
            return degree - 2 * inversions
    return 0
