"""What a reference says of the camera, solved by scipy and compared with the camera that pictured it."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from own_camera import Pinhole
from scipy.optimize import least_squares

from calibration.camera import LOG_SCALE, PARAMETERS, PITCH, ROLL, YAW, distance_m, to_plane
from calibration.errors import CalibrationError
from calibration.reference import CameraPrior, camera_prior
from calibration.values import CameraStatement, Picture, Reference, frozen

PICTURE = Picture(1280, 720)
FOCAL_PX = 0.87 * 1280  # what is expected of a phone, so that the prior pulls nowhere
CORNERS_M = np.array([[0.0, 0.0], [1.2, 0.0], [1.2, 0.8], [0.0, 0.8]])


def stick(camera: Pinhole, ends_m, **more) -> Reference:
    """A stick between two places (x, y, z), as the camera sees it."""
    ends = np.array(ends_m, dtype=float)
    length = float(np.linalg.norm(ends[1] - ends[0]))
    return Reference(frozen(camera.project(ends)), (1280, 720), length_m=length, **more)


def solved(prior: CameraPrior) -> tuple[np.ndarray, np.ndarray]:
    """Parameters that meet the rows best, and their covariance, by scipy."""
    found = least_squares(
        lambda theta: prior.rows(theta).residual,
        prior.start,
        jac=lambda theta: prior.rows(theta).jacobian,
        x_scale="jac",
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
    )
    return found.x, np.linalg.inv(found.jac.T @ found.jac)


def metres_per_px(theta, prior) -> float:
    """In the plane of flight, in the middle of the picture."""
    x = (to_plane(theta, prior.view, np.array([[639.0, 359.5], [640.0, 359.5]])) @ [1, 0]).real
    return float(x[1] - x[0])


def u_ln_scale(prior) -> float:
    """Relative standard uncertainty of metres a pixel in the middle of the picture, by differences."""
    theta, covariance = solved(prior)
    h = 1e-6
    gradient = [
        (math.log(metres_per_px(theta + d, prior)) - math.log(metres_per_px(theta - d, prior))) / (2 * h)
        for d in h * np.eye(PARAMETERS)
    ]
    return float(np.sqrt(np.array(gradient) @ covariance @ gradient))


# -- two points -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "ends_m",
    [
        [[-0.5, 0, 0.4], [0.7, 0, 0.4]],
        [[-0.5, 0, 0.2], [0.6, 0, 0.9]],
        [[0.3, 0, 0.1], [0.3, 0, 1.5]],
        [[0.6, 0, 1.2], [-0.4, 0, 0.5]],
    ],
)
def test_a_stick_however_it_leans_gives_the_scale(ends_m):
    camera = Pinhole(FOCAL_PX, place_m=(0.1, -4.0, 1.0))
    prior = camera_prior(PICTURE, stick(camera, ends_m, u_click_px=0.7), CameraStatement())
    theta, _ = solved(prior)
    assert metres_per_px(theta, prior) == pytest.approx(4.0 / FOCAL_PX, rel=1e-9)
    assert distance_m(theta, prior.view) == pytest.approx(4.0, rel=1e-6)
    np.testing.assert_allclose(theta[[YAW, PITCH, ROLL]], 0, atol=1e-9)
    assert prior.source == "length"


def test_the_order_of_the_points_does_not_matter():
    camera = Pinhole(FOCAL_PX, place_m=(0.1, -4.0, 1.0))
    forward = stick(camera, [[-0.5, 0, 0.2], [0.6, 0, 0.9]])
    backward = Reference(frozen(forward.points_px[::-1]), (1280, 720), length_m=forward.length_m)
    one, other = (camera_prior(PICTURE, r, CameraStatement()) for r in (forward, backward))
    np.testing.assert_allclose(solved(one)[0], solved(other)[0], atol=1e-9)
    # Heights count from the lower point: the left one here, whichever was pointed at first.
    for prior in (one, other):
        np.testing.assert_allclose(
            to_plane(solved(prior)[0], prior.view, forward.points_px[:1]), [[0, 0]], atol=1e-9
        )


def test_an_oblique_camera_meets_all_rows_but_those_that_expect_none():
    camera = Pinhole(FOCAL_PX, place_m=(0.0, -4.0, 1.0), yaw_rad=0.06, pitch_rad=-0.03, roll_rad=0.01)
    # The anchor, the lower end, is the world's origin.
    ends = np.array([[0.0, 0, 0], [1.1, 0, 0.3]])
    prior = camera_prior(PICTURE, stick(camera, ends, u_click_px=0.5), CameraStatement(distance_m=4.0))
    theta = np.array(prior.start)
    depth = camera.seen_from(ends[0])[0, 2]
    theta[:5] = math.log(FOCAL_PX / depth), 0.06, -0.03, 0.01, math.log(depth)
    theta[5:] = camera.project(ends[0])[0]
    rows = prior.rows(theta)
    of = {share[0][0]: [] for share in rows.shares}
    for share, residual in zip(rows.shares, rows.residual, strict=True):
        of[share[0][0]].append(residual)
    for name, residuals in of.items():
        if name in {"click", "distance"}:
            np.testing.assert_allclose(residuals, 0, atol=1e-9)
    # Priors of this page: yaw and pitch 0 +- 2 degrees; the level +- 1 degree, rectangular (JCGM 100, 4.3.7).
    assert of["yaw"] == pytest.approx([0.06 / math.radians(2)])
    assert of["pitch"] == pytest.approx([-0.03 / math.radians(2)])
    assert of["tilt"] == pytest.approx([0.01 / (math.radians(1) / math.sqrt(3))])


@pytest.mark.parametrize("offset_m", [0.5, -0.3])
@pytest.mark.parametrize("distance_m_", [3.0, 6.0])
def test_a_reference_behind_the_plane_is_brought_forward(offset_m, distance_m_):
    """Metres a pixel in the plane = those at the reference x Z / (Z + offset): similar triangles."""
    camera = Pinhole(FOCAL_PX, place_m=(0.0, -distance_m_, 1.0))
    reference = stick(camera, [[-0.5, offset_m, 1.0], [0.5, offset_m, 1.0]], offset_m=offset_m)
    prior = camera_prior(PICTURE, reference, CameraStatement(distance_m=distance_m_))
    theta, _ = solved(prior)
    at_reference = 1.0 / np.ptp(reference.points_px[:, 0])
    expected = at_reference * distance_m_ / (distance_m_ + offset_m)
    assert metres_per_px(theta, prior) == pytest.approx(expected, rel=1e-9)
    assert expected == pytest.approx(distance_m_ / FOCAL_PX, rel=1e-9)


def test_clicks_length_and_offset_are_carried_through():
    """u^2 = 2 (s / L)^2 for the clicks of both ends, (u_length / length)^2, (u_offset / (Z + offset))^2."""
    camera = Pinhole(FOCAL_PX, place_m=(0.0, -4.0, 1.0))
    ends = [[-0.6, 0.2, 1.0], [0.6, 0.2, 1.0]]  # round the middle, where turning the camera changes nothing
    span_px = 1.2 * FOCAL_PX / 4.2
    stated = CameraStatement(distance_m=4.0, u_distance_m=1e-9)
    for click, u_length, u_offset in [(1.0, 0, 0), (1e-6, 0.004, 0), (1e-6, 0, 0.05), (0.7, 0.003, 0.02)]:
        reference = stick(
            camera, ends, offset_m=0.2, u_click_px=click, u_length_m=u_length, u_offset_m=u_offset
        )
        prior = camera_prior(PICTURE, reference, stated)
        expected = math.sqrt(2 * (click / span_px) ** 2 + (u_length / 1.2) ** 2 + (u_offset / 4.2) ** 2)
        # The expected lens, known to 22 %, says something beside it: (0.012 / 0.22)^2 / 2 of it at most.
        assert u_ln_scale(prior) == pytest.approx(expected, rel=2e-3)


def test_another_picture_size_is_refused():
    reference = Reference(frozen([[10, 10], [400, 10]]), (1920, 1080), length_m=1.0)
    with pytest.raises(CalibrationError, match="1920 x 1080, but this clip shows 1280 x 720") as caught:
        camera_prior(PICTURE, reference, CameraStatement())
    assert caught.value.code == "picture_size"
    turned = Picture(1280, 720, quarter_turns=1)
    upright = Reference(frozen([[10, 10], [10, 400]]), (720, 1280), length_m=1.0)
    assert camera_prior(turned, upright, CameraStatement()).source == "length"


@pytest.mark.parametrize("points", [[[100, 100], [105, 104]], [[7, 7], [7, 7]]])
def test_a_reference_too_short_to_measure_with_is_refused(points):
    with pytest.raises(CalibrationError, match="too short to carry a scale") as caught:
        camera_prior(PICTURE, Reference(frozen(points), (1280, 720), length_m=0.1), CameraStatement())
    assert caught.value.code == "reference_short"


def test_without_a_reference_there_is_no_scale_but_a_camera():
    prior = camera_prior(PICTURE, None, CameraStatement())
    assert prior.source == "none"
    assert np.linalg.matrix_rank(prior.rows(prior.start).jacobian) < PARAMETERS


# -- level ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("roll_deg", [-3.0, 0.5, 4.0])
def test_a_plumb_line_gives_the_roll_with_its_sign(roll_deg):
    camera = Pinhole(FOCAL_PX, place_m=(0.0, -4.0, 1.0), roll_rad=math.radians(roll_deg))
    line = camera.project(np.array([[0.0, 0, 1.8], [0.0, 0, 0.2]]))
    reference = stick(camera, [[-0.5, 0, 0.5], [0.7, 0, 0.5]], u_click_px=0.7)
    for plumb in (line, line[::-1]):
        prior = camera_prior(PICTURE, reference, CameraStatement(plumb_px=frozen(plumb)))
        theta, covariance = solved(prior)
        assert math.degrees(theta[ROLL]) == pytest.approx(roll_deg, abs=1e-3)
        # Two clicks of 0.7 px on a line of 1.6 m at 4 m: u = sqrt(2) 0.7 / span. The line stands in the
        # middle, where nodding does not lean it.
        assert math.sqrt(covariance[ROLL, ROLL]) == pytest.approx(
            math.sqrt(2) * 0.7 / (1.6 * FOCAL_PX / 4), rel=0.02
        )


# -- four points and more -------------------------------------------------------------------------------


@pytest.mark.parametrize("offset_m", [0.0, 0.4])
def test_plane_points_find_an_oblique_camera(offset_m):
    camera = Pinhole(FOCAL_PX, place_m=(0.3, -3.5, 1.1), yaw_rad=0.25, pitch_rad=0.1, roll_rad=-0.05)
    world = np.column_stack([CORNERS_M[:, 0], np.full(4, offset_m), CORNERS_M[:, 1]])
    reference = Reference(
        frozen(camera.project(world)), (1280, 720), points_m=frozen(CORNERS_M), offset_m=offset_m
    )
    prior = camera_prior(PICTURE, reference, CameraStatement())
    theta, _ = solved(prior)
    assert prior.source == "plane"
    np.testing.assert_allclose(theta[[YAW, PITCH, ROLL]], [0.25, 0.1, -0.05], atol=1e-6)
    probe = np.array([[-0.4, 0, 0.2], [1.6, 0, 1.3], [0.5, 0, 0.9]])
    np.testing.assert_allclose(
        to_plane(theta, prior.view, camera.project(probe)), probe[:, [0, 2]], atol=1e-6
    )


def test_plane_points_measure_as_opencvs_homography_does():
    """Four exact points: a homography by OpenCV and a posed camera must agree everywhere in the plane."""
    camera = Pinhole(FOCAL_PX, place_m=(0.3, -3.5, 1.1), yaw_rad=-0.3, pitch_rad=0.05)
    px = camera.project(np.column_stack([CORNERS_M[:, 0], np.zeros(4), CORNERS_M[:, 1]]))
    H = cv2.getPerspectiveTransform(px.astype(np.float32), CORNERS_M.astype(np.float32))
    prior = camera_prior(
        PICTURE, Reference(frozen(px), (1280, 720), points_m=frozen(CORNERS_M)), CameraStatement()
    )
    probe = np.array([[300.0, 300.0], [700.0, 200.0], [640.0, 600.0]])
    expected = cv2.perspectiveTransform(probe[None], H)[0]
    # OpenCV takes the corners in single precision: 1e-4 px, some 1e-6 m.
    np.testing.assert_allclose(to_plane(solved(prior)[0], prior.view, probe), expected, atol=1e-5)


# -- derivatives ----------------------------------------------------------------------------------------

OBLIQUE = Pinhole(1200.0, place_m=(0.3, -3.5, 1.1), yaw_rad=0.05, pitch_rad=-0.04, roll_rad=0.02)
STICK = stick(OBLIQUE, [[-0.5, 0.1, 0.3], [0.6, 0.1, 0.7]], offset_m=0.1, u_length_m=0.002, u_offset_m=0.01)
POINTS = Reference(
    frozen(OBLIQUE.project(np.column_stack([CORNERS_M[:, 0], np.zeros(4), CORNERS_M[:, 1]]))),
    (1280, 720),
    points_m=frozen(CORNERS_M),
)
PLUMB = frozen([[640.0, 40.0], [645.0, 600.0]])
CASES = {
    "stick": (STICK, CameraStatement(), None),
    "stick, distance, plumb line": (STICK, CameraStatement(distance_m=3.5, plumb_px=PLUMB), None),
    "stick, lens": (STICK, CameraStatement(), (1210.0, 8.0)),
    "points": (POINTS, CameraStatement(), None),
    "points, distance": (POINTS, CameraStatement(distance_m=3.5), None),
    "nothing": (None, CameraStatement(), None),
}


@pytest.mark.parametrize("case", CASES, ids=str)
def test_every_row_has_its_derivative_and_its_shares(case):
    reference, statement, focal = CASES[case]
    prior = camera_prior(PICTURE, reference, statement, focal_px=focal)
    rng = np.random.default_rng(4)
    theta = prior.start + rng.normal(0, 1, PARAMETERS) * [0.02, 0.03, 0.03, 0.02, 0.03, 1.0, 1.0]
    rows = prior.rows(theta)
    assert rows.jacobian.shape == (len(rows.residual), PARAMETERS)
    assert len(rows.shares) == len(rows.residual)
    h = 1e-6
    for k in range(PARAMETERS):
        step = h * np.eye(PARAMETERS)[k]
        numeric = (prior.rows(theta + step).residual - prior.rows(theta - step).residual) / (2 * h)
        np.testing.assert_allclose(rows.jacobian[:, k], numeric, rtol=1e-5, atol=1e-4)
    for share in rows.shares:
        assert sum(part for _, part in share) == pytest.approx(1.0)
        assert all(part > -1e-12 for _, part in share)


def test_a_scale_moves_with_its_click():
    """A stick whose end is taken 3 px farther out makes a metre larger by 3 / span."""
    camera = Pinhole(FOCAL_PX, place_m=(0.0, -4.0, 1.0))
    honest = stick(camera, [[-0.6, 0, 1.0], [0.6, 0, 1.0]])
    span = np.ptp(honest.points_px[:, 0])
    longer = Reference(frozen(honest.points_px + np.array([[0, 0], [3.0, 0]])), (1280, 720), length_m=1.2)
    scales = [solved(camera_prior(PICTURE, r, CameraStatement()))[0][LOG_SCALE] for r in (honest, longer)]
    assert scales[1] - scales[0] == pytest.approx(math.log1p(3 / span), rel=1e-3)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
@pytest.mark.parametrize("ln_scale", [400.0, 800.0])
def test_a_camera_gone_astray_has_no_value_and_no_error(ln_scale):
    camera = Pinhole(FOCAL_PX, place_m=(0.1, -4.0, 1.0))
    prior = camera_prior(PICTURE, stick(camera, [[0, 0, 0], [1, 0, 0]]), CameraStatement())
    astray = prior.start.copy()
    astray[LOG_SCALE] = ln_scale
    assert not np.isfinite(prior.rows(astray).residual).all()
