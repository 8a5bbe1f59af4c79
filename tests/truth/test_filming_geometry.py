"""What geometry does to a measured speed: small-error formulas against a pinhole of the tests' own.

The formulas are derived by hand in each test; the pinhole is the tests' own and knows none of them. A naive
reading - one scale for the whole picture, straight lines through time - is what a camera that stands wrong
spoils; the last tests ask the package whether it is spoilt as well.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from own_camera import Pinhole
from own_flight import Film, Filming, Reader, Throw

from calibration.camera import to_plane
from calibration.reference import camera_prior
from calibration.values import CameraStatement, Picture, Reference, frozen
from tracker.pipeline import measure
from tracker.values import Ball, Setup

Z_M, F_PX, FPS = 3.0, 1450.0, 240.0
SPEED, ANGLE = 8.0, math.radians(45)
G = 9.80665
T = np.arange(20) / FPS


def naive(camera: Pinhole, *, stick_y_m: float = 0.0, velocity_m_s=None) -> tuple[float, float, np.ndarray]:
    """Speed, angle and acceleration (x, z) by one scale from a stick across the axis and parabolas in time.

    The ball flies in vacuum through the axis in the middle of its flight.
    """
    v = np.array(
        [SPEED * math.cos(ANGLE), 0.0, SPEED * math.sin(ANGLE)] if velocity_m_s is None else velocity_m_s
    )
    t = T - T.mean()
    world = v * t[:, None] + np.array([0, 0, -0.5 * G]) * (t**2)[:, None]
    px = camera.project(world) * [1, -1]
    ends = camera.project(np.array([[-0.5, stick_y_m, 0], [0.5, stick_y_m, 0]]))
    m_per_px = 1.0 / float(np.hypot(*(ends[1] - ends[0])))
    (ax, az), (vx, vz), _ = np.polyfit(t, px * m_per_px, 2)
    return math.hypot(vx, vz), math.atan2(vz, vx), np.array([2 * ax, 2 * az])


def square(yaw_deg: float = 0.0, roll_deg: float = 0.0, z_m: float = Z_M) -> Pinhole:
    yaw = math.radians(yaw_deg)
    place = (-z_m * math.sin(yaw), -z_m * math.cos(yaw), 0.0)
    return Pinhole(F_PX, place_m=place, yaw_rad=yaw, roll_rad=math.radians(roll_deg))


def test_a_square_camera_reads_true():
    speed, angle, a = naive(square())
    assert speed == pytest.approx(SPEED, rel=1e-6)
    assert angle == pytest.approx(ANGLE, abs=1e-6)
    assert a == pytest.approx([0, -G], abs=1e-5)


@pytest.mark.parametrize(("behind_m", "z_m"), [(0.1, 3.0), (0.3, 3.0), (0.3, 6.0), (-0.1, 3.0)])
def test_a_stick_behind_the_plane_magnifies_by_its_share_of_the_distance(behind_m, z_m):
    """Similar triangles: everything is read (Z + d) / Z times as large, gravity as well; the angle holds."""
    speed, angle, a = naive(square(z_m=z_m), stick_y_m=behind_m)
    factor = 1 + behind_m / z_m
    assert speed == pytest.approx(SPEED * factor, rel=1e-3)
    assert angle == pytest.approx(ANGLE, abs=1e-5)
    assert a[1] == pytest.approx(-G * factor, rel=1e-3)


@pytest.mark.parametrize("yaw_deg", [5.0, -5.0, 10.0])
def test_a_turned_camera_bends_the_path(yaw_deg):
    """x' = f x cos / (Z + x sin), z' = f z / (Z + x sin): to second order a = -2 v_x (v_x, v_z) sin / Z."""
    _, _, a = naive(square(yaw_deg))
    _, _, straight = naive(square())
    sine = math.sin(math.radians(yaw_deg))
    vx, vz = SPEED * math.cos(ANGLE), SPEED * math.sin(ANGLE)
    bend = a - straight
    assert bend[0] == pytest.approx(-2 * vx * vx * sine / Z_M, rel=0.1)
    assert bend[1] == pytest.approx(-2 * vx * vz * sine / Z_M, rel=0.1)


@pytest.mark.parametrize("aside_deg", [5.0, -5.0])
def test_a_flight_out_of_the_plane_bends_like_a_turned_camera(aside_deg):
    """Moving away at w shrinks by w t / Z, so a = -2 w (v_x, v_z) / Z."""
    vx, vz = SPEED * math.cos(ANGLE), SPEED * math.sin(ANGLE)
    w = vx * math.tan(math.radians(aside_deg))
    _, _, a = naive(square(), velocity_m_s=[vx, w, vz])
    assert a[0] == pytest.approx(-2 * w * vx / Z_M, rel=0.05)
    assert a[1] + G == pytest.approx(-2 * w * vz / Z_M, rel=0.1)


@pytest.mark.parametrize("roll_deg", [1.0, -2.0])
def test_a_rolled_camera_turns_the_angle_by_as_much(roll_deg):
    speed, angle, a = naive(square(roll_deg=roll_deg))
    assert speed == pytest.approx(SPEED, rel=1e-6)
    assert abs(math.degrees(angle - ANGLE)) == pytest.approx(abs(roll_deg), abs=1e-6)
    assert abs(a[0]) == pytest.approx(G * math.sin(math.radians(abs(roll_deg))), rel=1e-3)


@pytest.mark.parametrize("away_m_s", [0.5, -0.8])
def test_the_balls_size_tells_how_fast_it_goes_away(away_m_s):
    """d ln D / dt = -w / Z."""
    world = np.array([[0, away_m_s * t, 0] for t in (-0.05, 0.05)])
    _, radius = square().outline(world, 0.07)
    assert math.log(radius[1] / radius[0]) / 0.1 == pytest.approx(-away_m_s / Z_M, rel=0.01)


@pytest.mark.parametrize("length_px", [100.0, 200.0, 800.0])
def test_clicks_cost_root_two_over_the_length(length_px):
    """Two ends, s each along the line: sd(ln scale) = sqrt(2) s / L; the package's rows say the same."""
    rng = np.random.default_rng(3)
    picture, s = Picture(1280, 720), 1.0
    ends = np.array([[200.0, 600.0], [200.0 + length_px, 600.0]])
    clicked = np.hypot(*(ends[1] + rng.normal(0, s, (20_000, 2)) - ends[0] - rng.normal(0, s, (20_000, 2))).T)
    formula = math.sqrt(2) * s / length_px
    assert np.std(np.log(clicked)) == pytest.approx(formula, rel=0.02)
    reference = Reference(frozen(ends), (1280, 720), length_m=1.0, u_click_px=s)
    prior = camera_prior(picture, reference, CameraStatement())
    theta = np.asarray(prior.start)

    def log_span(parameters):
        a, b = to_plane(parameters, prior.view, ends)
        return math.log(math.hypot(*(b - a)))

    h = 1e-6
    slope = np.array([(log_span(theta + h * e) - log_span(theta - h * e)) / (2 * h) for e in np.eye(7)])
    rows = prior.rows(theta)
    clicks = np.array([dict(share).get("click", 0.0) for share in rows.shares])
    stated = math.sqrt(float((slope @ np.linalg.pinv(rows.jacobian)) ** 2 @ clicks))
    assert stated == pytest.approx(formula, rel=0.3)  # the ends of a stick hold its turn a little, too


