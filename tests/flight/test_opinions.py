"""Films in which one thing is spoilt: the verdict names that thing, and the warning says it.

Paths are scipy's, the camera is a pinhole of the tests' own; each film differs from a good one in one thing.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from own_camera import Pinhole
from own_flight import Film, Filming, Throw

from calibration.values import CameraStatement, Reference, frozen
from tracker.values import Ball, Measured, Setup

FPS = 120.0
APART = 150  # frames from one shot to the next
THROWS = (
    Throw(exit_m=(-1.2, 0, 0.5), speed_m_s=5.5),
    Throw(exit_m=(-1.2, 0, 0.5), speed_m_s=5.7, angle_rad=0.85),
    Throw(exit_m=(-1.2, 0, 0.5), speed_m_s=5.3, angle_rad=0.95),
)
STICK_M = np.array([[-0.7, 0, 0.3], [0.7, 0, 0.3]])


def camera(yaw_deg: float = 0.0) -> Pinhole:
    yaw = math.radians(yaw_deg)
    return Pinhole(1100, place_m=(-4 * math.sin(yaw), -4 * math.cos(yaw), 1.0), yaw_rad=yaw)


def bent(xy: np.ndarray, pinhole: Pinhole, k1: float) -> np.ndarray:
    """Brown's first term: r' = r (1 + k1 r^2) in focal lengths. Source: Photogramm. Eng. 37 (1971) 855."""
    arm = (xy - pinhole.centre_px) / pinhole.focal_px
    return pinhole.centre_px + pinhole.focal_px * arm * (1 + k1 * (arm**2).sum(axis=1, keepdims=True))


@dataclasses.dataclass(frozen=True)
class Spoilt:
    """How a film differs from a good one."""

    yaw_deg: float = 0.0
    claim: float = 1.0
    stick_y_m: float = 0.0
    aside_m_s: tuple[float, ...] = (0.0, 0.0, 0.0)
    stated_fps: float | None = None
    ball: float = 1.0
    k1: float = 0.0
    offset_stated_m: float = 0.0


def film_of(measured, spoilt: Spoilt, shots: int = 3, seed: int = 1) -> Measured:
    pinhole = camera(spoilt.yaw_deg)
    film = Film.of(Filming(pinhole, fps=FPS, noise_px=0.12), seed)
    for k, (throw, aside) in enumerate(zip(THROWS[:shots], spoilt.aside_m_s, strict=False)):
        fly = dataclasses.replace(throw, vy_m_s=aside).fly(1.3)
        first = 5 + APART * k
        down = int(np.argmax(fly(np.arange(130) / FPS)[:, 2] < 0.2)) or 110
        film.add(lambda t, fly=fly: fly(t)[:, :3], first + np.arange(1, down), 0.07, begin_s=first / FPS)
    if spoilt.k1:
        for rows in film.rows:
            rows[:, 1:3] = bent(rows[:, 1:3], pinhole, spoilt.k1)
    rng = np.random.default_rng(100 + seed)
    ends = pinhole.project(STICK_M + np.array([0, spoilt.stick_y_m, 0]))
    ends = (bent(ends, pinhole, spoilt.k1) if spoilt.k1 else ends) + rng.normal(0, 0.7, (2, 2))
    setup = Setup(
        Ball(0.14 * spoilt.ball, 0.088),
        Reference(
            frozen(ends),
            (1280, 720),
            length_m=1.4 * spoilt.claim,
            u_length_m=0.001,
            offset_m=spoilt.offset_stated_m,
            u_offset_m=0.01,
        ),
        CameraStatement(readout_s=0.0, capture_fps=spoilt.stated_fps),
    )
    return measured(film.seen(APART * shots + 20), setup)


def codes(found: Measured) -> list[str]:
    return [warning.code for warning in found.warnings]


CASES = [
    (Spoilt(claim=1.10), "scale_disagrees", "lengths are 0.9"),
    (Spoilt(claim=0.90), "scale_disagrees", "lengths are 1.1"),
    (Spoilt(stick_y_m=0.5), "scale_disagrees", "before or behind the plane"),
    (Spoilt(stated_fps=150.0), "clock_disagrees", "time runs 0.80"),
    (Spoilt(yaw_deg=12.0), "yaw_suspected", "the camera is turned by"),
    (Spoilt(yaw_deg=-12.0), "yaw_suspected", "the camera is turned by"),
    (Spoilt(aside_m_s=(0.8, -0.7, 0.9)), "out_of_plane", "the camera at 0."),
    (Spoilt(k1=-0.12), "lens_unknown", "the lens bends the picture"),
    (Spoilt(k1=-0.25), "lens_unknown", "the lens bends the picture"),
    (Spoilt(k1=0.10), "lens_unknown", "the lens bends the picture"),
    (Spoilt(ball=0.80), "ball_disagrees", "the ball is 1.2"),
]


@pytest.mark.parametrize(("spoilt", "code", "words"), CASES)
@pytest.mark.parametrize("seed", [1, 2])
def test_the_verdict_names_what_was_spoilt(measured, spoilt, code, words, seed):
    found = film_of(measured, spoilt, seed=seed)
    assert set(codes(found)) == {code}
    assert words in found.verdict


@pytest.mark.parametrize(("spoilt", "code", "words"), [c for c in CASES if c[1] != "lens_unknown"])
def test_one_shot_is_enough_for_most(measured, spoilt, code, words):
    found = film_of(measured, spoilt, shots=1)
    assert set(codes(found)) == {code}
    assert words in found.verdict


@pytest.mark.parametrize("claim", [1.10, 0.93])
def test_a_wrong_length_is_told_with_its_ratio(measured, claim):
    (warning,) = film_of(measured, Spoilt(claim=claim)).warnings
    ratio = float(warning.message.split("lengths are ")[1].split()[0])
    assert ratio == pytest.approx(1 / claim, abs=0.02)


def test_an_offset_that_is_stated_is_no_mistake(measured):
    found = film_of(measured, Spoilt(stick_y_m=0.5, offset_stated_m=0.5))
    assert codes(found) == []
    assert "agree" in found.verdict


@pytest.mark.parametrize("yaw_deg", [10.0, -10.0, 20.0])
def test_a_camera_that_stood_aslant_is_turned_back(measured, yaw_deg):
    """Two points do not tell a turn; the path does, and the speed comes right to 1 %."""
    found = film_of(measured, Spoilt(yaw_deg=yaw_deg))
    for shot, throw in zip(found.shots, THROWS, strict=True):
        t = shot.exit_time_s.value - (5 + APART * (shot.shot - 1)) / FPS
        state = throw.fly(1.3)(t)
        speed, angle = float(np.linalg.norm(state[3:6])), math.atan2(state[5], state[3])
        assert shot.exit_speed_m_s.value == pytest.approx(speed, rel=0.01)
        assert abs(shot.exit_speed_m_s.value - speed) < 3 * shot.exit_speed_m_s.u
        assert abs(shot.exit_angle_rad.value - angle) < 3 * shot.exit_angle_rad.u


def test_what_gravity_moved_is_told(measured):
    found = film_of(measured, Spoilt())
    moved = {each.what: each for each in found.moved}
    assert {"one pixel", "tilt", "yaw", "pitch", "speed of shot 3", "angle of shot 1"} <= set(moved)
    speed = moved["speed of shot 1"]
    assert speed.adjusted.value == found.shots[0].exit_speed_m_s.value
    assert speed.adjusted.u < speed.alone.u  # gravity sharpens
    assert speed.alone.value == pytest.approx(speed.adjusted.value, abs=3 * speed.alone.u)


@pytest.mark.parametrize("yaw_deg", [0.0, 2.0, -2.0, 3.0])
@pytest.mark.parametrize("shots", [1, 3])
def test_where_all_is_well_nothing_is_said(measured, yaw_deg, shots):
    found = film_of(measured, Spoilt(yaw_deg=yaw_deg, aside_m_s=(0.1, -0.1, 0.05)), shots=shots, seed=4)
    assert codes(found) == []
    assert "agree" in found.verdict


@pytest.mark.parametrize(("shade", "drift"), [(-0.05, 0.04), (-0.05, -0.04), (0.0, 0.04), (0.02, -0.04)])
def test_light_on_the_ball_is_no_mistake(measured, shade, drift):
    """Shading makes outlines up to 5 % smaller and changes them by up to 4 % over a flight."""
    pinhole = camera()
    film = Film.of(Filming(pinhole, fps=FPS, noise_px=0.12), 3)
    fly = THROWS[0].fly(1.3)
    film.add(lambda t: fly(t)[:, :3], np.arange(6, 100), 0.07, begin_s=5 / FPS)
    (rows,) = film.rows
    rows[:, 3] *= np.exp(shade + drift * np.linspace(-0.5, 0.5, len(rows)))
    ends = pinhole.project(STICK_M) + np.random.default_rng(5).normal(0, 0.7, (2, 2))
    reference = Reference(frozen(ends), (1280, 720), length_m=1.4, u_length_m=0.001, u_offset_m=0.01)
    found = measured(film.seen(120), Setup(Ball(0.14, 0.088), reference, CameraStatement(readout_s=0.0)))
    assert codes(found) == []
