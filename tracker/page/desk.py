"""One clip on the table: its pictures, its setup in the making, and what was measured."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from calibration.board_layout import StandingBoard
from calibration.errors import PlainError
from calibration.foresee import foresee
from calibration.reference import PLUMB_CLICK_PX
from calibration.values import Floats
from tracker.errors import ClipError
from tracker.film.place import FORMATS, check_path
from tracker.film.talk import Talker
from tracker.page import words
from tracker.page.events import Events
from tracker.page.jobs import Job, Jobs
from tracker.page.paper import Paper, beside
from tracker.page.questions import Background, ColourThere, Facts, Film, Shown
from tracker.setup_file import parse_setup, read_setup
from tracker.setup_file.draft import for_hands, from_hands, pointed_at, said_of, stood_up
from tracker.setup_file.edit import Table
from tracker.values import ClipFacts, Measured

if TYPE_CHECKING:
    from calibration.stands_still import Between
    from tracker.film.guard import Child
    from tracker.finding import FoundBall, FoundBoard

PRELOAD = ("numpy", "av", "cv2", "tracker.searching", "tracker.viewing")
SAMPLE_REACH_PX = 3.0  # round a click on the ball, at the picture's own size
AHEAD_S = 0.1  # of the flight, along which the uncertainty is told
MOST_NEIGHBOURS = 200


@dataclass(slots=True)
class Desk:
    """Everything the setup's page works on.

    Parameters
    ----------
    clip : Path
    paper : Paper
    events : Events
    talker : Talker
        The clip, open in a guarded process.
    like : Path or None
        A clip filmed before from the same place, whose setup was taken over.
    """

    clip: Path
    paper: Paper
    events: Events
    talker: Talker
    like: Path | None = None
    jobs: Jobs = field(init=False)
    ball: FoundBall | None = None
    board: FoundBoard | None = None
    measured: dict[str, Measured] = field(default_factory=dict)
    _facts: ClipFacts | None = None
    _searched: bool = False
    _pictures: dict[tuple[str, int], bytes] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.jobs = Jobs(self.events, PRELOAD)

    def close(self) -> None:
        """Let go of the clip and give up whatever is being worked on."""
        self.jobs.close()
        self.talker.close()

    def open(self) -> None:
        """Open the clip.

        Raises
        ------
        ClipError
            If it cannot be read.
        """
        self._facts = self.talker.ask(Facts())

    @property
    def facts(self) -> ClipFacts:
        """What the container says of the clip."""
        if self._facts is None:
            raise ValueError("the clip is not open yet")
        return self._facts

    def compared(self, other: Path) -> str:
        """Whether the camera moved between another clip and this one, in words."""
        return in_words(self.compare(other), other.name)

    # -- pictures -------------------------------------------------------------------------------

    def picture(self, index: int, wanted: Callable[[], bool]) -> bytes | None:
        """One frame for the browser."""
        with self.jobs.resting("search", "board"):
            data = self.talker.ask(Shown(index), wanted=wanted)
        if not self._searched:  # not before somebody sees something
            self._searched = True
            self.look_for_board(self.paper.table)
            stated = self.paper.table.get("ball", {}).get("colour")
            self.search(stated if isinstance(stated, str) and not stated.startswith("#") else None)
        return data

    def colour(self, index: int, x_px: float, y_px: float) -> dict[str, str] | None:
        """What colour is there."""
        found = self.talker.ask(ColourThere(index, x_px, y_px, SAMPLE_REACH_PX))
        return None if found is None else {"colour": found[0], "rgb": found[1]}

    # -- the ball -------------------------------------------------------------------------------

    def search(self, colour: str | None) -> int:
        """Look for the ball; the answer comes as news."""

        def work(job: Job) -> dict[str, Any]:
            from tracker.finding import find_ball  # noqa: PLC0415 - loads what fits, and nobody waits for it

            found = find_ball(self.clip, colour=colour, progress=job.progress, child=job.child)
            self.ball = found
            return ball_for_page(found)

        return self.jobs.start("search", work)

    # -- the printed board ------------------------------------------------------------------------

    def look_for_board(self, table: Table) -> int:
        """Look for the printed board, the one that a setup in the making names if any; it comes as news."""

        def work(job: Job) -> dict[str, Any] | None:
            self.find_board(table, progress=job.progress, child=job.child)
            return self.board_for_page()

        return self.jobs.start("board", work)

    def find_board(
        self, table: Table, *, progress: Callable[[int, int], None] | None = None, child: Child | None = None
    ) -> FoundBoard:
        """Find the printed board, and wait for it.

        Raises
        ------
        ClipError
            If the clip cannot be read.
        """
        from tracker.finding import find_printed_board  # noqa: PLC0415 - loads what fits, and only here

        standing = self._standing(table)
        stated = None if standing is None else standing.board
        self.board = find_printed_board(self.clip, board=stated, progress=progress, child=child)
        return self.board

    def board_for_page(self) -> dict[str, Any] | None:
        """What the page shows of the board; None before anybody has looked for it."""
        found = self.board
        if found is None:
            return None
        board = found.board
        return {
            "said": None if board is None else said_of(board),
            "words": None if board is None else words.board_seen(board, len(found.frame), found.looked),
            "frame": found.frame.tolist(),
            "outline": found.frame_px.round(2).tolist(),
            "markers": [s.centres_px.round(2).tolist() for s in found.sightings],
            "stands": found.stands,
        }

    def _standing(self, table: Table) -> StandingBoard | None:
        """The board that a setup in the making names; None also where what it says cannot be."""
        try:
            return stood_up(table, self.paper.path.name)
        except PlainError:
            return None

    # -- the setup ------------------------------------------------------------------------------

    def weigh(self, table: Table) -> dict[str, Any]:
        """What a setup in the making is worth, what is wrong with it and what is missing."""
        said: dict[str, Any] = {
            "problem": None,
            "worth": None,
            "missing": words.missing(table),
            "board": None,  # whether the board that is named is the one that was found
        }
        order: list[int] | None = None
        try:
            table, order = from_hands(table)
            said["missing"] = words.missing(table)
            parse_setup(self.paper.with_table(table), self.paper.path.name)
        except PlainError as error:
            said["problem"] = words.problem(error)
        standing = self._standing(table)
        if standing is not None and self.board is not None:
            said["board"] = self.board.is_like(standing.board)
        if order is None:
            return said
        try:
            known, camera = pointed_at(table, self.paper.path.name)
            first, last = self._motion()
            if known is not None:
                foreseen = foresee(self.facts.picture, known, camera, first, last)
                said["worth"] = words.worth(foreseen, order, known.u_click_px)
            elif said["board"] and self.board is not None and standing is not None:
                by_board = standing, self.board.points(standing)
                foreseen = foresee(self.facts.picture, by_board, camera, first, last)
                said["worth"] = words.worth(foreseen, [], PLUMB_CLICK_PX, sources=words.OF_BOARD)
        except PlainError as error:
            said["problem"] = said["problem"] or words.problem(error)
        return said

    def save(self, table: Table, *, replace: bool = False, another: bool = False) -> dict[str, Any]:
        """Write the setup file, if it can be used."""
        text = self.paper.with_table(from_hands(table)[0])
        parse_setup(text, self.paper.path.name)
        path = self.paper.save(text, replace=replace, another=another)
        return {"file": path.name, "table": for_hands(self.paper.table)}

    def _motion(self) -> tuple[Floats, Floats]:
        """From where to where, in upright pixels, a ball flies or may fly."""
        picture, ball = self.facts.picture, self.ball
        if ball is not None and len(ball.frame) > 1:
            times = self.facts.file_time_s[ball.frame]
            later = min(int(np.searchsorted(times, times[0] + AHEAD_S)), len(times) - 1)
            ends = np.array([[ball.x_px[k], ball.y_px[k]] for k in (0, later)])
            if np.hypot(*(ends[1] - ends[0])) > 1:
                return ends[0], ends[1]
        wide, high = picture.width_px, picture.height_px
        return np.array([0.25 * wide, 0.5 * high]), np.array([0.75 * wide, 0.5 * high])

    # -- measuring ------------------------------------------------------------------------------

    def measure(self, clip: Path) -> int:
        """Measure a clip with the setup file as it was saved; the answer comes as news."""
        path = self.paper.path

        def work(job: Job) -> dict[str, Any]:
            from tracker.page.results import for_page  # noqa: PLC0415 - loads what draws, which takes a second
            from tracker.pipeline import measure  # noqa: PLC0415 - likewise

            measured = measure(clip, read_setup(path), progress=job.progress, child=job.child)
            self.measured[clip.name] = measured
            self._pictures = {k: v for k, v in self._pictures.items() if k[0] != clip.name}
            return for_page(measured)

        return self.jobs.start("measure", work)

    def flight_picture(self, clip: Path, shot: int) -> bytes | None:
        """The shot drawn over the film; None if there is no such shot."""
        from tracker import pictures  # noqa: PLC0415 - loads what draws, which takes a second
        from tracker.drawing import flight_png  # noqa: PLC0415 - likewise

        if (clip.name, shot) not in self._pictures:
            shots = self.measured[clip.name].shots if clip.name in self.measured else ()
            found = next((s for s in shots if s.shot == shot), None)
            if found is None:
                return None
            frames = tuple(int(k) for k in pictures.frames_to_paste(found.path))
            film = self._asked(clip, Film(frames))
            self._pictures[clip.name, shot] = flight_png(found, film, clip.name)
        return self._pictures[clip.name, shot]

    # -- other clips ----------------------------------------------------------------------------

    def neighbours(self) -> list[Path]:
        """Other clips in the same folder, by name."""
        try:
            there = [path for path in self.clip.parent.iterdir() if path.suffix.lower() in FORMATS]
        except OSError:
            return []
        return sorted(path for path in there if path.is_file() and path.name != self.clip.name)[
            :MOST_NEIGHBOURS
        ]

    def compare(self, other: Path) -> Between:
        """Whether the camera stood for another clip where it stood for this one."""
        from calibration.stands_still import between  # noqa: PLC0415 - loads what fits, which takes a while

        here, there = self._asked(self.clip, Background()), self._asked(other, Background())
        if here is None or there is None:
            raise ClipError(
                "film_damaged", "The first picture of one of the clips is damaged.", "Copy it again."
            )
        return between(here, there)

    def _asked(self, clip: Path, question: Callable[[Any], Any]) -> Any:
        if clip == self.clip:
            return self.talker.ask(question)
        other = Talker(clip)
        try:
            return other.ask(question)
        finally:
            other.close()


@contextmanager
def open_desk(
    clip: Path, setup_file: Path | None, like: Path | None = None, *, talker: Talker | None = None
) -> Iterator[Desk]:
    """Put a clip on the table.

    Parameters
    ----------
    clip : Path
    setup_file : Path or None
        None is beside the clip.
    like : Path, optional
        A clip filmed before from the same place, whose setup is taken over.
    talker : Talker, optional
        The clip, if it is being opened already.

    Raises
    ------
    PlainError
        If the clip cannot be read, or the other clip has no setup.
    """
    check_path(clip)
    paper = Paper(beside(clip) if setup_file is None else setup_file)
    if like is not None:
        check_path(like)
        paper.take_over(beside(like))
    desk = Desk(clip, paper, Events(), talker or Talker(clip), like)
    try:
        desk.open()  # what is wrong with the clip is said before anything else
        yield desk
    finally:
        desk.close()


def ball_for_page(found: FoundBall) -> dict[str, Any]:
    """Where the ball was found."""
    return {
        "colour": found.colour,
        "frame": found.frame.tolist(),
        "x": found.x_px.round(3).tolist(),
        "y": found.y_px.round(3).tolist(),
        "radius": found.radius_px.round(3).tolist(),
    }


def in_words(found: Between, name: str) -> str:
    """Whether the marks hold in another clip."""
    if not found.comparable:
        return f"{name} shows another view: its marks must be made anew."
    if found.stands:
        return f"The camera has not moved since {name}: the marks hold."
    return f"The camera has moved by up to {found.moved_px:.1f} px since {name}: make the marks anew."
