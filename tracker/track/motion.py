"""One ball's motion in the picture as a Kalman filter: place, velocity, acceleration, per axis.

The acceleration is part of the state: it takes in gravity and drag, and a smoother or a change of
frame step needs no control input. Unit of time is the mean frame step, so the filter need not know
how fast the film was taken.
Source of the white-jerk model: Bar-Shalom, Li & Kirubarajan, Estimation with Applications to
Tracking and Navigation (2001), 6.2.3 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from calibration.values import Floats

if TYPE_CHECKING:
    from filterpy.kalman import KalmanFilter

#: What marks, shade and the codec may do to one sighting beyond its stated uncertainty: for gating only.
FLOOR_PX = 0.2
#: Most of a sighting's error is the same in the next frame; this share of its uncertainty is not.
FRESH_SHARE = 0.55
#: 99.9 % of a chi-square distribution with two degrees of freedom; what lies farther off weighs less.
FAR_OFF = 13.816


@dataclass(frozen=True, slots=True)
class MotionPrior:
    """What a ball may do, in pixels and frame steps.

    ``speed_px`` and ``acceleration_px`` are standard deviations of a new ball's velocity (a step) and
    acceleration (a step squared); ``jerk_px`` the spectral root of how its acceleration changes.
    """

    speed_px: float
    acceleration_px: float
    jerk_px: float


@lru_cache(maxsize=64)  # all balls of a frame move on by the same step
def transition(dt: float) -> Floats:
    """State transition of (x, vx, ax, y, vy, ay) over dt steps, (6, 6), read-only."""
    return _for_both_axes([[1.0, dt, 0.5 * dt * dt], [0.0, 1.0, dt], [0.0, 0.0, 1.0]])


def process_noise(dt: float, jerk_px: float) -> Floats:
    """Covariance that white jerk of this spectral root adds over dt steps, (6, 6)."""
    return np.asarray(_unit_noise(dt) * jerk_px**2)


@lru_cache(maxsize=64)  # as above
def _unit_noise(dt: float) -> Floats:
    return _for_both_axes(
        [
            [dt**5 / 20, dt**4 / 8, dt**3 / 6],
            [dt**4 / 8, dt**3 / 3, dt**2 / 2],
            [dt**3 / 6, dt**2 / 2, dt],
        ]
    )


def _for_both_axes(one: list[list[float]]) -> Floats:
    both = np.zeros((6, 6))
    both[:3, :3] = both[3:, 3:] = one
    both.setflags(write=False)
    return both


_SEES = np.zeros((2, 6))
_SEES[0, 0] = _SEES[1, 3] = 1.0
_EYE = np.eye(2)


def _inverse(spread: Floats) -> Floats:
    """Inverse of the innovation's covariance, (2, 2), which is the same for both axes by construction."""
    return np.asarray(_EYE / spread[0, 0])


class Motion:
    """The filter of one ball; ``innovation`` tells how well a sighting fits before it is taken in."""

    def __init__(self, x_px: float, y_px: float, u_px: float, prior: MotionPrior) -> None:
        from filterpy.kalman import KalmanFilter  # noqa: PLC0415 - see ``tracker.track.follow.get_ready``

        self._prior = prior
        self._filter: KalmanFilter = KalmanFilter(dim_x=6, dim_z=2)
        self._filter.x = np.array([x_px, 0.0, 0.0, y_px, 0.0, 0.0])
        one = [_fresh(u_px), prior.speed_px**2, prior.acceleration_px**2]
        self._filter.P = np.diag(one + one)
        self._filter.inv = _inverse

    def predict(self, dt: float) -> None:
        """Move on by dt steps."""
        self._filter.predict(F=transition(dt), Q=process_noise(dt, self._prior.jerk_px))

    @property
    def place_px(self) -> Floats:
        """Where the ball is expected, (2,)."""
        return np.asarray(self._filter.x[::3])

    @property
    def velocity_px(self) -> Floats:
        """Its velocity a step, (2,)."""
        return np.asarray(self._filter.x[1::3])

    @property
    def spread_px2(self) -> Floats:
        """Covariance of the expected place, (2, 2)."""
        return np.asarray(self._filter.P[::3, ::3])

    @property
    def expected(self) -> tuple[float, float, float]:
        """Place in pixels, x and y, and its variance along each axis."""
        x, P = self._filter.x, self._filter.P
        return x.item(0), x.item(3), 0.5 * (P.item(0, 0) + P.item(3, 3))

    def update(self, x_px: float, y_px: float, u_px: float) -> float:
        """Take a sighting in; returns its normalised innovation squared."""
        own = _fresh(u_px)
        # Both axes share one covariance by construction, so that no matrix is needed.
        x, y, spread = self.expected
        nis = ((x_px - x) ** 2 + (y_px - y) ** 2) / (spread + own)
        if nis > FAR_OFF:
            own = (spread + own) * nis / FAR_OFF - spread
        self._filter.update(np.array([x_px, y_px]), R=own * _EYE, H=_SEES)
        return nis


def _fresh(u_px: float) -> float:
    """Variance of what is new in a sighting's error, px^2."""
    return (FRESH_SHARE * u_px) ** 2
