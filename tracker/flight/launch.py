"""A finished adjustment -> what each shot was at its exit, with what is not known about it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import PARAMETERS, ROLL, outline_radius_px, project, to_plane
from calibration.values import Floats
from tracker.flight.leaving import Leaving, first_shares, leavings
from tracker.flight.settle import Settled
from tracker.flight.spread import RANDOM, Spread, number
from tracker.flight.unknowns import DRAG, LIFT_C, LOG_G, OWN_LOG_G, READOUT
from tracker.values import COVERAGE_FACTOR_95, BudgetLine, Number, Onward

#: The laws for lift differ by a quarter and more between balls: tracker.physics.forces.
U_LIFT_LAW = 0.25
#: Over how long the flight tells how it goes on from the exit.
ONWARD_S = 0.002
#: Above this uncertainty the lift of a flight is what was assumed, not what was seen.
LIFT_TOO_VAGUE = 0.12
LARGEST_LIFT = 1 / 2.022
REMEDIES = {
    "sightings": "film more of the flight, nearer or at a higher frame rate",
    "outline": "film before a plain, evenly lit wall",
    "click": "point at a longer reference, and more exactly",
    "board": "use a larger board, or film it from nearer",
    "length": "measure the reference more exactly",
    "offset": "put the reference into the plane of flight",
    "tilt": "give a plumb line in the setup",
    "yaw": "stand square to the flight, or give four reference points",
    "pitch": "hold the phone upright, or give four reference points",
    "distance": "state the camera's distance",
    "lens": "make the lens file from more pictures of the board",
    "readout": "state the readout of the camera",
    "gravity": "state the latitude",
    "air": "state temperature and pressure of the air",
    "mass": "weigh the ball",
    "added_mass": "nothing; a heavier ball feels less of the air it pushes along",
    "drag": "film more of the flight",
    "lift": "film more of the flight",
    "out_of_plane": "throw square across the picture",
    "ball": "give a known length in the plane of flight",
    "clock": "nothing; a crystal clock is as good as needed",
}


@dataclass(frozen=True, slots=True)
class Launch:
    """One shot at its exit, before launcher and design are looked at."""

    exit_time_s: Number
    exit_x_m: Number
    exit_z_m: Number
    exit_speed_m_s: Number
    exit_angle_rad: Number
    lift_coefficient: Number
    drag_coefficient: Number
    spin_rad_s: Number | None
    spin_unbounded: bool
    budget: tuple[BudgetLine, ...]
    exit_xy_px: Floats  # (2,), straightened and steadied
    onward: Onward
    place_m: Floats  # (n, 2), each sighting in the plane of flight
    fit_m: Floats  # (n, 2), the path at the same times
    fit_px: Floats  # (n, 2)
    path_m: Floats  # (n, 3), the path at the same times before the camera
    time_s: Floats  # (n,), real time of each sighting
    u_m: Floats  # (n,)


def launches(
    settled: Settled, spread: Spread, exits_px: Sequence[Floats | None], u_rate: float
) -> list[Launch]:
    """All flights of a finished adjustment at their exits; arguments as for ``leavings``."""
    problem, theta = settled.problem, settled.theta
    left = leavings(settled, spread, exits_px, u_rate)
    path = problem.places(theta, problem.which, problem.time, problem.share)
    onward = _onward(settled, left)
    return [
        _launch(settled, spread, k, leaving, path[problem.which == k], onward[k], u_rate)
        for k, leaving in enumerate(left)
    ]


def _launch(
    settled: Settled,
    spread: Spread,
    flight: int,
    leaving: Leaving,
    path: Floats,
    onward: Onward,
    u_rate: float,
) -> Launch:
    problem, theta = settled.problem, settled.theta
    seen = problem.flights[flight]
    share, sense = float(seen.share[0]), float(seen.sense)
    of_place = [spread.of(leaving.by_place[k]) for k in (0, 2)]
    where = leaving.place_m
    stated = problem.camera.origin_x_m
    origin = float(where[0]) if stated is None else stated
    of_x = of_place[0] if stated is not None else {"sightings": 0.0}
    lift, drag, spin, unbounded = _air(settled, spread, flight, leaving.speed_m_s)
    at = leaving.frame_time_s + theta[READOUT] * share
    u_readout = problem.readout.u_readout_s * share
    camera, view = theta[:PARAMETERS], problem.camera.view
    fit_px = project(camera, view, path, problem.assumed.radius_m)
    px_per_m = 1 / metres_per_px(camera, view)
    speed, angle = leaving.numbers
    return Launch(
        exit_time_s=Number.of(at, 0.0, math.hypot(u_readout, at * u_rate)),
        exit_x_m=number(sense * (float(where[0]) - origin), of_x),
        exit_z_m=number(float(where[2]), of_place[1]),
        exit_speed_m_s=speed,
        exit_angle_rad=angle,
        lift_coefficient=lift,
        drag_coefficient=drag,
        spin_rad_s=spin,
        spin_unbounded=unbounded,
        budget=_budget(leaving.of_speed, leaving.of_angle),
        exit_xy_px=project(camera, view, where[None], problem.assumed.radius_m)[0],
        onward=onward,
        place_m=(_places(settled, flight, path, fit_px) - [origin, 0.0]) * [sense, 1.0],
        fit_m=(path[:, [0, 2]] - [origin, 0.0]) * [sense, 1.0],
        fit_px=fit_px,
        path_m=path,
        time_s=seen.frame_time_s + theta[READOUT] * seen.share,
        u_m=problem.u_px[problem.which == flight] / px_per_m,
    )


def _onward(settled: Settled, left: Sequence[Leaving]) -> list[Onward]:
    """How speed and angle change along each path over the first milliseconds."""
    problem = settled.problem
    which = np.repeat(np.arange(len(left)), 2)
    times = np.array([leaving.frame_time_s + after for leaving in left for after in (0.0, ONWARD_S)])
    v = problem.velocities(settled.theta, which, times, first_shares(settled)[which])
    sense = problem.sense
    speed = np.linalg.norm(v, axis=1).reshape(-1, 2)
    angle = np.arctan2(v[:, 2], sense[which] * v[:, 0]).reshape(-1, 2)
    step_m = speed.mean(axis=1) * ONWARD_S
    return [
        Onward(
            reference_x_m=float(sense[k] * leaving.place_m[0]),
            speed_per_m=float((speed[k, 1] - speed[k, 0]) / step_m[k]),
            angle_rad_per_m=float((angle[k, 1] - angle[k, 0]) / step_m[k]),
        )
        for k, leaving in enumerate(left)
    ]


def _places(settled: Settled, flight: int, fit_m: Floats, fit_px: Floats) -> Floats:
    """Sightings in metres: the path's place plus what separates the sighting from it in the picture."""
    problem = settled.problem
    camera, view = settled.theta[:PARAMETERS], problem.camera.view
    seen = problem.flights[flight].xy_px
    seen_m, fitted_m = to_plane(camera, view, seen), to_plane(camera, view, fit_px)
    return np.asarray(fit_m[:, [0, 2]] + seen_m - fitted_m)


