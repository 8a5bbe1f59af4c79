"""Which sightings are the same ball, with made sightings whose ball is known."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from own_camera import Pinhole
from own_flight import Film, Filming, Throw
from scipy.optimize import linear_sum_assignment

from tracker.track.follow import GATE, Track, follow
from tracker.track.motion import FRESH_SHARE
from tracker.values import Sightings

FPS, RADIUS_M = 120.0, 0.07
CAMERA = Pinhole(0.87 * 1280, place_m=(0.0, -4.2, 1.0))
RIGHT = Throw(speed_m_s=5.3, spin_rad_s=20.0)
LEFT = Throw(speed_m_s=5.0, sense=-1, exit_m=(1.7, 0.0, 0.6), angle_rad=0.85)


class Scene:
    """Sightings with the name of the ball that each belongs to, -1 for clutter."""

    def __init__(self, seed: int = 1, noise_px: float = 0.1, fps: float = FPS) -> None:
        self.filming = Filming(CAMERA, fps=fps, noise_px=noise_px)
        self.film = Film.of(self.filming, seed)
        self.rng = np.random.default_rng(seed)
        self.names: list[np.ndarray] = []

    def add(self, name: int, places, frames) -> None:
        frames = np.asarray(frames)
        self.film.add(places, frames, RADIUS_M, begin_s=frames[0] / self.filming.fps)
        self.names.append(np.full(len(self.film.rows[-1]), name))

    def throw(self, name: int, throw: Throw, first: int, count: int, drop=()) -> None:
        fly = throw.fly(2.0)
        frames = np.arange(first, first + count)
        self.add(name, lambda t: fly(t)[:, :3], frames[~np.isin(frames - first, drop)])

    def clutter(self, a_frame: int, frames) -> None:
        """Spots anywhere, as large as the ball."""
        for frame in frames:
            n = a_frame
            xy = self.rng.uniform([30, 30], [1250, 690], (n, 2))
            rows = np.column_stack(
                [np.full(n, frame), xy, self.rng.uniform(17, 20, n), np.ones(n), np.zeros(n)]
            )
            self.film.rows.append(rows)
            self.names.append(np.full(n, -1))

    def follow(self) -> tuple[list[Track], np.ndarray, Sightings]:
        sightings = self.film.sightings()
        frame = np.concatenate([rows[:, 0] for rows in self.film.rows])
        names = np.concatenate(self.names)[np.argsort(frame, kind="stable")]
        times = np.arange(int(frame.max()) + 1) / self.filming.fps
        tracks = follow(sightings, 1 / self.filming.fps, times, ball_radius_m=RADIUS_M)
        return tracks, names, sightings


def of_ball(tracks: list[Track], names: np.ndarray, name: int) -> Track:
    """The track that holds most of a ball's sightings."""
    return max(tracks, key=lambda track: int((names[track.rows] == name).sum()))


def purity_and_share(track: Track, names: np.ndarray, name: int) -> tuple[float, float]:
    mine = names[track.rows] == name
    return float(mine.mean()), float(mine.sum() / (names == name).sum())


def test_one_ball_is_one_track():
    scene = Scene()
    scene.throw(0, RIGHT, 5, 95)
    tracks, names, _ = scene.follow()
    assert len(tracks) == 1
    assert purity_and_share(tracks[0], names, 0) == (1.0, 1.0)
    assert (np.diff(tracks[0].rows) > 0).all()
    assert len(tracks[0].nis) == len(tracks[0].rows)


@pytest.mark.parametrize("fps", [60.0, 120.0, 240.0])
@pytest.mark.parametrize("seed", range(4))
def test_balls_that_cross_keep_their_names(fps, seed):
    """Two balls fly toward each other through the middle of the picture."""
    scene = Scene(seed, fps=fps)
    rng = np.random.default_rng(seed)
    count = int(0.75 * fps)
    scene.throw(0, RIGHT, 5, count)
    scene.throw(1, LEFT, 5 + int(rng.integers(0, fps / 20)), count)
    tracks, names, _ = scene.follow()
    for name in (0, 1):
        purity, share = purity_and_share(of_ball(tracks, names, name), names, name)
        assert purity == 1.0
        assert share > 0.95


@pytest.mark.parametrize("drop", [(30,), (30, 31), (30, 31, 32), (10, 25, 26, 40, 41, 42, 60)])
def test_missed_frames_are_bridged(drop):
    scene = Scene()
    scene.throw(0, RIGHT, 5, 95, drop)
    tracks, names, _ = scene.follow()
    assert len(tracks) == 1
    assert purity_and_share(tracks[0], names, 0) == (1.0, 1.0)


def test_a_hidden_stretch_is_bridged_but_not_a_long_absence():
    for gap, expected in ((9, 1), (40, 2)):
        scene = Scene()
        scene.throw(0, RIGHT, 5, 95, range(30, 30 + gap))
        assert len(scene.follow()[0]) == expected


