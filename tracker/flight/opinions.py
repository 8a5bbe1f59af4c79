"""A clip's flights with gravity free -> second opinions, and what each mistake would do to them.

One linear least-squares step from the finished adjustment, with what it holds fixed let go as well: each
flight's gravity and a sideways acceleration, the ball's size and its drift, and a bend of the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.camera import (
    COMPLEX_STEP,
    PARAMETERS,
    bend_px,
    outline_radius_px,
    project,
)
from calibration.camera import YAW as YAW_AT
from calibration.reference import U_YAW_RAD
from calibration.second_opinions import Cause, Opinions
from calibration.values import Floats
from tracker.flight.adjust import U_OUT_OF_PLANE_M_S, Problem
from tracker.flight.settle import Settled
from tracker.flight.unknowns import OWN_LOG_G, VY

#: Light alone makes a ball look smaller, by up to 5 % (rectangular), where its lower rim is dark, and
#: changes that by up to 4 % over a flight. Measured on made films.
U_LN_SHADED = 0.05 / math.sqrt(3)
U_LN_LIGHT_DRIFT = 0.04 / math.sqrt(3)
U_EDGE_PX = 0.35
#: What the phone leaves of a main lens's bend. Common practice, no source.
U_BEND = 0.01
LEAST_U_LN_RADIUS = 0.003
#: Neighbouring radii err alike: as if only every so manyth were seen.
RADIUS_MEMORY = 4.0
#: How far what is let go may go: far beyond all that a film can show.
FREE_YAW_RAD, FREE_ASIDE_M_S, FREE_LN_SIZE, FREE_BEND = 1.0, 5.0, 2.0, 1.0
#: Mistakes that are worth naming: (least, most), in their own units. Rates of films are wrong by whole
#: factors, not by per cents; cameras stand within some degrees of square. Common practice, no source.
CLOCK = (0.12, 3.0)
SCALE = (0.015, 0.6)
BALL = (0.08, 1.5)
YAW = (math.radians(5.0), math.radians(45.0))
PLANE = (0.35, 5.0)
LENS = (0.02, 0.6)


@dataclass(frozen=True, slots=True)
class Heard:
    """Second opinions and the causes that may be behind them."""

    opinions: Opinions
    causes: tuple[Cause, ...]


@dataclass(frozen=True, slots=True)
class _System:
    """Residuals (m,) and derivatives (m, u) of everything; names and places of what is let go.

    ``expected`` (q,) is how far each of those is expected to be from zero, which the rows leave out.
    """

    residual: Floats
    jacobian: Floats
    names: tuple[str, ...]
    at: list[int]
    now: Floats
    expected: Floats


def second_opinions(settled: Settled) -> Heard:
    """What the flights of a finished adjustment with gravity free say by themselves."""
    problem = settled.problem
    system = _system(settled)
    normal = system.jacobian.T @ system.jacobian
    size = np.sqrt(np.diag(normal))
    covariance = np.linalg.inv(normal / np.outer(size, size)) / np.outer(size, size)
    values = system.now - (covariance @ (system.jacobian.T @ system.residual))[system.at]
    spread = covariance[np.ix_(system.at, system.at)] + np.diag(system.expected**2)
    opinions = Opinions(system.names, values, 0.5 * (spread + spread.T))
    return Heard(opinions, _causes(system.names, len(problem.flights)))


def _causes(names: tuple[str, ...], flights: int) -> tuple[Cause, ...]:
    """How each mistake moves the opinions, those first that are to be preferred."""
    name = np.array(names)

    def moves(**by: float) -> Floats:
        return np.asarray(sum(value * (name == key) for key, value in by.items()), dtype=float)[:, None]

    causes = [
        Cause("scale", moves(gravity=1.0, size=1.0), *SCALE),
        Cause("clock", moves(gravity=-2.0), *CLOCK),
        Cause("ball", moves(size=1.0), *BALL),
    ]
    if "sideways" in names:
        causes.append(Cause("yaw", moves(sideways=1.0), *YAW))
    aside = np.zeros((len(names), flights))
    aside[np.flatnonzero(name == "aside"), np.arange(flights)] = 1.0
    causes.append(Cause("plane", aside, *PLANE))
    if "bend" in names:
        causes.append(Cause("lens", moves(bend=1.0), *LENS))
    return tuple(causes)


def _system(settled: Settled) -> _System:
    """Sightings, camera, what is expected beforehand, and radii; yaw and motion aside let go."""
    problem, theta = settled.problem, settled.theta
    residual, jacobian = problem.model(theta)
    flights = range(len(problem.flights))
    free = np.flatnonzero(problem.free)
    where = {int(unknown): k for k, unknown in enumerate(free)}
    aside = [problem.of(k, VY) for k in flights]
    shares = problem.camera.rows(theta[:PARAMETERS]).shares
    sightings = 2 * len(problem.which)
    yaw_rows = [sightings + k for k, share in enumerate(shares) if share == (("yaw", 1.0),)]
    limited = [int(k) for k in free if np.isfinite(problem.prior_sd[k])]
    sd = problem.prior_sd[limited].copy()
    sd[[limited.index(k) for k in aside]] = FREE_ASIDE_M_S
    radius, by_radius, of_size = _radii(settled)
    bent = problem.camera.bent
    extras = of_size.shape[1] + (bent is not None)
    n, p, q = len(residual), len(free), len(limited)
    J = np.zeros((n + q + len(radius) + extras, p + extras))
    J[:n, :p] = jacobian
    J[yaw_rows] *= U_YAW_RAD / FREE_YAW_RAD
    prior = np.zeros((q, p))
    prior[np.arange(q), [where[k] for k in limited]] = 1 / sd
    J[n : n + q, :p] = prior
    J[n + q : n + q + len(radius), :p] = by_radius[:, free]
    J[n + q : n + q + len(radius), p : p + of_size.shape[1]] = of_size
    wide = [FREE_LN_SIZE] * of_size.shape[1]
    if bent is not None:
        J[:sightings, -1] = _bend(problem, theta)
        of_camera = bent(theta[:PARAMETERS])
        J[sightings : sightings + len(of_camera), -1] = of_camera
        wide.append(FREE_BEND)
    J[n + q + len(radius) :, p:] = np.diag(1 / np.array(wide))
    r = np.concatenate(
        [residual, (theta[limited] - problem.prior_mean[limited]) / sd, radius, np.zeros(extras)]
    )
    r[yaw_rows] *= U_YAW_RAD / FREE_YAW_RAD
    gravity = [problem.of(k, OWN_LOG_G) for k in flights]
    u_edge = U_EDGE_PX / float(np.median(np.concatenate([f.radius_px for f in problem.flights])))
    u_size = math.sqrt(U_LN_SHADED**2 + u_edge**2 + problem.assumed.u_ln_radius**2)
    let_go = [
        *(("gravity", where[k], theta[k], problem.assumed.u_ln_g) for k in gravity),
        *(("sideways", where[YAW_AT], theta[YAW_AT], U_YAW_RAD) for _ in yaw_rows),
        *(("aside", where[k], theta[k], U_OUT_OF_PLANE_M_S) for k in aside),
        ("size", p, 0.0, u_size),
        *(("drift", p + 1 + k, 0.0, U_LN_LIGHT_DRIFT) for k in flights),
        *(("bend", p + extras - 1, 0.0, U_BEND) for _ in range(bent is not None)),
    ]
    names, at, now, expected = zip(*let_go, strict=True)
    return _System(r, J, names, list(at), np.array(now), np.array(expected))


def _bend(problem: Problem, theta: Floats) -> Floats:
    """Derivatives of the sightings' residuals by a bend of the picture, (2n,)."""
    at_m = problem.places(theta, problem.which, problem.time, problem.share)
    camera, view = theta[:PARAMETERS], problem.camera.view
    places = project(camera, view, at_m, problem.assumed.radius_m)
    return np.asarray((bend_px(problem.camera.start, view, places) / problem.u_px[:, None]).ravel())


