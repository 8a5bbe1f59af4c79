"""Rendered balls against the positions that were given."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tracker.demo.balls import BallLook, BallPath, Mark
from tracker.demo.camera import Camera, Floats, sphere_outline
from tracker.demo.paint import flat
from tracker.demo.render import Flyer, Renderer, Room, Shutter
from tracker.demo.scene import upright

CAMERA = Camera(320, 240, 700.0, (1.0, -4.0, 1.0))
GREY = flat(4, 4, "#404040")
WALL = upright(-4.0, 4.0, 10.0, 8.0, 1.5, GREY)
FLAT = BallLook(0.07, (0.8, 0.8, 0.8), ambient=1.0, diffuse=0.0, highlight=0.0)


def straight(
    start: tuple[float, float, float], velocity: tuple[float, float, float], spin: float = 0.0
) -> BallPath:
    t = np.array([-1.0, 1.0])
    return BallPath(
        t,
        np.array(start) + t[:, None] * np.array(velocity),
        np.tile(velocity, (2, 1)),
        spin * t,
        np.full(2, spin),
    )


def filmed(path: BallPath, shutter: Shutter, look: BallLook = FLAT, camera: Camera = CAMERA) -> Renderer:
    return Renderer(camera, Room((WALL,), shadow=0.0), (Flyer(look, path),), shutter)


def centroid(renderer: Renderer, time_s: float) -> Floats:
    """Centroid of what differs from the plain wall: light is linear, so it needs no threshold."""
    picture = renderer.light(time_s)[..., 0].astype(np.float64)
    excess = picture - picture[0, 0]
    y, x = np.mgrid[: excess.shape[0], : excess.shape[1]]
    return np.array([(excess * x).sum(), (excess * y).sum()]) / excess.sum()


@pytest.mark.parametrize("exposure_s", [1e-6, 0.001, 0.008])
@pytest.mark.parametrize("velocity", [(0.0, 0.0, 0.0), (5.0, 0.0, 3.0), (-6.0, 0.0, -4.0)])
def test_centroid_is_the_place_at_mid_exposure(
    exposure_s: float, velocity: tuple[float, float, float]
) -> None:
    path = straight((0.93, 0.0, 1.07), velocity)
    outline = sphere_outline(CAMERA, path.at(0.0031)[0], 0.07)
    seen = centroid(filmed(path, Shutter(exposure_s)), 0.0031)
    np.testing.assert_allclose(seen, [outline.x_px, outline.y_px], atol=0.02)


def test_area_is_that_of_the_outline_and_blur_keeps_it() -> None:
    path = straight((0.93, 0.0, 1.07), (5.0, 0.0, 3.0))
    outline = sphere_outline(CAMERA, path.at(0.0)[0], 0.07)
    for exposure in (1e-6, 0.008):
        picture = filmed(path, Shutter(exposure)).light(0.0)[..., 0].astype(np.float64)
        area = (picture - picture[0, 0]).sum() / (0.8 - picture[0, 0])
        assert area == pytest.approx(math.pi * outline.radius_px**2, rel=2e-3)


def test_streak_is_as_long_as_speed_times_exposure() -> None:
    # Variance along a streak: that of a disc, R^2/4, and of the path, L^2/12.
    picture = (
        filmed(straight((1.0, 0.0, 1.0), (6.0, 0.0, 0.0)), Shutter(0.008)).light(0.0)[..., 0].astype(float)
    )
    excess = picture - picture[0, 0]
    x = np.arange(320)
    share = excess.sum(axis=0) / excess.sum()
    variance = (share * x**2).sum() - (share * x).sum() ** 2
    radius, length = 700 * 0.07 / 4, 6.0 * 0.008 * 700 / 4
    assert variance == pytest.approx(radius**2 / 4 + length**2 / 12, rel=0.01)


@pytest.mark.parametrize("velocity", [(5.0, 0.0, 0.0), (4.0, 0.0, 3.0), (3.0, 0.0, -4.0)])
def test_rolling_shutter_shifts_by_the_textbook_formula(velocity: tuple[float, float, float]) -> None:
    # A row r is exposed k r later, k = T/H; a point that moves at v rows a second is met where
    # r = r0 + v k (r - r_mid), so r - r_mid = (r0 - r_mid)/(1 - v k). (From memory.)
    readout = 0.01
    path = straight((0.9, 0.0, 1.2), velocity)
    still = filmed(path, Shutter(1e-6))
    x0, y0 = centroid(still, 0.0)
    k = readout / 240
    rate_x, rate_y = 700 / 4 * velocity[0], -700 / 4 * velocity[2]
    row = 119.5 + (y0 - 119.5) / (1 - k * rate_y)
    column = x0 + rate_x * k * (row - 119.5)
    seen = centroid(filmed(path, Shutter(1e-6, readout)), 0.0)
    # The disc itself is sheared and stretched about its centre, which moves no centroid to first order.
    np.testing.assert_allclose(seen, [column, row], atol=0.03)
    assert np.hypot(*(seen - [x0, y0])) > 1


def test_distorted_outline_agrees_with_distorted_rays() -> None:
    camera = Camera(320, 240, 300.0, (1.0, -2.0, 1.0), distortion=(-0.2, 0.04, 0.002, -0.001, 0.0))
    path = straight((1.45, 0.0, 1.4), (0.0, 0.0, 0.0))
    outline = sphere_outline(camera, path.at(0.0)[0], 0.07)
    seen = centroid(filmed(path, Shutter(1e-6), camera=camera), 0.0)
    np.testing.assert_allclose(seen, [outline.x_px, outline.y_px], atol=0.02)


def test_a_dot_turns_with_the_ball() -> None:
    dot = BallLook(0.07, (0.2, 0.2, 0.2), (0.9, 0.9, 0.9), (Mark((1, -1, 0), 0.3),), 1.0, 0.0, 0.0)
    renderer = filmed(straight((1.0, 0.0, 1.0), (0.0, 0.0, 0.0), spin=10.0), Shutter(1e-6), dot)
    angles = []
    for time_s in (0.0, 0.05, 0.1):
        bright = renderer.light(time_s)[..., 0] > 0.5
        y, x = np.argwhere(bright).mean(axis=0) - [119.5, 159.5]
        angles.append(math.atan2(-y, x))
    # Positive turns are counter-clockwise in the picture: backspin of a launch to the right.
    np.testing.assert_allclose(angles, [0.0, 0.5, 1.0], atol=0.03)


def test_path_meets_its_samples_and_jumps_only_at_bounces() -> None:
    t = np.array([0.0, 0.1, 0.1, 0.2])
    z = np.array([0.5, 0.1, 0.1, 0.4])
    v = np.array([-2.0, -6.0, 4.0, 2.0])
    flat_zero = np.zeros(4)
    path = BallPath(
        t,
        np.column_stack([flat_zero, flat_zero, z]),
        np.column_stack([flat_zero, flat_zero, v]),
        flat_zero,
        flat_zero,
    )
    place, speed, _, _ = path.at(np.array([0.0, 0.05, 0.1 - 1e-9, 0.1, 0.2]))
    # Cubic Hermite middle: mean of ends plus h/8 times the difference of slopes.
    np.testing.assert_allclose(place[:, 2], [0.5, 0.3 + 0.1 / 8 * (-2 + 6), 0.1, 0.1, 0.4], atol=1e-7)
    np.testing.assert_allclose(speed[[0, 2, 3, 4], 2], [-2, -6, 4, 2], atol=1e-5)


def test_columns_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="do not fit 2 times"):
        BallPath(np.arange(2.0), np.zeros((3, 3)), np.zeros((2, 3)), np.zeros(2), np.zeros(2))


def test_what_stands_in_front_hides_the_ball() -> None:
    board = upright(0.6, 1.4, 0.4, 0.8, -0.2, GREY, front=True)
    path = straight((1.0, 0.0, 1.0), (0.0, 0.0, 0.0))
    hidden = Renderer(CAMERA, Room((WALL, board), shadow=0.0), (Flyer(FLAT, path),), Shutter(1e-6))
    picture = hidden.light(0.0)[..., 0]
    # The board's right edge: 159.5 + 700 (1.0 - 1.0)/3.8, through the middle of the ball.
    assert picture[119, 150:159].max() < 0.2
    assert picture[119, 161:170].min() > 0.7


def test_gain_follows_the_rows() -> None:
    # Rows are exposed at t + ((r + 0.5)/H - 0.5) readout: a lamp that fades in time fades down the picture.
    shutter = Shutter(1e-6, 0.01, gain=lambda t: 1 + 20 * t)
    renderer = Renderer(CAMERA, Room((WALL,)), (), shutter)
    plain = Renderer(CAMERA, Room((WALL,)), (), Shutter(1e-6))
    ratio = renderer.light(0.0)[:, 50, 0] / plain.light(0.0)[:, 50, 0]
    rows = (np.arange(240) + 0.5) / 240 - 0.5
    np.testing.assert_allclose(ratio, 1 + 20 * 0.01 * rows, rtol=1e-4)


def test_shake_moves_ball_and_room_alike() -> None:
    yaw, pitch = 0.012, -0.008
    renderer = filmed(
        straight((0.93, 0.0, 1.07), (0.0, 0.0, 0.0)), Shutter(1e-6, shake=lambda _t: (yaw, pitch, 0.004))
    )
    turned = Camera(320, 240, 700.0, (1.0, -4.0, 1.0), yaw, pitch, 0.004)
    outline = sphere_outline(turned, [0.93, 0.0, 1.07], 0.07)
    np.testing.assert_allclose(centroid(renderer, 0.0), [outline.x_px, outline.y_px], atol=0.02)
    board = flat(40, 40, "#e0e0e0")
    room = Room((WALL, upright(0.95, 1.15, 0.12, 0.12, 0.0, board)), shadow=0.0)
    shaken = Renderer(CAMERA, room, (), Shutter(1e-6, shake=lambda _t: (yaw, pitch, 0.004)))
    corners = turned.project(
        np.array([[0.95, 0, 1.15], [1.07, 0, 1.15], [1.07, 0, 1.03], [0.95, 0, 1.03]], dtype=float)
    )
    np.testing.assert_allclose(centroid(shaken, 0.0), corners.mean(axis=0), atol=0.02)


def test_a_shake_beyond_the_drawn_border_is_refused() -> None:
    renderer = filmed(
        straight((0.93, 0.0, 1.07), (0.0, 0.0, 0.0)), Shutter(1e-6, shake=lambda _t: (0.2, 0.0, 0.0))
    )
    with pytest.raises(ValueError, match="shakes by more than 48 px"):
        renderer.light(0.0)
