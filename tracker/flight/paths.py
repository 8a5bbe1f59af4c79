"""Start values of flights -> their paths, found from those that were flown last."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.values import Floats, Ints
from tracker.flight.assumed import Assumed
from tracker.flight.unknowns import (
    ADDED,
    COMMON,
    DRAG,
    EACH,
    LIFT_C,
    LOG_AIR,
    LOG_G,
    LOG_MASS,
    OWN_LOG_G,
    VX,
    VZ,
    lumped,
)
from tracker.physics.path import Flights, fly
from tracker.physics.sideways import Sideways

#: Lift coefficients are those at this spin parameter; the lift is a power of it from there.
SHAPE_AT = 0.3
#: A ten-thousandth of a pixel.
RESOLVED_M = 3e-7
#: Paths are wanted at one exponent of the lift and at another beside it, which tells their derivative.
KEPT = 2


@dataclass(frozen=True, slots=True)
class _Kept:
    """Paths, and all that they follow from."""

    shape: float
    start: Floats
    span_s: Floats
    paths: Flights


class Paths:
    """Flies a clip's flights; an adjustment asks for the same paths, or nearly the same, again and again."""

    def __init__(self, assumed: Assumed) -> None:
        self._assumed = assumed
        self._kept: list[_Kept] = []  # the newest first

    def fly(self, start: Floats, span_s: Floats, shape: float) -> Flights:
        """Paths of all flights.

        Parameters
        ----------
        start : (S, 6) array
            As ``tracker.physics.path.fly`` takes them.
        span_s : (S, 2) array
            From when to when.
        shape : float
            Exponent by which lift follows the spin parameter.
        """
        like = [kept for kept in self._kept if np.array_equal(kept.span_s, span_s)]
        for kept in like:
            if kept.shape == shape and np.array_equal(kept.start, start):
                return kept.paths

        def lift(parameter: Floats) -> tuple[Floats, Floats]:
            share = np.maximum(parameter, 1e-9) / SHAPE_AT
            value = share**shape
            return value, shape * value / (share * SHAPE_AT)

        paths = fly(
            start,
            span_s[:, 0],
            span_s[:, 1],
            radius_m=self._assumed.radius_m,
            spin_decay_s=self._assumed.spin_decay_s,
            law=lift,
            resolved_m=RESOLVED_M,
            near=like[0].paths if like else None,
        )
        if paths.solved.all():
            self._kept = [_Kept(shape, start, span_s, paths), *like[: KEPT - 1]]
        return paths


def start_values(theta: Floats, sense: Floats, spin_rad_s: Floats, radius_m: float) -> tuple[Floats, Floats]:
    """Start values (S, 6) of the paths of all flights, and their derivatives.

    The derivatives (S, 6, COMMON + EACH) are by the common unknowns and by the flight's own. ``sense`` (S,)
    is +1 for flights toward +x, ``spin_rad_s`` (S,) the spin at which their lift coefficients hold.
    """
    (buoyed, factor), by = lumped(theta, radius_m)
    flights = len(sense)
    start, slope = np.zeros((flights, 6)), np.zeros((flights, 6, COMMON + EACH))
    at = COMMON + EACH * np.arange(flights)
    g = np.exp(theta[LOG_G] + theta[at + OWN_LOG_G])
    lift = theta[at + LIFT_C]
    start[:, 0], start[:, 1] = sense * theta[at + VX], theta[at + VZ]
    start[:, 2], start[:, 3], start[:, 4] = g * buoyed, factor * theta[DRAG], factor * lift
    start[:, 5] = spin_rad_s
    slope[:, 0, COMMON + VX], slope[:, 1, COMMON + VZ] = sense, 1.0
    slope[:, 2, LOG_G] = slope[:, 2, COMMON + OWN_LOG_G] = g * buoyed
    slope[:, 4, COMMON + LIFT_C] = factor
    slope[:, 3, DRAG] = factor
    for k, unknown in enumerate((LOG_AIR, LOG_MASS, ADDED)):
        slope[:, 2, unknown] = g * by[0, k]
        slope[:, 3, unknown] = by[1, k] * theta[DRAG]
        slope[:, 4, unknown] = by[1, k] * lift
    return start, slope


@dataclass(frozen=True, slots=True)
class Flown:
    """Balls (n,) on their paths: times since the start, and which path each is on.

    ``start`` (S, 6) and ``chain`` (S, 6, COMMON + EACH) are the paths' start values and their derivatives by
    the common unknowns and by the flight's own; ``xz_m, v_m_s`` (n, 2), ``by_xz, by_v`` (n, 2, 6) what the
    paths say; ``turn`` (n, 2) takes that to places and velocities (n, 3).
    """

    on: Ints
    t_s: Floats
    start: Floats
    chain: Floats
    paths: Flights
    aside: Sideways
    turn: Floats
    xz_m: Floats
    by_xz: Floats
    by_v: Floats
    place_m: Floats
    velocity_m_s: Floats

    def through_start(self, by_start: Floats) -> Floats:
        """Derivatives (n, 2, COMMON + EACH) of what follows the start values by (n, 2, 6)."""
        by = np.empty((len(self.on), 2, COMMON + EACH))
        ends = np.flatnonzero(np.diff(self.on, append=-1)) + 1
        # One product for each run of a flight's balls.
        for first, end in zip([0, *ends[:-1]], ends, strict=True):
            rows = by_start[first:end].reshape(-1, by_start.shape[2])
            by[first:end] = (rows @ self.chain[self.on[first]]).reshape(-1, 2, COMMON + EACH)
        by *= self.turn[:, :, None]
        return by
