"""Which printed board a picture shows, told from the picture alone; and what it is worth, foreseen."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from board_pictures import film

from calibration.board import find_board, plane_points
from calibration.board_kind import frame_px, recognise_board
from calibration.board_layout import MODULES, Board, StandingBoard
from calibration.foresee import foresee
from calibration.values import CameraStatement, Picture, frozen

PICTURE = Picture(1920, 1080)
ENDS = np.array([600.0, 700.0]), np.array([1300.0, 500.0])


def shown(board, *, seed=4, turn_rad=(0.1, 0.4, 0.05), **more):
    return film(
        board,
        np.random.default_rng(seed),
        f_px=1800.0,
        size=(1920, 1080),
        distance_m=4.0,
        turn_rad=turn_rad,
        **more,
    )


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("sheets", [(2, 1), (1, 2), (2, 2), (3, 2), (4, 2)])
def test_sheets_and_paper_are_told_from_the_picture(paper, sheets):
    assert recognise_board(shown(Board(paper, *sheets))[0]) == Board(paper, *sheets)


def test_a_single_sheet_of_either_paper_is_the_same_board():
    assert np.array_equal(Board("A4").corners_mm(), Board("Letter").corners_mm())
    assert recognise_board(shown(Board("Letter"))[0]) == Board("A4")


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("sheets", [(2, 1), (1, 2), (2, 2)])
def test_blurred_markers_of_twenty_pixels_tell_it_too(paper, sheets):
    board = Board(paper, *sheets)
    luma, _ = film(board, np.random.default_rng(2), f_px=1250.0, distance_m=4.0, blur_px=1.5, noise=5.0)
    assert recognise_board(luma) == board


def test_no_board_is_seen_where_there_is_none_or_one_of_another_grid():
    noise = np.random.default_rng(1).integers(0, 255, (720, 1280)).astype(np.uint8)
    assert recognise_board(cv2.GaussianBlur(noise, (0, 0), 2.0)) is None
    # Two large markers on a sheet lie otherwise than any of six.
    assert recognise_board(shown(Board(marker_mm=100.0))[0]) is None


def test_the_frame_goes_round_all_markers():
    board = Board(sheets_across=2, sheets_up=2)
    luma, H = shown(board)
    corners = board.corners_mm().reshape(-1, 2)
    room = board.marker_mm / MODULES
    (left, low), (right, high) = corners.min(axis=0) - room, corners.max(axis=0) + room
    truth = np.array([[left, high], [right, high], [right, low], [left, low]])
    expected = cv2.perspectiveTransform(truth[:, None], H)[:, 0]
    sighting = find_board(luma, board)
    assert sighting is not None
    # It is drawn, not measured by.
    assert frame_px(sighting, board) == pytest.approx(expected, abs=0.3)


def foreseen(board, **more):
    luma, _ = shown(board, turn_rad=(0.0, 0.0, 0.0))
    sighting = find_board(luma, board)
    assert sighting is not None
    standing = StandingBoard(board, **more)
    return foresee(PICTURE, (standing, plane_points([sighting], board)), CameraStatement(), *ENDS)


def share(found, name):
    return {row[0]: row[1] for row in found.shares}[name]


def test_what_a_board_is_worth_is_foreseen():
    """Square on from 4 m with 1800 px of focal length: a pixel is 4 / 1800 m; the print counts in full."""
    found = foreseen(Board(sheets_across=2, sheets_up=2, u_print_scale=0.004))
    # The plane leans a little by its own noise.
    assert found.m_per_px == pytest.approx(4.0 / 1800.0, rel=0.02)
    exact = foreseen(Board(sheets_across=2, sheets_up=2, u_print_scale=0.0))
    assert math.sqrt(found.u_length**2 - exact.u_length**2) == pytest.approx(0.004, rel=0.05)
    assert len(found.marks) == 0
    assert math.hypot(*(row[1] for row in found.shares)) == pytest.approx(found.u_length, rel=1e-6)


def test_a_board_that_stands_less_surely_in_the_plane_is_worth_less():
    sure, unsure = foreseen(Board(), u_offset_m=0.0), foreseen(Board(), u_offset_m=0.08)
    # 80 mm of what the adjustment takes for the distance.
    assert share(unsure, "offset") == pytest.approx(0.08 / 4.0, rel=0.4)
    assert unsure.u_length > sure.u_length


def test_a_plumb_line_beside_a_board_is_weighed():
    board = Board()
    luma, _ = shown(board, turn_rad=(0.0, 0.0, 0.0))
    points = plane_points([find_board(luma, board)], board)
    line = CameraStatement(plumb_px=frozen([[960, 40], [960, 1040]]))
    without = foresee(PICTURE, (StandingBoard(board), points), CameraStatement(), *ENDS)
    found = foresee(PICTURE, (StandingBoard(board), points), line, *ENDS)
    assert found.u_angle_rad < 0.5 * without.u_angle_rad
    assert found.plumb.shape == (2, 2)
    assert len(without.plumb) == 0