def test_frames_that_are_missing_from_the_file_are_no_missed_frames():
    """A gap in time with the next frame at hand: the ball has moved on by what the time says."""
    scene = Scene()
    scene.throw(0, RIGHT, 5, 95)
    sightings = scene.film.sightings()
    times = np.arange(100) / FPS
    times[50:] += 3 / FPS  # three frames lost: same indices, later times
    fly = RIGHT.fly(2.0)
    seen = CAMERA.outline(fly(times[sightings.frame] - 5 / FPS)[:, :3], RADIUS_M)[0]
    moved = dataclasses.replace(sightings, x_px=seen[:, 0], y_px=seen[:, 1])
    tracks = follow(moved, 1 / FPS, times, ball_radius_m=RADIUS_M)
    assert [len(track.rows) for track in tracks] == [len(sightings)]


@pytest.mark.parametrize("seed", range(5))
def test_a_bounce_ends_a_track(seed):
    rng = np.random.default_rng(seed)
    up = rng.uniform(2.5, 3.5)
    contact = 0.4 + rng.uniform(0, 1 / FPS)

    def places(t):
        fall = np.where(
            t < contact,
            1.1 - 4.9 * t**2,
            1.1 - 4.9 * contact**2 + up * (t - contact) - 4.9 * (t - contact) ** 2,
        )
        return np.column_stack([-1.2 + 2.5 * t, np.zeros_like(t), fall])

    scene = Scene(seed)
    scene.add(0, places, np.arange(0, 85))
    tracks, _, sightings = scene.follow()
    assert len(tracks) == 2
    before, after = (sightings.frame[track.rows] / FPS for track in tracks)
    assert before[-1] <= contact + 1 / FPS
    assert after[0] >= contact - 1 / FPS


@pytest.mark.parametrize("a_frame", [3, 10])
@pytest.mark.parametrize("seed", range(3))
def test_clutter_neither_steals_the_ball_nor_makes_many(a_frame, seed):
    scene = Scene(seed)
    scene.throw(0, RIGHT, 5, 95)
    scene.clutter(a_frame, range(110))
    tracks, names, _ = scene.follow()
    purity, share = purity_and_share(of_ball(tracks, names, 0), names, 0)
    assert purity > 0.97
    assert share > 0.95
    false = [track for track in tracks if (names[track.rows] == -1).mean() > 0.5]
    assert len(false) <= 3


def test_a_still_thing_under_the_path_does_not_stop_the_ball():
    scene = Scene()
    scene.throw(0, RIGHT, 5, 95)
    on_the_path = RIGHT.fly(1.0)(0.35)[:3]
    scene.add(1, lambda t: np.tile(on_the_path, (len(t), 1)), np.arange(0, 100))
    tracks, names, _ = scene.follow()
    purity, share = purity_and_share(of_ball(tracks, names, 0), names, 0)
    assert purity > 0.97
    assert share > 0.95


def test_no_sighting_is_used_twice():
    scene = Scene(3)
    for k in range(4):
        scene.throw(k, RIGHT, 5 + 12 * k, 90)
    scene.clutter(4, range(150))
    tracks, *_ = scene.follow()
    used = np.concatenate([track.rows for track in tracks])
    assert len(np.unique(used)) == len(used)


def test_nothing_seen_is_no_track():
    assert (
        follow(Film.of(Filming(CAMERA), 1).sightings(), 1 / FPS, np.arange(10) / FPS, ball_radius_m=0.07)
        == []
    )


def test_the_gate_is_chi_square():
    """99.9 % of two degrees of freedom: 13.816 (table; NIST/SEMATECH e-Handbook, 1.3.6.7.4)."""
    assert pytest.approx(13.816, abs=5e-4) == GATE


@pytest.mark.parametrize("seed", range(4))
def test_innovations_of_a_flight_are_as_large_as_the_filter_says(seed):
    """Errors that last, as outlines have them: a first-order process of which FRESH_SHARE is new each frame.

    Mean of 90 values of chi-square with two degrees of freedom: 2, standard deviation 0.21; the motion is
    smoother than the filter allows for, which takes a little off.
    """
    scene = Scene(noise_px=0.0)
    scene.throw(0, RIGHT, 5, 95)
    exact = scene.film.sightings(u_px=0.3)
    rng = np.random.default_rng(seed)
    error = np.zeros((len(exact), 2))
    error[0] = rng.normal(0, 0.3, 2)
    for k in range(1, len(exact)):
        error[k] = np.sqrt(1 - FRESH_SHARE**2) * error[k - 1] + rng.normal(0, FRESH_SHARE * 0.3, 2)
    lasting = dataclasses.replace(exact, x_px=exact.x_px + error[:, 0], y_px=exact.y_px + error[:, 1])
    (track,) = follow(lasting, 1 / FPS, np.arange(110) / FPS, ball_radius_m=RADIUS_M)
    assert 1.2 < track.nis[3:].mean() < 2.7


def test_scipy_assigns_as_published():
    """Example of the library's own documentation, which the tracks rest on: cost 5."""
    cost = np.array([[4, 1, 3], [2, 0, 5], [3, 2, 2]])
    rows, columns = linear_sum_assignment(cost)
    assert columns.tolist() == [1, 0, 2]
    assert cost[rows, columns].sum() == 5
