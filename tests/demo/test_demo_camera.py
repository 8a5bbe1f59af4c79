"""Projection and outline against formulas written out here."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from tracker.demo.camera import Camera, sphere_outline
from tracker.demo.truth import upright_px

CAMERA = Camera(1280, 720, 1150.0, (2.0, -4.4, 1.2))


def test_square_camera_follows_the_pinhole_formula() -> None:
    # x_px = c_x + f X/Z, y_px = c_y - f (z - z0)/Z; Hartley & Zisserman, Multiple View Geometry, 6.1.
    points = np.array([[0.85, 0.0, 0.3], [2.35, 0.0, 0.3], [3.1, 0.7, 1.9]])
    depth = points[:, 1] + 4.4
    expected = np.column_stack(
        [639.5 + 1150 * (points[:, 0] - 2.0) / depth, 359.5 - 1150 * (points[:, 2] - 1.2) / depth]
    )
    np.testing.assert_allclose(CAMERA.project(points), expected, atol=1e-9)


def test_roll_turns_the_picture_about_its_middle() -> None:
    # A camera turned clockwise sees the room turned counter-clockwise: right becomes up.
    rolled = Camera(1280, 720, 1150.0, (2.0, -4.4, 1.2), roll_rad=0.2)
    x, y = CAMERA.project([3.0, 0.0, 1.2]) - [639.5, 359.5]
    assert y == pytest.approx(0, abs=1e-9)
    seen = rolled.project([3.0, 0.0, 1.2]) - [639.5, 359.5]
    np.testing.assert_allclose(seen, [x * math.cos(0.2), -x * math.sin(0.2)], atol=1e-9)


@pytest.mark.parametrize(("yaw", "pitch", "axis", "sign"), [(0.05, 0.0, 0, -1), (0.0, 0.05, 1, 1)])
def test_looking_right_or_up_moves_things_left_or_down(
    yaw: float, pitch: float, axis: int, sign: int
) -> None:
    turned = Camera(1280, 720, 1150.0, (2.0, -4.4, 1.2), yaw_rad=yaw, pitch_rad=pitch)
    moved = turned.project([2.0, 0.0, 1.2]) - [639.5, 359.5]
    assert moved[axis] == pytest.approx(sign * 1150 * math.tan(0.05))
    assert moved[1 - axis] == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("distortion", [(0.0,) * 5, (-0.21, 0.06, 0.001, -0.002, -0.01)])
def test_projection_is_that_of_opencv(distortion: tuple[float, float, float, float, float]) -> None:
    camera = Camera(1280, 720, 980.0, (1.7, -4.0, 1.4), 0.06, -0.04, 0.02, (650.0, 352.0), distortion)
    points = np.random.default_rng(3).uniform([0, -0.5, 0], [3.5, 1.5, 2.5], (40, 3))
    shift = -camera.rotation @ np.array(camera.centre_m)
    expected, _ = cv2.projectPoints(
        points, cv2.Rodrigues(camera.rotation)[0], shift, camera.matrix, np.array(distortion)
    )
    np.testing.assert_allclose(camera.project(points), expected[:, 0], atol=1e-6)


def test_rays_undo_the_lens() -> None:
    camera = Camera(1280, 720, 980.0, (1.7, -4.0, 1.4), distortion=(-0.2, 0.05, 0.001, 0.001, 0.0))
    x, y = np.meshgrid(np.linspace(0, 1279, 9), np.linspace(0, 719, 7))
    dx, dy = camera.directions(x, y)
    back = camera.project_directions(np.stack([dx, dy, np.ones_like(dx)], axis=-1))
    np.testing.assert_allclose(back, np.stack([x, y], axis=-1), atol=1e-7)


def test_outline_of_a_sphere_is_the_ellipse_of_the_tangent_cone() -> None:
    # Rays d that graze the sphere: (d.c)^2 = (|c|^2 - r^2) |d|^2. That conic's centre, by its gradient.
    centre, radius = np.array([3.6, 0.2, 2.0]), 0.07
    c = CAMERA.to_camera(centre)
    conic = np.outer(c, c) - (c @ c - radius**2) * np.eye(3)
    middle = np.linalg.solve(conic[:2, :2], -conic[:2, 2])
    outline = sphere_outline(CAMERA, centre, radius)
    np.testing.assert_allclose([outline.x_px, outline.y_px], 1150 * middle + [639.5, 359.5], atol=1e-4)
    # Off the axis the middle of the outline lies outside the projected centre.
    along = np.array([outline.x_px, outline.y_px]) - CAMERA.project(centre)
    assert along @ (CAMERA.project(centre) - [639.5, 359.5]) > 0
    # Area pi a b of the ellipse, from the conic's determinants.
    ratio = np.linalg.det(conic) / np.linalg.det(conic[:2, :2])
    area = math.pi * abs(ratio) / math.sqrt(np.linalg.det(conic[:2, :2]))
    assert outline.radius_px == pytest.approx(1150 * math.sqrt(area / math.pi), rel=1e-4)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_upright_pixels_follow_the_turned_picture(turns: int) -> None:
    # numpy's rot90 turns counter-clockwise, as a player does with that many quarter turns.
    camera = Camera(8, 6, 10.0, (0.0, -1.0, 0.0))
    picture = np.zeros((6, 8))
    picture[4, 1] = 1
    y, x = np.argwhere(np.rot90(picture, turns) == 1)[0]
    np.testing.assert_allclose(upright_px(np.array([1.0, 4.0]), camera, turns), [x, y])
