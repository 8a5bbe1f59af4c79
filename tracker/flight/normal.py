"""Normal equations: quick where many rows tell few unknowns, and only where these are far from dependent."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy  # its parts load when they are first used

from calibration.values import Floats

LARGE = 2e5  # rows x columns^2 above which QR costs more than a step should
FAR_FROM_DEPENDENT = 1e-5  # ratio of pivots


@dataclass(frozen=True, slots=True)
class Normal:
    """J^T J, J^T r and r^T r of weighted rows and priors."""

    gram: Floats
    downhill: Floats
    size2: float

    @property
    def norms(self) -> Floats:
        """Lengths of the columns of J."""
        norms: Floats = np.sqrt(np.diag(self.gram))
        return norms


def cheap_triangle(normal: Normal, rows: int, scale: Floats) -> Floats | None:
    """R of the Jacobian over ``scale`` from the normal equations; None where these will not do."""
    if rows * len(scale) ** 2 <= LARGE:
        return None
    try:
        R: Floats = scipy.linalg.cholesky(normal.gram / np.outer(scale, scale), check_finite=False)
    except np.linalg.LinAlgError:
        return None
    pivots = np.diag(R)
    return R if pivots.min() > FAR_FROM_DEPENDENT * pivots.max() else None
