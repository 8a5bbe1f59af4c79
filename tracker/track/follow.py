"""The loop: predict every ball, assign the frame's sightings to them, take in, begin and end."""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib import import_module

import numpy as np
import scipy  # its parts load when they are first used

from calibration.values import Floats, Ints
from tracker.track.motion import FLOOR_PX, Motion, MotionPrior
from tracker.values import Sightings

#: 99.9 % of a chi-square distribution with two degrees of freedom.
GATE = 13.816
#: A new ball's second sighting is judged by its speed alone; this many sightings settle a track.
SETTLED = 4
MISSES_ALLOWED_STEPS = 4.5
RADIUS_RATIO = 1.4
FASTEST_BALL_M_S = 14.0
GRAVITY_M_S2 = 9.80665
SHORTEST_TRACK = 5
LONGEST_GAP_STEPS = 30.0
JOIN_SIGHTINGS = 15
JOIN_FLOOR_PX = 0.3
JOIN_CHI2 = 4.0  # per degree of freedom
BARRED = 1e6  # cost of a pair that cannot be


@dataclass(frozen=True, slots=True)
class Track:
    """One ball's sightings: ``rows`` (n,) into Sightings, ``nis`` (n,) normalised innovations squared.

    The first two entries of ``nis`` say nothing, since the prior is wide on purpose.
    """

    rows: Ints
    nis: Floats


@dataclass(slots=True)
class _Open:
    motion: Motion
    time: float
    seen: float
    radius_px: float
    rows: list[int] = field(default_factory=list)
    nis: list[float] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Seen:
    """N sightings as they are assigned: ``place_px`` (2, N), the variance of each, and radii, (N,)."""

    place_px: Floats
    own_px2: Floats
    radius_px: Floats


def get_ready() -> None:
    """Load what the filter and the fits need, which takes a while: while the film is still decoded, say."""
    for name in ("scipy.linalg", "scipy.optimize", "filterpy.kalman"):
        import_module(name)


def follow(
    sightings: Sightings,
    step_s: float,
    frame_time_s: Floats,
    *,
    ball_radius_m: float,
) -> list[Track]:
    """Tracks through a clip's sightings, in order of their beginning.

    Parameters
    ----------
    sightings : Sightings
    step_s : float
        Mean file time between consecutive frames.
    frame_time_s : (frames,) array
        File time of every frame.
    ball_radius_m : float
        For what speed and fall may look like in pixels: a film plays no faster than life.
    """
    if len(sightings) == 0:
        return []
    order = np.argsort(sightings.frame, kind="stable")
    seen = _Seen(
        np.stack([sightings.x_px, sightings.y_px]), sightings.u_px**2 + FLOOR_PX**2, sightings.radius_px
    )
    done: list[_Open] = []
    live: list[_Open] = []
    edges = np.flatnonzero(np.diff(sightings.frame[order])) + 1
    for rows in np.split(order, edges):
        now = float(frame_time_s[sightings.frame[rows[0]]]) / step_s
        live, ended = _retire(live, now)
        done += ended
        for ball in live:
            ball.motion.predict(now - ball.time)
            ball.time = now
        taken = _assign(live, rows, seen)
        for ball, row in taken:
            ball.nis.append(ball.motion.update(*_place(sightings, row)))
            ball.rows.append(row)
            ball.seen = now
            ball.radius_px += 0.2 * (float(sightings.radius_px[row]) - ball.radius_px)
        claimed = {row for _, row in taken}
        live += [
            _begin(sightings, int(row), now, step_s, ball_radius_m) for row in rows if int(row) not in claimed
        ]
    done += live
    long_enough = [ball for ball in done if len(ball.rows) >= SHORTEST_TRACK]
    tracks = [Track(np.array(ball.rows, dtype=np.int64), np.array(ball.nis)) for ball in long_enough]
    tracks.sort(key=lambda track: int(sightings.frame[track.rows[0]]))
    return _joined(tracks, sightings, np.asarray(frame_time_s) / step_s)


