"""The camera against a pinhole written from first principles, against OpenCV, and against itself."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from own_camera import Pinhole, polygon

from calibration.camera import (
    ANCHOR_X,
    ANCHOR_Y,
    LOG_DEPTH,
    LOG_SCALE,
    PARAMETERS,
    PITCH,
    ROLL,
    YAW,
    View,
    distance_m,
    focal_px,
    outline_radius_px,
    project,
    project_with_derivatives,
    to_plane,
)
from calibration.values import frozen

ANCHOR_M = np.array([-0.6, 0.3, 0.2])
CAMERAS = [
    Pinhole(),
    Pinhole(1450.0, (640.0, 361.0), (0.4, -3.0, 1.3), 0.17, -0.08, 0.03),
    Pinhole(700.0, (300.0, 500.0), (-1.0, -2.5, 0.2), -0.35, 0.2, -0.4),
]
POINTS_M = np.array([[-1.2, 0.0, 0.1], [0.1, 0.0, 1.2], [0.9, 0.2, 1.6], [1.3, -0.3, 0.4]])
RADIUS_M = 0.11

angles = st.floats(-0.4, 0.4)
cameras = st.builds(
    Pinhole,
    st.floats(500, 2500),
    st.tuples(st.floats(400, 900), st.floats(200, 700)),
    st.tuples(st.floats(-1, 1), st.floats(-6, -2.5), st.floats(0, 2)),
    angles,
    angles,
    angles,
)


def parameters_of(camera: Pinhole) -> tuple[np.ndarray, View]:
    """The package's parameters for a camera, from their definitions."""
    theta = np.zeros(PARAMETERS)
    depth = camera.seen_from(ANCHOR_M)[0, 2]
    theta[LOG_SCALE], theta[LOG_DEPTH] = np.log(camera.focal_px / depth), np.log(depth)
    theta[YAW], theta[PITCH], theta[ROLL] = camera.yaw_rad, camera.pitch_rad, camera.roll_rad
    theta[ANCHOR_X], theta[ANCHOR_Y] = camera.project(ANCHOR_M)[0]
    return theta, View(*camera.centre_px, frozen(ANCHOR_M))


@settings(max_examples=60, deadline=None)
@given(cameras)
def test_points_stand_where_a_pinhole_shows_them(camera):
    theta, view = parameters_of(camera)
    np.testing.assert_allclose(project(theta, view, POINTS_M), camera.project(POINTS_M), rtol=0, atol=1e-7)
    assert focal_px(theta) == pytest.approx(camera.focal_px, rel=1e-12)


@pytest.mark.parametrize("camera", CAMERAS)
def test_points_stand_where_opencv_puts_them(camera):
    turn = camera.axes()
    turn_vector = cv2.Rodrigues(turn)[0]
    shift = -turn @ np.array(camera.place_m)
    expected = cv2.projectPoints(POINTS_M, turn_vector, shift, camera.matrix(), None)[0][:, 0]
    np.testing.assert_allclose(project(*parameters_of(camera), POINTS_M), expected, rtol=0, atol=1e-7)


@pytest.mark.parametrize("camera", CAMERAS)
def test_outlines_are_those_of_a_cone_of_tangents(camera):
    """20,000 places round the circle of contact; their polygon misses 2e-8 of the area."""
    theta, view = parameters_of(camera)
    centres, radii = (
        project(theta, view, POINTS_M, RADIUS_M),
        outline_radius_px(theta, view, POINTS_M, RADIUS_M),
    )
    for point, centre, radius in zip(POINTS_M, centres, radii, strict=True):
        expected, area = polygon(camera.touching_circle(point, RADIUS_M))
        np.testing.assert_allclose(centre, expected, rtol=0, atol=1e-5)
        assert radius == pytest.approx(np.sqrt(area / np.pi), rel=1e-7)
        # The check would see a camera that takes the middle of the ball for the middle of its outline.
        assert np.hypot(*(camera.project(point)[0] - expected)) > 1e-3


@settings(max_examples=60, deadline=None)
@given(cameras, st.floats(0.01, 0.4))
def test_outlines_are_those_of_the_conic(camera, radius):
    theta, view = parameters_of(camera)
    centre, mean_radius = camera.outline(POINTS_M, radius)
    np.testing.assert_allclose(project(theta, view, POINTS_M, radius), centre, rtol=0, atol=1e-6)
    np.testing.assert_allclose(outline_radius_px(theta, view, POINTS_M, radius), mean_radius, rtol=1e-9)


@settings(max_examples=80, deadline=None)
@given(cameras, st.floats(-1.2, 1.2), st.floats(0, 2), st.floats(-0.3, 0.8))
def test_the_plane_is_the_way_back(camera, x, z, y):
    theta, view = parameters_of(camera)
    seen = camera.project(np.array([x, y, z]))
    np.testing.assert_allclose(to_plane(theta, view, seen, y), [[x, z]], rtol=0, atol=1e-9)


@pytest.mark.parametrize("camera", CAMERAS)
@pytest.mark.parametrize("y_m", [0.0, 0.5])
def test_distance_is_square_to_the_plane(camera, y_m):
    assert distance_m(*parameters_of(camera), y_m) == pytest.approx(y_m - camera.place_m[1], rel=1e-12)


@pytest.mark.parametrize("camera", CAMERAS)
@pytest.mark.parametrize("radius_m", [0.0, RADIUS_M])
def test_derivatives_are_differences(camera, radius_m):
    theta, view = parameters_of(camera)
    places, by_theta, by_point = project_with_derivatives(theta, view, POINTS_M, radius_m)
    np.testing.assert_array_equal(places, project(theta, view, POINTS_M, radius_m))
    h = 1e-6
    for k in range(PARAMETERS):
        step = h * np.eye(PARAMETERS)[k]
        numeric = project(theta + step, view, POINTS_M, radius_m) - project(
            theta - step, view, POINTS_M, radius_m
        )
        np.testing.assert_allclose(by_theta[:, :, k], numeric / (2 * h), rtol=1e-6, atol=2e-6)
    for k in range(3):
        step = h * np.eye(3)[k]
        numeric = project(theta, view, POINTS_M + step, radius_m) - project(
            theta, view, POINTS_M - step, radius_m
        )
        np.testing.assert_allclose(by_point[:, :, k], numeric / (2 * h), rtol=1e-6, atol=2e-6)


@pytest.mark.parametrize("camera", CAMERAS)
def test_scale_and_depth_at_the_anchor_are_parameters_apart(camera):
    """A nearer camera with a wider lens shows what is as far as the anchor in the same size."""
    theta, view = parameters_of(camera)
    around = ANCHOR_M + np.vstack([np.zeros(3), camera.axes()[:2]])  # one metre right and down
    for change in (0.0, -0.3, 0.2):
        theta[LOG_DEPTH] += change
        right, down = np.diff(project(theta, view, around)[[1, 0, 2]], axis=0) * [[-1], [1]]
        np.testing.assert_allclose(right, [np.exp(theta[LOG_SCALE]), 0], atol=1e-9)
        np.testing.assert_allclose(down, [0, np.exp(theta[LOG_SCALE])], atol=1e-9)
