"""Where and how fast all flights of a finished adjustment leave, with what is not known about it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import PARAMETERS, project
from calibration.values import Floats
from tracker.flight.settle import Settled
from tracker.flight.spread import Spread, number
from tracker.values import Number

#: How long before the first clear sighting a stated exit may lie.
LONGEST_REACH_S = 0.12
STEPS = 49  # of that stretch and a little more, in which the exit is looked for


@dataclass(frozen=True, slots=True)
class Leaving:
    """A flight at its exit: when, where and how fast, with what each input contributes.

    ``place_m`` (3,) has derivatives ``by_place`` (3, p) by the unknowns.
    """

    frame_time_s: float
    place_m: Floats
    by_place: Floats
    speed_m_s: float
    angle_rad: float
    of_speed: dict[str, float]
    of_angle: dict[str, float]

    @property
    def numbers(self) -> tuple[Number, Number]:
        """Speed and angle."""
        return number(self.speed_m_s, self.of_speed), number(self.angle_rad, self.of_angle)


def leavings(
    settled: Settled, spread: Spread, exits_px: Sequence[Floats | None], u_rate: float
) -> list[Leaving]:
    """Every flight at its exit.

    Parameters
    ----------
    exits_px : sequence of (2,) array or None
        Where the setup says each flight's exit is, straightened and steadied; None takes the first sighting.
    u_rate : float
        Relative standard uncertainty of the clock's rate.
    """
    problem = settled.problem
    first = first_shares(settled)
    times = np.array([float(flight.frame_time_s[0]) for flight in problem.flights])
    stated = [k for k, exit_px in enumerate(exits_px) if exit_px is not None]
    if stated:
        times[stated] = _times_at(settled, stated, np.array([exits_px[k] for k in stated]))
    state = problem.state(settled.theta, np.arange(len(times)), times, first)
    found = []
    for k, flight in enumerate(problem.flights):
        sense = float(flight.sense)
        v, dv = state.velocity_m_s[k], state.by_velocity[k]
        speed = float(np.linalg.norm(v))
        level = sense * v[0]
        of_speed = spread.of((v / speed) @ dv)
        of_angle = spread.of((level * dv[2] - v[2] * sense * dv[0]) / (level**2 + v[2] ** 2))
        of_speed["clock"], of_angle["clock"] = speed * u_rate, 0.0
        angle = math.atan2(v[2], level)
        found.append(
            Leaving(float(times[k]), state.place_m[k], state.by_place[k], speed, angle, of_speed, of_angle)
        )
    return found


def first_shares(settled: Settled) -> Floats:
    """Share of the readout at which each flight's first sighting lies, (S,)."""
    return np.array([float(flight.share[0]) for flight in settled.problem.flights])


def _times_at(settled: Settled, which: Sequence[int], exits_px: Floats) -> Floats:
    """Frame times at which paths pass nearest to places in the picture, about the first sightings, (k,)."""
    problem, theta = settled.problem, settled.theta
    flights = [problem.flights[k] for k in which]
    begin = np.array([float(flight.frame_time_s[0]) for flight in flights])
    step = np.array([float(np.median(np.diff(flight.frame_time_s))) for flight in flights])
    times = np.linspace(begin - LONGEST_REACH_S, begin + 3 * step, STEPS, axis=1)
    for k, flight in enumerate(problem.flights):
        problem.cover(k, float(flight.frame_time_s[0]) - LONGEST_REACH_S + problem.readout.readout_s)
    share = np.repeat(first_shares(settled)[list(which)], STEPS)
    places = problem.places(theta, np.repeat(np.asarray(which), STEPS), times.ravel(), share)
    ways = project(theta[:PARAMETERS], problem.camera.view, places, problem.assumed.radius_m)
    found = []
    for at, exit_px, px in zip(times, exits_px, ways.reshape(*times.shape, 2), strict=True):
        k = int(np.clip(np.argmin(((px - exit_px) ** 2).sum(axis=1)), 1, STEPS - 2))
        # Between two steps the path is straight to a thousandth of a pixel.
        along = (px[k + 1] - px[k - 1]) / (at[k + 1] - at[k - 1])
        found.append(float(at[k] + (exit_px - px[k]) @ along / (along @ along)))
    return np.array(found)
