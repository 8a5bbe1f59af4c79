"""How unsure functions of the unknowns are, split by where that comes from."""

from __future__ import annotations

import math

import numpy as np

from calibration.camera import PARAMETERS
from calibration.values import Floats
from tracker.flight.settle import Settled
from tracker.values import Number

SIGHTINGS = "sightings"
RANDOM = (SIGHTINGS, "out_of_plane")


class Spread:
    """The uncertainty of functions of the unknowns, split by where it comes from."""

    def __init__(self, settled: Settled, lens_errors: Floats | None = None) -> None:
        """``lens_errors`` (k, n, 2): independent errors of all sightings' pixels, one sd each."""
        problem, fitted = settled.problem, settled.fit
        sightings = 2 * len(problem.which)
        shares = list(problem.camera.rows(settled.theta[:PARAMETERS]).shares)
        shares += [(("ball", 1.0),)] * problem.ball_row_count
        names = problem.prior_names()
        shares += [((names[k], 1.0),) for k in np.flatnonzero(problem.free)]
        self._free = problem.free
        # The sightings are many and all of one name, so that only what they do together is kept.
        self._seen, self._rest = fitted.covariance_from(sightings), fitted.gain_from(sightings)
        unfitted = {"lens": lens_errors, "outline": problem.streak_errors()}
        self._unfitted = {
            name: fitted.gain_times((errors / problem.u_px[None, :, None]).reshape(len(errors), -1).T)
            for name, errors in unfitted.items()
            if errors is not None and len(errors)
        }
        self.names = sorted({SIGHTINGS, *(name for share in shares for name, _ in share if name)})
        self._parts = np.zeros((len(self.names), len(shares)))
        for k, share in enumerate(shares):
            for name, part in share:
                if name:
                    self._parts[self.names.index(name), k] = part

    def of(self, gradient: Floats) -> dict[str, float]:
        """Standard uncertainty that each input gives a function with this gradient, (p,)."""
        part = gradient[self._free]
        variance = self._parts @ (part @ self._rest) ** 2
        variance[self.names.index(SIGHTINGS)] += np.maximum(part @ self._seen @ part, 0.0)
        shares = dict(zip(self.names, np.sqrt(variance), strict=True))
        for name, errors in self._unfitted.items():
            shares[name] = math.hypot(shares.get(name, 0.0), float(np.linalg.norm(part @ errors)))
        return shares


def number(value: float, shares: dict[str, float]) -> Number:
    """A number whose shares are put together, random and common apart."""
    random = math.sqrt(sum(share**2 for name, share in shares.items() if name in RANDOM))
    common = math.sqrt(sum(share**2 for name, share in shares.items() if name not in RANDOM))
    return Number.of(value, random, common)
