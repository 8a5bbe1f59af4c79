"""The one adjustment: camera, clock of the rows, air and every flight of a clip, fitted together.

The unknowns are those of ``tracker.flight.unknowns``. What the sightings do not measure has a prior;
gravity's prior is what sharpens the scale, the tilt and the yaw that the clicks leave open.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import (
    LOG_DEPTH,
    LOG_SCALE,
    PARAMETERS,
    project_with_derivatives,
    to_plane,
)
from calibration.reference import CameraPrior
from calibration.shutter import Readout
from calibration.values import Floats, Ints
from tracker.flight.assumed import Assumed
from tracker.flight.ball_size import BallSize
from tracker.flight.least_squares import Fit, fit
from tracker.flight.observed import Flight
from tracker.flight.outline_errors import outline_errors
from tracker.flight.unknowns import (
    ADDED,
    COMMON,
    DRAG,
    EACH,
    LIFT_C,
    LIFT_SHAPE,
    LOG_AIR,
    LOG_G,
    LOG_MASS,
    OWN_LOG_G,
    READOUT,
    VX,
    VY,
    VZ,
    X0,
    Y0,
    Z0,
    lumped,
    prior_names,
)
from tracker.physics.path import Flights, fly
from tracker.physics.sideways import sideways

U_OUT_OF_PLANE_M_S = 0.1
U_ANYWHERE_M_S = 0.5  # of flights that no launcher has aimed across the picture
FREE_LN_G = 2.0
U_OWN_PLANE_M = 1.0
#: Lift coefficients are those at this spin parameter; the lift is a power of it from there.
SHAPE_AT = 0.3
SHAPE_STEP = 1e-3
#: A ten-thousandth of a pixel.
RESOLVED_M = 3e-7
MARGIN_S = 0.02


@dataclass(frozen=True, slots=True)
class State:
    """Places (n, 3) and velocities (n, 3) of balls, with derivatives (n, 3, p) by the unknowns."""

    place_m: Floats
    velocity_m_s: Floats
    by_place: Floats
    by_velocity: Floats


@dataclass(frozen=True, slots=True)
class _Flown:
    """Places and velocities (n, 3), derivatives of the places, and the paths that they come from."""

    place_m: Floats
    velocity_m_s: Floats
    by_place: Floats
    start: Floats
    paths: Flights
    t_s: Floats
    turn: Floats
    dv: Floats
    chain: Floats
    aside: Floats


class Problem:
    """A clip's flights and everything that bears on them, as one least-squares problem."""

    def __init__(
        self,
        flights: Sequence[Flight],
        camera: CameraPrior,
        readout: Readout,
        assumed: Assumed,
        *,
        free_g: bool,
        ball_carries_scale: bool,
        own_planes: bool = False,
    ) -> None:
        self.flights = tuple(flights)
        self.camera = camera
        self.readout = readout
        self.assumed = assumed
        self.free_g = free_g
        self.ball_carries_scale = ball_carries_scale
        self.own_planes = own_planes
        self.which: Ints = np.repeat(np.arange(len(self.flights)), [len(f) for f in self.flights])
        self.time = np.concatenate([f.frame_time_s for f in self.flights])
        self.share = np.concatenate([f.share for f in self.flights])
        self.sense = np.array([f.sense for f in self.flights], dtype=float)
        self._xy = np.concatenate([f.xy_px for f in self.flights])
        self._ball = BallSize.of(self.flights, self.which, assumed, own_planes=own_planes)
        picture = 2 * camera.view.centre_x_px + 1, 2 * camera.view.centre_y_px + 1
        self._outline = outline_errors(self._xy, picture, self._ball.median_px)
        self._errors_at = COMMON + EACH * len(self.flights)
        self.size = self._errors_at + len(self._outline)
        self._stated_u_px = np.concatenate([f.u_px for f in self.flights])
        self.u_px = self._stated_u_px.copy()
        self.zero = np.array([f.frame_time_s[0] + readout.readout_s * f.share[0] for f in self.flights])
        self._begin = np.full(len(self.flights), -MARGIN_S)
        self._end = (
            np.array([f.frame_time_s[-1] + readout.readout_s * f.share[-1] for f in self.flights])
            - self.zero
            + MARGIN_S
        )
        self._spin = np.full(len(self.flights), SHAPE_AT * 6.0 / assumed.radius_m)
        self._descent_slope: Floats | None = None
        self.prior_mean, self.prior_sd = self._priors()
        self.free = self.prior_sd > 0

    # -- priors and names -----------------------------------------------------------------------

    def _priors(self) -> tuple[Floats, Floats]:
        a = self.assumed
        mean, sd = np.zeros(self.size), np.full(self.size, np.inf)
        for k, m, s in (
            (READOUT, self.readout.readout_s, self.readout.u_readout_s),
            (LOG_G, math.log(a.g_m_s2), a.u_ln_g),
            (LOG_AIR, math.log(a.air_kg_m3), a.u_ln_air),
            (LOG_MASS, math.log(a.mass_kg), a.u_ln_mass),
            (ADDED, a.added_mass, a.u_added_mass),
            (DRAG, a.drag, a.u_drag),
            (LIFT_SHAPE, a.lift_shape, a.u_lift_shape),
        ):
            mean[k], sd[k] = m, s
        for s in range(len(self.flights)):
            at = COMMON + EACH * s
            sd[at + VY] = U_ANYWHERE_M_S if self.own_planes else U_OUT_OF_PLANE_M_S
            mean[at + LIFT_C], sd[at + LIFT_C] = a.lift, a.u_lift
            sd[at + OWN_LOG_G] = FREE_LN_G if self.free_g else 0.0
            sd[at + Y0] = U_OWN_PLANE_M if self.own_planes else 0.0
        sd[self._errors_at :] = 1.0
        return mean, sd

    def prior_names(self) -> list[str]:
        """What each unknown's prior stands for; empty where it has none."""
        return prior_names(len(self.flights), len(self._outline))

    def of(self, flight: int, unknown: int) -> int:
        """Index of one flight's unknown."""
        return COMMON + EACH * flight + unknown

    def set_lift_shape(self, exponent: float, speed_m_s: Floats) -> None:
        """Expect this exponent; lift coefficients are those at these speeds, (S,)."""
        self.prior_mean[LIFT_SHAPE] = exponent
        self._spin = SHAPE_AT * np.maximum(speed_m_s, 0.1) / self.assumed.radius_m

    def set_noise(self, noise: Floats, weight: Floats) -> None:
        """Multiply each flight's stated uncertainties, (S,), and give each sighting a weight, (n,)."""
        self.u_px = self._stated_u_px * noise[self.which] / np.sqrt(np.maximum(weight, 1e-4))

    def misfit(self, fitted: Fit) -> Floats:
        """Squared distance of each sighting from the path in units of its stated uncertainty, (n,)."""
        n = len(self.which)
        off = fitted.residuals[: 2 * n].reshape(n, 2) * (self.u_px / self._stated_u_px)[:, None]
        return np.asarray((off**2).sum(axis=1))

    # -- the model --------------------------------------------------------------------------------

    def _starts(self, theta: Floats) -> tuple[Floats, Floats]:
        """Start values (S, 6) of the paths and their derivatives by the unknowns, (S, 6, p)."""
        (buoyed, factor), by = lumped(theta, self.assumed.radius_m)
        count = len(self.flights)
        start, slope = np.zeros((count, 6)), np.zeros((count, 6, self.size))
        s = np.arange(count)
        at = COMMON + EACH * s
        g = np.exp(theta[LOG_G] + theta[at + OWN_LOG_G])
        lift = theta[at + LIFT_C]
        start[:, 0], start[:, 1] = self.sense * theta[at + VX], theta[at + VZ]
        start[:, 2], start[:, 3], start[:, 4] = g * buoyed, factor * theta[DRAG], factor * lift
        start[:, 5] = self._spin
        slope[s, 0, at + VX], slope[s, 1, at + VZ] = self.sense, 1.0
        slope[:, 2, LOG_G] = slope[s, 2, at + OWN_LOG_G] = g * buoyed
        slope[s, 4, at + LIFT_C] = factor
        slope[:, 3, DRAG] = factor
        for k, unknown in enumerate((LOG_AIR, LOG_MASS, ADDED)):
            slope[:, 2, unknown] = g * by[0, k]
            slope[:, 3, unknown] = by[1, k] * theta[DRAG]
            slope[:, 4, unknown] = by[1, k] * lift
        return start, slope

    def _fly(self, start: Floats, shape: float) -> Flights:
        def lift(parameter: Floats) -> tuple[Floats, Floats]:
            share = np.maximum(parameter, 1e-9) / SHAPE_AT
            value = share**shape
            return value, shape * value / (share * SHAPE_AT)

        return fly(
            start,
            self._begin,
            self._end,
            radius_m=self.assumed.radius_m,
            spin_decay_s=self.assumed.spin_decay_s,
            law=lift,
            resolved_m=RESOLVED_M,
        )

    def cover(self, flight: int, time_s: float) -> None:
        """Let a flight's path reach to this real time, too."""
        at = time_s - self.zero[flight]
        self._begin[flight] = min(self._begin[flight], at - MARGIN_S)
        self._end[flight] = max(self._end[flight], at + MARGIN_S)

    def state(self, theta: Floats, which: Ints, time_s: Floats, share: Floats) -> State:
        """Balls ``which`` (n,) at frame times (n,) and rows' shares of the readout (n,)."""
        flown = self._flown(theta, which, time_s, share)
        sense, at = self.sense[which], COMMON + EACH * which
        count, n = np.arange(len(which)), len(which)
        by_velocity, acceleration = np.zeros((n, 3, self.size)), np.zeros((n, 3))
        by_velocity[:, [0, 2]] = flown.turn[:, :, None] * (flown.dv @ flown.chain)
        by_velocity[count, 1, at + VY] = flown.aside
        shaped = self._fly(flown.start, theta[LIFT_SHAPE] + SHAPE_STEP).at_many(which, flown.t_s)[1]
        by_velocity[:, [0, 2], LIFT_SHAPE] = (
            flown.turn * shaped - flown.velocity_m_s[:, [0, 2]]
        ) / SHAPE_STEP
        h = 1e-4
        later, earlier = (flown.paths.at_many(which, flown.t_s + d)[1] for d in (h, -h))
        acceleration[:, [0, 2]] = np.stack([sense, np.ones(n)], axis=1) * (later - earlier) / (2 * h)
        by_velocity[:, :, READOUT] += acceleration * share[:, None]
        return State(flown.place_m, flown.velocity_m_s, flown.by_place, by_velocity)

    def _flown(self, theta: Floats, which: Ints, time_s: Floats, share: Floats) -> _Flown:
        """What ``state`` starts from, and all that a fit needs."""
        start, slope = self._starts(theta)
        paths = self._fly(start, theta[LIFT_SHAPE])
        t = time_s + theta[READOUT] * share - self.zero[which]
        xz, v, dxz, dv = paths.at_many(which, t)
        at = COMMON + EACH * which
        count, n = np.arange(len(which)), len(which)
        turn = np.stack([self.sense[which], np.ones(n)], axis=1)
        place, velocity = np.empty((n, 3)), np.empty((n, 3))
        place[:, [0, 2]] = turn * xz + np.stack([theta[at + X0], theta[at + Z0]], axis=1)
        aside = sideways(paths, self._begin, self._end, start[:, 3], which, t)
        place[:, 1] = theta[at + Y0] + theta[at + VY] * aside.place_m
        velocity[:, [0, 2]] = turn * v
        velocity[:, 1] = theta[at + VY] * aside.velocity_m_s
        by_place = np.zeros((n, 3, self.size))
        chain = slope[which]
        by_place[:, [0, 2]] = turn[:, :, None] * (dxz @ chain)
        by_place[count, 0, at + X0] += 1
        by_place[count, 2, at + Z0] += 1
        by_place[:, 1] = (theta[at + VY] * aside.place_by_drag)[:, None] * chain[:, 3]
        by_place[count, 1, at + VY] = aside.place_m
        by_place[count, 1, at + Y0] = 1
        by_place[:, :, READOUT] += velocity * share[:, None]
        by_place[:, [0, 2], LIFT_SHAPE] = self._shape_slope(theta, start, which, t, turn, xz)
        return _Flown(place, velocity, by_place, start, paths, t, turn, dv, chain, aside.velocity_m_s)

    def _shape_slope(
        self, theta: Floats, start: Floats, which: Ints, t_s: Floats, turn: Floats, xz_m: Floats
    ) -> Floats:
        """Derivative of places by the lift's exponent, (n, 2), by a difference.

        It hardly changes while a fit descends, so that one difference serves a whole descent.
        """
        if which is self.which and self._descent_slope is not None:
            return self._descent_slope
        moved = self._fly(start, theta[LIFT_SHAPE] + SHAPE_STEP).at_many(which, t_s)[0]
        slope = turn * (moved - xz_m) / SHAPE_STEP
        if which is self.which:
            self._descent_slope = slope
        return np.asarray(slope)

    def model(self, theta: Floats) -> tuple[Floats, Floats]:
        """Residuals over their uncertainty and their derivatives: sightings, then camera, then ball."""
        state = self._flown(theta, self.which, self.time, self.share)
        places, by_camera, by_world = project_with_derivatives(
            theta[:PARAMETERS], self.camera.view, state.place_m, self.assumed.radius_m
        )
        jacobian = by_world @ state.by_place
        jacobian[:, :, :PARAMETERS] += by_camera
        jacobian[:, :, self._errors_at :] = np.moveaxis(self._outline, 0, 2)
        places += np.tensordot(theta[self._errors_at :], self._outline, 1)
        residual = (places - self._xy) / self.u_px[:, None]
        jacobian /= self.u_px[:, None, None]
        rows = self.camera.rows(theta[:PARAMETERS])
        extra = np.zeros((len(rows.residual), self.size))
        extra[:, :PARAMETERS] = rows.jacobian
        parts_r = [residual.ravel(), rows.residual]
        parts_j = [jacobian.reshape(-1, self.size), extra]
        if self.ball_carries_scale:
            off, slope = self._ball.rows(theta, self.camera.view, state.place_m, state.by_place, self.u_px)
            parts_r.append(off)
            parts_j.append(slope)
        return np.concatenate(parts_r), np.concatenate(parts_j)

    @property
    def ball_row_count(self) -> int:
        """How many rows the ball's size has."""
        return self._ball.count if self.ball_carries_scale else 0

    # -- solving ----------------------------------------------------------------------------------

    def solve(self, start: Floats) -> Fit:
        """Fit from ``start``, (p,); unknowns without uncertainty stay where they are."""
        free = np.flatnonzero(self.free)
        whole = start.copy()
        self._descent_slope = None
        whole[~self.free] = self.prior_mean[~self.free]

        def model(part: Floats) -> tuple[Floats, Floats]:
            whole[free] = part
            residual, jacobian = self.model(whole)
            return residual, jacobian[:, free]

        return fit(
            model,
            whole[free],
            prior_mean=self.prior_mean[free],
            prior_sd=self.prior_sd[free],
            tolerance=0.01,
            max_iterations=40,
            damping=1e-9,
        )

    def carry_over(self, earlier: Problem, theta: Floats) -> Floats:
        """The unknowns of an earlier problem with the same flights, some of which now begin elsewhere."""
        carried = theta.copy()
        s = np.arange(len(self.flights))
        share = np.zeros(len(s))
        now = earlier.state(theta, s, self.zero, share)
        at = COMMON + EACH * s
        carried[at + X0], carried[at + Z0] = now.place_m[:, 0], now.place_m[:, 2]
        carried[at + VX], carried[at + VZ] = now.velocity_m_s[:, 0], now.velocity_m_s[:, 2]
        carried[at + Y0] = now.place_m[:, 1]
        if not self.own_planes:
            carried[at + Y0] = 0.0
        if not self.free_g:
            carried[at + OWN_LOG_G] = 0.0
        return carried

    def guess(self) -> Floats:
        """Where to start: parabolas through the sightings as the camera's start places them."""
        theta = np.where(np.isfinite(self.prior_sd), self.prior_mean, 0.0)
        theta[:PARAMETERS] = self.camera.start
        if self.ball_carries_scale:
            grow = math.log(self._ball.median_px / self.assumed.radius_m) - theta[LOG_SCALE]
            theta[LOG_SCALE] += grow
            theta[LOG_DEPTH] -= grow
        places = to_plane(theta[:PARAMETERS], self.camera.view, self._xy)
        t = self.time + self.readout.readout_s * self.share - self.zero[self.which]
        for s in range(len(self.flights)):
            mine = self.which == s
            at = COMMON + EACH * s
            (_, vx, x0), (half_g, vz, z0) = np.polyfit(t[mine], places[mine], 2).T
            theta[at : at + 4] = x0, z0, vx, vz
            if self.free_g:
                fall = -2 * half_g / self.assumed.g_m_s2
                theta[at + OWN_LOG_G] = math.log(min(max(fall, 1e-4), 1e2))
        return theta

    def whole(self, part: Floats) -> Floats:
        """All unknowns (p,) from the fitted ones."""
        theta = self.prior_mean.copy()
        theta[self.free] = part
        return theta
