"""Points of known place before an oblique camera: the pose comes back, and bad points are named."""

from __future__ import annotations

import math

import numpy as np
import pytest
from own_camera import Pinhole

from calibration.board_layout import Board, StandingBoard
from calibration.camera import PITCH, ROLL, YAW, distance_m, focal_px, to_plane
from calibration.errors import CalibrationError
from calibration.reference import camera_prior
from calibration.rows import joined, met
from calibration.values import CameraStatement, Picture, PlanePoints, Reference, frozen

PICTURE = Picture(1280, 720)
CORNERS_M = np.array([[0.2, 0.1], [1.4, 0.1], [1.4, 0.9], [0.2, 0.9]])
NOTHING = CameraStatement()


def oblique(yaw_deg=25.0, pitch_deg=5.0, roll_deg=0.0, focal_px=1100.0):
    yaw = math.radians(yaw_deg)
    return Pinhole(
        focal_px,
        place_m=(0.8 - 4 * math.sin(yaw), -4 * math.cos(yaw), 1.1),
        yaw_rad=yaw,
        pitch_rad=math.radians(pitch_deg),
        roll_rad=math.radians(roll_deg),
    )


def seen(camera, corners_m=CORNERS_M, offset_m=0.0):
    return camera.project(
        np.column_stack([corners_m[:, 0], np.full(len(corners_m), offset_m), corners_m[:, 1]])
    )


def reference(px, corners_m=CORNERS_M, **more):
    return Reference(frozen(px), (1280, 720), points_m=frozen(corners_m), u_click_px=0.5, **more)


@pytest.mark.parametrize("yaw_deg", [0.0, 25.0, -25.0, 40.0])
@pytest.mark.parametrize(("pitch_deg", "roll_deg"), [(5.0, 0.0), (-12.0, 3.0)])
def test_the_camera_stands_where_it_does(yaw_deg, pitch_deg, roll_deg):
    """Exact points: all turns to 0.6 degrees, which is what the unknown focal length leaves open."""
    camera = oblique(yaw_deg, pitch_deg, roll_deg)
    found = camera_prior(PICTURE, reference(seen(camera)), NOTHING)
    theta = found.start
    turned = np.degrees([theta[YAW], theta[PITCH], theta[ROLL]])
    assert turned == pytest.approx([yaw_deg, pitch_deg, roll_deg], abs=0.6)
    # Where points of the plane are in the picture is right even outside the reference: to 2 cm in 2 m.
    far = np.array([[-0.6, 0.4], [1.9, 1.5], [0.8, 2.0]])
    assert to_plane(theta, found.view, seen(camera, far)) == pytest.approx(far, abs=0.02)


def test_a_known_focal_length_leaves_nothing_open():
    camera = oblique()
    found = camera_prior(PICTURE, reference(seen(camera)), NOTHING, focal_px=(1100.0, 0.5))
    assert np.degrees(found.start[[YAW, PITCH, ROLL]]) == pytest.approx([25.0, 5.0, 0.0], abs=0.02)
    assert focal_px(found.start) == pytest.approx(1100.0, rel=1e-3)
    assert distance_m(found.start, found.view) == pytest.approx(4 * math.cos(math.radians(25)), rel=1e-3)


def test_points_behind_the_plane_of_flight():
    camera = oblique()
    behind = reference(seen(camera, offset_m=0.5), offset_m=0.5, u_offset_m=0.01)
    found = camera_prior(PICTURE, behind, NOTHING, focal_px=(1100.0, 0.5))
    at = np.array([[0.5, 0.6], [1.2, 1.4]])
    assert to_plane(found.start, found.view, seen(camera, at)) == pytest.approx(at, abs=2e-3)


def test_places_may_be_counted_to_the_left():
    """Whoever launches to the left counts along the launch; heights and distances stay the same."""
    camera = oblique(-20.0)
    mirrored = CORNERS_M * [-1.0, 1.0]
    there = camera_prior(PICTURE, reference(seen(camera)), NOTHING)
    back = camera_prior(PICTURE, reference(seen(camera), mirrored), NOTHING)
    assert back.start == pytest.approx(np.asarray(there.start), abs=1e-6)


BAD = [
    ([0, 1, 3, 2], "reference_order", "exchanged"),
    ([3, 2, 1, 0], "reference_order", "up points down"),
    ([1, 2, 3, 0], "reference_order", "up points sideways"),
]


@pytest.mark.parametrize(("order", "code", "words"), BAD)
def test_a_bad_order_is_named(order, code, words):
    with pytest.raises(CalibrationError, match=words) as caught:
        camera_prior(PICTURE, reference(seen(oblique())[order]), NOTHING)
    assert caught.value.code == code
    assert caught.value.advice


@pytest.mark.parametrize(
    ("corners_m", "words"),
    [
        ([[0, 0], [0.5, 0], [1, 0], [1, 0.8]], "1, 2 and 3 lie in one line"),
        ([[0, 0], [0.5, 0.001], [1, 0], [1.5, 0.0]], "lie in one line"),
    ],
)
def test_points_in_one_line_are_named(corners_m, words):
    corners = np.array(corners_m)
    with pytest.raises(CalibrationError, match=words) as caught:
        camera_prior(PICTURE, reference(seen(oblique(), corners), corners), NOTHING)
    assert caught.value.code == "reference_degenerate"


