"""A picture -> which of the boards that can be printed is in it, and the frame round it.

How large a marker was printed no picture tells: boards of larger and smaller markers look alike, so the
usual size is taken. A single sheet of either paper carries the same markers in the same places.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from operator import itemgetter

import cv2
import numpy as np

from calibration.board import BoardSighting, find_board, layout, read_markers, read_small_markers
from calibration.board_align import Luma
from calibration.board_layout import MODULES, PAPERS_MM, Board
from calibration.errors import CalibrationError
from calibration.values import Floats, Ints, frozen

_MOST_SHEETS = 4  # each way


def recognise_board(luma: Luma) -> Board | None:
    """Which board of the usual marker size is in a picture, shape (H, W); None if none is.

    Of boards that explain the markers equally well it is the smallest.
    """
    luma = np.ascontiguousarray(luma, dtype=np.uint8)
    numbers, corners = read_markers(luma)
    found = _likeliest(numbers, corners)
    if found is None:
        more, sharper = read_small_markers(luma)
        found = _likeliest(np.concatenate([numbers, more]), np.concatenate([corners, sharper]))
    return None if found is None else _on_its_paper(luma, found)


def _likeliest(numbers: Ints, corners: Floats) -> Board | None:
    """How many sheets there are each way, as far as roughly read corners, (m, 4, 2), tell."""
    ranked: list[tuple[int, int, float, Board]] = []
    for board in _boards():
        agreed = layout(numbers, corners, board)
        if agreed is not None:
            _, agree = agreed
            off_px = _misfit_px(board.corners_mm()[numbers[agree]], corners[agree])
            ranked.append((-int(agree.sum()), board.sheets, off_px, board))
    return min(ranked, key=itemgetter(0, 1, 2))[3] if ranked else None


def _on_its_paper(luma: Luma, like: Board) -> Board | None:
    """Tell the paper, which sets sheets a few millimetres apart, from corners that are no longer rough."""
    papers = PAPERS_MM if like.sheets > 1 else [like.paper]
    ranked = []
    for board in (replace(like, paper=paper) for paper in papers):
        sighting = find_board(luma, board)
        if sighting is not None:
            middles = board.corners_mm()[sighting.marker].mean(axis=1, keepdims=True)
            off_px = _misfit_px(middles, sighting.centres_px[:, None])
            ranked.append((-len(sighting.marker), off_px, board))
    return min(ranked, key=itemgetter(0, 1))[2] if ranked else None


def _misfit_px(places_mm: Floats, seen_px: Floats) -> float:
    """How far points, (m, k, 2), lie from where the homography that fits them best puts them."""
    places, seen = places_mm.reshape(-1, 2), seen_px.reshape(-1, 2)
    if len(places) < 4:
        return math.inf
    H, _ = cv2.findHomography(places, seen)
    if H is None:
        return math.inf
    off = cv2.perspectiveTransform(places[:, None], H)[:, 0] - seen
    return float(np.linalg.norm(off, axis=1).mean())


def _boards() -> Iterator[Board]:
    for paper, across, up in product(PAPERS_MM, range(1, _MOST_SHEETS + 1), range(1, _MOST_SHEETS + 1)):
        try:
            yield Board(paper, across, up)
        except CalibrationError:  # more markers than there are numbers
            continue


def frame_px(sighting: BoardSighting, board: Board) -> Floats:
    """The frame round all of a board's markers, (4, 2): top left, then clockwise as it was printed."""
    H, _ = cv2.findHomography(
        board.corners_mm()[sighting.marker].reshape(-1, 2), sighting.corners_px.reshape(-1, 2)
    )
    places = board.corners_mm().reshape(-1, 2)
    room = board.marker_mm / MODULES  # of white round them
    (left, low), (right, high) = places.min(axis=0) - room, places.max(axis=0) + room
    round_about = np.array([[left, high], [right, high], [right, low], [left, low]])
    return frozen(cv2.perspectiveTransform(round_about[:, None], H)[:, 0])
