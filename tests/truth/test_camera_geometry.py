"""Lenses, homographies and markers against published pictures and numbers.

The pictures are those of the OpenCV documentation package (Debian ``opencv-doc`` 4.6.0, Apache-2.0 and
BSD-3-Clause). Where it is not installed, LOBSCOPE_OPENCV_DOC may name its ``examples/data`` folder.
"""

import os
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.board import Board, find_board
from calibration.lens import Lens, straighten
from calibration.lens_fit import CornerSet, calibrate_from_corners, calibrate_lens
from calibration.plane import plane_homography

DATA = Path(os.environ.get("LOBSCOPE_OPENCV_DOC", "/usr/share/doc/opencv-doc/examples/data"))
needs_pictures = pytest.mark.skipif(
    not (DATA / "left01.jpg").is_file(),
    reason="needs the chessboard pictures of opencv-doc (LOBSCOPE_OPENCV_DOC)",
)
PLACES = np.stack(np.meshgrid(np.arange(9), np.arange(6)), axis=-1).reshape(-1, 2) * 0.025  # 25 mm squares

# left_intrinsics.yml of the same package: 13 views, fixed aspect.
PUBLISHED = Lens(
    640,
    480,
    535.91573396,
    535.91573396,
    342.28315473,
    235.57082910,
    np.array([-0.26637261, -0.03858890, 0.00178319, -0.00028122, 0.23839153]),
    np.zeros((9, 9)),
    rms_px=0.39259099,
    views=13,
)


def pictures(side="left"):
    return [cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in sorted(DATA.glob(f"{side}[01][0-9].jpg"))]


def published_corners(luma):
    """Corners as the published calibration took them: a refining window of 11 px either way."""
    found, corners = cv2.findChessboardCorners(luma, (9, 6))
    assert found
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.001)
    return cv2.cornerSubPix(luma, corners, (11, 11), (-1, -1), stop).reshape(-1, 2).astype(float)


@pytest.fixture(scope="module")
def left():
    return calibrate_from_corners(
        [CornerSet(published_corners(p), PLACES) for p in pictures()], 640, 480, third=True
    )


@needs_pictures
def test_the_published_lens_is_found(left):
    """left_intrinsics.yml; the tolerances cover what versions of OpenCV differ by among themselves."""
    assert left.views == 13
    assert left.fx == pytest.approx(535.916, abs=1.0)
    assert left.fy == pytest.approx(535.916, abs=1.0)
    assert left.cx == pytest.approx(342.283, abs=1.0)
    assert left.cy == pytest.approx(235.571, abs=1.0)
    assert left.distortion[0] == pytest.approx(-0.26637, abs=0.003)
    assert 0.38 < left.rms_px < 0.42


@needs_pictures
def test_stated_uncertainties_are_opencvs_own(left):
    """cv2.calibrateCameraExtended computes the same standard deviations by other code."""
    nothing = None
    places = np.column_stack([PLACES, np.zeros(54)]).astype(np.float32)
    corners = [published_corners(p).astype(np.float32) for p in pictures()]
    made = cv2.calibrateCameraExtended([places] * 13, corners, (640, 480), nothing, nothing)
    np.testing.assert_allclose(np.sqrt(np.diag(left.covariance)), made[5].ravel()[:9], rtol=0.01)


@needs_pictures
def test_finer_corners_fit_better_than_the_published_ones():
    """A window that does not reach the neighbouring corners halves the published residual of 0.393 px."""
    lens = calibrate_lens(pictures(), corners=(9, 6), square_m=0.025)
    assert lens.views == 13
    assert lens.rms_px < 0.25
    assert lens.fx == pytest.approx(535.916, rel=0.01)


@needs_pictures
@pytest.mark.parametrize(
    ("name", "raw_mm", "straight_mm"), [("01", 1.325, 0.200), ("06", 2.087, 0.227), ("12", 1.662, 0.225)]
)
def test_what_a_lens_costs_a_plane(left, name, raw_mm, straight_mm):
    """Four outer corners carry all 54; numbers by OpenCV (undistortPoints, getPerspectiveTransform)."""
    corners = published_corners(cv2.imread(str(DATA / f"left{name}.jpg"), cv2.IMREAD_GRAYSCALE))
    places = PLACES * [1, -1]  # rows of the board run down, heights run up
    outer = [0, 8, 53, 45]
    # Some boards lie on their side; turning the pixels too changes no error, and puts their first row on top.
    down = np.array([1, 1j]) @ (corners[45] - corners[0])
    turn = 1j / (down / abs(down))
    c, s = turn.real, turn.imag
    for points, expected in ((corners, raw_mm), (straighten(left, corners), straight_mm)):
        level = points @ np.array([[c, s], [-s, c]])
        plane = plane_homography(level[outer], places[outer], 0.1)
        error_mm = 1000 * np.sqrt(np.mean(np.sum((plane.to_m(level) - places) ** 2, axis=1)))
        assert error_mm == pytest.approx(expected, abs=0.02)