def test_a_point_that_the_others_contradict_is_named():
    corners = np.vstack([CORNERS_M, [[0.8, 0.5], [0.8, 0.9]]])
    px = seen(oblique(), corners)
    px[4] += [25, -10]
    with pytest.raises(CalibrationError, match="point 5 looks wrong"):
        camera_prior(PICTURE, reference(px, corners), NOTHING)


def scatter(prior, function, names):
    """Standard uncertainty of a function of the camera by the rows alone, and by the shares named."""
    theta = prior.start
    rows = prior.rows(theta)
    gain = np.linalg.pinv(rows.jacobian)
    h = 1e-6
    slope = np.array([(function(theta + h * e) - function(theta - h * e)) / (2 * h) for e in np.eye(7)])
    parts = np.array([sum(part for name, part in share if name in names) for share in rows.shares])
    return float(np.sqrt((slope @ gain) ** 2 @ parts))


def log_span(prior):
    ends = np.array([[500.0, 400.0], [800.0, 400.0]])

    def function(theta):
        a, b = to_plane(theta, prior.view, ends)
        return math.log(math.hypot(*(b - a)))

    return function


def test_a_wrong_print_is_a_wrong_scale():
    """A relative error of all lengths is one of the scale, whole and nothing else.

    To 5 %: where two causes share a row, their parts of it are told apart by its direction only.
    """
    corners = seen(oblique(0, 0))
    points = PlanePoints(corners, CORNERS_M, np.eye(8) * 0.02**2, 0.013, 1)
    prior = camera_prior(
        PICTURE, None, NOTHING, focal_px=(1100.0, 0.01), board=(StandingBoard(Board()), points)
    )
    assert scatter(prior, log_span(prior), {"length"}) == pytest.approx(0.013, rel=0.05)
    assert scatter(prior, lambda theta: theta[ROLL], {"length"}) < 1e-4


def test_a_wrong_offset_is_a_wrong_scale():
    """d ln scale = u / Z (pinhole), 20 mm at 4 m."""
    prior = camera_prior(
        PICTURE, reference(seen(oblique(0, 0)), u_offset_m=0.02), NOTHING, focal_px=(1100.0, 0.01)
    )
    assert scatter(prior, log_span(prior), {"offset"}) == pytest.approx(0.02 / 4, rel=0.05)


def test_the_stated_scatter_is_what_clicks_do():
    """Three hundred times clicked: scale and tilt scatter as the rows say, to 15 % (three sd of an sd)."""
    camera, rng = oblique(), np.random.default_rng(7)
    exact = camera_prior(PICTURE, reference(seen(camera)), NOTHING, focal_px=(1100.0, 0.5))
    spans, rolls = [], []
    for _ in range(300):
        px = seen(camera) + rng.normal(0, 0.5, (4, 2))
        found = camera_prior(PICTURE, reference(px), NOTHING, focal_px=(1100.0, 0.5))
        spans.append(log_span(found)(found.start))
        rolls.append(found.start[ROLL])
    assert np.std(spans) == pytest.approx(scatter(exact, log_span(exact), {"click"}), rel=0.15)
    assert np.std(rolls) == pytest.approx(scatter(exact, lambda t: t[ROLL], {"click"}), rel=0.15)


def test_a_board_takes_the_references_place():
    camera, board = oblique(20.0, 3.0), Board()
    places = board.corners_m().mean(axis=1) + np.array([0.6, 0.4])
    points = PlanePoints(seen(camera, places), places, np.eye(2 * len(places)) * 0.02**2, 0.002, 9)
    found = camera_prior(
        PICTURE, None, NOTHING, focal_px=(1100.0, 0.5), board=(StandingBoard(board, 0.0, 0.01), points)
    )
    assert found.source == "board"
    assert np.degrees(found.start[[YAW, PITCH]]) == pytest.approx([20.0, 3.0], abs=0.1)
    names = {name for share in found.rows(found.start).shares for name, part in share if part > 1e-9}
    assert {"board", "length", "offset", "yaw", "pitch", "tilt"} <= names


def test_shares_of_every_row_add_up():
    prior = camera_prior(PICTURE, reference(seen(oblique()), u_length_m=0.002, u_offset_m=0.01), NOTHING)
    for share in prior.rows(prior.start).shares:
        assert sum(part for _, part in share) == pytest.approx(1.0)
        assert all(part >= -1e-12 for _, part in share)


def test_the_damped_descent_finds_the_least_squares():
    """From far away it comes back to where the camera stands, and exact points leave nothing over."""
    prior = camera_prior(PICTURE, reference(seen(oblique())), NOTHING)
    away = prior.start + np.array([0.1, 0.2, -0.1, 0.05, 0.1, 20.0, -10.0])
    found = met([prior.rows], away)
    assert found == pytest.approx(np.asarray(prior.start), abs=1e-4)
    assert joined([prior.rows], found).residual @ joined([prior.rows], found).residual < 1.0
