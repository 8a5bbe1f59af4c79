"""Propagation of uncertainty through a function, random and common parts apart."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from calibration.values import Floats
from tracker.values import Number

Function = Callable[[Floats], Floats]


def sensitivities(function: Function, x: Floats, u: Floats) -> Floats:
    """Slopes, shape (m, n), of a function from shape (n,) to shape (m,).

    Each is the slope between one standard uncertainty below and above; an input without one has none.
    Source: JCGM 100:2008, 5.1.3 note 2.
    """
    columns = []
    for i, step in enumerate(u):
        if step == 0:
            columns.append(np.zeros_like(function(x)))
            continue
        up, down = np.array(x, dtype=np.float64), np.array(x, dtype=np.float64)
        up[i] += step
        down[i] -= step
        columns.append((function(up) - function(down)) / (up[i] - down[i]))
    return np.stack(columns, axis=-1)


def covariance(function: Function, x: Floats, inputs: Floats) -> Floats:
    """Covariance of the results, shape (m, m), from that of the inputs, shape (n, n).

    Source: JCGM 100:2008, 5.2.2; JCGM 102:2011, 6.2.
    """
    c = sensitivities(function, x, np.sqrt(np.diag(inputs)))
    return np.asarray(c @ inputs @ c.T)


def propagate(function: Function, inputs: Sequence[Number]) -> tuple[Number, ...]:
    """Results with both uncertainties and intervals, for inputs that are independent of one another.

    The halves of an interval above and below the value combine in quadrature, each input giving the half
    that moves the result that way; an input without a bound leaves the result without one.
    """
    x = np.array([number.value for number in inputs])
    c = sensitivities(function, x, np.array([number.u for number in inputs]))
    random = np.array([number.u_random for number in inputs])
    common = np.array([number.u_common for number in inputs])
    results = []
    for value, slopes in zip(function(x), c, strict=True):
        below = _half(inputs, slopes)
        above = _half(inputs, -slopes)
        results.append(
            Number(
                float(value),
                float(np.linalg.norm(slopes * random)),
                float(np.linalg.norm(slopes * common)),
                None if below is None else float(value) - below,
                None if above is None else float(value) + above,
            )
        )
    return tuple(results)


def _half(inputs: Sequence[Number], slopes: Floats) -> float | None:
    """How far the result may lie below its value."""
    total = 0.0
    for number, slope in zip(inputs, slopes, strict=True):
        if slope == 0:
            continue
        bound = number.low95 if slope > 0 else number.high95
        if bound is None:
            return None
        total = math.hypot(total, float(slope) * (number.value - bound))
    return total