def _joined(tracks: list[Track], sightings: Sightings, time: Floats) -> list[Track]:
    """Tracks with those put together that one smooth motion explains; a bounce is no smooth motion."""
    whole: list[Track] = []
    for track in tracks:
        for k, earlier in enumerate(whole):
            if _continues(earlier, track, sightings, time):
                whole[k] = Track(
                    np.concatenate([earlier.rows, track.rows]), np.concatenate([earlier.nis, track.nis])
                )
                break
        else:
            whole.append(track)
    return whole


def _continues(earlier: Track, later: Track, sightings: Sightings, time: Floats) -> bool:
    last, first = sightings.frame[earlier.rows[-1]], sightings.frame[later.rows[0]]
    if not 0 < time[first] - time[last] <= LONGEST_GAP_STEPS:
        return False
    rows = np.concatenate([earlier.rows[-JOIN_SIGHTINGS:], later.rows[:JOIN_SIGHTINGS]])
    t = time[sightings.frame[rows]]
    t = (t - t.mean()) / max(np.ptp(t), 1.0)
    own = np.hypot(sightings.u_px[rows], JOIN_FLOOR_PX)
    chi2 = 0.0
    for place in (sightings.x_px[rows], sightings.y_px[rows]):
        basis = np.vander(t, 4) / own[:, None]
        left = np.linalg.lstsq(basis, place / own, rcond=None)[1]
        chi2 += float(left[0]) if left.size else 0.0
    return chi2 < JOIN_CHI2 * (2 * len(rows) - 8)


def _place(sightings: Sightings, row: int) -> tuple[float, float, float]:
    return float(sightings.x_px[row]), float(sightings.y_px[row]), float(sightings.u_px[row])


def _begin(sightings: Sightings, row: int, now: float, step_s: float, ball_radius_m: float) -> _Open:
    radius = float(sightings.radius_px[row])
    px_per_m = radius / ball_radius_m
    speed = FASTEST_BALL_M_S * step_s * px_per_m / 2
    fall = GRAVITY_M_S2 * step_s**2 * px_per_m
    prior = MotionPrior(speed_px=speed, acceleration_px=1.2 * fall, jerk_px=0.05 * fall + 0.004)
    x, y, u = _place(sightings, row)
    return _Open(Motion(x, y, u, prior), now, now, radius, [row], [0.0])


def _retire(live: list[_Open], now: float) -> tuple[list[_Open], list[_Open]]:
    """Balls still worth waiting for, and those missed for too long; a young one is given up sooner."""
    kept: list[_Open] = []
    ended: list[_Open] = []
    for ball in live:
        patience = MISSES_ALLOWED_STEPS if len(ball.rows) >= SETTLED else 2.5
        (kept if now - ball.seen <= patience else ended).append(ball)
    return kept, ended


def _assign(live: list[_Open], rows: Ints, seen: _Seen) -> list[tuple[_Open, int]]:
    """The pairs of ball and sighting that fit best together, each used once at most."""
    if not live:
        return []
    expected = np.array([(*ball.motion.expected, ball.radius_px) for ball in live])
    x, y, spread, radius = expected.T[..., None]
    seen_x, seen_y = seen.place_px[:, rows]
    # Both axes share one covariance by construction, so the distance needs no matrix.
    S = spread + seen.own_px2[rows]
    d2 = ((seen_x - x) ** 2 + (seen_y - y) ** 2) / S
    ratio = seen.radius_px[rows] / radius
    fits = (d2 <= GATE) & (ratio < RADIUS_RATIO) & (ratio > 1 / RADIUS_RATIO)
    if not fits.any():
        return []
    # The log term keeps a vague new ball from outbidding a settled one.
    cost = d2 + 2 * np.log(S)
    shifted = np.where(fits, cost - cost[fits].min(), BARRED)
    balls, places = scipy.optimize.linear_sum_assignment(shifted)
    taken = fits[balls, places]
    pairs = zip(balls[taken].tolist(), rows[places[taken]].tolist(), strict=True)
    return [(live[i], row) for i, row in pairs]