def _air(
    settled: Settled, spread: Spread, flight: int, speed: float
) -> tuple[Number, Number, Number | None, bool]:
    """Lift and drag coefficients, and the spin that the lift speaks of."""
    problem, theta = settled.problem, settled.theta
    at = problem.of(flight, LIFT_C)
    unit = np.zeros(problem.size)
    unit[at] = 1.0
    lift = number(float(theta[at]), spread.of(unit))
    unit = np.zeros(problem.size)
    unit[DRAG] = 1.0
    drag = number(float(theta[DRAG]), spread.of(unit))
    if lift.u > LIFT_TOO_VAGUE or lift.value >= 0.97 * LARGEST_LIFT:
        return lift, drag, None, lift.value >= 0.97 * LARGEST_LIFT and lift.u <= LIFT_TOO_VAGUE
    factor = speed / problem.assumed.radius_m
    law = U_LIFT_LAW * abs(lift.value)
    slope = factor * 0.981 / (1 - 2.022 * abs(lift.value)) ** 2
    half = COVERAGE_FACTOR_95 * math.hypot(lift.u, law)
    low, high = _spin_parameter(lift.value - half), _spin_parameter(lift.value + half)
    value = _spin_parameter(lift.value)
    assert value is not None
    spin = Number(
        value * factor,
        lift.u_random * slope,
        math.hypot(lift.u_common, law) * slope,
        None if low is None else low * factor,
        None if high is None else high * factor,
    )
    return lift, drag, spin, high is None


