"""The flight path and its derivatives, integrated together by spectral collocation.

The acceleration is a polynomial through its values at the Chebyshev-Gauss-Lobatto times of the flight;
velocity and position are its integrals. With w = v_x + i v_z the equation of motion is
w' = (-drag D + i lift C) |w| w - i g: linear once the speed |w| is known. Sweeps over the speed bring the
solution close, Newton on the collocation equations ends it, and the linear system of the last step also
gives the derivatives by the start values (the variational equations).
Source of the variational equations: Hairer, Norsett & Wanner, Solving Ordinary Differential
Equations I, I.14 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.polynomial import chebyshev

from tracker.physics.collocation import Bools, Complexes, Floats, Grid
from tracker.physics.forces import LIFT, Law

START_VALUES = 6  # vx0, vz0, g_eff, drag, lift, spin0
DEGREES = (16, 26, 40, 60, 90, 140)  # tried in turn until the acceleration is resolved
RESOLVED_M = 1e-10  # what the first neglected Chebyshev terms may move the ball by
SLOWEST_M_S = 1e-9  # below this speed the spin parameter no longer grows
NARROWEST_S, WIDEST = 0.01, 10.0  # limits of the stretch about the apex, in seconds and flight times
GENTLEST_M_S2 = 1e-3  # where there is no gravity to make an apex
SWEEPS, COARSE_SWEEPS = 30, 3
SWEPT = 1e-8  # relative change of the speed at which sweeping ends; Newton squares what is left
NEWTON_STEPS = 8
NEWTON_DONE = 1e-7  # relative; a step this small leaves an error of its square
LARGEST_EXPONENT = 300.0  # keeps a hopeless sweep finite


@dataclass(frozen=True, slots=True)
class Flights:
    """Paths of S shots as Chebyshev series, to be read at any time between begin and end.

    Parameters
    ----------
    centre_s, width_s, middle, half : (S,) arrays
        How a series runs in time: t = centre + width sinh(middle + half tau), tau in [-1, 1].
    series : (S, k, 28) array
        Coefficients of position (2), velocity (2), and their derivatives by the six start values (12, 12).
    solved : (S,) bool array
        Whether the collocation equations were solved; where not, the path is NaN.
    resolved : (S,) bool array
        Whether the series reaches its accuracy; false only where an apex is passed at almost no speed.
    start : (S, 6) array
        The start values.
    """

    centre_s: Floats
    width_s: Floats
    middle: Floats
    half: Floats
    series: Floats
    solved: Bools
    resolved: Bools
    start: Floats

    def at(self, shot: int, t_s: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Path of one shot at times (n,); beyond begin and end the series soon loses its accuracy.

        Returns
        -------
        xz_m : (n, 2) array
            Position relative to that at t = 0.
        v_m_s : (n, 2) array
        dxz, dv : (n, 2, 6) arrays
            Their derivatives by (vx0, vz0, g_eff, drag, lift, spin0).
        """
        series = self.series[shot]
        return _parted(chebyshev.chebvander(self._tau(shot, t_s), series.shape[0] - 1) @ series)

    def at_many(self, shot: npt.NDArray[np.integer], t_s: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Path of shot ``shot[i]`` at time ``t_s[i]``, for all i at once; returns what ``at`` does."""
        who, row, counts = np.unique(np.asarray(shot), return_inverse=True, return_counts=True)
        # One matrix product a shot: the times of each shot side by side, padded to the longest.
        order = np.argsort(row, kind="stable")
        place = np.empty(len(row), dtype=np.int64)
        place[order] = np.arange(len(row)) - np.repeat(np.cumsum(counts) - counts, counts)
        tau = np.zeros((len(who), counts.max(initial=0)))
        tau[row, place] = self._tau(shot, t_s)
        values = chebyshev.chebvander(tau, self.series.shape[1] - 1) @ self.series[who]
        return _parted(values[row, place])

    def velocities(self, t_s: Floats) -> Floats:
        """Velocities of all shots, each at times of its own (S, n); (S, n, 2)."""
        tau = self._tau(np.s_[:, None], t_s)
        return np.asarray(chebyshev.chebvander(tau, self.series.shape[1] - 1) @ self.series[..., 2:4])

    def _tau(self, shot: int | npt.NDArray[np.integer] | tuple[slice, None], t_s: Floats) -> Floats:
        """Times as places on [-1, 1]."""
        s = np.arcsinh((np.asarray(t_s, dtype=np.float64) - self.centre_s[shot]) / self.width_s[shot])
        tau: Floats = (s - self.middle[shot]) / self.half[shot]
        return tau


def _parted(values: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """The columns of ``Flights.series`` as position, velocity and their derivatives."""
    shape = (len(values), 2, START_VALUES)
    return values[:, :2], values[:, 2:4], values[:, 4:16].reshape(shape), values[:, 16:].reshape(shape)


def fly(
    start: Floats,
    begin_s: Floats,
    end_s: Floats,
    *,
    radius_m: float,
    spin_decay_s: float,
    law: Law = LIFT,
    drag_law: Law | None = None,
    resolved_m: float = RESOLVED_M,
    near: Flights | None = None,
) -> Flights:
    """Paths of S shots with gravity, quadratic drag and lift.

    a = -g_eff z - drag D(S) |v| v + lift C(S) |v| (-v_z, v_x) with S = radius spin / |v| and
    spin = spin0 exp(-t / spin_decay). Backspin lifts a ball that flies toward +x; for one that flies
    toward -x the caller mirrors x.

    Parameters
    ----------
    start : (S, 6) array
        vx0, vz0 (m/s), g_eff (m/s2), drag, lift (1/m), spin0 (rad/s), as they hold at t = 0.
    begin_s, end_s : (S,) arrays
        The paths are wanted between these; begin <= 0 <= end.
    radius_m, spin_decay_s : float
    law : Law
        C and dC/dS of the spin parameter.
    drag_law : Law or None
        D and dD/dS of the spin parameter; None is D = 1.
    resolved_m : float
        What the first neglected Chebyshev terms may move the ball by.
    near : Flights, optional
        Paths of nearly the same start values over the same times, from which these are found sooner.

    Raises
    ------
    ValueError
        If the arrays do not fit together, are not finite, or 0 is not between begin and end.
    """
    start, begin, end = _checked(start, begin_s, end_s)
    motion = _Motion(radius_m, spin_decay_s, law, drag_law)
    if near is not None:
        found = _found_from(near, motion, start, begin, end, resolved_m)
        if found is not None:
            return found
    series = np.zeros((len(start), DEGREES[-1] + 2, 4 + 4 * START_VALUES))
    solved, resolved = np.zeros((2, len(start)), dtype=np.bool_)
    waiting, longest = np.arange(len(start)), 1
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # hopeless paths end as NaN
        whole = grid = _crowded(motion, start, begin, end)
        w = _vacuum(start, grid)
        for degree in DEGREES:
            grid, w = grid.refined(degree, w)
            w = _sweep(motion, start[waiting], grid, w, COARSE_SWEEPS)
            tail = grid.tail(_pairs(motion.acceleration(start[waiting], grid.t_s, w)))
            enough = _neglected_m(tail, (end - begin)[waiting], degree) < resolved_m
            ready = enough | ~np.isfinite(tail) | (degree == DEGREES[-1])
            if ready.any():
                now, grid_now = waiting[ready], grid.only(ready)
                w_now = _sweep(motion, start[now], grid_now, w[ready], SWEEPS)
                part, solved[now] = _solve(motion, start[now], grid_now, w_now)
                series[now, : degree + 2] = part
                resolved[now] = enough[ready]
                longest = degree + 2
                waiting, grid, w = waiting[~ready], grid.only(~ready), w[~ready]
            if not len(waiting):
                break
    stretch = whole.centre_s, whole.width_s, whole.middle, whole.half
    return Flights(*stretch, series[:, :longest], solved, resolved, start)


def _neglected_m(tail: Floats, span_s: Floats, degree: int) -> Floats:
    """What the first neglected terms of the acceleration move the balls by, (S,)."""
    return tail * span_s / degree


def _found_from(
    near: Flights, motion: _Motion, start: Floats, begin_s: Floats, end_s: Floats, resolved_m: float
) -> Flights | None:
    """Paths from near ones by Newton alone, on their grid; None where that does not lead to all of them."""
    degree = near.series.shape[1] - 2
    grid = Grid.on(degree, near.centre_s, near.width_s, near.middle, near.half)
    ends = np.stack([begin_s, end_s], axis=1)
    if grid.t_s.shape[0] != len(start) or not np.allclose(grid.t_s[:, [0, -1]], ends, rtol=0, atol=1e-9):
        return None
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # as in ``fly``
        values = grid.at_nodes(near.series)
        by_start = values[..., 16:].reshape(*values.shape[:2], 2, START_VALUES)
        v = values[..., 2:4] + (by_start @ (start - near.start)[:, None, :, None])[..., 0]
        series, solved = _solve(motion, start, grid, v[..., 0] + 1j * v[..., 1])
        if not solved.all():
            return None
        v = grid.at_nodes(series[..., 2:4])
        tail = grid.tail(_pairs(motion.acceleration(start, grid.t_s, v[..., 0] + 1j * v[..., 1])))
    if not (_neglected_m(tail, end_s - begin_s, degree) < resolved_m).all():
        return None
    stretch = near.centre_s, near.width_s, near.middle, near.half
    return Flights(*stretch, series, solved, np.ones_like(solved), start)


def _crowded(motion: _Motion, start: Floats, begin_s: Floats, end_s: Floats) -> Grid:
    """A coarse grid whose nodes crowd where the ball is slowest.

    The speed is smooth in time but for two points beside the real axis where w or its conjugate vanishes;
    seen from the slowest node the straight line w + w' dt vanishes at about the nearer of them.
    """
    g = np.maximum(start[:, 2], GENTLEST_M_S2)
    centre, width = start[:, 1] / g, np.abs(start[:, 0]) / g
    grid = _stretched(begin_s, end_s, centre, width)
    w = _sweep(motion, start, grid, _vacuum(start, grid), COARSE_SWEEPS)
    slowest = np.arange(len(w)), np.argmin(np.abs(w), axis=1)
    lead = -w[slowest] / motion.acceleration(start, grid.t_s, w)[slowest]
    return _stretched(begin_s, end_s, grid.t_s[slowest] + lead.real, np.abs(lead.imag))


def _stretched(begin_s: Floats, end_s: Floats, centre_s: Floats, width_s: Floats) -> Grid:
    """The coarse grid about these apexes, kept within reason."""
    span = end_s - begin_s + NARROWEST_S
    centre = np.clip(np.nan_to_num(centre_s), begin_s - span, end_s + span)
    width = np.clip(np.nan_to_num(width_s), NARROWEST_S, WIDEST * span)
    return Grid.of(DEGREES[0], begin_s, end_s, centre, width)


def _checked(start: Floats, begin_s: Floats, end_s: Floats) -> tuple[Floats, Floats, Floats]:
    """The arguments of ``fly`` as arrays that fit together."""
    start = np.asarray(start, dtype=np.float64)
    begin, end = np.asarray(begin_s, dtype=np.float64), np.asarray(end_s, dtype=np.float64)
    if start.ndim != 2 or start.shape[1] != START_VALUES:
        raise ValueError(f"start values must have shape (S, {START_VALUES}), not {start.shape}")
    if begin.shape != start.shape[:1] or end.shape != start.shape[:1]:
        raise ValueError("begin and end must hold one time for each shot")
    if not (np.isfinite(start).all() and np.isfinite(begin).all() and np.isfinite(end).all()):
        raise ValueError("start values and times must be finite")
    if (begin > 0).any() or (end < 0).any():
        raise ValueError("t = 0 must lie between begin and end")
    return start, begin, end


def _pairs(w: Complexes) -> Floats:
    """Complex (...,) as real (..., 2)."""
    return np.stack([w.real, w.imag], axis=-1)


@dataclass(frozen=True, slots=True)
class _Motion:
    """The equation of motion in w = v_x + i v_z; times (S, n), start values (S, 6)."""

    radius_m: float
    spin_decay_s: float
    law: Law
    drag_law: Law | None

    def coefficients(self, start: Floats, t_s: Floats, speed: Floats) -> tuple[Floats, ...]:
        """S, C, dC/dS, D, dD/dS at speeds (S, n)."""
        S = self.radius_m * start[:, 5:6] * np.exp(-t_s / self.spin_decay_s) / speed
        C, slope = self.law(S)
        D, drag_slope = (np.ones_like(S), np.zeros_like(S)) if self.drag_law is None else self.drag_law(S)
        return S, C, slope, D, drag_slope

    def rate(self, start: Floats, t_s: Floats, speed: Floats) -> Complexes:
        """(-drag D + i lift C) |w|."""
        _, C, _, D, _ = self.coefficients(start, t_s, np.maximum(speed, SLOWEST_M_S))
        return np.asarray((1j * start[:, 4:5] * C - start[:, 3:4] * D) * speed, dtype=np.complex128)

    def acceleration(self, start: Floats, t_s: Floats, w: Complexes) -> Complexes:
        """The derivative w' of w, both (S, n)."""
        return self.rate(start, t_s, np.abs(w)) * w - 1j * start[:, 2:3]

    def derivatives(self, start: Floats, t_s: Floats, w: Complexes) -> tuple[Floats, Floats]:
        """Derivatives of w': by v, shape (S, n, 2, 2), and by g_eff to spin0, shape (S, n, 2, 4)."""
        speed = np.maximum(np.abs(w), SLOWEST_M_S)
        S, C, slope, D, drag_slope = self.coefficients(start, t_s, speed)
        drag, lift = start[:, 3:4], start[:, 4:5]
        c = 1j * lift * C - drag * D
        c_slope = 1j * lift * slope - drag * drag_slope
        along = c * speed  # times dw
        across = (c - c_slope * S) * w  # times d|w|
        ux, uz = w.real / speed, w.imag / speed
        by_v = np.stack([_pairs(along + across * ux), _pairs(1j * along + across * uz)], axis=-1)
        by_spin = c_slope * self.radius_m * np.exp(-t_s / self.spin_decay_s) * w
        by_start = [np.full_like(w, -1j), -D * speed * w, 1j * C * speed * w, by_spin]
        return by_v, np.stack([_pairs(one) for one in by_start], axis=-1)


def _vacuum(start: Floats, grid: Grid) -> Complexes:
    """Velocities at the nodes, (S, n), without air."""
    total: Complexes = start[:, 0:1] + 1j * (start[:, 1:2] - start[:, 2:3] * grid.t_s)
    return total


def _sweep(motion: _Motion, start: Floats, grid: Grid, w: Complexes, sweeps: int) -> Complexes:
    """Velocities at the nodes, (S, n), nearer to a solution: the motion with the speed of the last sweep."""
    w0 = (start[:, 0] + 1j * start[:, 1])[:, None]
    speed = np.abs(w)
    for _ in range(sweeps):
        turned = grid.integral(motion.rate(start, grid.t_s, speed))
        turned.real = np.clip(turned.real, -LARGEST_EXPONENT, LARGEST_EXPONENT)
        growth = np.exp(turned)
        w = growth * (w0 - 1j * start[:, 2:3] * grid.integral(np.reciprocal(growth)))
        speed, last = np.abs(w), speed
        if not (np.abs(speed - last) > SWEPT * (speed.max(axis=1, keepdims=True) + SLOWEST_M_S)).any():
            break
    return w


def _solve(motion: _Motion, start: Floats, grid: Grid, w: Complexes) -> tuple[Floats, Bools]:
    """Newton on the collocation equations: the series of ``Flights`` and whether it ended."""
    shots, n = w.shape
    W = grid.integration()
    w0 = (start[:, 0] + 1j * start[:, 1])[:, None]
    by_start = np.zeros((shots, n, 2, START_VALUES))
    solved = np.zeros(shots, dtype=np.bool_)
    for _ in range(NEWTON_STEPS):
        by_v, by_start[..., 2:] = motion.derivatives(start, grid.t_s, w)
        residual = w0 + grid.integral(motion.acceleration(start, grid.t_s, w)) - w
        right = np.empty((shots, n, 2, 1 + START_VALUES))
        right[..., 0] = _pairs(residual)
        right[..., 1:3] = np.eye(2)
        right[..., 3:] = (W @ by_start[..., 2:].reshape(shots, n, 8)).reshape(shots, n, 2, 4)
        matrix = -W[:, :, None, :, None] * by_v.transpose(0, 2, 1, 3)[:, None]
        matrix = matrix.reshape(shots, 2 * n, 2 * n)
        matrix += np.eye(2 * n)
        try:
            step = np.linalg.solve(matrix, right.reshape(shots, 2 * n, -1)).reshape(right.shape)
        except np.linalg.LinAlgError:  # exactly singular: no path to give
            return np.full((shots, grid.degree + 2, 4 + 4 * START_VALUES), np.nan), np.zeros_like(solved)
        w = w + step[..., 0, 0] + 1j * step[..., 1, 0]
        size = np.abs(step[..., 0]).max(axis=(1, 2))
        solved = size <= NEWTON_DONE * (np.abs(w).max(axis=1) + SLOWEST_M_S)
        if (solved | ~np.isfinite(size)).all():
            break
    dv = step[..., 1:]
    by_start += by_v @ dv
    values = np.concatenate(
        [_pairs(motion.acceleration(start, grid.t_s, w)), by_start.reshape(shots, n, -1)], axis=-1
    )
    at_zero = np.zeros((shots, 2 + 2 * START_VALUES))
    at_zero[:, :2] = start[:, :2]
    at_zero[:, 2], at_zero[:, 3 + START_VALUES] = 1, 1
    velocity = grid.integral_series(values, at_zero)
    position = grid.integral_series(grid.at_nodes(velocity), 0.0)
    series = np.concatenate(
        [position[..., :2], velocity[..., :2], position[..., 2:], velocity[..., 2:]], axis=-1
    )
    series[~solved] = np.nan
    return series, solved
