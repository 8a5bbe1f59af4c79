"""The flight room's stages, in the order in which the pipeline calls them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.reference import CameraPrior
from calibration.shutter import Readout
from calibration.values import Floats, Ints, Picture
from tracker.flight.adjust import Problem
from tracker.flight.assumed import Assumed
from tracker.flight.launch import free_gravity
from tracker.flight.observed import Flight
from tracker.flight.screen import FEWEST, Refused, screen
from tracker.flight.settle import Settled, settle
from tracker.flight.spread import Spread
from tracker.flight.unknowns import LOG_G, OWN_LOG_G, VY
from tracker.values import Number, Sightings

#: A flight whose fall differs from the clearest one's by more than this factor is none.
SAME_FALL = 2.0
END_DISTANCE = 3.5
MOST_TRIMMED = 6
LAST_TOUCH_S = 0.009
ROUNDS = 4
CLEAR_SHARE = 0.85


def free_flights(
    tracks: Sequence[Ints], sightings: Sightings, frame_time_s: Floats, picture: Picture, upright_px: Floats
) -> tuple[list[Flight], list[Refused]]:
    """Free-flight parts of all tracks, in order of time, and why the other tracks are none."""
    flights: list[Flight] = []
    refused: list[Refused] = []
    for rows in tracks:
        found = screen(rows, sightings, frame_time_s, picture, upright_px)
        if isinstance(found, Refused):
            refused.append(found)
        else:
            flights.append(found)
    if len(flights) > 1:
        flights, odd = _same_fall(flights, sightings)
        refused += odd
    return sorted(flights, key=lambda f: float(f.frame_time_s[0])), refused


def _same_fall(flights: list[Flight], sightings: Sightings) -> tuple[list[Flight], list[Refused]]:
    """Only flights that fall alike: the one that travels farthest sets the measure."""
    fall = np.array([_fall(f) for f in flights])
    travel = np.array([float(np.hypot(*np.ptp(f.xy_px, axis=0)) / np.median(f.radius_px)) for f in flights])
    measure = fall[int(np.argmax(travel))]
    alike = (fall < SAME_FALL * measure) & (fall > measure / SAME_FALL)
    kept = [f for f, ok in zip(flights, alike, strict=True) if ok]
    refused = [
        Refused(
            int(sightings.frame[f.rows[0]]), int(sightings.frame[f.rows[-1]]), "it falls unlike the others"
        )
        for f, ok in zip(flights, alike, strict=True)
        if not ok
    ]
    return kept, refused


def _fall(flight: Flight) -> float:
    """Downward acceleration over the ball's radius in the picture, 1/s2."""
    t = flight.frame_time_s - flight.frame_time_s.mean()
    return float(2 * np.polyfit(t, flight.xy_px[:, 1], 2)[0] / np.median(flight.radius_px))


def clear_of_launcher(flight: Flight, sightings: Sightings) -> Flight:
    """The flight without its first sightings that are less clear than the rest: something hides the ball."""
    visible = sightings.visible[flight.rows]
    clear = visible >= CLEAR_SHARE * float(np.median(visible))
    few = min(MOST_TRIMMED, len(flight) - FEWEST)
    if few < 1:
        return flight
    unclear = np.flatnonzero(~clear[:few])
    return flight.only(np.arange(len(flight)) > (int(unclear[-1]) if unclear.size else -1))


def _untouched(flight: Flight) -> Flight:
    """The flight without what may still have been touched when it was first seen on its path.

    A launcher pushes with some hundred m/s2: over the last frame before the exit that moves the ball off
    the later path by less than an outline's error, so that no sighting can tell.
    """
    late = flight.frame_time_s - flight.frame_time_s[0] >= LAST_TOUCH_S
    return flight.only(late) if late.sum() >= FEWEST else flight


@dataclass(frozen=True, slots=True)
class Fall:
    """How flights fall with the reference's scale alone.

    The adjustment, each flight's own gravity, and all flights' together as the natural logarithm of its
    ratio to the true one.
    """

    settled: Settled
    spread: Spread
    gravity: tuple[Number, ...]
    ln_ratio: float
    u_ln_ratio: float