def test_straightening_is_what_opencv_makes_of_the_published_lens():
    """cv2.undistortPoints, computed; its five rounds leave it up to 3 thousandths of a pixel short."""
    points = [[100, 100], [600, 440], [0, 0], [320, 240]]
    known = [
        [78.47779593, 87.59637941],
        [631.34337105, 464.29226445],
        [-46.45703792, -32.90859218],
        [319.9907667, 240.00016963],
    ]
    np.testing.assert_allclose(straighten(PUBLISHED, points), known, atol=0.004)
    K, stop = PUBLISHED.camera_matrix, (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 200, 1e-14)
    pixels = np.array(points, dtype=float)[:, None]
    if hasattr(cv2, "undistortPointsIter"):  # OpenCV 4; in 5 it is an argument
        converged = cv2.undistortPointsIter(pixels, K, PUBLISHED.distortion, None, K, stop)
    else:
        converged = cv2.undistortPoints(pixels, K, PUBLISHED.distortion, R=None, P=K, criteria=stop)
    np.testing.assert_allclose(straighten(PUBLISHED, points), converged[:, 0], atol=1e-8)


def test_heckberts_quadrilateral():
    """Unit square -> (1,1), (5,2), (4,6), (0,4), by hand.

    After P. Heckbert, Fundamentals of Texture Mapping and Image Warping (1989), 2.2.

    Its y axis runs like the square's, so heights are counted downward here to show it to a camera.
    """
    quad = np.array([[1.0, 1], [5, 2], [4, 6], [0, 4]]) * 100
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    flip = np.diag([1.0, -1.0, 1.0])
    plane = plane_homography(quad, square * [1, -1], 1.0)
    by_hand = np.diag([100, 100, 1]) @ np.array([[26 / 9, -1, 1], [5 / 9, 25 / 9, 1], [-2 / 9, -1 / 18, 1]])
    np.testing.assert_allclose(plane.H @ flip, by_hand, rtol=1e-9, atol=1e-7)
    np.testing.assert_allclose(plane.to_px([[0.5, -0.5]]), [[100 * 70 / 31, 100 * 96 / 31]], rtol=1e-9)


def test_a_published_homography():
    """H1to3p.xml: graffiti pair 1 -> 3, Mikolajczyk & Schmid; (400, 320) -> (383.633, 336.296)."""
    published = np.array(
        [
            [0.76285898, -0.29922929, 225.67123],
            [0.33443473, 1.0143901, -76.999973],
            [3.4663091e-4, -1.4364524e-5, 1.0],
        ]
    )
    here = np.array([[0.0, 0], [800, 0], [800, 640], [0, 640], [400, 320], [200, 500]])
    there = cv2.perspectiveTransform(here[:, None], published)[:, 0]
    plane = plane_homography(there, here * [1, -1], 0.5)
    np.testing.assert_allclose(plane.H @ np.diag([1.0, -1.0, 1.0]), published, rtol=1e-6)
    np.testing.assert_allclose(plane.to_px([[400, -320]]), [[383.633, 336.296]], atol=1e-3)
    assert plane.residual_px < 1e-6


@needs_pictures
@pytest.mark.parametrize(
    "name", ["singlemarkersoriginal.jpg", "choriginal.jpg", "board.jpg", "charucoboard.jpg"]
)
def test_photographs_of_other_markers_are_no_board(name):
    """In singlemarkersoriginal.jpg the dictionary used here reads a number that is not there."""
    folders = [DATA, *(DATA.parents[1] / "opencv4").glob("html"), *DATA.parents[1].glob("html")]
    found = [folder / name for folder in folders if (folder / name).is_file()]
    if not found:
        pytest.skip(f"needs {name} of opencv-doc")
    assert find_board(cv2.imread(str(found[0]), cv2.IMREAD_GRAYSCALE), Board()) is None
