"""What is done to a film in the guarded child: read it once, frame by frame, and keep the sightings.

Nothing but the film and ball rooms is imported here, so that the child starts quickly.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.board import BoardSighting, find_board
from calibration.board_kind import recognise_board
from calibration.board_layout import Board
from calibration.steady import Steadiness, SteadyWatch
from tracker.ball.watch import BallHint, BallWatch, common_radius, needs_survey
from tracker.film.decode import Frame, frames
from tracker.film.facts import read_facts
from tracker.values import Bytes, ClipFacts, Sightings

PROGRESS_EVERY = 20
BOARD_LOOKS = 6  # pictures in which a board is looked for, spread over the film
BOARD_TRIES = 5  # of which so many come first, to learn how large the ball will be
NICENESS = 10


@dataclass(frozen=True, slots=True)
class Seen:
    """A clip's facts, what was seen in it, how its background moved, and how many pictures were lost."""

    facts: ClipFacts
    sightings: Sightings
    steady: Steadiness
    frames: int
    lost: int
    boards: tuple[tuple[int, BoardSighting], ...] = ()  # (frame, where a board was in it)


@dataclass(frozen=True, slots=True)
class Viewing:
    """The child's job: a clip, what is known of the ball, and the part of the film that matters."""

    path: Path
    hint: BallHint
    start_s: float | None = None
    end_s: float | None = None
    board: Board | None = None
    ball_radius_m: float | None = None

    def __call__(self, progress: Callable[[int, int], None]) -> Seen:
        """Watch the film; ``progress`` hears of frames done and in all."""
        facts = read_facts(self.path)
        total = len(facts.file_time_s)
        hint = self.hint
        boards = None if self.board is None else BoardWatch(self.board, facts, self.start_s, self.end_s)
        if boards is not None:
            px_per_m = boards.look_ahead(self.path)
            if hint.radius_px is None and px_per_m is not None and self.ball_radius_m is not None:
                hint = replace(hint, radius_px=self.ball_radius_m * px_per_m)
        if needs_survey(hint):
            common = common_radius(self._watch(hint, total, progress)[0])
            hint = replace(hint, radius_px=common, steady=False)
        steady = SteadyWatch()
        sightings, count, lost = self._watch(hint, total, progress, steady, boards)
        progress(total, total)
        found = () if boards is None else boards.result()
        return Seen(facts, sightings, steady.result(), count, lost, found)

    def _watch(
        self,
        hint: BallHint,
        total: int,
        progress: Callable[[int, int], None],
        steady: SteadyWatch | None = None,
        boards: BoardWatch | None = None,
    ) -> tuple[Sightings, int, int]:
        watch = BallWatch(hint)
        count = 0
        with frames(self.path, start_s=self.start_s, end_s=self.end_s, ahead=True) as reel:
            for frame in reel:
                boxes = watch.see(frame)
                if steady is not None:
                    steady.see(frame.index, frame.y, boxes)
                if boards is not None:
                    boards.see(frame)
                count += 1
                if count % PROGRESS_EVERY == 0:
                    progress(frame.index + 1, total)
            lost = reel.lost
        return watch.result(), count, lost


class BoardWatch:
    """Looks for a board in a few pictures spread over the part of a film that matters."""

    def __init__(self, board: Board, facts: ClipFacts, start_s: float | None, end_s: float | None) -> None:
        self._board = board
        self._facts = facts
        times = facts.file_time_s
        first = 0 if start_s is None else int(np.searchsorted(times, start_s))
        last = len(times) - 1 if end_s is None else int(np.searchsorted(times, end_s, side="right")) - 1
        self._first = min(first, len(times) - 1)
        self._wanted = _spread(self._first, last)
        self._ahead: list[tuple[int, BoardSighting]] = []
        self._found: list[tuple[int, BoardSighting]] = []
        self._near: BoardSighting | None = None  # as it was seen last, in the picture that was looked at

    def look_ahead(self, path: Path) -> float | None:
        """Pixels a metre on the board where it is first seen, None where it is not.

        Whoever holds a board up before the shots may have taken it away when they begin.
        """
        times = self._facts.file_time_s
        for index in dict.fromkeys([self._first, *_tries(len(times))]):
            with frames(path, start_s=float(times[index])) as reel:
                frame = next(reel, None)
                sighting = None if frame is None else self._look(frame.y)
            if frame is not None and sighting is not None:
                self._ahead.append((frame.index, sighting))
                return self._px_per_m(sighting)
        return None

    def see(self, frame: Frame) -> None:
        """Take in one picture."""
        if frame.index in self._wanted:
            known = next((found for index, found in self._ahead if index == frame.index), None)
            sighting = known or self._look(frame.y)
            if sighting is not None:
                self._found.append((frame.index, sighting))

    def result(self) -> tuple[tuple[int, BoardSighting], ...]:
        """Where the board was, in stored pixels; from before the part that matters only if need be."""
        return tuple(self._found or self._ahead)

    def _look(self, luma: Bytes) -> BoardSighting | None:
        sighting = look_for_board(luma, self._board, self._facts, self._near)
        self._near = sighting or self._near
        return sighting

    def _px_per_m(self, sighting: BoardSighting) -> float:
        sides = np.linalg.norm(sighting.corners_px - np.roll(sighting.corners_px, 1, axis=1), axis=2)
        # The longer sides are those that are least foreshortened.
        return float(np.percentile(sides, 75)) / (self._board.marker_mm / 1000 * self._board.print_scale)


