"""A finished adjustment -> what each shot was at its exit, with what is not known about it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.camera import PARAMETERS, ROLL, outline_radius_px, project, to_plane
from calibration.values import Floats
from tracker.flight.adjust import State
from tracker.flight.settle import Settled
from tracker.flight.unknowns import DRAG, LIFT_C, LOG_G, OWN_LOG_G, READOUT
from tracker.values import COVERAGE_FACTOR_95, BudgetLine, Number, Onward

#: The laws for lift differ by a quarter and more between balls: tracker.physics.forces.
U_LIFT_LAW = 0.25
#: How long before the first clear sighting a stated exit may lie.
LONGEST_REACH_S = 0.12
#: Over how long the flight tells how it goes on from the exit.
ONWARD_S = 0.002
#: Above this uncertainty the lift of a flight is what was assumed, not what was seen.
LIFT_TOO_VAGUE = 0.12
LARGEST_LIFT = 1 / 2.022
SIGHTINGS = "sightings"
RANDOM = (SIGHTINGS, "out_of_plane")
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
    time_s: Floats  # (n,), real time of each sighting
    u_m: Floats  # (n,)


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


def launch_of(settled: Settled, spread: Spread, flight: int, exit_px: Floats | None, u_rate: float) -> Launch:
    """One flight of a finished adjustment at its exit.

    Parameters
    ----------
    exit_px : (2,) array or None
        Where the setup says the exit is, straightened and steadied; None takes the first sighting.
    u_rate : float
        Relative standard uncertainty of the clock's rate.
    """
    problem, theta = settled.problem, settled.theta
    seen = problem.flights[flight]
    share = float(seen.share[0])
    leaving = _leaving(settled, spread, flight, exit_px, u_rate)
    frame_time, state, sense = leaving.frame_time_s, leaving.state, float(seen.sense)
    speed = leaving.speed_m_s
    of_place = [spread.of(state.by_place[0, k]) for k in (0, 2)]
    where = state.place_m[0]
    stated = problem.camera.origin_x_m
    origin = float(where[0]) if stated is None else stated
    of_x = of_place[0] if stated is not None else {"sightings": 0.0}
    lift, drag, spin, unbounded = _air(settled, spread, flight, speed)
    readout = theta[READOUT] * share
    at = frame_time + readout
    u_readout = problem.readout.u_readout_s * share
    path = problem.places(theta, np.full(len(seen), flight), seen.frame_time_s, seen.share)
    camera, view = theta[:PARAMETERS], problem.camera.view
    fit_px = project(camera, view, path, problem.assumed.radius_m)
    mine = problem.which == flight
    px_per_m = 1 / metres_per_px(camera, view)
    return Launch(
        exit_time_s=Number.of(at, 0.0, math.hypot(u_readout, at * u_rate)),
        exit_x_m=number(sense * (float(where[0]) - origin), of_x),
        exit_z_m=number(float(where[2]), of_place[1]),
        exit_speed_m_s=number(speed, leaving.of_speed),
        exit_angle_rad=number(leaving.angle_rad, leaving.of_angle),
        lift_coefficient=lift,
        drag_coefficient=drag,
        spin_rad_s=spin,
        spin_unbounded=unbounded,
        budget=_budget(leaving.of_speed, leaving.of_angle),
        exit_xy_px=project(camera, view, state.place_m, problem.assumed.radius_m)[0],
        onward=_onward(settled, flight, leaving),
        place_m=(_places(settled, flight, path, fit_px) - [origin, 0.0]) * [sense, 1.0],
        fit_m=(path[:, [0, 2]] - [origin, 0.0]) * [sense, 1.0],
        fit_px=fit_px,
        time_s=seen.frame_time_s + theta[READOUT] * seen.share,
        u_m=problem.u_px[mine] / px_per_m,
    )


@dataclass(frozen=True, slots=True)
class _Leaving:
    """A flight at its exit: when, where and how fast, with what each input contributes."""

    frame_time_s: float
    state: State
    speed_m_s: float
    angle_rad: float
    of_speed: dict[str, float]
    of_angle: dict[str, float]


def _leaving(
    settled: Settled, spread: Spread, flight: int, exit_px: Floats | None, u_rate: float
) -> _Leaving:
    seen = settled.problem.flights[flight]
    frame_time = float(seen.frame_time_s[0])
    if exit_px is not None:
        frame_time = _time_at(settled, flight, exit_px)
    which, times = np.array([flight]), np.array([frame_time])
    state = settled.problem.state(settled.theta, which, times, seen.share[:1])
    sense = float(seen.sense)
    v, dv = state.velocity_m_s[0], state.by_velocity[0]
    speed = float(np.linalg.norm(v))
    level = sense * v[0]
    of_speed = spread.of((v / speed) @ dv)
    of_angle = spread.of((level * dv[2] - v[2] * sense * dv[0]) / (level**2 + v[2] ** 2))
    of_speed["clock"], of_angle["clock"] = speed * u_rate, 0.0
    return _Leaving(frame_time, state, speed, math.atan2(v[2], level), of_speed, of_angle)


def _onward(settled: Settled, flight: int, leaving: _Leaving) -> Onward:
    """How speed and angle change along the path over the first milliseconds."""
    problem = settled.problem
    seen = problem.flights[flight]
    sense = float(seen.sense)
    times = leaving.frame_time_s + np.array([0.0, ONWARD_S])
    v = problem.velocities(settled.theta, np.full(2, flight), times, np.full(2, float(seen.share[0])))
    speed, angle = np.linalg.norm(v, axis=1), np.arctan2(v[:, 2], sense * v[:, 0])
    step_m = float(speed.mean()) * ONWARD_S
    return Onward(
        reference_x_m=sense * float(leaving.state.place_m[0, 0]),
        speed_per_m=float(speed[1] - speed[0]) / step_m,
        angle_rad_per_m=float(angle[1] - angle[0]) / step_m,
    )


def exit_numbers(
    settled: Settled, spread: Spread, flight: int, exit_px: Floats | None, u_rate: float
) -> tuple[Number, Number]:
    """Exit speed and angle alone; arguments as for ``launch_of``."""
    leaving = _leaving(settled, spread, flight, exit_px, u_rate)
    return number(leaving.speed_m_s, leaving.of_speed), number(leaving.angle_rad, leaving.of_angle)


def _places(settled: Settled, flight: int, fit_m: Floats, fit_px: Floats) -> Floats:
    """Sightings in metres: the path's place plus what separates the sighting from it in the picture."""
    problem = settled.problem
    camera, view = settled.theta[:PARAMETERS], problem.camera.view
    seen = problem.flights[flight].xy_px
    seen_m, fitted_m = to_plane(camera, view, seen), to_plane(camera, view, fit_px)
    return np.asarray(fit_m[:, [0, 2]] + seen_m - fitted_m)


