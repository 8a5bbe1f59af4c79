"""Homographies of made pictures of known truth, and what is said about points that cannot carry one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.errors import CalibrationError
from calibration.plane import plane_homography

RECTANGLE_M = np.array([[0, 0], [1.2, 0], [1.2, 0.8], [0, 0.8]])


def pinhole(xz_m, *, yaw_rad=0.2, pitch_rad=0.1, distance_m=3.0, f_px=1200.0, mirror=1.0):
    """Pixels of places in the plane y = 0 for a camera turned by yaw and pitch: plain matrix algebra."""
    xz = np.asarray(xz_m, dtype=float)
    world = np.column_stack([mirror * (xz[:, 0] - 0.6), np.zeros(len(xz)), xz[:, 1] - 0.4])
    cy, sy, cp, sp = np.cos(yaw_rad), np.sin(yaw_rad), np.cos(pitch_rad), np.sin(pitch_rad)
    turn = np.array([[1, 0, 0], [0, cp, -sp], [0, sp, cp]]) @ np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    camera = np.column_stack([world[:, 0], -world[:, 2], world[:, 1]]) @ turn.T + [0, 0, distance_m]
    return np.column_stack(
        [f_px * camera[:, 0] / camera[:, 2] + 640, f_px * camera[:, 1] / camera[:, 2] + 360]
    )


def test_an_oblique_camera_measures_in_the_plane():
    plane = plane_homography(pinhole(RECTANGLE_M), RECTANGLE_M, 1.0)
    rng = np.random.default_rng(1)
    places = rng.uniform([-1, -0.5], [2, 1.5], (200, 2))
    assert np.abs(plane.to_m(pinhole(places)) - places).max() < 1e-9
    assert np.abs(plane.to_px(places) - pinhole(places)).max() < 1e-6
    assert plane.residual_px == 0.0


@settings(max_examples=40, deadline=None)
@given(yaw=st.floats(-0.7, 0.7), pitch=st.floats(-0.4, 0.4), x=st.floats(-0.5, 1.7), z=st.floats(-0.3, 1.1))
def test_metres_to_pixels_to_metres_is_the_identity(yaw, pitch, x, z):
    plane = plane_homography(pinhole(RECTANGLE_M, yaw_rad=yaw, pitch_rad=pitch), RECTANGLE_M, 1.0)
    assert np.abs(plane.to_m(plane.to_px([[x, z]])) - [[x, z]]).max() < 1e-9


def test_slopes_are_the_derivatives():
    plane = plane_homography(pinhole(RECTANGLE_M), RECTANGLE_M, 1.0)
    at = np.array([[0.3, 0.9], [-0.4, 0.1]])
    step = 1e-6
    for axis in (0, 1):
        e = np.eye(2)[axis] * step
        numeric = (plane.to_px(at + e) - plane.to_px(at - e)) / (2 * step)
        np.testing.assert_allclose(plane.slopes(at)[:, :, axis], numeric, rtol=1e-6, atol=1e-5)


@pytest.mark.parametrize(
    "points_m", [RECTANGLE_M, np.vstack([RECTANGLE_M, [[0.6, 0.0], [0.6, 0.8], [0.5, 0.4]]])]
)
def test_the_stated_uncertainty_is_the_scatter(points_m):
    """1500 clickings: the spread of mapped places is the stated one within 8 %, 4 sd of a sample sd."""
    rng = np.random.default_rng(2)
    truth_px = pinhole(points_m)
    probe_px = pinhole([[0.6, 0.4], [2.0, 1.5]])
    u_px = 0.8
    stated = plane_homography(truth_px, points_m, u_px).u_at(probe_px)
    seen = np.array(
        [
            plane_homography(truth_px + rng.normal(0, u_px, truth_px.shape), points_m, 10 * u_px).to_m(
                probe_px
            )
            for _ in range(1500)
        ]
    )
    np.testing.assert_allclose(seen.std(axis=0), stated, rtol=0.08)


def test_uncertainty_grows_outside_the_reference():
    plane = plane_homography(pinhole(RECTANGLE_M), RECTANGLE_M, 1.0)
    u = np.hypot(*plane.u_at(pinhole([[0.6, 0.4], [2.0, 0.4], [4.0, 0.4]])).T)
    assert u[0] < u[1] < u[2]
    assert u[1] > 2 * u[0]


def test_correlated_pixels_count_for_less():
    truth = pinhole(RECTANGLE_M)
    shared = np.kron(np.ones((4, 4)), np.eye(2)) + 1e-6 * np.eye(8)
    plane = plane_homography(truth, RECTANGLE_M, 1.0, covariance_px=shared)
    lengths = plane.sensitivity(pinhole([[0, 0], [1.2, 0]]))
    difference = lengths[1] - lengths[0]
    u_length = np.sqrt((difference @ plane.covariance @ difference.T)[0, 0])
    # All points shifted together change lengths by perspective only: far less than 1 px = 2.5 mm each.
    assert u_length < 0.0006


def test_a_misfit_beyond_the_clicks_grows_the_uncertainty():
    points_m = np.vstack([RECTANGLE_M, [[0.6, 0.0], [0.6, 0.8]]])
    rng = np.random.default_rng(3)
    px = pinhole(points_m) + rng.normal(0, 2.0, (6, 2))
    small = plane_homography(pinhole(points_m), points_m, 0.5)
    grown = plane_homography(px, points_m, 0.5)
    assert grown.residual_px > 0.5
    assert np.all(grown.u_at([[640, 360]]) > 1.5 * small.u_at([[640, 360]]))


def test_a_throw_to_the_left_may_count_to_the_left():
    plane = plane_homography(pinhole(RECTANGLE_M, mirror=-1.0), RECTANGLE_M, 1.0)
    assert np.linalg.det(plane.slopes([[0.6, 0.4]])[0]) > 0
    np.testing.assert_allclose(plane.to_m(pinhole([[0.2, 0.3]], mirror=-1.0)), [[0.2, 0.3]], atol=1e-9)


def test_above_the_horizon_there_is_no_place():
    floor_like = plane_homography(pinhole(RECTANGLE_M, yaw_rad=0.7), RECTANGLE_M, 1.0)
    horizon_x = -(floor_like.H[2, 2] + 0.4 * floor_like.H[2, 1]) / floor_like.H[2, 0]
    assert np.all(np.isnan(floor_like.to_px([[horizon_x * 1.01, 0.4]])))


@pytest.mark.parametrize(
    ("order", "message"),
    [
        ([1, 0, 2, 3], "points 1 and 2 seem to be exchanged|points 3 and 4 seem to be exchanged"),
        ([0, 2, 1, 3], "points 2 and 3 seem to be exchanged|points 1 and 4 seem to be exchanged"),
        ([3, 2, 1, 0], "up points down"),
        ([1, 2, 3, 0], "up points sideways"),
    ],
)
def test_a_bad_order_is_named(order, message):
    with pytest.raises(CalibrationError, match=message) as caught:
        plane_homography(pinhole(RECTANGLE_M)[order], RECTANGLE_M, 1.0)
    assert caught.value.code == "reference_order"


@pytest.mark.parametrize(
    ("points_m", "message"),
    [
        (RECTANGLE_M[:3], "four reference points or more, and there are 3"),
        ([[0, 0], [1, 0], [0.5, 0.0], [0, 0.8]], "1, 2 and 3 lie in one line"),
        ([[0, 0], [1, 0], [0, 0.0], [0, 0.8]], "1 and 3 are the same point of the picture"),
        ([[0, 0], [1, 0], [2, 0], [3, 0], [1, 1]], "all but one of the reference points lie in one line"),
        ([[i, 0] for i in range(11)] + [[1, 1]], "all but one of the reference points lie in one line"),
    ],
)
def test_degenerate_points_are_named(points_m, message):
    with pytest.raises(CalibrationError, match=message):
        plane_homography(pinhole(points_m), points_m, 1.0)


def test_same_place_twice_and_missing_places_are_named():
    px = pinhole(RECTANGLE_M)
    with pytest.raises(CalibrationError, match="2 and 3 have the same place in metres"):
        plane_homography(px, [[0, 0], [1, 0], [1, 0], [0, 1]], 1.0)
    with pytest.raises(CalibrationError, match="4 reference points in the picture but 3 places"):
        plane_homography(px, RECTANGLE_M[:3], 1.0)
    with pytest.raises(CalibrationError, match="not a number"):
        plane_homography(px, [[0, 0], [1, 0], [1, np.nan], [0, 1]], 1.0)


def test_shapes_that_no_camera_turns_into_one_another_are_refused():
    dented_px = np.array([[300.0, 600], [900, 600], [500, 500], [300, 200]])
    with pytest.raises(CalibrationError, match="different shape"):
        plane_homography(dented_px, RECTANGLE_M, 1.0)


def test_a_wrong_point_among_many_is_named():
    points_m = np.vstack([RECTANGLE_M, [[0.6, 0.0], [0.6, 0.8]]])
    px = pinhole(points_m)
    px[4] += [40, 25]
    with pytest.raises(CalibrationError, match="point 5 looks wrong") as caught:
        plane_homography(px, points_m, 1.0)
    assert caught.value.code == "reference_wrong_point"
