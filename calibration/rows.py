"""Rows of an adjustment: what is known of the camera, as residuals over their uncertainty."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.camera import COMPLEX_STEP, PARAMETERS, Numbers
from calibration.values import Floats

Shares = tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Rows:
    """Pseudo-observations of the camera: residuals (m,), derivatives (m, 7), and each row's shares.

    ``shares`` gives for each row the input quantities whose variances add up to its own, as
    (name, part of the variance).
    """

    residual: Floats
    jacobian: Floats
    shares: tuple[Shares, ...]


def derivative(function: Callable[[Numbers], Numbers], theta: Floats) -> Floats:
    """Derivatives (m, 7) by the camera's parameters of a function that gives (m,)."""
    columns = []
    for k in range(PARAMETERS):
        moved = theta.astype(complex)
        moved[k] += 1j * COMPLEX_STEP
        columns.append(np.atleast_1d(function(moved)).imag / COMPLEX_STEP)
    return np.stack(columns, axis=-1)


def joined(makers: list[Callable[[Floats], Rows]], theta: Floats) -> Rows:
    """The rows of several makers, one after the other."""
    parts = [maker(theta) for maker in makers]
    return Rows(
        np.concatenate([part.residual for part in parts]),
        np.concatenate([part.jacobian for part in parts]),
        tuple(share for part in parts for share in part.shares),
    )


def met(makers: list[Callable[[Floats], Rows]], start: Floats, rounds: int = 30) -> Floats:
    """The parameters that meet all rows best, by damped least squares from ``start``, (7,)."""
    theta, damping = start.copy(), 1e-3
    rows = joined(makers, theta)
    for _ in range(rounds):
        normal = rows.jacobian.T @ rows.jacobian
        ridge = damping * np.diag(np.maximum(np.diag(normal), 1e-9))
        step = np.linalg.solve(normal + ridge, -rows.jacobian.T @ rows.residual)
        tried = joined(makers, theta + step)
        if tried.residual @ tried.residual < rows.residual @ rows.residual:
            theta, rows, damping = theta + step, tried, damping / 10
        else:
            damping *= 10
        if damping > 1e9 or float(np.abs(rows.jacobian @ step).max()) < 1e-6:
            break
    return theta
