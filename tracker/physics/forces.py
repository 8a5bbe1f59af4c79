"""first version; laws only."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

Law = Callable[[Floats], tuple[Floats, Floats]]


def stepanek_lift(spin_parameter: Floats) -> tuple[Floats, Floats]:
    """C_L = 1 / (2.022 + 0.981 / S) and dC_L/dS, odd in S.

    Source: Stepanek, Am. J. Phys. 56 (1988) 138.
    """
    below = 2.022 * np.abs(spin_parameter) + 0.981
    return spin_parameter / below, 0.981 / below**2


LIFT = stepanek_lift
