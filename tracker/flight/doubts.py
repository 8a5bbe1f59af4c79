"""A finished measurement -> what may be wrong with it, as warnings of a clip and flags of a shot."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from calibration.second_opinions import Verdict
from calibration.shutter import Readout
from calibration.steady import Steadiness
from calibration.values import Clock
from tracker.flags import Doubt, warn
from tracker.flight.choose import ELSEWHERE
from tracker.flight.observed import Flight
from tracker.flight.screen import Refused
from tracker.flight.settle import Settled
from tracker.flight.stages import Fall
from tracker.values import Sightings

DISAGREES = 3.0  # standard uncertainties
FEW = 12
LONG_STREAK = 2.5  # ball diameters
POOR_NOISE = 4.0
SQUARED_CLOCK = 0.35  # of the logarithm of gravity: less than this is geometry, more is time
VAGUE_FALL = 0.1
LOUD = 6.0  # standard uncertainties by which even a vague fall is heard
MOVED_PX = 3.0
LONG_SHARE = 0.5  # of the shortest shot: a flight elsewhere that is worth a word
#: Of the logarithm of gravity: no view of a plane from aside does more.
MOST_BY_VIEW = 0.7
BY_VIEW = frozenset({"yaw", "plane", "lens"})


def clock_doubts(clock: Clock, fall: Fall | None) -> list[Doubt]:
    """Whether the film's time is what it says; ``fall`` is with this clock, None if nothing fell."""
    doubts = []
    if clock.source == "fall":
        doubts.append(warn("clock_from_fall", fps=clock.capture_fps))
    heard = fall is not None and fall.u_ln_ratio < max(VAGUE_FALL, abs(fall.ln_ratio) / LOUD)
    if fall is not None and heard and abs(fall.ln_ratio) > max(DISAGREES * fall.u_ln_ratio, SQUARED_CLOCK):
        g = math.exp(fall.ln_ratio) * fall.settled.problem.assumed.g_m_s2
        doubts.append(warn("clock_disagrees", g=g, ratio=math.exp(-0.5 * fall.ln_ratio)))
    elif not heard and clock.stretch > 1.5 and clock.source in {"metadata", "stated"}:
        doubts.append(warn("clock_stretched", stretch=clock.stretch, fps=clock.capture_fps))
    return doubts


def scale_disagrees(fall: Fall) -> bool:
    """Whether the fall contradicts the reference by more than both can be off."""
    off = abs(fall.ln_ratio)
    return off > DISAGREES * fall.u_ln_ratio and off <= SQUARED_CLOCK


def scale_doubts(source: str, fall: Fall) -> list[Doubt]:
    """Whether lengths are what the reference says."""
    if source == "none":
        return [warn("scale_from_ball")]
    if scale_disagrees(fall):
        return [warn("scale_disagrees", ratio=math.exp(-fall.ln_ratio))]
    return []


def agreement_doubts(clock: Clock, source: str, fall: Fall, verdict: Verdict | None) -> list[Doubt]:
    """What does not agree, named by the one mistake that explains it best.

    A view from aside bends the fall as well; where it explains everything, clock and reference are not
    blamed.
    """
    by_fall = clock_doubts(clock, fall) + scale_doubts(source, fall)
    if verdict is None or verdict.best is None:
        return by_fall
    if verdict.name in BY_VIEW and abs(fall.ln_ratio) < MOST_BY_VIEW:
        by_fall = [d for d in by_fall if d.code not in {"clock_disagrees", "scale_disagrees"}]
    blamed = any(d.code in {"clock_disagrees", "scale_disagrees"} for d in by_fall)
    return by_fall if blamed else by_fall + _by_verdict(verdict)


def _by_verdict(verdict: Verdict) -> list[Doubt]:
    best = verdict.best
    if best is None:
        return []
    if best.name == "yaw":
        return [warn("yaw_suspected", yaw_deg=abs(math.degrees(best.size[0])))]
    if best.name == "plane":
        clear = np.abs(best.size) > DISAGREES * best.u_size
        shots = np.flatnonzero(clear) if clear.any() else [int(np.argmax(np.abs(best.size / best.u_size)))]
        return [warn("out_of_plane", shot=int(k) + 1, speed_m_s=abs(float(best.size[k]))) for k in shots]
    if best.name == "lens":
        return [warn("lens_unknown")]
    if best.name == "ball":
        return [warn("ball_disagrees", ratio=math.exp(best.size[0]))]
    return [warn("plane_disagrees", ratio=math.exp(best.size[0]))] if best.name == "scale" else []


def film_doubts(readout: Readout, clock: Clock, lost: int) -> list[Doubt]:
    """What the film itself leaves open."""
    doubts = []
    if not readout.stated:
        doubts.append(warn("readout_unknown"))
    if lost:
        doubts.append(warn("film_damaged", lost=lost))
    if clock.missing:
        doubts.append(warn("frames_missing", lost=len(clock.missing)))
    return doubts


def steadiness_doubts(steady: Steadiness) -> list[Doubt]:
    """Whether the camera moved so much that it is worth saying."""
    moved = steady.largest_px if steady.measured else 0.0
    return [warn("camera_moved", move_px=moved)] if moved > MOVED_PX or steady.jumps else []


def launcher_doubts(
    flights: Sequence[Flight], refused: Sequence[Refused], *, exit_stated: bool
) -> list[Doubt]:
    """Whether as many flights begin elsewhere as at the place that was taken for the launcher's exit."""
    if exit_stated or not flights:
        return []
    long = LONG_SHARE * min(len(flight) for flight in flights)
    elsewhere = [r for r in refused if r.reason == ELSEWHERE and r.last_frame - r.first_frame >= long]
    return [warn("launcher_guessed", others=len(elsewhere))] if len(elsewhere) >= len(flights) else []


def shot_doubts(shot: int, flight: Flight, sightings: Sightings) -> list[Doubt]:
    """What is doubtful about one shot's sightings."""
    doubts = []
    if len(flight) < FEW:
        doubts.append(warn("few_sightings", shot=shot, sightings=len(flight)))
    stretch = float(np.median(sightings.streak_px[flight.rows] / (2 * flight.radius_px)))
    if stretch > LONG_STREAK:
        doubts.append(warn("long_streaks", ratio=stretch + 1))
    return doubts


def flags_of(
    settled: Settled, k: int, rows: Sequence[int], sightings: Sightings, *, exit_stated: bool
) -> list[str]:
    """Flags of one shot: how its exit was taken, how it ends, how well it fits.

    ``rows`` are all sightings of the track that the flight was taken from.
    """
    flags = [] if exit_stated else ["exit_is_first_sighting"]
    flight = settled.problem.flights[k]
    after = [r for r in rows if r > flight.rows[-1]]
    if any(sightings.at_border[r] for r in after):
        flags.append("cut_by_picture")
    if settled.noise[k] > POOR_NOISE:
        flags.append("poor_fit")
    return flags
