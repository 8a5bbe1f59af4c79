"""What the order of shots does: a first shot that differs, and a launcher that needs time to recover."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import stats

from calibration.values import Floats
from tracker.errors import SessionError
from tracker.evaluation import Estimate, FirstShot, Recovery, Trend
from tracker.session.distributions import t_quantile, t_two_sided
from tracker.session.trend import trend
from tracker.session.values import need


def first_shot(runs: Sequence[Floats], *, confidence: float = 0.95) -> FirstShot:
    """Effect of coming first, from runs of shots, each shape (n_i,), that began at rest.

    Least squares with a mean for each run and one scatter for all: each run's difference has the
    variance sigma^2 n_i/(n_i - 1), and sum(n_i - 2) degrees of freedom estimate sigma.
    Source: normal linear model, any textbook (e.g. Scheffe, The Analysis of Variance, 1959, ch. 2).

    Raises
    ------
    SessionError
        If no run has three shots.
    """
    usable = [np.asarray(run, dtype=np.float64) for run in runs if len(run) >= 3]
    need(max((len(run) for run in runs), default=0), 3, "The effect of the first shot")
    difference = np.array([run[0] - run[1:].mean() for run in usable])
    weight = np.array([(len(run) - 1) / len(run) for run in usable])
    dof = sum(len(run) - 2 for run in usable)
    sd = math.sqrt(sum(float(np.sum((run[1:] - run[1:].mean()) ** 2)) for run in usable) / dof)
    effect = float(np.sum(weight * difference) / np.sum(weight))
    u = sd / math.sqrt(float(np.sum(weight)))
    half = t_quantile((1 + confidence) / 2, dof) * u
    p = t_two_sided(effect / u, dof) if u > 0 else float(effect == 0)
    return FirstShot(Estimate(effect, effect - half, effect + half), p, dof, len(usable))


def recovery(values: Floats, since_previous_s: Floats, *, confidence: float = 0.95) -> Recovery:
    """Dependence of values, shape (n,), on the time since the previous shot, shape (n,), NaN for none.

    Where longer waiting raises the quantity, value = rest - drop exp(-t/tau) is fitted, the
    first-order return of a driven wheel to its speed, and the waiting time is bounded by the profile of
    the sum of squares. Sources: tracker.session.trend; profile with F(1, n - 3), Bates & Watts,
    Nonlinear Regression Analysis (1988), 6.1.

    Raises
    ------
    SessionError
        With fewer than three shots that have a previous one, or if all waited equally long.
    """
    known = np.isfinite(since_previous_s)
    y, t = np.asarray(values, dtype=np.float64)[known], np.asarray(since_previous_s, dtype=np.float64)[known]
    need(len(y), 3, "The effect of waiting")
    if np.any(t <= 0):
        raise SessionError(
            "time_runs_backwards",
            "A shot does not come after the one before it.",
            "List the shots in the order in which they were fired.",
        )
    seen = trend(y, t, confidence=confidence)
    if len(y) < 6 or seen.s <= 0 or seen.p > 2 * (1 - confidence):  # one-sided: waiting cannot slow the wheel
        return Recovery(seen, None, None, len(y))
    return _saturating(y, t, seen, confidence)


def _saturating(y: Floats, t: Floats, seen: Trend, confidence: float) -> Recovery:
    """The waiting time from the profile over tau."""
    tau = np.geomspace(t.min() / 5, t.max() * 5, 400)
    decay = np.exp(-t[np.newaxis, :] / tau[:, np.newaxis])
    centred = decay - decay.mean(axis=1, keepdims=True)
    power = np.sum(centred**2, axis=1)
    drop = -centred @ (y - y.mean()) / np.maximum(power, np.finfo(float).tiny)
    squares = np.sum((y - y.mean() + drop[:, np.newaxis] * centred) ** 2, axis=1)
    squares = np.where(drop > 0, squares, np.inf)
    best = int(np.argmin(squares))
    dof = len(y) - 3
    sd = math.sqrt(float(squares[best]) / dof)
    if not np.isfinite(squares[best]) or sd <= 0:
        return Recovery(seen, None, None, len(y))
    wait = tau * np.log(np.maximum(drop / sd, 1.0))
    inside = np.flatnonzero(squares <= squares[best] * (1 + float(stats.f.ppf(confidence, 1, dof)) / dof))
    # a profile still inside at the end of the range bounds nothing on that side
    low = float(wait[inside].min()) if inside[0] > 0 else 0.0
    high = float(wait[inside].max()) if inside[-1] < len(tau) - 1 else None
    return Recovery(seen, Estimate(float(wait[best]), low, high), float(drop[best]), len(y))
