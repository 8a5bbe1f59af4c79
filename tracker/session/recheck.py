"""A few shots before a match against a session of record: whether the launcher is still itself."""

from __future__ import annotations

import math

import numpy as np
from scipy import stats

from tracker.errors import SessionError
from tracker.evaluation import Recheck
from tracker.session.distributions import effective_dof, t_quantile, t_two_sided
from tracker.session.values import Sample, need
from tracker.values import Number

# Two questions are asked, so each gets half of the 5 % (Bonferroni): a launcher that is still itself is
# called something else in at most one check in twenty.
EACH = 0.025


def recheck(record: Sample, few: Sample, *, within: float | None = None) -> Recheck:
    """Judge a few shots by the scatter of the record.

    The record alone gives the scatter (prediction interval of the mean of m further values), for
    that of five shots says little. ``within`` defaults to two standard deviations of the record, a shift
    that its own scatter would cover in most shots (common practice, no source).
    Sources: Hahn & Meeker, Statistical Intervals (1991), 4.8; F test, NIST/SEMATECH e-Handbook 1.3.5.9.

    Raises
    ------
    SessionError
        If the record has fewer than two shots, no scatter, or ``within`` is not positive.
    """
    n, m = len(record), len(few)
    need(n, 2, "A session of record")
    sd = float(np.std(record.values, ddof=1))
    if sd == 0:
        raise SessionError(
            "record_without_scatter",
            "All shots of the session of record are equal.",
            "Take another session as the record.",
        )
    if within is not None and not 0 < within < math.inf:
        raise SessionError(
            "tolerance_not_positive",
            "The largest shift that would not matter must be above zero.",
            "Leave it out to use two standard deviations of the record.",
        )
    limit = 2 * sd if within is None else within
    value = float(np.mean(few.values) - np.mean(record.values))
    u_random = sd * math.sqrt(1 / n + 1 / m)
    u_common = 0.0 if record.shares_calibration(few) else math.hypot(record.u_common, few.u_common)
    u = math.hypot(u_random, u_common)
    dof = effective_dof(u_random, n - 1, u_common)
    half = t_quantile(0.975, dof) * u
    ratio = float(np.std(few.values, ddof=1)) / sd if m > 1 else None
    p_spread = 1.0 if ratio is None else float(stats.f.sf(ratio**2, m - 1, n - 1))
    p_mean = t_two_sided(value / u, dof)
    hide = max(abs(value - half), abs(value + half))
    if p_mean < EACH:
        verdict = "moved"
    elif p_spread < EACH:
        verdict = "scattered"
    else:
        verdict = "itself" if hide <= limit else "too_few_shots"
    number = Number(value, u_random, u_common, value - half, value + half)
    return Recheck(number, limit, p_mean, p_spread, ratio, verdict, hide)
