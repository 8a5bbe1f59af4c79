"""[reference] board: which board stands where, and what is refused."""

from __future__ import annotations

import pytest

from tracker.errors import SetupError
from tracker.setup_file import parse_setup

BALL = '[ball]\ndiameter = "140 mm"\n[reference]\n'


def standing(text):
    return parse_setup(BALL + text, "setup.toml").board


def test_a_board_alone_is_enough():
    found = standing('board = "a4"')
    assert (found.board.paper, found.board.sheets, found.board.marker_mm) == ("A4", 1, 64.0)
    assert found.board.print_scale == 1.0
    assert found.board.u_print_scale == 0.005  # nobody measured the ruler
    assert found.offset_m == 0.0
    assert found.u_offset_m == 0.010
    assert parse_setup(BALL + 'board = "A4"', "setup.toml").reference is None


def test_everything_that_can_be_said_of_a_board():
    found = standing(
        'board = "Letter"\nsheets = [2, 3]\nmarker = "60 mm"\nruler = "148.5 mm"\noffset = "20 cm"\n'
        'offset_uncertainty = "5 mm"'
    )
    assert (found.board.sheets_across, found.board.sheets_up) == (2, 3)
    assert found.board.marker_mm == pytest.approx(60.0)
    assert found.board.print_scale == pytest.approx(0.99)
    assert found.board.u_print_scale == 0.002
    assert (found.offset_m, found.u_offset_m) == (0.2, 0.005)


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ('board = "A5"', "setup_board", "no paper 'A5'"),
        ('board = "A4"\nsheets = [0, 1]', "setup_board", "sheets"),
        ('board = "A4"\nsheets = 2', "setup_board", "sheets"),
        ('board = "A4"\nmarker = "200 mm"', "setup_board", "do not fit"),
        ('board = "A4"\nruler = "100 mm"', "setup_board", "not usable"),
        ('board = "A4"\nruler = 150', "setup_unit_missing", "ruler"),
        ('board = "A4"\nlength = "1 m"', "setup_reference_twice", "only one can be the reference"),
        ('board = "A4"\npoints_px = [[1, 2], [3, 4]]', "setup_reference_twice", "points_px"),
        ('ruler = "150 mm"', "setup_board_missing", "no board is named"),
        ("board = 4", "setup_wrong_type", "board"),
    ],
)
def test_what_cannot_be_is_refused(text, code, words):
    with pytest.raises(SetupError, match=words) as caught:
        standing(text)
    assert caught.value.code == code
    assert caught.value.advice
