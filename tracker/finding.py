"""A film of which nothing is known yet -> where its ball flies, what colour it has, and its printed board."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.board import BoardSighting, plane_points
from calibration.board_kind import frame_px
from calibration.board_layout import Board, StandingBoard
from calibration.clock import find_grid, set_clock
from calibration.values import Floats, Ints, PlanePoints, frozen
from tracker.film.guard import Child
from tracker.flight.observed import Flight
from tracker.flight.stages import free_flights
from tracker.searching import COLOURS, Searched, Searching
from tracker.track.follow import follow
from tracker.values import Sightings
from tracker.viewing import BoardLook

SILENCE_S = 30.0
MEMORY_BYTES = 3 * 1024**3
BOARD_STANDS_PX = 2.0  # a corner of its frame, which is no more than drawn
USUAL_RADIUS_M = 0.07  # about that of the balls that are thrown; it only says how hard they may turn


@dataclass(frozen=True, slots=True)
class FoundBall:
    """The flights of the likeliest ball: columns of equal length n, upright pixels.

    ``colour`` is None, and the columns are empty, where none was found.
    """

    colour: str | None
    frame: Ints
    x_px: Floats
    y_px: Floats
    radius_px: Floats


@dataclass(frozen=True, slots=True)
class FoundBoard:
    """A printed board and where it was seen: k pictures, in upright pixels.

    Parameters
    ----------
    board : Board or None
        None, and no pictures, where none was found.
    frame : (k,) int array
    frame_px : (k, 4, 2) array
        The frame round its markers: top left, then clockwise as it was printed.
    sightings : tuple of BoardSighting
    looked : int
        Pictures looked at.
    """

    board: Board | None
    frame: Ints
    frame_px: Floats
    sightings: tuple[BoardSighting, ...]
    looked: int

    @property
    def stands(self) -> bool:
        """Whether it was at the same place in all pictures looked at."""
        if self.board is None or len(self.frame) < self.looked:
            return False
        return float(np.abs(self.frame_px - np.median(self.frame_px, axis=0)).max()) < BOARD_STANDS_PX

    def is_like(self, board: Board) -> bool:
        """Whether a board has the same markers in the same places, however its print turned out."""
        return self.board is not None and np.array_equal(self.board.corners_mm(), board.corners_mm())

    def points(self, standing: StandingBoard) -> PlanePoints:
        """What the adjustment takes from it, in upright pixels.

        Raises
        ------
        CalibrationError
            "board_not_found" where it was seen nowhere.
        """
        return plane_points(self.sightings, standing.board)


def find_printed_board(
    path: Path,
    *,
    board: Board | None = None,
    progress: Callable[[int, int], None] | None = None,
    child: Child | None = None,
) -> FoundBoard:
    """Find the printed board of a clip.

    Parameters
    ----------
    path : Path
    board : Board, optional
        The one that is said to be there; without it, or where it is not, any of the usual marker size.
    progress : callable, optional
        Hears of pictures done and in all.
    child : Child, optional
        A process that was started beforehand.

    Raises
    ------
    ClipError
        If the clip cannot be read.
    """
    with child or Child() as process:
        seen = process.run(
            BoardLook(path, board), seconds=SILENCE_S, memory_bytes=MEMORY_BYTES, on_progress=progress
        )
    upright = seen.facts.picture.to_upright
    sightings = tuple(
        replace(s, corners_px=upright(s.corners_px), centres_px=upright(s.centres_px))
        for _, s in seen.sightings
    )
    if seen.board is None:
        frames = np.empty((0, 4, 2))
    else:
        frames = np.array([frame_px(sighting, seen.board) for sighting in sightings])
    number = np.array([index for index, _ in seen.sightings], dtype=np.int64)
    return FoundBoard(seen.board, number, frozen(frames), sightings, seen.looked)


def find_ball(
    path: Path,
    *,
    colour: str | None = None,
    radius_px: float | None = None,
    progress: Callable[[int, int], None] | None = None,
    child: Child | None = None,
) -> FoundBall:
    """Find the ball of a clip.

    Parameters
    ----------
    path : Path
    colour : str, optional
        The only colour to look for.
    radius_px : float, optional
        The ball's radius in the picture.
    progress : callable, optional
        Hears of frames done and in all.
    child : Child, optional
        A process that was started beforehand.

    Raises
    ------
    ClipError
        If the clip cannot be read.
    """
    job = Searching(path, COLOURS if colour is None else (colour,), radius_px)
    with child or Child() as process:
        searched = process.run(job, seconds=SILENCE_S, memory_bytes=MEMORY_BYTES, on_progress=progress)
    best = FoundBall(None, np.zeros(0, np.int64), np.zeros(0), np.zeros(0), np.zeros(0))
    most = 0.0
    for name, sightings in searched.seen:
        flights = _flights(searched, sightings)
        travel = sum(float(np.hypot(*np.ptp(f.xy_px, axis=0))) for f in flights)
        if travel > most:
            most, best = travel, _columns(name, searched, sightings, flights)
    return best


def _flights(searched: Searched, sightings: Sightings) -> list[Flight]:
    """Free flights of one colour."""
    if len(sightings) == 0:
        return []
    facts = searched.facts
    grid = find_grid(facts.file_time_s, facts.tick_s)
    clock = set_clock(grid, stated_fps=None, tag_fps=facts.capture_fps_tag)
    tracks = follow(sightings, grid.interval_s, grid.time_s, ball_radius_m=USUAL_RADIUS_M)
    upright = facts.picture.to_upright(np.stack([sightings.x_px, sightings.y_px], axis=1))
    rows = [track.rows for track in tracks]
    return free_flights(rows, sightings, clock.frame_time_s, facts.picture, upright)[0]


def _columns(name: str, searched: Searched, sightings: Sightings, flights: list[Flight]) -> FoundBall:
    rows = np.concatenate([flight.rows for flight in flights])
    upright = searched.facts.picture.to_upright(
        np.stack([sightings.x_px[rows], sightings.y_px[rows]], axis=1)
    )
    found = FoundBall(name, sightings.frame[rows], upright[:, 0], upright[:, 1], sightings.radius_px[rows])
    order = np.argsort(found.frame, kind="stable")
    return replace(
        found,
        frame=found.frame[order],
        x_px=found.x_px[order],
        y_px=found.y_px[order],
        radius_px=found.radius_px[order],
    )
