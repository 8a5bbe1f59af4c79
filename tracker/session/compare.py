"""Two sessions: what a change did, and whether it did what it was meant to."""

from __future__ import annotations

import math

import numpy as np

from tracker.errors import SessionError
from tracker.evaluation import Comparison, Difference
from tracker.session.consistency import mean
from tracker.session.distributions import effective_dof, t_quantile
from tracker.session.power import smallest, verdict_power
from tracker.session.spread import spread_ratio
from tracker.session.values import Sample
from tracker.values import Number

AS_DESIGNED = "as_designed"
CHANGED_NOT_AS_DESIGNED = "changed_not_as_designed"
NO_CHANGE_SEEN = "no_change_seen"
TOO_FEW_SHOTS = "too_few_shots"
CHANGED = "changed"
POWER = 0.8


def compare(
    before: Sample, after: Sample, *, expected: float | None = None, within: float | None = None
) -> Comparison:
    """Compare two sessions.

    With B = expected -+ within, and I95 and I90 the 95 and 90 % intervals of the difference, the first of
    these that holds:

    - ``changed_not_as_designed``: I95 excludes 0 on the side opposite to the expected change;
    - ``as_designed``: I90 inside B and I95 excludes 0 (two one-sided tests, Schuirmann, J. Pharmacokin.
      Biopharm. 15 (1987) 657);
    - ``changed_not_as_designed``: I95 excludes 0 and does not touch B;
    - ``no_change_seen``: I95 contains 0 and excludes the expected change;
    - ``too_few_shots``.

    Without an expected change, ``within`` is the smallest change that matters: I95 excludes 0, "changed"; I95
    inside -+ within, "no_change_seen"; else "too_few_shots". Without either, I95 contains 0 is
    "no_change_seen", and ``could_hide`` says how little that may mean.

    Raises
    ------
    SessionError
        If the expected change is zero or has no tolerance, or a tolerance is not positive.
    """
    _check(expected, within)
    seen = difference(before, after)
    number = seen.number
    verdict = _verdict(seen, expected, within)
    hide = (
        max(abs(number.low95), abs(number.high95))
        if number.low95 is not None and number.high95 is not None and number.low95 <= 0 <= number.high95
        else None
    )
    needed, advice = (
        _needed(before, after, seen, expected, within) if verdict == TOO_FEW_SHOTS else (None, None)
    )
    enough = min(len(before), len(after)) >= 2
    return Comparison(
        before=mean(before).value,
        after=mean(after).value,
        difference=seen,
        expected=expected,
        within=within,
        verdict=verdict,
        could_hide=hide,
        shots_needed=needed,
        advice=advice,
        spread=spread_ratio(before.values, after.values) if enough else None,
    )


def difference(before: Sample, after: Sample) -> Difference:
    """Difference of two means; Welch for the random part, the common parts unless they are one.

    The common part has infinite degrees of freedom in the Welch-Satterthwaite formula, which without it
    is Welch's own. Sources: Welch, Biometrika 34 (1947) 28; JCGM 100:2008, G.4.1 to G.4.3.
    """
    value = float(np.mean(after.values) - np.mean(before.values))
    shared = before.shares_calibration(after)
    u_common = 0.0 if shared else math.hypot(before.u_common, after.u_common)
    left = abs(after.u_common - before.u_common) if shared else 0.0
    parts = [_variance_of_mean(sample) for sample in (before, after)]
    u_random = math.sqrt(sum(parts))
    if min(len(before), len(after)) < 2:
        return Difference(Number(value, u_random, u_common, None, None), None, None, 0.0, shared, left)
    dofs = (len(before) - 1, len(after) - 1)
    welch = (
        sum(parts) ** 2 / sum(part**2 / dof for part, dof in zip(parts, dofs, strict=True))
        if u_random > 0
        else float(sum(dofs))
    )
    dof = effective_dof(u_random, welch, u_common)
    u = math.hypot(u_random, u_common)
    half95, half90 = t_quantile(0.975, dof) * u, t_quantile(0.95, dof) * u
    number = Number(value, u_random, u_common, value - half95, value + half95)
    return Difference(number, value - half90, value + half90, dof, shared, left)


def _variance_of_mean(sample: Sample) -> float:
    n = len(sample)
    return float(np.var(sample.values, ddof=1)) / n if n > 1 else float(sample.u_random[0]) ** 2


def _check(expected: float | None, within: float | None) -> None:
    if expected is not None and (expected == 0 or not math.isfinite(expected)):
        raise SessionError(
            "expected_change_zero",
            "The expected change must be a number other than zero.",
            "Leave the expected change out and state the smallest change that matters instead.",
        )
    if within is not None and not 0 < within < math.inf:
        raise SessionError(
            "tolerance_not_positive",
            "The tolerance of the change must be above zero.",
            "State how far from the expected change the result may be and still be as designed.",
        )
    if expected is not None and within is None:
        raise SessionError(
            "tolerance_missing",
            "The expected change is stated without a tolerance.",
            "State how far from the expected change the result may be and still be as designed.",
        )


def _verdict(seen: Difference, expected: float | None, within: float | None) -> str:
    """The rule of ``compare``."""
    low, high = seen.number.low95, seen.number.high95
    if low is None or high is None or seen.low90 is None or seen.high90 is None:
        return TOO_FEW_SHOTS
    if expected is not None and within is not None:
        return designed_verdict((low, high), (seen.low90, seen.high90), expected, within)
    if low > 0 or high < 0:
        return CHANGED
    limit = math.inf if within is None else within
    return NO_CHANGE_SEEN if low > -limit and high < limit else TOO_FEW_SHOTS


def designed_verdict(
    i95: tuple[float, float], i90: tuple[float, float], expected: float, within: float
) -> str:
    """The rule of ``compare`` for a change that was designed."""
    least, most = expected - within, expected + within
    if i95[0] <= 0 <= i95[1]:
        return TOO_FEW_SHOTS if i95[0] <= expected <= i95[1] else NO_CHANGE_SEEN
    # asked first, for a tolerance wider than the change reaches across 0
    if (i95[0] > 0) != (expected > 0):
        return CHANGED_NOT_AS_DESIGNED
    if i90[0] >= least and i90[1] <= most:
        return AS_DESIGNED
    return CHANGED_NOT_AS_DESIGNED if i95[0] > most or i95[1] < least else TOO_FEW_SHOTS


def _needed(
    before: Sample, after: Sample, seen: Difference, expected: float | None, within: float | None
) -> tuple[int | None, str]:
    """Shots in each session for a verdict, and the advice that goes with it.

    With an expected change, the chance that it is called as designed. Without one, the chance that a
    change of ``within`` is seen.
    """
    change, tolerance = (expected, within) if expected is not None else (within, math.inf)
    known = [float(np.std(sample.values, ddof=1)) for sample in (before, after) if len(sample) > 1]
    if change is None or tolerance is None or not known:
        return None, "more_shots"
    sds = (known[0], known[-1])
    u_common = seen.number.u_common
    if verdict_power(math.inf, sds, change, tolerance, u_common) < POWER:
        return None, "share_calibration"
    needed = smallest(lambda n: verdict_power(n, sds, change, tolerance, u_common) >= POWER)
    fired = min(len(before), len(after))
    return needed, "on_the_edge" if needed is not None and needed <= fired else "more_shots"
