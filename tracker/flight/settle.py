"""Repeats the adjustment until outliers, noise level and the shape of the lift have settled."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.values import Floats
from tracker.flight.adjust import Problem
from tracker.flight.fitted import Fit
from tracker.flight.unknowns import COMMON, EACH, LIFT_C, VX, VZ

ROUNDS, ROUNDS_AGAIN = 3, 2
#: Where robust weights begin to fall: distance of a sighting in standard uncertainties, two coordinates.
ROBUST_AT = 2.8
MEDIAN_CHI2_2 = 1.3863  # median of chi-square with two degrees of freedom: 2 ln 2
LEAST_NOISE = 0.3
LEAST_LEFT = 0.2
LONGEST_MEMORY = 12  # sightings over which neighbouring errors may hang together
LEAST_SHAPE = 0.05
#: From so many sightings on the first way to the solution is found with every so manyth.
MANY, THINNED = 400, 3


@dataclass(frozen=True, slots=True)
class Settled:
    """A finished adjustment.

    ``theta`` (p,) are all unknowns; ``noise`` (S,) by how much the sightings of each flight scatter
    beyond their stated uncertainty; ``memory`` (S,) by how much neighbouring errors hanging together
    multiply the variance of a mean; ``distance`` (n,) of each sighting in standard uncertainties.
    """

    problem: Problem
    fit: Fit
    theta: Floats
    noise: Floats
    memory: Floats
    distance: Floats


def settle(problem: Problem, like: Settled | None = None, *, rough: bool = False) -> Settled:
    """Solve the problem; sightings far from their path lose weight, and noise is learnt from the rest.

    ``like`` is a finished adjustment of the same flights to start from. ``rough`` is near enough to the
    solution to tell which sightings are sound, and to start another adjustment from.
    """
    flights = len(problem.flights)
    noise, memory = np.ones(flights), np.ones(flights)
    distance = np.zeros(len(problem.which))
    rounds = ROUNDS
    if like is None:
        theta = _start(problem)
    else:
        theta = problem.carry_over(like.problem, like.theta)
        noise, memory, rounds = like.noise.copy(), like.memory.copy(), ROUNDS_AGAIN
        if len(like.distance) == len(distance):
            problem.set_noise(noise * np.sqrt(memory), _weight(like.distance))
        else:
            problem.set_noise(noise * np.sqrt(memory), np.ones(len(distance)))
    for turn in range(rounds):
        _shape_lift(problem, theta)
        fitted = problem.solve(theta, last=turn == rounds - 1 and not rough)
        theta = problem.whole(fitted.theta)
        misfit = problem.misfit(fitted)
        honest = misfit / _left_over(fitted, len(misfit))
        for s in range(flights):
            mine = problem.which == s
            noise[s] = max(float(np.sqrt(np.median(honest[mine]) / MEDIAN_CHI2_2)), LEAST_NOISE)
        distance = np.sqrt(misfit) / noise[problem.which]
        memory = _memory(problem, fitted, distance)
        if turn < rounds - 1:
            settled = turn == rounds - 2
            problem.set_noise(noise * (np.sqrt(memory) if settled else 1.0), _weight(distance))
    return Settled(problem, fitted, theta, noise, memory, distance)


def _start(problem: Problem) -> Floats:
    """Unknowns to start from, (p,): where some of the sightings put them, if there are many."""
    if len(problem.which) < MANY:
        return problem.guess()
    some = problem.thinned(THINNED)
    theta = some.guess()
    _shape_lift(some, theta)
    return problem.carry_over(some, some.whole(some.solve(theta, last=False).theta))


def _left_over(fitted: Fit, sightings: int) -> Floats:
    """Share of each sighting's variance that the fit has not taken up, (n,): 1 - its mean leverage."""
    leverage = fitted.leverage[: 2 * sightings].reshape(sightings, 2).mean(axis=1)
    return np.asarray(np.maximum(1 - leverage, LEAST_LEFT))


def _weight(distance: Floats) -> Floats:
    """Robust weights, (n,), of sightings at these distances from their path."""
    return np.asarray(1 / (1 + np.maximum(distance / ROBUST_AT - 0.6, 0.0) ** 2) ** 2)


def _shape_lift(problem: Problem, theta: Floats) -> None:
    """Expect of the lift's exponent what the nominal law has at such a lift: 1 - 2.022 C_L.

    From C = S / (2.022 S + 0.981): d ln C / d ln S = 0.981 / (2.022 S + 0.981) = 1 - 2.022 C.
    """
    at = COMMON + EACH * np.arange(len(problem.flights))
    lift = float(np.median(np.abs(theta[at + LIFT_C])))
    shape = min(max(1 - 2.022 * lift, LEAST_SHAPE), 1.0)
    problem.set_lift_shape(shape, np.hypot(theta[at + VX], theta[at + VZ]))


def _memory(problem: Problem, fitted: Fit, distance: Floats) -> Floats:
    """Factor by which serial correlation multiplies the variance of a mean, (S,), 1 and more.

    Source: integrated autocorrelation of a stationary series, Box & Jenkins, Time Series Analysis, 2.1
    (from memory), cut where it first falls below its own noise.
    """
    n = len(problem.which)
    off = fitted.residuals[: 2 * n].reshape(n, 2)
    factor = np.ones(len(problem.flights))
    for s in range(len(problem.flights)):
        e = off[(problem.which == s) & (distance < 2 * ROBUST_AT)]
        e = e - e.mean(axis=0) if len(e) else e
        power = float((e**2).sum())
        if len(e) < 8 or power == 0:
            continue
        total = 1.0
        for lag in range(1, min(LONGEST_MEMORY, len(e) // 4) + 1):
            r = float((e[lag:] * e[:-lag]).sum()) / power
            if r < 1 / np.sqrt(2 * len(e)):
                break
            total += 2 * r
        factor[s] = total
    return factor
