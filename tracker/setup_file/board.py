"""[reference] board -> StandingBoard: a printed board that is found in the clip without a click."""

from __future__ import annotations

import math

from calibration.board_layout import PAPERS_MM, Board, StandingBoard
from calibration.errors import CalibrationError
from tracker.errors import SetupError
from tracker.setup_file import units
from tracker.setup_file.reference import OFFSET_M, OFFSET_SHARE
from tracker.setup_file.section import Section

RULER_M = 0.150
MARKER_MM = Board().marker_mm
U_READ = 0.002  # a line of 150 mm read to 0.3 mm
U_UNREAD = 0.005  # printers that print at 100 %, unchecked; common practice, no source
POINTED_AT = (
    "points_px",
    "picture",
    "frame",
    "length",
    "points_m",
    "length_uncertainty",
    "click_uncertainty_px",
)
OF_BOARD = ("sheets", "marker", "ruler")


def standing_board(section: Section) -> StandingBoard | None:
    """Read which board stands where; None without one.

    Raises
    ------
    SetupError
        If points are given as well, or no such board can be printed.
    """
    paper = section.word("board")
    if paper is None:
        for key in OF_BOARD:
            if key in section.content:
                raise section.error(
                    "setup_board_missing",
                    key,
                    "belongs to a printed board, but no board is named.",
                    'Write board = "A4" or board = "Letter", as it was printed.',
                )
        return None
    for key in POINTED_AT:
        if key in section.content:
            raise section.error(
                "setup_reference_twice",
                key,
                "and board are both given, and only one can be the reference.",
                "Keep the board, which needs no points, or the points.",
            )
    offset_m = section.quantity("offset", units.LENGTH, "any") or 0.0
    across, up = _sheets(section)
    ruler_m = section.quantity("ruler", units.LENGTH)
    marker_m = section.quantity("marker", units.LENGTH)
    try:
        board = Board(
            paper={name.lower(): name for name in PAPERS_MM}.get(paper.strip().lower(), paper),
            sheets_across=across,
            sheets_up=up,
            marker_mm=MARKER_MM if marker_m is None else 1000 * marker_m,
            print_scale=1.0 if ruler_m is None else ruler_m / RULER_M,
            u_print_scale=U_UNREAD if ruler_m is None else U_READ,
        )
    except CalibrationError as error:
        raise SetupError("setup_board", f"{section.where('board')}: {error.message}", error.advice) from error
    return StandingBoard(
        board,
        offset_m,
        section.quantity("offset_uncertainty", units.LENGTH) or math.hypot(OFFSET_M, OFFSET_SHARE * offset_m),
    )


def _sheets(section: Section) -> tuple[int, int]:
    sheets = section.content.get("sheets", [1, 1])
    if (
        not isinstance(sheets, list)
        or len(sheets) != 2
        or not all(isinstance(n, int) and not isinstance(n, bool) and 1 <= n <= 9 for n in sheets)
    ):
        raise section.error(
            "setup_board",
            "sheets",
            "is not a number of sheets each way.",
            "Write how many sheets across and how many up, such as sheets = [2, 1].",
        )
    return sheets[0], sheets[1]