def hear_fall(
    flights: Sequence[Flight],
    camera: CameraPrior,
    readout: Readout,
    assumed: Assumed,
    *,
    own_planes: bool = False,
    exit_stated: bool = False,
) -> tuple[Fall, list[Flight]]:
    """Fit with gravity free; sightings at the ends that do not belong to the flight are cut off.

    Where the exit is not stated it will be the first sighting, which must then be free beyond doubt.
    ``own_planes`` lets each flight have a plane of its own, as far as the ball's size tells it.
    """
    kept = list(flights)
    settled: Settled | None = None
    for turn in range(ROUNDS):
        problem = Problem(
            kept,
            camera,
            readout,
            assumed,
            free_g=True,
            ball_carries_scale=camera.source == "none",
            own_planes=own_planes,
        )
        settled = settle(problem, settled, rough=turn == 0)
        trimmed = [_trimmed(f, settled.distance[problem.which == k]) for k, f in enumerate(kept)]
        if turn == ROUNDS - 1 or (turn > 0 and all(map(_nearly, trimmed, kept))):
            kept = trimmed
            break
        kept = trimmed if turn > 0 or exit_stated else [_untouched(flight) for flight in trimmed]
    assert settled is not None
    spread = Spread(settled)
    gravity = tuple(free_gravity(settled, spread, k) for k in range(len(kept)))
    ln = np.array([math.log(g.value / assumed.g_m_s2) for g in gravity])
    own = np.array([max(g.u_random / g.value, 1e-6) for g in gravity])
    weight = own**-2 / (own**-2).sum()
    # What the flights share, they share in error, too: one gradient for all, no mean of independent ones.
    gradient = np.zeros(settled.problem.size)
    gradient[LOG_G] = 1.0
    gradient[[settled.problem.of(k, OWN_LOG_G) for k in range(len(kept))]] = weight
    shares = spread.of(gradient)
    shares.pop("gravity", None)
    u = math.sqrt(sum(share**2 for share in shares.values()))
    return Fall(settled, spread, gravity, float(weight @ ln), u), kept


def _nearly(trimmed: Flight, whole: Flight) -> bool:
    """Whether so little was cut off that the adjustment, which comes next, need not be foreseen once more."""
    return len(whole) - len(trimmed) <= 1


def _trimmed(flight: Flight, distance: Floats) -> Flight:
    """The flight without sightings at its ends that are off its path."""
    keep = np.ones(len(flight), dtype=bool)
    for order in (range(len(flight)), range(len(flight) - 1, -1, -1)):
        for turn, k in enumerate(order):
            following = distance[list(order)[turn : turn + 3]]
            if turn >= MOST_TRIMMED or not (
                distance[k] > END_DISTANCE or following.mean() > 0.7 * END_DISTANCE
            ):
                break
            keep[k] = False
    return flight.only(keep) if keep.sum() >= FEWEST else flight


def adjust(
    flights: Sequence[Flight],
    camera: CameraPrior,
    readout: Readout,
    assumed: Assumed,
    *,
    gravity_helps: bool,
    own_planes: bool = False,
    like: Settled | None = None,
    u_aside_m_s: float | None = None,
) -> Settled:
    """The one adjustment; where reference and gravity disagree, gravity does not help.

    ``like`` is a finished adjustment of the same flights to start from; ``u_aside_m_s`` is by about how
    much the flights are expected to leave the plane, where that is more than usual.
    """
    problem = Problem(
        flights,
        camera,
        readout,
        assumed,
        free_g=not gravity_helps,
        ball_carries_scale=camera.source == "none",
        own_planes=own_planes,
    )
    if u_aside_m_s is not None:
        aside = [problem.of(k, VY) for k in range(len(flights))]
        problem.prior_sd[aside] = np.maximum(problem.prior_sd[aside], u_aside_m_s)
    return settle(problem, like)