def _radii(settled: Settled) -> tuple[Floats, Floats, Floats]:
    """Rows of the outlines' radii: residuals (n,), derivatives by the unknowns (n, p), and (n, 1 + S).

    The last are by the size of all and by the drift of each flight's, from its first to its last.
    """
    problem, theta = settled.problem, settled.theta
    view, r_m = problem.camera.view, problem.assumed.radius_m
    state = problem.state(theta, problem.which, problem.time, problem.share)
    camera = theta[:PARAMETERS]
    expected = outline_radius_px(camera, view, state.place_m, r_m)
    off = np.log(expected / np.concatenate([f.radius_px for f in problem.flights]))
    by = np.zeros((len(off), problem.size))
    for k in range(PARAMETERS):
        moved = camera.astype(complex)
        moved[k] += 1j * COMPLEX_STEP
        by[:, k] = np.log(outline_radius_px(moved, view, state.place_m, r_m)).imag / COMPLEX_STEP
    for axis in range(3):
        near = state.place_m.astype(complex)
        near[:, axis] += 1j * COMPLEX_STEP
        slope = np.log(outline_radius_px(camera, view, near, r_m)).imag / COMPLEX_STEP
        by += slope[:, None] * state.by_place[:, axis]
    of_size = np.zeros((len(off), 1 + len(problem.flights)))
    of_size[:, 0] = 1.0
    u = np.zeros(len(off))
    for s in range(len(problem.flights)):
        mine = problem.which == s
        t = problem.time[mine]
        of_size[mine, 1 + s] = (t - t.mean()) / max(float(np.ptp(t)), 1e-9)
        line = off[mine] - np.polyval(np.polyfit(t - t.mean(), off[mine], 1), t - t.mean())
        scatter = 1.4826 * float(np.median(np.abs(line)))
        u[mine] = max(scatter, LEAST_U_LN_RADIUS) * math.sqrt(RADIUS_MEMORY)
    weight = 1 / u
    # Outlines that are far off are no outlines of a whole ball.
    wild = np.abs(off - np.median(off)) > 6 * np.median(u) + 0.1
    weight[wild] *= 1e-3
    return off * weight, by * weight[:, None], of_size * weight[:, None]
