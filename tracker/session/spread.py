"""Whether two sessions scatter alike."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import stats

from calibration.values import Floats
from tracker.evaluation import Estimate, SpreadRatio
from tracker.session.values import need


def spread_ratio(before: Floats, after: Floats, *, confidence: float = 0.95) -> SpreadRatio:
    """Ratio of the standard deviations of two sessions, shapes (n,) and (m,).

    Sources: NIST/SEMATECH e-Handbook 1.3.5.9 (F), 1.3.5.10 (Brown-Forsythe).

    Raises
    ------
    SessionError
        If a session has fewer than two shots.
    """
    need(min(len(before), len(after)), 2, "Comparing spreads")
    sd_before, sd_after = float(np.std(before, ddof=1)), float(np.std(after, ddof=1))
    robust = brown_forsythe([before, after])
    p_robust = None if robust is None else robust[1]
    if sd_before == 0:
        same = sd_after == 0
        return SpreadRatio(
            Estimate(1.0 if same else math.inf, 0.0 if same else None, None), 1.0 if same else 0.0, p_robust
        )
    dofs = (len(after) - 1, len(before) - 1)
    f = (sd_after / sd_before) ** 2
    tail = (1 - confidence) / 2
    low, high = (f / float(stats.f.ppf(q, *dofs)) for q in (1 - tail, tail))
    p = 2 * min(float(stats.f.sf(f, *dofs)), float(stats.f.cdf(f, *dofs)))
    return SpreadRatio(Estimate(math.sqrt(f), math.sqrt(low), math.sqrt(high)), min(1.0, p), p_robust)


def brown_forsythe(groups: Sequence[Floats]) -> tuple[float, float] | None:
    """W about the medians and its probability, groups of shape (n_i,); None where it is not defined.

    Source: Brown & Forsythe, J. Am. Stat. Assoc. 69 (1974) 364.
    """
    if min(len(group) for group in groups) < 3:
        return None
    away = [np.abs(group - np.median(group)) for group in groups]
    if all(np.ptp(a) <= 1e-12 * np.max(np.abs(group)) for a, group in zip(away, groups, strict=True)):
        return None
    w, p = stats.levene(*groups, center="median")
    return float(w), float(p)