@pytest.mark.parametrize("offset_m", [0.3, -0.2])
def test_a_stated_offset_is_taken_out_of_the_speed(measured_like, offset_m):
    camera = Pinhole(1100, place_m=(0, -4, 1))
    speed, found = measured_like(camera, stick_y_m=offset_m, offset_m=offset_m)
    assert found.exit_speed_m_s.value == pytest.approx(speed, rel=0.004)
    _, wrong = measured_like(camera, stick_y_m=offset_m, offset_m=0.0)
    # Unstated, it reads too large by about d / Z, less what gravity pulls back.
    assert (wrong.exit_speed_m_s.value / speed - 1) * math.copysign(1, offset_m) > 0.01


@pytest.mark.parametrize("yaw_deg", [5.0, -5.0])
def test_a_turn_that_spoils_a_naive_reading_does_not_spoil_the_measurement(measured_like, yaw_deg):
    yaw = math.radians(yaw_deg)
    camera = Pinhole(1100, place_m=(-4 * math.sin(yaw), -4 * math.cos(yaw), 1), yaw_rad=yaw)
    speed, found = measured_like(camera)
    assert abs(naive(square(yaw_deg))[2][1] + G) > 0.15 * G
    assert found.exit_speed_m_s.value == pytest.approx(speed, rel=0.01)
    assert abs(found.exit_speed_m_s.value - speed) < 3 * found.exit_speed_m_s.u


@pytest.fixture(name="measured_like")
def measured_like_fixture(tmp_path):
    """One throw of known speed measured through a camera, exact clicks."""
    clip = tmp_path / "made.mp4"
    clip.write_bytes(b"no film")
    throw = Throw(exit_m=(-1.2, 0, 0.5), speed_m_s=5.5)

    def run(camera: Pinhole, *, stick_y_m: float = 0.0, offset_m: float = 0.0):
        film = Film.of(Filming(camera, fps=120.0, noise_px=0.1), 1)
        fly = throw.fly(1.3)
        film.add(lambda t: fly(t)[:, :3], np.arange(6, 110), 0.07, begin_s=5 / 120)
        ends = camera.project(np.array([[-0.7, stick_y_m, 0.3], [0.7, stick_y_m, 0.3]]))
        reference = Reference(
            frozen(ends), (1280, 720), length_m=1.4, offset_m=offset_m, u_length_m=0.001, u_offset_m=0.005
        )
        stated = CameraStatement(distance_m=4.0, readout_s=0.0)
        found = measure(clip, Setup(Ball(0.14, 0.088), reference, stated), child=Reader(film.seen(130)))
        (shot,) = found.shots
        state = throw.fly(1.3)(shot.exit_time_s.value - 5 / 120)
        return float(np.linalg.norm(state[3:6])), shot

    return run
