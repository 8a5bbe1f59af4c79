"""What the setup's page does, without a page: marks from the command line, and a still to read them from."""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tracker.cli.failures import WrongUsage
from tracker.cli.files import quoted

if TYPE_CHECKING:
    from pathlib import Path

    from tracker.page.desk import Desk

_NUMBER = r"\s*([+-]?[0-9]*\.?[0-9]+)\s*"
_PLACE = re.compile(rf"{_NUMBER},{_NUMBER}")


@dataclass(frozen=True, slots=True)
class Stated:
    """What was said on the command line; None is "not said"."""

    points: str | None = None
    frame: int = 0
    length: str | None = None
    size: str | None = None
    offset: str | None = None
    plumb: str | None = None
    exit_: str | None = None
    ball: str | None = None
    mass: str | None = None
    colour: str | None = None
    distance: str | None = None
    capture_fps: float | None = None
    find_ball: bool = False
    find_board: bool = False
    ruler: str | None = None

    @property
    def anything(self) -> bool:
        """Whether anything of the setup was said."""
        values = (self.points, self.length, self.size, self.offset, self.plumb, self.exit_)
        others = (self.ball, self.mass, self.colour, self.distance, self.capture_fps, self.ruler)
        return self.find_ball or self.find_board or any(value is not None for value in (*values, *others))


def places(text: str, option: str, counts: tuple[int, ...]) -> list[list[float]]:
    """Read "x,y x,y".

    Raises
    ------
    WrongUsage
        If it is not so many places.
    """
    words = re.sub(r"\s*,\s*", ",", text.strip()).split()
    matches = [_PLACE.fullmatch(word) for word in words]
    if None in matches or len(matches) not in counts:
        wanted = " or ".join(str(count) for count in counts)
        raise WrongUsage(
            "bad_places",
            f'{option} is "{text[:40]}", which is not {wanted} {"place" if counts == (1,) else "places"}.',
            f'Write them like {option} "{" ".join(["212,640", "851,634"][: counts[0]])}".',
        )
    return [[float(match[1]), float(match[2])] for match in matches if match is not None]


def write_setup(desk: Desk, stated: Stated, *, replace: bool) -> None:
    """Put what was said into the setup file and tell what it is worth."""
    from tracker.setup_file.draft import for_hands

    table = for_hands(desk.paper.table)
    if table.get("ball", {}).get("diameter") == "":
        del table["ball"]["diameter"]
    _state(table, stated, desk)
    table = _with_board(table, desk, wanted=stated.find_board)
    said = desk.save(table, replace=replace)
    sys.stderr.write(f"Wrote {desk.paper.path}.\n")
    weighed = desk.weigh(said["table"])
    worth = weighed["worth"]
    if worth is not None:
        what = "board" if weighed["board"] else "reference"
        sys.stderr.write(
            f"One pixel is {worth['mm_per_px']:.4g} mm. The {what} alone makes the speed "
            f"{100 * worth['speed_share']:.2g} % sure; most of that is {worth['shares'][0]['from']}.\n"
        )
    sys.stderr.write(f"  lobscope measure {quoted(desk.clip)} --setup {quoted(desk.paper.path)}\n")


def _with_board(table: dict[str, dict[str, Any]], desk: Desk, *, wanted: bool) -> dict[str, dict[str, Any]]:
    """The table with the printed board that is in the film, unless something else was marked."""
    from tracker.setup_file.draft import with_board

    known = table.get("reference", {})
    named = "board" in known
    if not (wanted or named) and any(key in known for key in ("points_px", "length", "size", "points_m")):
        return table
    found = look_for_board(desk, table)
    if found is None:
        if wanted or named:
            sys.stderr.write(
                "The printed board was not seen in the pictures looked at. All of it should be in view, "
                "flat and evenly lit.\n"
            )
        return table
    if named and not wanted and not desk.weigh(table)["board"]:
        sys.stderr.write(
            f"{found} It is not the one that the setup names; add --find-board to take what was found.\n"
        )
        return table
    sys.stderr.write(f"{found} No marks are needed.\n")
    board = desk.board.board if desk.board is not None else None
    return table if board is None or (named and not wanted) else with_board(table, board)


