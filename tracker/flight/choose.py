"""Which free flights are shots: those that begin where the launcher is.

A rebound begins where and when another flight ended. Of the rest, flights that begin together in the
picture are the launcher's, and the place where most begin is its exit, unless the setup says where the
exit is; a flight that begins elsewhere was thrown by somebody or something else.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.values import Floats
from tracker.flight.observed import Flight
from tracker.flight.screen import Refused

#: A rebound follows its fall within this many ball radii, after what it moves in the gap.
NEAR_RADII = 2.5
LONGEST_CONTACT_S = 0.12
ELSEWHERE = "it does not begin at the launcher"
#: Launches begin within this many ball radii of one another.
EXIT_RADII = 5.0


def choose(
    flights: Sequence[Flight], exit_px: Floats | None, first_frame: Sequence[int]
) -> tuple[list[int], list[Refused]]:
    """Indices of the flights that are shots, in order of time, and why the others are not.

    Parameters
    ----------
    flights : free flights in order of time
    exit_px : (2,) array or None
        Where the setup says the ball leaves the launcher, in the flights' pixels.
    first_frame : of each flight
    """
    refused: list[Refused] = []
    begun: list[int] = []
    for i, flight in enumerate(flights):
        if any(_rebounds(flights[j], flight) for j in range(len(flights)) if j != i):
            refused.append(_refuse(flight, first_frame[i], "it begins where another flight ends"))
        else:
            begun.append(i)
    if not begun:
        return [], refused
    starts = np.array([flights[i].xy_px[0] for i in begun])
    radii = np.array([float(np.median(flights[i].radius_px)) for i in begun])
    home = exit_px if exit_px is not None else _home(starts, radii)
    chosen = []
    for i, start, radius in zip(begun, starts, radii, strict=True):
        reach = EXIT_RADII * radius + (_first_step(flights[i]) if exit_px is not None else 0.0)
        if float(np.hypot(*(start - home))) <= reach:
            chosen.append(i)
        else:
            refused.append(_refuse(flights[i], first_frame[i], ELSEWHERE))
    return chosen, refused


def shared_exit(flights: Sequence[Flight]) -> list[Floats | None]:
    """Where each flight of one launcher is to be compared with the others, (2,) each: at one place.

    The place is the foremost at which any of them was first seen free. None for a single flight, and for
    one that does not pass there, which keeps its own first sighting.
    """
    starts = np.array([flight.xy_px[0] for flight in flights])
    ways = np.array([flight.xy_px[1] - flight.xy_px[0] for flight in flights])
    way = ways.mean(axis=0) / max(float(np.hypot(*ways.mean(axis=0))), 1e-9)
    place = starts[int(np.argmin(starts @ way))]
    if len(flights) < 2:
        return [None] * len(flights)
    away = starts - place
    aside = np.abs(away[:, 0] * way[1] - away[:, 1] * way[0])
    return [
        place if off < float(np.median(flight.radius_px)) else None
        for flight, off in zip(flights, aside, strict=True)
    ]


def _refuse(flight: Flight, first_frame: int, reason: str) -> Refused:
    return Refused(first_frame, first_frame + len(flight) - 1, reason)


def _home(starts: Floats, radii: Floats) -> Floats:
    """Where most flights begin; where none leads, where the first begins."""
    reach = EXIT_RADII * radii
    near = np.hypot(*(starts[:, None] - starts[None]).transpose(2, 0, 1)) <= reach[:, None]
    return np.asarray(starts[int(np.argmax(near.sum(axis=1)))])


def _first_step(flight: Flight) -> float:
    return float(np.hypot(*(flight.xy_px[1] - flight.xy_px[0])))


def _rebounds(earlier: Flight, later: Flight) -> bool:
    gap = float(later.frame_time_s[0] - earlier.frame_time_s[-1])
    step = float(np.median(np.diff(earlier.frame_time_s)))
    if not -0.5 * step < gap < LONGEST_CONTACT_S + 3 * step:
        return False
    few = min(4, len(earlier) - 1)
    speed = np.hypot(*(earlier.xy_px[-1] - earlier.xy_px[-1 - few])) / (
        earlier.frame_time_s[-1] - earlier.frame_time_s[-1 - few]
    )
    radius = float(np.median(earlier.radius_px))
    reach = NEAR_RADII * radius + 1.2 * float(speed) * max(gap, step)
    return float(np.hypot(*(later.xy_px[0] - earlier.xy_px[-1]))) <= reach
