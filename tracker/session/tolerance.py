"""Between which values nearly all shots fall."""

from __future__ import annotations

import functools
import math

import numpy as np
from scipy import optimize, stats

from tracker.evaluation import ToleranceInterval
from tracker.session.distributions import NODES, WEIGHTS, noncentral_t_cdf
from tracker.session.values import Sample, need


def tolerance_interval(
    sample: Sample, *, coverage: float = 0.90, confidence: float = 0.95
) -> ToleranceInterval:
    """Two-sided interval mean -+ k s for normal scatter.

    Raises
    ------
    SessionError
        With fewer than two shots.
    """
    need(len(sample), 2, "A tolerance interval")
    k = two_sided_k(len(sample), coverage, confidence)
    centre, sd = float(np.mean(sample.values)), float(np.std(sample.values, ddof=1))
    return ToleranceInterval(centre - k * sd, centre + k * sd, k, coverage, confidence, sample.u_common)


@functools.lru_cache(maxsize=256)
def two_sided_k(n: int, coverage: float, confidence: float) -> float:
    """Exact factor k for ``n`` values, no approximation of Howe's kind.

    For a mean that is off by z standard deviations of the mean, r(z) is the half width that still holds
    ``coverage``; k is where the chance of k s >= r(z) sigma, averaged over z, is ``confidence``.
    Source: Krishnamoorthy & Mathew, Statistical Tolerance Regions (2009), (2.3.3).
    """
    off = np.abs(NODES) / math.sqrt(n)
    radius = np.sqrt(stats.ncx2.ppf(coverage, 1, off**2))

    def reached(k: float) -> float:
        return float(np.sum(WEIGHTS * stats.chi2.sf((n - 1) * (radius / k) ** 2, n - 1)))

    return float(optimize.brentq(lambda k: reached(k) - confidence, 1e-3, 1e6, xtol=1e-12, rtol=1e-13))


@functools.lru_cache(maxsize=256)
def one_sided_k(n: int, coverage: float, confidence: float) -> float:
    """Exact factor k of a one-sided limit for ``n`` values, from noncentral t.

    Source: NIST/SEMATECH e-Handbook 7.2.6.3.
    """
    shift = math.sqrt(n) * float(stats.norm.ppf(coverage))

    def reached(k: float) -> float:
        return noncentral_t_cdf(math.sqrt(n) * k, n - 1, shift)

    return float(optimize.brentq(lambda k: reached(k) - confidence, -10.0, 1e6, xtol=1e-12, rtol=1e-13))
