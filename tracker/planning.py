"""A place to film from and an expected throw -> how well the speed will be known, and where to stand.

The answer is the adjustment's own: it is given the sightings that such a film would have.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import ANCHOR_X, ANCHOR_Y, LOG_DEPTH, LOG_SCALE, PARAMETERS, View, project
from calibration.reference import camera_prior
from calibration.shutter import Readout, readout_of, row_share
from calibration.values import CameraStatement, Floats, Picture, Reference, frozen
from tracker.errors import SetupError
from tracker.flight.assumed import Assumed, assume
from tracker.flight.launch import Launch, launches
from tracker.flight.observed import Flight
from tracker.flight.screen import FEWEST
from tracker.flight.spread import Spread
from tracker.flight.stages import adjust
from tracker.plan.outlook import LEAST_BALL_PX, Expected, Filming, Outlook, outlook
from tracker.values import COVERAGE_FACTOR_95, Ball, Number, Room

#: How well a ball's middle is seen, per coordinate, and what a streak adds a pixel: measured on made films.
U_PX, U_PX_A_PX = 0.15, 0.004
MOST_SIGHTINGS = 160
#: Places to stand that are compared, as shares of the one asked about.
PLACES = (0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.15, 1.3, 1.5, 1.75, 2.0)
WORTH_MOVING = 0.9  # of the uncertainty
REFERENCE_SHARE = 0.9  # of the picture's width, which a reference can fill at most
SEED = 1


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked about.

    Parameters
    ----------
    filming : Filming
    ball : Ball
    speed_m_s, angle_rad : float
    reference_m : float
        Length of the reference, which lies in the plane of flight.
    nearest_m, farthest_m : float
        Where in the room the phone may stand.
    readout_s, distance_stated
        What the setup file will state.
    """

    filming: Filming
    ball: Ball
    speed_m_s: float
    angle_rad: float
    reference_m: float
    nearest_m: float
    farthest_m: float
    readout_s: float | None = None
    distance_stated: bool = True


@dataclass(frozen=True, slots=True)
class Forecast:
    """One place to stand: what is seen from it and what will be known; ``launch`` None if too little is."""

    distance_m: float
    outlook: Outlook
    launch: Launch | None
    reference_m: float

    @property
    def u_share(self) -> float:
        """Relative standard uncertainty of the speed; infinite where it cannot be measured."""
        if self.launch is None:
            return math.inf
        return self.launch.exit_speed_m_s.u / abs(self.launch.exit_speed_m_s.value)


@dataclass(frozen=True, slots=True)
class Plan:
    """The place asked about, and a better one in the room where there is one."""

    here: Forecast
    better: Forecast | None


def plan(wish: Wish) -> Plan:
    """Forecast the place asked about and compare others.

    Raises
    ------
    SetupError
        If the throw cannot be filmed at all.
    """
    here = forecast(wish)
    others = []
    for share in PLACES:
        distance_m = share * wish.filming.distance_m
        if share != 1.0 and wish.nearest_m <= distance_m <= wish.farthest_m:
            others.append(forecast(replace(wish, filming=replace(wish.filming, distance_m=distance_m))))
    fit = [other for other in others if other.outlook.ball_px >= LEAST_BALL_PX]
    best = min(fit or others, key=lambda other: other.u_share, default=None)
    if best is None or not best.u_share < WORTH_MOVING * here.u_share:
        best = None
    return Plan(here, best)


def forecast(wish: Wish) -> Forecast:
    """What is seen from one place, and what the adjustment makes of it."""
    assumed = assume(wish.ball, Room())
    expected = _expected(wish, assumed)
    seen = outlook(wish.filming, expected)
    reference_m = min(wish.reference_m, REFERENCE_SHARE * wish.filming.width_px / wish.filming.px_per_m)
    launch = None
    if len(seen.time_s) >= FEWEST and seen.ball_px > 2:
        launch = _launch(wish, seen, assumed, reference_m)
    return Forecast(wish.filming.distance_m, seen, launch, reference_m)


