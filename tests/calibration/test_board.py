"""Printed boards in made pictures: found, measured to hundredths of a pixel, and not seen elsewhere."""

import cv2
import numpy as np
import pytest
from board_pictures import centres_px, film, scale_px_m

from calibration.board import Board, find_board, marker_bits, plane_points
from calibration.errors import CalibrationError
from calibration.plane import plane_homography

BOARD = Board()


def measured_scale(sightings, board, H):
    """Scale at the board's middle over the true one, and its stated relative uncertainty."""
    points = plane_points(sightings, board)
    plane = plane_homography(points.points_px, points.points_m, 0.3, covariance_px=points.covariance_px)
    middle = board.corners_m().reshape(-1, 2).mean(axis=0)
    true = scale_px_m(H @ np.diag([1000 / board.print_scale, 1000 / board.print_scale, 1]), middle)
    return scale_px_m(plane.H, middle) / true


def scenes(number, seed):
    """Blurred and noisy boards at 3 to 6 m, turned by up to 45 degrees, markers 20 px wide or more."""
    rng = np.random.default_rng(seed)
    made = 0
    while made < number:
        large = rng.random() < 0.4
        f_px, size = (1800.0, (1920, 1080)) if large else (1200.0, (1280, 720))
        board = Board(marker_mm=float(rng.choice([64.0, 100.0])))
        distance, yaw = rng.uniform(3, 6), np.radians(rng.uniform(0, 45)) * rng.choice([-1, 1])
        if f_px / distance * board.marker_mm / 1000 * np.cos(yaw) < 20:
            continue
        made += 1
        yield (
            board,
            *film(
                board,
                rng,
                f_px=f_px,
                size=size,
                distance_m=distance,
                turn_rad=(rng.uniform(-0.12, 0.12), yaw, rng.uniform(-0.08, 0.08)),
                aside_m=(rng.uniform(-0.7, 0.7), rng.uniform(-0.4, 0.4)),
                blur_px=rng.uniform(0.4, 1.6),
                noise=rng.uniform(1, 8),
                tone=rng.choice([0.6, 1.0]),
                levels=(rng.choice([20, 60]), rng.choice([130, 200])),
            ),
        )


def test_a_board_is_found_and_its_scale_is_right():
    """At least 95 % found; a single picture's scale within 0.3 % (95 of 100, as an interval goes)."""
    found, ratios, in_u = 0, [], []
    for board, luma, H in scenes(40, seed=11):
        sighting = find_board(luma, board)
        if sighting is None:
            continue
        found += 1
        assert len(sighting.marker) == board.markers
        off = sighting.centres_px - centres_px(board, H)[sighting.marker]
        assert np.abs(off).max() < 0.25
        in_u.append(off / sighting.u_px[:, None])
        ratios.append(measured_scale([sighting], board, H))
    assert found >= 38
    assert np.percentile(np.abs(np.array(ratios) - 1), 95) < 0.003
    assert 0.6 < np.sqrt(np.mean(np.concatenate(in_u) ** 2)) < 1.7


@pytest.mark.parametrize("yaw_deg", [0, 25, 45])
def test_many_pictures_are_better_than_one(yaw_deg):
    rng = np.random.default_rng(2)
    pictures = [
        film(
            BOARD,
            rng,
            distance_m=3.0,
            turn_rad=(0.05, np.radians(yaw_deg), 0.02),
            aside_m=(0.3, 0.1),
            noise=6.0,
        )
        for _ in range(6)
    ]
    sightings = [find_board(luma, BOARD) for luma, _ in pictures]
    assert None not in sightings
    assert measured_scale(sightings, BOARD, pictures[0][1]) == pytest.approx(1.0, abs=0.001)
    one, all_six = plane_points(sightings[:1], BOARD), plane_points(sightings, BOARD)
    assert all_six.pictures == 6
    assert np.trace(all_six.covariance_px) < np.trace(one.covariance_px)
    # What no averaging removes stays: six times the pictures are not six times surer.
    assert np.trace(all_six.covariance_px) > 0.5 * len(all_six.covariance_px) * 0.02**2


def test_dark_ink_that_shrinks_does_not_change_the_scale():
    """A phone's tone curve moves every edge toward the dark; the middles of the markers stay."""
    rng = np.random.default_rng(3)
    luma, H = film(BOARD, rng, distance_m=3.0, blur_px=1.3, tone=0.45, levels=(8, 250), noise=1.0)
    assert measured_scale([find_board(luma, BOARD)], BOARD, H) == pytest.approx(1.0, abs=0.001)


def test_a_hidden_part_is_left_out():
    rng = np.random.default_rng(4)
    luma, H = film(BOARD, rng, distance_m=2.0)
    truth = centres_px(BOARD, H)
    cv2.circle(luma, tuple(int(v) for v in truth[3]), 24, 170, -1)
    sighting = find_board(luma, BOARD)
    assert sighting.marker.tolist() == [0, 1, 2, 4, 5]
    assert np.abs(sighting.centres_px - truth[sighting.marker]).max() < 0.05