def _time_at(settled: Settled, flight: int, exit_px: Floats) -> float:
    """Frame time at which the path passes nearest to a place in the picture, about the first sighting."""
    problem, theta = settled.problem, settled.theta
    seen = problem.flights[flight]
    first = float(seen.frame_time_s[0])
    step = float(np.median(np.diff(seen.frame_time_s)))
    times = np.linspace(first - LONGEST_REACH_S, first + 3 * step, 49)
    # The others, too, so that all paths are flown anew at once.
    for k, other in enumerate(problem.flights):
        problem.cover(k, float(other.frame_time_s[0]) - LONGEST_REACH_S + problem.readout.readout_s)
    which = np.full(len(times), flight)
    places = problem.places(theta, which, times, np.full(len(times), float(seen.share[0])))
    px = project(theta[:PARAMETERS], problem.camera.view, places, problem.assumed.radius_m)
    k = int(np.clip(np.argmin(((px - exit_px) ** 2).sum(axis=1)), 1, len(times) - 2))
    # Between two steps the path is straight to a thousandth of a pixel.
    along = (px[k + 1] - px[k - 1]) / (times[k + 1] - times[k - 1])
    return float(times[k] + (exit_px - px[k]) @ along / (along @ along))


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


def ball_diameter(settled: Settled, scale: Number, flight: int) -> Number:
    """How large the ball looks where the reference puts it."""
    problem, theta = settled.problem, settled.theta
    seen = problem.flights[flight]
    places = problem.places(theta, np.full(len(seen), flight), seen.frame_time_s, seen.share)
    expected = outline_radius_px(theta[:PARAMETERS], problem.camera.view, places, problem.assumed.radius_m)
    ratio = float(np.exp(np.mean(np.log(seen.radius_px) - np.log(expected))))
    diameter = 2 * problem.assumed.radius_m * ratio
    edge = 0.35 / float(np.median(seen.radius_px))
    scatter = float(np.std(np.log(seen.radius_px / expected))) / math.sqrt(len(seen))
    return Number.of(diameter, diameter * scatter, diameter * math.hypot(edge, scale.u / scale.value))
