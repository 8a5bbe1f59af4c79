"""What is on a printed board and where: one or more sheets with the same grid of square markers.

Six modules a side are the fewest that carry a safe number, so each marker is as large as it can be when
it is 20 px wide. Places on a board are (x, z) in metres from the lower left corner of the lower left
marker, z up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.errors import CalibrationError
from calibration.values import Floats, Ints

MODULES = 6  # a side of a marker: four of number, one of black border either side
_MOST_MARKERS = 50

PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1 size A
MARGIN_MM = 10.0  # most printers reach to within 5 mm of the edge
FOOT_MM = 18.0  # room for the ruler and the caption below the markers


@dataclass(frozen=True, slots=True)
class Board:
    """How a printed board is laid out.

    Parameters
    ----------
    paper : str
        "A4" or "Letter", upright.
    sheets_across, sheets_up : int
    marker_mm : float
        Side of a marker as it should be printed.
    print_scale : float
        Length of the printed ruler line over what it should be.
    u_print_scale : float
        Its relative standard uncertainty: reading a 150 mm line to 0.3 mm.
    u_join_m : float
        Standard uncertainty of the place of one sheet against the others, per coordinate.
    """

    paper: str = "A4"
    sheets_across: int = 1
    sheets_up: int = 1
    marker_mm: float = 64.0
    print_scale: float = 1.0
    u_print_scale: float = 0.002
    u_join_m: float = 0.0005

    def __post_init__(self) -> None:
        if self.paper not in PAPERS_MM:
            raise _impossible(f"There is no paper {self.paper!r}.", f"Use {' or '.join(PAPERS_MM)}.")
        if self.sheets_across < 1 or self.sheets_up < 1:
            raise _impossible("A board has at least one sheet.", "Ask for one sheet or more each way.")
        if not 0.8 < self.print_scale < 1.25:
            raise _impossible(
                f"A print {self.print_scale:.2f} times as large as meant is not usable.",
                "Print again at 100 %, without fitting to the page.",
            )
        across, up = self.grid
        if self.marker_mm < 10 or across * up < 2:
            raise _impossible(
                f"Markers of {self.marker_mm:g} mm do not fit on {self.paper} twice.",
                f"Use a marker of {self._largest_mm():.0f} mm or less, and 10 mm or more.",
            )
        if self.markers > _MOST_MARKERS:
            raise _impossible(
                f"The board would need {self.markers} different markers, and there are {_MOST_MARKERS}.",
                "Use fewer sheets or larger markers.",
            )

    @property
    def gap_mm(self) -> float:
        """White between markers: one module and a half, so that a blurred border still stands alone."""
        return 1.5 * self.marker_mm / MODULES

    @property
    def tile_mm(self) -> tuple[float, float]:
        """What a sheet adds to the board, width and height: the paper within its margins.

        Sheets are joined along printed lines, because no printer puts its picture in the same place on
        each sheet of paper.
        """
        width, height = PAPERS_MM[self.paper]
        return width - 2 * MARGIN_MM, height - 2 * MARGIN_MM

    @property
    def grid(self) -> tuple[int, int]:
        """Columns and rows of markers on one sheet."""
        width, height = self.tile_mm
        pitch = self.marker_mm + self.gap_mm
        return int((width + 1e-9) // pitch), int((height - FOOT_MM + 1e-9) // pitch)

    @property
    def sheets(self) -> int:
        """Number of sheets."""
        return self.sheets_across * self.sheets_up

    @property
    def markers(self) -> int:
        """Number of markers on all sheets."""
        return self.sheets * self.grid[0] * self.grid[1]

    def _largest_mm(self) -> float:
        width, height = self.tile_mm
        across = 1 + 1.5 / MODULES
        return float(np.floor(min(width / across, (height - FOOT_MM) / (2 * across))))

    def in_tile_mm(self) -> tuple[float, float]:
        """Lower left corner of the lowest left marker, from the lower left corner of a sheet's tile."""
        width, height = self.tile_mm
        columns, rows = self.grid
        pitch = self.marker_mm + self.gap_mm
        across, up = columns * pitch - self.gap_mm, rows * pitch - self.gap_mm
        return (width - across) / 2, FOOT_MM + (height - FOOT_MM - up) / 2

    def corners_mm(self) -> Floats:
        """Corners as they should be printed, shape (markers, 4, 2): each marker's top left, then clockwise.

        Sheets are numbered from the bottom left, row by row; so are the markers on each.
        """
        columns, rows = self.grid
        pitch = self.marker_mm + self.gap_mm
        width, height = self.tile_mm
        s = self.marker_mm
        square = np.array([[0, s], [s, s], [s, 0], [0, 0]])
        lower_left = [
            (sx * width + i * pitch, sy * height + j * pitch)
            for sy in range(self.sheets_up)
            for sx in range(self.sheets_across)
            for j in range(rows)
            for i in range(columns)
        ]
        return np.asarray(np.array(lower_left)[:, None, :] + square)

    def corners_m(self) -> Floats:
        """Corners as printed, shape (markers, 4, 2), in metres."""
        return np.asarray(self.corners_mm() * (self.print_scale / 1000.0))

    def sheet_of(self, markers: Ints) -> Ints:
        """The sheet each marker number is on."""
        return np.asarray(markers // (self.grid[0] * self.grid[1]), dtype=np.int64)


@dataclass(frozen=True, slots=True)
class StandingBoard:
    """A board as it was set up: which one, and how far behind the plane of flight, seen from the camera."""

    board: Board
    offset_m: float = 0.0
    u_offset_m: float = 0.0


def _impossible(message: str, advice: str) -> CalibrationError:
    return CalibrationError("board_impossible", message, advice)
