"""Individuals and moving-range control chart: whether a session is one steady process."""

from __future__ import annotations

import functools
import math

import numpy as np

from calibration.values import Floats, frozen
from tracker.evaluation import ControlChart, Signal
from tracker.session.values import need

# Mean and standard deviation of the range of two standard normal values, exactly.
D2 = 2 / math.sqrt(math.pi)
D3 = math.sqrt(2 - 4 / math.pi)
D4 = 1 + 3 * D3 / D2
RUN = (
    8  # shots on one side of the centre: Western Electric, Statistical Quality Control Handbook (1956), p. 26
)
SETTLED = 20  # shots; with fewer the limits are trial limits (common practice, no source)


def control_chart(values: Floats) -> ControlChart:
    """Chart of the shots in the order in which they were fired, shape (n,).

    Source: NIST/SEMATECH e-Handbook 6.3.2.2; runs 6.3.2. Limits that come from the very shots they judge
    are wider or narrower by chance, which ``false_alarm`` takes into account.

    Raises
    ------
    SessionError
        With fewer than three shots.
    """
    n = len(values)
    need(n, 3, "A control chart")
    moving = np.abs(np.diff(values))
    centre, spread = float(np.mean(values)), float(np.mean(moving))
    low, high = centre - 3 * spread / D2, centre + 3 * spread / D2
    beyond, wide, run = _signals(values[np.newaxis, :])
    found = [
        *(Signal(int(shot), "beyond_limit") for shot in np.flatnonzero(beyond[0])),
        *(Signal(int(shot) + 1, "moving_range") for shot in np.flatnonzero(wide[0])),
        *(Signal(int(shot), "run") for shot in np.flatnonzero(run[0])),
    ]
    return ControlChart(
        centre=centre,
        low=low,
        high=high,
        moving_range=frozen(moving),
        range_centre=spread,
        range_high=D4 * spread,
        signals=tuple(sorted(found, key=lambda signal: (signal.shot, signal.rule))),
        trial=n < SETTLED,
        false_alarm=false_alarm_share(n),
    )


def _signals(sessions: Floats) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where each session, shape (m, n), signals: beyond (m, n), wide (m, n - 1), run (m, n).

    A run signals at each shot that completes eight on one side.
    """
    moving = np.abs(np.diff(sessions, axis=1))
    spread = moving.mean(axis=1, keepdims=True)
    away = sessions - sessions.mean(axis=1, keepdims=True)
    # the slack keeps equal values, whose mean may miss them by a rounding error, from signalling
    slack = 1e-12 * np.abs(sessions).max(axis=1, keepdims=True)
    beyond = np.abs(away) > 3 * spread / D2 + slack
    wide = moving > D4 * spread + slack
    run = np.zeros(sessions.shape, dtype=bool)
    for side in (away > slack, away < -slack):
        length = np.zeros(len(sessions), dtype=np.int64)
        for shot in range(sessions.shape[1]):
            length = np.where(side[:, shot], length + 1, 0)
            run[:, shot] |= length >= RUN
    return beyond, wide, run


@functools.lru_cache(maxsize=64)
def false_alarm_share(n: int) -> float:
    """Share of steady, normal sessions of ``n`` shots whose chart signals; simulated, good to about 0.005."""
    sessions = max(1000, min(10_000, 1_000_000 // n))
    rng = np.random.default_rng(n)
    beyond, wide, run = _signals(rng.standard_normal((sessions, n)))
    return float(np.mean(beyond.any(axis=1) | wide.any(axis=1) | run.any(axis=1)))
