"""A session's mean, its scatter and what part of the scatter is the launcher's own."""

from __future__ import annotations

import math

import numpy as np
from scipy import optimize, stats

from calibration.values import Floats
from tracker.evaluation import Estimate, Mean, Repeatability
from tracker.session.distributions import effective_dof, noncentral_t_cdf, t_quantile
from tracker.session.values import Sample, need
from tracker.values import Number


def mean(sample: Sample, *, confidence: float = 0.95) -> Mean:
    """Mean with its interval: Student's t for the random part, widened by the common part.

    Source: JCGM 100:2008, 4.2 and G.4. One shot tells nothing of the scatter between shots.
    """
    n = len(sample)
    value = float(np.mean(sample.values))
    if n == 1:
        return Mean(Number(value, float(sample.u_random[0]), sample.u_common, None, None), 1, 0.0)
    u_random = float(np.std(sample.values, ddof=1)) / math.sqrt(n)
    dof = effective_dof(u_random, n - 1, sample.u_common)
    half = t_quantile((1 + confidence) / 2, dof) * math.hypot(u_random, sample.u_common)
    return Mean(Number(value, u_random, sample.u_common, value - half, value + half), n, dof)


def repeatability(sample: Sample, *, confidence: float = 0.95) -> Repeatability:
    """Standard deviation with its chi-square interval, exact for normal scatter.

    Sources: NIST/SEMATECH e-Handbook 7.2.3 and 1.3.5.8; repeatability as in ISO 5725-2. Taking a
    known measuring variance away moves both bounds of the variance alike.

    Raises
    ------
    SessionError
        With fewer than two shots.
    """
    n = len(sample)
    need(n, 2, "A standard deviation")
    sd = float(np.std(sample.values, ddof=1))
    low, high = sd_bounds(sd, n - 1, confidence)
    measuring = float(np.sqrt(np.mean(sample.u_random**2)))

    def without_measuring(total: float) -> float:
        return math.sqrt(max(0.0, total**2 - measuring**2))

    return Repeatability(
        sd=Estimate(sd, low, high),
        measuring_sd=measuring,
        launcher_sd=Estimate(without_measuring(sd), without_measuring(low), without_measuring(high)),
        cv=coefficient_of_variation(sample.values, confidence=confidence),
        shots=n,
    )


def sd_bounds(sd: float, dof: int, confidence: float = 0.95) -> tuple[float, float]:
    """Chi-square interval of a standard deviation."""
    tail = (1 - confidence) / 2
    largest, smallest = (float(stats.chi2.ppf(q, dof)) for q in (1 - tail, tail))
    return sd * math.sqrt(dof / largest), sd * math.sqrt(dof / smallest)


def coefficient_of_variation(values: Floats, *, confidence: float = 0.95) -> Estimate:
    """Standard deviation over mean, shape (n,) to a share, with its exact interval.

    sqrt(n) times mean over standard deviation is noncentral t; its shift, sqrt(n) over the true
    coefficient, is bounded and turned over. Source: Johnson & Welch, Biometrika 31 (1940) 362.

    Raises
    ------
    SessionError
        With fewer than two shots.
    """
    n = len(values)
    need(n, 2, "A coefficient of variation")
    centre, sd = abs(float(np.mean(values))), float(np.std(values, ddof=1))
    if centre == 0:
        return Estimate(math.inf, None, None) if sd > 0 else Estimate(0.0, 0.0, None)
    if sd <= 1e-12 * centre:
        return Estimate(sd / centre, 0.0, 0.0) if sd == 0 else Estimate(sd / centre, None, None)
    t = math.sqrt(n) * centre / sd
    tail = (1 - confidence) / 2

    def shift(probability: float) -> float:
        top = t + 10.0
        while noncentral_t_cdf(t, n - 1, top) > probability:
            top *= 2
        bottom = -10.0
        return float(
            optimize.brentq(lambda d: noncentral_t_cdf(t, n - 1, d) - probability, bottom, top, rtol=1e-12)
        )

    largest, smallest = shift(tail), shift(1 - tail)
    return Estimate(sd / centre, math.sqrt(n) / largest, math.sqrt(n) / smallest if smallest > 0 else None)
