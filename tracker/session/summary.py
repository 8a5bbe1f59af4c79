"""Everything a session tells of itself, as far as its shots carry it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import numpy as np

from calibration.values import Floats
from tracker.errors import SessionError
from tracker.evaluation import Summary
from tracker.session.chart import control_chart
from tracker.session.consistency import mean, repeatability
from tracker.session.order import first_shot, recovery
from tracker.session.outliers import outliers
from tracker.session.tolerance import tolerance_interval
from tracker.session.trend import trend
from tracker.session.values import Sample

T = TypeVar("T")


def summarise(sample: Sample, *, time_s: Floats | None = None) -> Summary:
    """All statistics of a session; ``time_s``, shape (n,), is when each shot was fired on one clock.

    A shot whose time is not known is NaN, and so is the wait that would begin or end with it.
    """
    values = sample.values
    wait = None
    if time_s is not None:
        wait = np.concatenate([[np.nan], np.diff(np.asarray(time_s, dtype=np.float64))])
    return Summary(
        mean=mean(sample),
        repeatability=_if_carried(lambda: repeatability(sample)),
        chart=_if_carried(lambda: control_chart(values)),
        trend=_if_carried(lambda: trend(values)),
        outliers=_if_carried(lambda: outliers(values)),
        first_shot=_if_carried(lambda: first_shot([values])),
        recovery=None if wait is None else _if_carried(lambda: recovery(values, wait)),
        tolerance=_if_carried(lambda: tolerance_interval(sample)),
    )


def _if_carried(statistic: Callable[[], T]) -> T | None:
    """The statistic, or None where the shots are too few or too alike for it."""
    try:
        return statistic()
    except SessionError as error:
        if error.code in ("too_few_shots", "nothing_varies"):
            return None
        raise