def test_few_markers_fall_back_on_corners():
    rng = np.random.default_rng(5)
    board = Board(marker_mm=100.0)
    assert board.markers == 2
    luma, H = film(board, rng, distance_m=3.0)
    points = plane_points([find_board(luma, board)], board)
    assert points.points_px.shape == (8, 2)
    assert measured_scale([find_board(luma, board)], board, H) == pytest.approx(1.0, abs=0.003)


def test_several_sheets_and_what_joining_them_costs():
    rng = np.random.default_rng(6)
    board = Board(sheets_across=2, marker_mm=64.0)
    luma, H = film(board, rng, distance_m=3.0, turn_rad=(0, 0.3, 0))
    sighting = find_board(luma, board)
    assert len(sighting.marker) == 12
    assert measured_scale([sighting], board, H) == pytest.approx(1.0, abs=0.001)
    loose = plane_points([sighting], board).covariance_px
    glued = plane_points([sighting], Board(sheets_across=2, marker_mm=64.0, u_join_m=0.0)).covariance_px
    added = loose - glued
    per_m = 1200 / 3.0 * np.sqrt(np.cos(0.3))
    assert added[0, 0] == pytest.approx((0.0005 * per_m) ** 2, rel=0.1)
    assert added[0, 2] == pytest.approx(added[0, 0])  # two markers of one sheet go together
    assert added[0, 1] == 0.0
    assert added[0, 12] == 0.0  # the other sheet goes its own way


def test_a_stretched_print_is_corrected():
    """The page printed 2 % small measures as what it is, once the ruler line has been read."""
    small = Board(print_scale=0.98)
    np.testing.assert_allclose(small.corners_m(), Board().corners_m() * 0.98)
    rng = np.random.default_rng(7)
    luma, H = film(BOARD, rng, distance_m=3.0)
    sighting = find_board(luma, small)
    assert measured_scale([sighting], small, H) == pytest.approx(1.0, abs=0.001)
    # The same picture taken for a true print reads lengths 2 % too large.
    places = [plane_points([sighting], b).points_m for b in (BOARD, small)]
    assert np.ptp(places[0]) / np.ptp(places[1]) == pytest.approx(1 / 0.98)


def test_no_board_no_sighting():
    rng = np.random.default_rng(8)
    noise = np.uint8(rng.integers(0, 256, (360, 640)))
    assert find_board(noise, BOARD) is None
    assert find_board(np.full((360, 640), 128, np.uint8), BOARD) is None
    with pytest.raises(CalibrationError, match="not found in the clip") as caught:
        plane_points([], BOARD)
    assert caught.value.code == "board_not_found"


def test_another_board_is_not_this_one():
    rng = np.random.default_rng(9)
    luma, _ = film(Board(marker_mm=40.0), rng, distance_m=1.5)
    assert find_board(luma, Board(sheets_across=2, sheets_up=2)) is None
    mirrored, _ = film(BOARD, rng, distance_m=3.0)
    assert find_board(np.ascontiguousarray(mirrored[:, ::-1]), BOARD) is None


def test_a_part_of_a_larger_picture_may_be_looked_at():
    rng = np.random.default_rng(10)
    luma, H = film(BOARD, rng, distance_m=3.0)
    part = luma[200:560, 400:880]
    sighting = find_board(part, BOARD)
    np.testing.assert_allclose(sighting.centres_px + np.array([400, 200]), centres_px(BOARD, H), atol=0.05)


def test_markers_are_all_different_in_every_turn():
    patterns = {marker_bits(k)[::1].tobytes() for k in range(50)}
    turned = {np.rot90(marker_bits(k), t).tobytes() for k in range(50) for t in range(4)}
    assert len(patterns) == 50
    assert len(turned) == 200
    for k in range(50):
        assert not marker_bits(k)[[0, -1]].any()  # black all round
        assert not marker_bits(k)[:, [0, -1]].any()


@pytest.mark.parametrize("paper_name", ["A4", "Letter"])
def test_markers_fit_on_the_paper(paper_name):
    board = Board(paper=paper_name)
    assert board.grid == (2, 3)
    corners = board.corners_mm() + board.in_tile_mm()
    assert corners.min() > 0
    assert np.all(corners.reshape(-1, 2).max(axis=0) < board.tile_mm)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"paper": "A9"}, "no paper 'A9'"),
        ({"marker_mm": 150.0}, "do not fit on A4 twice"),
        ({"marker_mm": 5.0}, "do not fit on A4 twice"),
        ({"sheets_up": 0}, "at least one sheet"),
        ({"sheets_across": 3, "sheets_up": 3}, "54 different markers, and there are 50"),
        ({"print_scale": 0.5}, "0.50 times as large"),
    ],
)
def test_impossible_boards_are_refused(fields, message):
    with pytest.raises(CalibrationError, match=message):
        Board(**fields)