def _spread(first: int, last: int) -> set[int]:
    """Frames of the part that matters in which a board is looked for."""
    return {int(k) for k in np.linspace(first, max(last, first), BOARD_LOOKS)}


def _tries(count: int) -> list[int]:
    """Frames of the whole film in which it is looked for beforehand."""
    return [int(k) for k in np.linspace(0, count - 1, BOARD_TRIES + 1)[:-1]]


def look_for_board(
    luma: Bytes, board: Board, facts: ClipFacts, near: BoardSighting | None = None
) -> BoardSighting | None:
    """Where a board is in a stored picture, (h, w), in its pixels; None where it is not.

    ``near`` is where it was in another picture.
    """
    if not facts.picture.mirrored:
        return find_board(luma, board, near)
    width = luma.shape[1]
    sighting = find_board(_flipped(luma), board, None if near is None else _mirrored(near, width))
    return None if sighting is None else _mirrored(sighting, width)


def _mirrored(sighting: BoardSighting, width: int) -> BoardSighting:
    flip, right = np.array([-1.0, 1.0]), np.array([width - 1.0, 0.0])
    return replace(
        sighting,
        corners_px=sighting.corners_px * flip + right,
        centres_px=sighting.centres_px * flip + right,
    )


def _flipped(luma: Bytes) -> Bytes:
    return np.ascontiguousarray(luma[:, ::-1])


@dataclass(frozen=True, slots=True)
class SeenBoard:
    """Which board is in a clip, and where, in stored pixels, by frame; None where there is none."""

    facts: ClipFacts
    looked: int
    board: Board | None
    sightings: tuple[tuple[int, BoardSighting], ...]


@dataclass(frozen=True, slots=True)
class BoardLook:
    """The child's job: a clip, and the board that is said to be in it; None is whichever is there.

    It looks at the pictures at which measuring will look. A board that was said to be there and is not
    may be another one.
    """

    path: Path
    board: Board | None = None

    def __call__(self, progress: Callable[[int, int], None]) -> SeenBoard:
        """Look; ``progress`` hears of pictures done and in all."""
        if hasattr(os, "nice"):  # somebody looks at pictures of the same film meanwhile
            os.nice(NICENESS)
        facts = read_facts(self.path)
        count = len(facts.file_time_s)
        tries = _tries(count)
        wanted = sorted(_spread(0, count - 1) | set(tries))
        held: dict[int, Bytes | None] = {}
        total = 2 * len(wanted) + len(tries)
        done = 0

        def luma(index: int) -> Bytes | None:
            nonlocal done
            done += 1
            progress(min(done, total), total)
            if index not in held:
                with frames(self.path, start_s=float(facts.file_time_s[index])) as reel:
                    frame = next(reel, None)
                    held[index] = frame.y.copy() if frame is not None and frame.index == index else None
            return held[index]

        def seen(board: Board) -> tuple[tuple[int, BoardSighting], ...]:
            pictures = ((index, luma(index)) for index in wanted)
            found = ((k, look_for_board(y, board, facts)) for k, y in pictures if y is not None)
            return tuple((index, sighting) for index, sighting in found if sighting is not None)

        board = self.board
        sightings = () if board is None else seen(board)
        if not sightings:
            board = _likeliest([luma(index) for index in tries], facts)
            sightings = () if board is None else seen(board)
        looked = sum(picture is not None for picture in held.values())
        return SeenBoard(facts, looked, board if sightings else None, sightings)


def _likeliest(pictures: list[Bytes | None], facts: ClipFacts) -> Board | None:
    """The largest board that any picture shows: a part of it looks like a smaller one."""
    shown = (_flipped(y) if facts.picture.mirrored else y for y in pictures if y is not None)
    kinds = [kind for kind in map(recognise_board, shown) if kind is not None]
    return max(kinds, key=lambda kind: (kind.sheets, kinds.count(kind)), default=None)