def look_for_board(desk: Desk, table: dict[str, dict[str, Any]]) -> str | None:
    """Look for the printed board, and say in a sentence that it was found; None if it was not."""
    from tracker.cli.progress import FramesDone

    with FramesDone(desk.clip.name) as progress:
        desk.find_board(table, progress=progress)
    seen = desk.board_for_page()
    words: str | None = None if seen is None else seen["words"]
    return words


def _state(table: dict[str, dict[str, Any]], stated: Stated, desk: Desk) -> None:
    def put(section: str, key: str, value: object) -> None:
        if value is not None:
            table.setdefault(section, {})[key] = value

    if stated.points is not None:
        put("reference", "points_px", places(stated.points, "--points", (2, 4)))
        picture = desk.facts.picture
        put("reference", "picture", [picture.width_px, picture.height_px])
        put("reference", "frame", stated.frame)
    if stated.size is not None:
        sides = re.split(r"\s*[x\N{MULTIPLICATION SIGN}]\s*", stated.size.strip())
        if len(sides) != 2:
            raise WrongUsage(
                "bad_size", "--size is not a width and a height.", 'Write it like --size "1.2 m x 0.8 m".'
            )
        table.get("reference", {}).pop("length", None)
        put("reference", "size", sides)
    elif stated.length is not None:
        for key in ("size", "points_m"):
            table.get("reference", {}).pop(key, None)
    put("reference", "length", stated.length)
    put("reference", "offset", stated.offset)
    put("reference", "ruler", stated.ruler)
    if stated.plumb is not None:
        put("camera", "plumb_px", places(stated.plumb, "--plumb", (2,)))
    if stated.exit_ is not None:
        put("launcher", "exit_px", places(stated.exit_, "--exit", (1,))[0])
    put("ball", "diameter", stated.ball)
    put("ball", "mass", stated.mass)
    put("ball", "colour", stated.colour if not stated.find_ball else _found(desk.clip, stated.colour))
    put("camera", "distance", stated.distance)
    put("camera", "capture_fps", stated.capture_fps)


def _found(clip: Path, colour: str | None) -> str | None:
    """The ball's colour, as the film shows it."""
    from tracker.cli.progress import FramesDone
    from tracker.finding import find_ball

    with FramesDone(clip.name) as progress:
        found = find_ball(clip, colour=colour, progress=progress)
    if found.colour is None:
        sys.stderr.write("Nothing was seen to fly like a ball.\n")
        return colour
    first, last = int(found.frame[0]), int(found.frame[-1])
    sys.stderr.write(f"Something {found.colour} flies in {len(found.frame)} frames, {first} to {last}.\n")
    return found.colour


def save_still(desk: Desk, out: Path, frame: int, around: str | None) -> None:
    """Write one picture of the clip with a grid.

    Raises
    ------
    OutputError
        If it cannot be written, or something is there.
    """
    from tracker import pictures
    from tracker.cli.files import cannot_write
    from tracker.errors import ClipError, OutputError
    from tracker.page.questions import Film

    if out.suffix.lower() != ".png":
        raise WrongUsage("bad_still", f"{out.name} is no name for a picture.", "Name it like grid.png.")
    place = None if around is None else places(around, "--around", (1,))[0]
    film = desk.talker.ask(Film((frame,)))
    if frame not in film:
        raise ClipError("film_damaged", f"Frame {frame} is damaged.", "Name another one with --frame.")
    title = f"{desk.clip.name}, frame {frame}: x to the right, y down, in pixels"
    picture = pictures.still_with_grid(
        film[frame], title, around=None if place is None else (place[0], place[1])
    )
    try:
        if out.exists():
            raise OutputError(
                "output_exists",
                f"{out.name} exists already and was left as it is.",
                "Give another name, or move the old file away first.",
            )
        pictures.save(picture, out)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise cannot_write(out, error) from error
    board = look_for_board(desk, desk.paper.table)
    if board is not None:
        sys.stderr.write(f"Wrote {out}. {board} No marks are needed:\n")
        sys.stderr.write(f'  lobscope setup {quoted(desk.clip)} --find-board --ball "140 mm"\n')
        return
    sys.stderr.write(f"Wrote {out}. Read the places off it, then for instance:\n")
    sys.stderr.write(f'  lobscope setup {quoted(desk.clip)} --points "212,640 851,634" --length "1.500 m"\n')