def _expected(wish: Wish, assumed: Assumed) -> Expected:
    if not (0 < wish.speed_m_s < 200 and abs(wish.angle_rad) <= math.pi / 2):
        raise SetupError(
            "plan_throw",
            "That is no throw of a ball launcher.",
            "Give a speed above zero and an angle from -90 to 90 degrees.",
        )
    air_kg = assumed.air_kg_m3 * 4 / 3 * math.pi * assumed.radius_m**3
    inertia_kg = assumed.mass_kg + assumed.added_mass * air_kg
    per_m = assumed.air_kg_m3 * math.pi * assumed.radius_m**2 / (2 * inertia_kg)
    return Expected(
        speed_m_s=wish.speed_m_s,
        angle_rad=wish.angle_rad,
        diameter_m=wish.ball.diameter_m,
        buoyed_g_m_s2=assumed.g_m_s2 * (assumed.mass_kg - air_kg) / inertia_kg,
        drag_per_m=per_m * assumed.drag,
        lift_per_m=per_m,
        # The spin of a ball that rolls off its backing: r omega = v.
        spin_rad_s=0.3 * wish.speed_m_s / assumed.radius_m,
        spin_decay_s=assumed.spin_decay_s,
    )


def _launch(wish: Wish, seen: Outlook, assumed: Assumed, reference_m: float) -> Launch:
    """The launch that the adjustment finds in such a film's sightings, with made noise."""
    filming = wish.filming
    picture = Picture(filming.width_px, filming.height_px)
    readout = readout_of(wish.readout_s, 1 / filming.fps)
    step = max(1, math.ceil(len(seen.time_s) / MOST_SIGHTINGS))
    camera = camera_prior(
        picture,
        _reference(filming, reference_m),
        CameraStatement(
            distance_m=filming.distance_m if wish.distance_stated else None, readout_s=wish.readout_s
        ),
    )
    flight = _flight(filming, seen, assumed, readout, step)
    settled = adjust([flight], camera, readout, assumed, gravity_helps=True)
    return launches(settled, Spread(settled), [seen.exit_px], 1e-4)[0]


def _flight(filming: Filming, seen: Outlook, assumed: Assumed, readout: Readout, step: int) -> Flight:
    theta = np.zeros(PARAMETERS)
    theta[LOG_SCALE], theta[LOG_DEPTH] = math.log(filming.px_per_m), math.log(filming.distance_m)
    theta[ANCHOR_X], theta[ANCHOR_Y] = seen.exit_px
    view = View((filming.width_px - 1) / 2, (filming.height_px - 1) / 2, frozen([0.0, 0.0, 0.0]))
    places = seen.place_m[::step]
    world = np.stack([places[:, 0], np.zeros(len(places)), places[:, 1]], axis=1)
    xy: Floats = project(theta, view, world, assumed.radius_m)
    u_px = math.hypot(U_PX, U_PX_A_PX * seen.streak_px) / math.sqrt(step)
    share = row_share(xy[:, 1], filming.height_px)
    n = len(places)
    return Flight(
        rows=np.arange(n),
        # The frame begins before the ball's row is read.
        frame_time_s=frozen(seen.time_s[::step] - readout.readout_s * share),
        share=share,
        xy_px=xy + np.random.default_rng(SEED).normal(0.0, u_px, xy.shape),
        u_px=np.full(n, u_px),
        radius_px=np.full(n, 0.5 * seen.ball_px),
        streak_px=np.full(n, seen.streak_px),
        sense=1,
    )


def _reference(filming: Filming, length_m: float) -> Reference:
    """A staff in the plane of flight, low in the picture."""
    half_px = 0.5 * length_m * filming.px_per_m
    x, y = (filming.width_px - 1) / 2, 0.93 * filming.height_px
    return Reference(
        points_px=frozen([[x - half_px, y], [x + half_px, y]]),
        picture_px=(filming.width_px, filming.height_px),
        length_m=length_m,
        u_length_m=math.hypot(0.0008, 0.0003 * length_m),
        u_offset_m=0.01,
        u_click_px=1.0,
    )


def interval(number: Number) -> float:
    """Half of the 95 % interval."""
    return COVERAGE_FACTOR_95 * number.u
