"""Where the ball will be in the picture, for how long, how large, and how far it will be drawn out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.values import Floats
from tracker.physics.path import fly

#: Main cameras of phones in their slow-motion modes. Common practice, no source.
PHONE_FOCAL_SHARE = 0.87
#: A ball of fewer pixels is found less surely; common practice, no source.
LEAST_BALL_PX = 12.0
#: Share of its diameter by which a ball may be drawn out before its outline suffers; common practice, no
#: source.
SHORT_STREAK = 0.25
#: How near to the side of the picture the exit is put, and where it may stand in its height.
SIDE_SHARE = 0.08
HEIGHT_SHARES = (0.06, 0.15, 0.25, 0.35, 0.5)
LONGEST_S = 20.0
LEAST_WORTH_S = 1e-3


@dataclass(frozen=True, slots=True)
class Filming:
    """Where the phone stands, square to the plane of flight, and how it films.

    ``open_s`` is how long the shutter is open; None is for the whole of a frame, the longest possible.
    """

    distance_m: float
    focal_px: float
    width_px: int
    height_px: int
    fps: float
    open_s: float | None = None

    @property
    def px_per_m(self) -> float:
        """Pixels a metre in the plane of flight."""
        return self.focal_px / self.distance_m


@dataclass(frozen=True, slots=True)
class Expected:
    """The throw as it is expected, and how its ball flies.

    ``buoyed_g_m_s2``, ``drag_per_m`` and ``lift_per_m`` are what acts on it: gravity less buoyancy, and the
    factors of drag and lift per metre of path.
    """

    speed_m_s: float
    angle_rad: float
    diameter_m: float
    buoyed_g_m_s2: float
    drag_per_m: float
    lift_per_m: float
    spin_rad_s: float = 0.0
    spin_decay_s: float = 10.0


@dataclass(frozen=True, slots=True)
class Outlook:
    """What the film will show.

    Parameters
    ----------
    time_s : (n,) array
        Frames that show the whole ball in free flight, from the exit.
    place_m : (n, 2) array
        Where it is then, (x, z) from the exit.
    place_px : (n, 2) array
    exit_px : (2,) array
        Where the exit is put in the picture, so that most of the flight is in view.
    share : float
        Share of the flight, until it is back at the exit's height, that is in view.
    ball_px : float
        Diameter.
    streak_px, streak : float
        By how much the ball is drawn out where it is fastest, in pixels and in its diameters.
    shutter_s : float
        Opening that keeps the streak short.
    """

    time_s: Floats
    place_m: Floats
    place_px: Floats
    exit_px: Floats
    share: float
    ball_px: float
    streak_px: float
    streak: float
    shutter_s: float


def flight_of(expected: Expected) -> tuple[Floats, Floats, Floats]:
    """Times (n,), places (n, 2) and velocities (n, 2) until the ball is back at the exit's height."""
    v, a = expected.speed_m_s, expected.angle_rad
    first = [v * math.cos(a), v * math.sin(a), expected.buoyed_g_m_s2]
    start = np.array([[*first, expected.drag_per_m, expected.lift_per_m, expected.spin_rad_s]])
    # In vacuum it takes 2 v sin a / g; drag shortens that, lift may double it.
    longest = min(4 * max(v * math.sin(a), 0.3 * v) / expected.buoyed_g_m_s2 + 0.1, LONGEST_S)
    path = fly(
        start,
        np.array([0.0]),
        np.array([longest]),
        radius_m=0.5 * expected.diameter_m,
        spin_decay_s=expected.spin_decay_s,
    )
    t = np.linspace(0.0, longest, 2001)
    places, velocities, _, _ = path.at(0, t)
    below = np.flatnonzero((places[:, 1] < 0) & (velocities[:, 1] < 0))
    if a <= 0:  # thrown downward: it never comes back; look at half a second
        below = np.flatnonzero(t > 0.5)
    end = int(below[0]) if below.size else len(t)
    return t[:end], places[:end], velocities[:end]


def outlook(filming: Filming, expected: Expected) -> Outlook:
    """Aim the camera so that most of the flight is in view, and see what the frames will show."""
    t, places, velocities = flight_of(expected)
    radius_px = 0.5 * expected.diameter_m * filming.px_per_m
    best: tuple[float, Floats, np.typing.NDArray[np.bool_]] | None = None
    for height in HEIGHT_SHARES:
        exit_px = np.array(
            [
                max(SIDE_SHARE * filming.width_px, radius_px + 2),
                filming.height_px - 1 - max(height * filming.height_px, radius_px + 2),
            ]
        )
        px = exit_px + places * [filming.px_per_m, -filming.px_per_m]
        size = np.array([filming.width_px, filming.height_px])
        inside = np.all((px > radius_px) & (px < size - 1 - radius_px), axis=1)
        # Only what is in view without a break from the exit on counts.
        seen = np.logical_and.accumulate(inside)
        share = float(seen.mean())
        if best is None or share > best[0] + LEAST_WORTH_S:
            best = share, exit_px, seen
    if best is None:
        raise ValueError("there are heights to try")
    share, exit_px, seen = best
    last_s = float(t[np.flatnonzero(seen)[-1]]) if seen.any() else 0.0
    frames = np.arange(0.5 / filming.fps, last_s, 1 / filming.fps)
    at = np.stack([np.interp(frames, t, column) for column in places.T], axis=1)
    fastest = float(np.linalg.norm(velocities, axis=1)[seen].max()) if seen.any() else expected.speed_m_s
    open_s = 1 / filming.fps if filming.open_s is None else filming.open_s
    return Outlook(
        time_s=frames,
        place_m=at,
        place_px=exit_px + at * [filming.px_per_m, -filming.px_per_m],
        exit_px=exit_px,
        share=share,
        ball_px=2 * radius_px,
        streak_px=fastest * open_s * filming.px_per_m,
        streak=fastest * open_s / expected.diameter_m,
        shutter_s=SHORT_STREAK * expected.diameter_m / fastest,
    )