def _spin_parameter(lift: float) -> float | None:
    """Inverse of the nominal law C = S / (2.022 |S| + 0.981); None beyond what the law can reach."""
    below = 1 - 2.022 * abs(lift)
    return None if below <= 0.02 else 0.981 * lift / below


def _budget(of_speed: dict[str, float], of_angle: dict[str, float]) -> tuple[BudgetLine, ...]:
    lines = [
        BudgetLine(
            source=name,
            speed_share_m_s=of_speed[name],
            angle_share_rad=of_angle[name],
            kind="random" if name in RANDOM else "common",
            remedy=REMEDIES[name],
        )
        for name in of_speed
    ]
    return tuple(sorted(lines, key=lambda line: -line.speed_share_m_s))


def metres_per_px(camera: Floats, view: object) -> float:
    """Metres a pixel in the plane of flight, at the middle of the picture."""
    cx, cy = view.centre_x_px, view.centre_y_px  # type: ignore[attr-defined]  # calibration.camera.View
    ends = to_plane(camera, view, np.array([[cx - 0.5, cy], [cx + 0.5, cy]]))  # type: ignore[arg-type]  # as above
    return abs(float(np.sqrt(((ends[1] - ends[0]) ** 2).sum()).real))


def scale_numbers(settled: Settled, spread: Spread) -> tuple[Number, Number]:
    """Metres a pixel at the middle of the picture, and the camera's tilt."""
    problem, theta = settled.problem, settled.theta
    camera = theta[:PARAMETERS]
    gradient = np.zeros(problem.size)
    h = 1e-6
    for k in range(PARAMETERS):
        step = np.zeros(PARAMETERS)
        step[k] = h
        gradient[k] = (
            metres_per_px(camera + step, problem.camera.view)
            - metres_per_px(camera - step, problem.camera.view)
        ) / (2 * h)
    unit = np.zeros(problem.size)
    unit[ROLL] = 1.0
    scale = number(metres_per_px(camera, problem.camera.view), spread.of(gradient))
    return scale, number(float(camera[ROLL]), spread.of(unit))


def free_gravity(settled: Settled, spread: Spread, flight: int) -> Number:
    """Gravity as this flight alone would have it, with the reference's scale."""
    problem, theta = settled.problem, settled.theta
    at = problem.of(flight, OWN_LOG_G)
    g = math.exp(theta[LOG_G] + theta[at])
    gradient = np.zeros(problem.size)
    gradient[LOG_G] = gradient[at] = g
    shares = spread.of(gradient)
    shares.pop("gravity", None)
    return number(g, shares)


def ball_diameter(settled: Settled, scale: Number, flight: int, path_m: Floats) -> Number:
    """How large the ball looks where the reference puts it, on its path (n, 3)."""
    problem, theta = settled.problem, settled.theta
    seen = problem.flights[flight]
    expected = outline_radius_px(theta[:PARAMETERS], problem.camera.view, path_m, problem.assumed.radius_m)
    ratio = float(np.exp(np.mean(np.log(seen.radius_px) - np.log(expected))))
    diameter = 2 * problem.assumed.radius_m * ratio
    edge = 0.35 / float(np.median(seen.radius_px))
    scatter = float(np.std(np.log(seen.radius_px / expected))) / math.sqrt(len(seen))
    return Number.of(diameter, diameter * scatter, diameter * math.hypot(edge, scale.u / scale.value))
