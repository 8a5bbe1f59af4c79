"""Tracks -> Flights: which stretch of a track is free flight, and whether it falls at all.

A first look with polynomials in the picture, before any camera is known: free flight over some seconds
is a smooth curve that bends downward. What is touched is not smooth, what rolls or is carried does not
bend, and what stands still does not move.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.shutter import row_share
from calibration.values import Floats, Ints, Picture
from tracker.flight.observed import Flight
from tracker.values import Sightings

FEWEST = 6
LEAST_VISIBLE = 0.6
#: A flight is at least so many ball radii long, and takes the ball so many from where it was.
LEAST_TRAVEL, LEAST_REACH = 4.0, 1.5
LEAST_SIGNIFICANCE = 6.0
#: Share of its bend that each half of a fall must have, give or take so many standard uncertainties.
LEAST_OF_BEND, OWN_DOUBT = 0.3, 3.0
OUTLIER = 5.0
#: Ill seen sightings that one flight may have running, and how many of its parts must be well seen.
LONGEST_BREAK, SOUND_SHARE = 10, 0.8
FLOOR_PX = 0.05
#: Polynomial degree by number of sightings: as little as the flight's drag can be followed with.
DEGREES = ((9, 2), (16, 3), (50, 4), (10**9, 5))


@dataclass(frozen=True, slots=True)
class Refused:
    """A track that is no free flight, and why."""

    first_frame: int
    last_frame: int
    reason: str


def screen(
    rows: Ints, sightings: Sightings, frame_time_s: Floats, picture: Picture, upright_px: Floats
) -> Flight | Refused:
    """The free-flight part of one track.

    Parameters
    ----------
    rows : (n,) int array
        The track's sightings, in order of time.
    sightings : Sightings
        All of the clip.
    frame_time_s : (frames,) array
        Real times.
    picture : Picture
    upright_px : (all, 2) array
        The sightings' places, upright, straightened and steadied.
    """
    first, last = int(sightings.frame[rows[0]]), int(sightings.frame[rows[-1]])
    seen = ~sightings.at_border[rows] & (sightings.visible[rows] >= LEAST_VISIBLE)
    rows = rows[seen]
    if len(rows) < FEWEST:
        return Refused(first, last, "too few clear sightings")
    t = frame_time_s[sightings.frame[rows]]
    xy = upright_px[rows]
    u = np.hypot(sightings.u_px[rows], FLOOR_PX)
    radius = float(np.median(sightings.radius_px[rows]))
    if not _travels(xy, radius):
        return Refused(first, last, "it hardly moved")
    keep = _smooth_part(t, xy, u)
    if keep.sum() < FEWEST:
        return Refused(first, last, "its path is not smooth")
    rows, t, xy, u = rows[keep], t[keep], xy[keep], u[keep]
    if not _travels(xy, radius):
        return Refused(first, last, "it hardly moved while it was free")
    fault = _no_fall(t, xy[:, 1], u)
    if fault:
        return Refused(first, last, fault)
    half = max(len(t) // 2, 1)
    sense = 1 if xy[-half:, 0].mean() >= xy[:half, 0].mean() else -1
    share = row_share(sightings.y_px[rows], picture.stored_height_px)
    return Flight(rows, t, share, xy, u, sightings.radius_px[rows], sightings.streak_px[rows], sense)


def _travels(xy: Floats, radius: float) -> bool:
    length = float(np.hypot(*np.diff(xy, axis=0).T).sum())
    reach = float(np.hypot(*np.ptp(xy, axis=0)))
    return length >= LEAST_TRAVEL * radius and reach >= LEAST_REACH * radius


def _smooth_part(t: Floats, xy: Floats, u: Floats) -> np.typing.NDArray[np.bool_]:
    """The longest run of sightings round the middle that one smooth curve explains, outliers left out."""
    use = np.ones(len(t), dtype=bool)
    off = np.zeros(len(t))
    for _ in range(4):
        degree = next(d for most, d in DEGREES if use.sum() <= most)
        s = (t - t.mean()) / max(np.ptp(t), 1e-9) * 2
        basis = np.vander(s, degree + 1)
        off = np.zeros(len(t))
        weight = use.astype(float)
        for _ in range(5):
            off = np.zeros(len(t))
            for place in (xy[:, 0], xy[:, 1]):
                w = weight / u
                coefficients = np.linalg.lstsq(basis * w[:, None], place * w, rcond=None)[0]
                off = np.hypot(off, (place - basis @ coefficients) / u)
            level = max(float(np.median(off[use])) / 1.177, 1.0)
            weight = use / (1 + (off / (3 * level)) ** 2)
        level = max(float(np.median(off[use])) / 1.177, 1.0)
        good = off < OUTLIER * level
        run = _middle_run(good)
        new = good & run
        if (new == use).all():
            break
        use = new
        if use.sum() < FEWEST:
            break
    return use


def _middle_run(good: np.typing.NDArray[np.bool_]) -> np.typing.NDArray[np.bool_]:
    """The longest part between two breaks, where a break is two bad sightings running.

    Parts on both sides of a short break that the same curve explains are one: a ball may be ill seen for a
    while, but what was touched follows another curve.
    """
    bad_pair = ~good[:-1] & ~good[1:]
    inside = np.ones(len(good), dtype=bool)
    inside[:-1] &= ~bad_pair
    inside[1:] &= ~bad_pair
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(np.int8), [0]])))
    parts: list[tuple[int, int]] = []
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        sound = end - start >= FEWEST and float(good[start:end].mean()) > SOUND_SHARE
        if parts and sound and start - parts[-1][1] <= LONGEST_BREAK:
            parts[-1] = (parts[-1][0], end)
        else:
            parts.append((start, end))
    best = np.zeros(len(good), dtype=bool)
    if parts:
        start, end = max(parts, key=lambda part: part[1] - part[0])
        best[start:end] = True
    return best


def _no_fall(t: Floats, y_px: Floats, u: Floats) -> str:
    """Why a smooth path is none of something that falls; empty where it may be.

    Either half of the time bends downward as the whole does: what swings or is carried does not. Air takes
    a little of the bend from the way down; a ball slow enough to lose most of it is none thrown.
    """
    bend, u_bend = _bend(t, y_px, u)
    if bend < LEAST_SIGNIFICANCE * u_bend:
        return "it does not fall"
    early = t <= 0.5 * (t[0] + t[-1])
    for half in (early, ~early):
        if half.sum() < FEWEST:
            continue
        own, u_own = _bend(t[half], y_px[half], u[half])
        if own + OWN_DOUBT * u_own < LEAST_OF_BEND * bend:
            return "it does not fall all the way"
    return ""


def _bend(t: Floats, y_px: Floats, u: Floats) -> tuple[float, float]:
    """Downward acceleration in the picture and its uncertainty, of a straight parabola."""
    s = t - t.mean()
    basis = np.vander(s, 3) / u[:, None]
    coefficients, left, *_ = np.linalg.lstsq(basis, y_px / u, rcond=None)
    inverse = np.linalg.inv(basis.T @ basis)
    scatter = max(float(left[0]) / max(len(t) - 3, 1), 1.0) if left.size else 1.0
    return float(2 * coefficients[0]), 2 * float(np.sqrt(inverse[0, 0] * scatter))
