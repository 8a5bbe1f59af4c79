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
from tracker.flight.fitted import Fit
from tracker.flight.least_squares import fit
from tracker.flight.observed import Flight
from tracker.flight.outline_errors import outline_errors, streak_errors
from tracker.flight.paths import SHAPE_AT, Flown, Paths, start_values
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
    prior_names,
)
from tracker.physics.sideways import sideways

U_OUT_OF_PLANE_M_S = 0.1
U_ANYWHERE_M_S = 0.5  # of flights that no launcher has aimed across the picture
FREE_LN_G = 2.0
U_OWN_PLANE_M = 1.0
SHAPE_STEP = 1e-3
#: How many standard uncertainties from its solution a fit may end: the last one, and those before it.
SETTLED, NEARLY_SETTLED = 0.01, 0.1
MARGIN_S = 0.02


@dataclass(frozen=True, slots=True)
class State:
    """Places (n, 3) and velocities (n, 3) of balls, with derivatives (n, 3, p) by the unknowns."""

    place_m: Floats
    velocity_m_s: Floats
    by_place: Floats
    by_velocity: Floats


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
        self._picture_px = 2 * camera.view.centre_x_px + 1, 2 * camera.view.centre_y_px + 1
        self._outline = outline_errors(self._xy, self._picture_px, self._ball.median_px)
        self._errors_at = COMMON + EACH * len(self.flights)
        self.size = self._errors_at + len(self._outline)
        self._stated_u_px = np.concatenate([f.u_px for f in self.flights])
        self.u_px = self._stated_u_px.copy()
        self._outline_over_u = self._outline / self.u_px[:, None]
        self.zero = np.array([f.frame_time_s[0] + readout.readout_s * f.share[0] for f in self.flights])
        self._begin = np.full(len(self.flights), -MARGIN_S)
        self._end = (
            np.array([f.frame_time_s[-1] + readout.readout_s * f.share[-1] for f in self.flights])
            - self.zero
            + MARGIN_S
        )
        self._paths = Paths(assumed)
        self._spin = np.full(len(self.flights), SHAPE_AT * 6.0 / assumed.radius_m)
        self._descent_slope: Floats | None = None
        self.prior_mean, self.prior_sd = self._priors()
        self.free = self.prior_sd > 0
        self._rank = np.cumsum(self.free) - 1

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

    def streak_errors(self) -> Floats:
        """Errors of the outlines that are not among the unknowns, one sd each, (k, n, 2)."""
        streak_px = float(np.median(np.concatenate([f.streak_px for f in self.flights])))
        return streak_errors(self._xy, self._picture_px, self._ball.median_px, streak_px)

    def set_lift_shape(self, exponent: float, speed_m_s: Floats) -> None:
        """Expect this exponent; lift coefficients are those at these speeds, (S,)."""
        self.prior_mean[LIFT_SHAPE] = exponent
        self._spin = SHAPE_AT * np.maximum(speed_m_s, 0.1) / self.assumed.radius_m

    def set_noise(self, noise: Floats, weight: Floats) -> None:
        """Multiply each flight's stated uncertainties, (S,), and give each sighting a weight, (n,)."""
        self.u_px = self._stated_u_px * noise[self.which] / np.sqrt(np.maximum(weight, 1e-4))
        self._outline_over_u = self._outline / self.u_px[:, None]

    def misfit(self, fitted: Fit) -> Floats:
        """Squared distance of each sighting from the path in units of its stated uncertainty, (n,)."""
        n = len(self.which)
        off = fitted.residuals[: 2 * n].reshape(n, 2) * (self.u_px / self._stated_u_px)[:, None]
        return np.asarray((off**2).sum(axis=1))

    # -- the model --------------------------------------------------------------------------------

    def cover(self, flight: int, time_s: float) -> None:
        """Let a flight's path reach to this real time, too."""
        at = time_s - self.zero[flight]
        self._begin[flight] = min(self._begin[flight], at - MARGIN_S)
        self._end[flight] = max(self._end[flight], at + MARGIN_S)

    def places(self, theta: Floats, which: Ints, time_s: Floats, share: Floats) -> Floats:
        """Where balls ``which`` (n,) are at frame times (n,) and rows' shares of the readout (n,), (n, 3)."""
        return self._flown(theta, which, time_s, share).place_m

    def velocities(self, theta: Floats, which: Ints, time_s: Floats, share: Floats) -> Floats:
        """How fast they are there, (n, 3)."""
        return self._flown(theta, which, time_s, share).velocity_m_s

    def state(self, theta: Floats, which: Ints, time_s: Floats, share: Floats) -> State:
        """Balls ``which`` (n,) at frame times (n,) and rows' shares of the readout (n,)."""
        flown = self._flown(theta, which, time_s, share)
        shaped_place, shaped_velocity = self._shaped(theta, flown)
        by_place = self._by_place(theta, flown, share, shaped_place)
        by_velocity, acceleration = np.zeros((len(which), 3, COMMON + EACH)), np.zeros((len(which), 3))
        by_velocity[:, [0, 2]] = flown.through_start(flown.by_v)
        by_velocity[:, 1, COMMON + VY] = flown.aside.velocity_m_s
        by_velocity[:, [0, 2], LIFT_SHAPE] = shaped_velocity
        h = 1e-4
        later, earlier = (flown.paths.at_many(flown.on, flown.t_s + d)[1] for d in (h, -h))
        acceleration[:, [0, 2]] = flown.turn * (later - earlier) / (2 * h)
        by_velocity[:, :, READOUT] += acceleration * share[:, None]
        return State(
            flown.place_m, flown.velocity_m_s, self._whole(which, by_place), self._whole(which, by_velocity)
        )

    @property
    def _span(self) -> Floats:
        """From when to when the paths are wanted, (S, 2), in seconds since each one's start."""
        return np.stack([self._begin, self._end], axis=1)

    def _flown(self, theta: Floats, which: Ints, time_s: Floats, share: Floats) -> Flown:
        """Balls ``which`` on their paths.

        All flights are flown together, since who asks for one soon asks for the others.
        """
        start, chain = start_values(theta, self.sense, self._spin, self.assumed.radius_m)
        paths = self._paths.fly(start, self._span, float(theta[LIFT_SHAPE]))
        t = time_s + theta[READOUT] * share - self.zero[which]
        xz, v, by_xz, by_v = paths.at_many(which, t)
        at, n = COMMON + EACH * which, len(which)
        turn = np.stack([self.sense[which], np.ones(n)], axis=1)
        place, velocity = np.empty((n, 3)), np.empty((n, 3))
        place[:, [0, 2]] = turn * xz + np.stack([theta[at + X0], theta[at + Z0]], axis=1)
        aside = sideways(paths, self._begin, self._end, start[:, 3], which, t)
        place[:, 1] = theta[at + Y0] + theta[at + VY] * aside.place_m
        velocity[:, [0, 2]] = turn * v
        velocity[:, 1] = theta[at + VY] * aside.velocity_m_s
        return Flown(which, t, start, chain, paths, aside, turn, xz, by_xz, by_v, place, velocity)

    def _shaped(self, theta: Floats, flown: Flown) -> tuple[Floats, Floats]:
        """Derivatives of places and velocities by the lift's exponent, (n, 2) each, by a difference."""
        paths = self._paths.fly(flown.start, self._span, float(theta[LIFT_SHAPE]) + SHAPE_STEP)
        xz, v, _, _ = paths.at_many(flown.on, flown.t_s)
        velocity = flown.velocity_m_s[:, [0, 2]]
        return flown.turn * (xz - flown.xz_m) / SHAPE_STEP, (flown.turn * v - velocity) / SHAPE_STEP

    def _by_place(self, theta: Floats, flown: Flown, share: Floats, shaped: Floats) -> Floats:
        """Derivatives of places by the common unknowns and by the flights' own, (n, 3, COMMON + EACH)."""
        vy = theta[COMMON + EACH * flown.on + VY]
        by = np.zeros((len(share), 3, COMMON + EACH))
        by[:, [0, 2]] = flown.through_start(flown.by_xz)
        by[:, 0, COMMON + X0] += 1
        by[:, 2, COMMON + Z0] += 1
        by[:, 1] = (vy * flown.aside.place_by_drag)[:, None] * flown.chain[flown.on, 3]
        by[:, 1, COMMON + VY] = flown.aside.place_m
        by[:, 1, COMMON + Y0] = 1
        by[:, :, READOUT] += flown.velocity_m_s * share[:, None]
        by[:, [0, 2], LIFT_SHAPE] = shaped
        return by

    def _whole(self, which: Ints, part: Floats) -> Floats:
        """Derivatives (n, k, p) by all unknowns from those by the common and the flights' own (n, k, ...)."""
        n, rows, _ = part.shape
        whole = np.zeros((n, rows, self.size))
        whole[:, :, :COMMON] = part[:, :, :COMMON]
        for s in np.unique(which):
            mine, at = which == s, COMMON + EACH * s
            whole[mine, :, at : at + EACH] = part[mine, :, COMMON:]
        return whole

    def model(self, theta: Floats) -> tuple[Floats, Floats]:
        """Residuals over their uncertainty: sightings, then camera, then ball.

        Their derivatives are by the unknowns that are free.
        """
        flown = self._flown(theta, self.which, self.time, self.share)
        if self._descent_slope is None:
            # It hardly changes while a fit descends, so that one difference serves a whole descent.
            self._descent_slope = self._shaped(theta, flown)[0]
        by_place = self._by_place(theta, flown, self.share, self._descent_slope)
        places, by_camera, by_world = project_with_derivatives(
            theta[:PARAMETERS], self.camera.view, flown.place_m, self.assumed.radius_m
        )
        part = by_world[:, :, 0, None] * by_place[:, None, 0]
        for k in (1, 2):
            part += by_world[:, :, k, None] * by_place[:, None, k]
        part[:, :, :PARAMETERS] += by_camera
        part /= self.u_px[:, None, None]
        places += np.tensordot(theta[self._errors_at :], self._outline, 1)
        residual = (places - self._xy) / self.u_px[:, None]
        rows = self.camera.rows(theta[:PARAMETERS])
        parts_r = [residual.ravel(), rows.residual]
        ball = np.zeros((0, self.size))
        if self.ball_carries_scale:
            by_depth = self._whole(self.which, by_place[:, 1:2])[:, 0]
            off, ball = self._ball.rows(theta, self.camera.view, flown.place_m, by_depth, self.u_px)
            parts_r.append(off)
        return np.concatenate(parts_r), self._jacobian(part, rows.jacobian, ball[:, self.free])

    def _jacobian(self, part: Floats, of_camera: Floats, of_ball: Floats) -> Floats:
        """Derivatives by the free unknowns, from those (n, 2, COMMON + EACH) of the sightings.

        Written once into their places: with many flights most of them are zero.
        """
        n, m = len(part), 2 * len(part)
        whole = np.zeros((m + len(of_camera) + len(of_ball), int(self.free.sum())))
        seen = whole[:m].reshape(n, 2, -1)
        common = np.flatnonzero(self.free[:COMMON])
        seen[:, :, : len(common)] = part[:, :, common]
        for s in range(len(self.flights)):
            mine, at = self._rows_of(s), COMMON + EACH * s
            own = np.flatnonzero(self.free[at : at + EACH])
            first = self._rank[at + own[0]]
            seen[mine, :, first : first + len(own)] = part[mine][:, :, COMMON + own]
        seen[:, :, self._rank[-1] + 1 - len(self._outline) :] = np.moveaxis(self._outline_over_u, 0, 2)
        whole[m : m + len(of_camera), :PARAMETERS] = of_camera
        whole[m + len(of_camera) :] = of_ball
        return whole

    def _rows_of(self, flight: int) -> slice:
        """Which sightings are a flight's."""
        first = sum(len(f) for f in self.flights[:flight])
        return slice(first, first + len(self.flights[flight]))

    @property
    def ball_row_count(self) -> int:
        """How many rows the ball's size has."""
        return self._ball.count if self.ball_carries_scale else 0

    # -- solving ----------------------------------------------------------------------------------

    def solve(self, start: Floats, *, last: bool = True) -> Fit:
        """Fit from ``start``, (p,); unknowns without uncertainty stay where they are.

        What is not the last fit need not be exact.
        """
        free = np.flatnonzero(self.free)
        whole = start.copy()
        self._descent_slope = None
        whole[~self.free] = self.prior_mean[~self.free]

        def model(part: Floats) -> tuple[Floats, Floats]:
            whole[free] = part
            return self.model(whole)

        return fit(
            model,
            whole[free],
            prior_mean=self.prior_mean[free],
            prior_sd=self.prior_sd[free],
            tolerance=SETTLED if last else NEARLY_SETTLED,
            max_iterations=40 if last else 15,
            damping=1e-9,
        )

    def carry_over(self, earlier: Problem, theta: Floats) -> Floats:
        """The unknowns of an earlier problem with the same flights, some of which now begin elsewhere."""
        carried = theta.copy()
        s = np.arange(len(self.flights))
        share = np.zeros(len(s))
        now = earlier._flown(theta, s, self.zero, share)
        at = COMMON + EACH * s
        carried[at + X0], carried[at + Z0] = now.place_m[:, 0], now.place_m[:, 2]
        carried[at + VX], carried[at + VZ] = now.velocity_m_s[:, 0], now.velocity_m_s[:, 2]
        carried[at + Y0] = now.place_m[:, 1]
        if not self.own_planes:
            carried[at + Y0] = 0.0
        if not self.free_g:
            carried[at + OWN_LOG_G] = 0.0
        return carried

    def thinned(self, step: int) -> Problem:
        """The same with every ``step``-th sighting of each flight, the first among them."""
        return Problem(
            [flight.only(np.arange(len(flight)) % step == 0) for flight in self.flights],
            self.camera,
            self.readout,
            self.assumed,
            free_g=self.free_g,
            ball_carries_scale=self.ball_carries_scale,
            own_planes=self.own_planes,
        )

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
