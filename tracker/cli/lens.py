"""``lobscope lens``: pictures of a board -> a lens file."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.failures import WrongUsage
from tracker.cli.files import quoted
from tracker.cli.progress import FramesDone
from tracker.cli.sizes import amount, pair

if TYPE_CHECKING:
    from calibration.board_layout import Board
    from tracker.showing import Shown

SILENCE_S = 120.0  # one large picture without a board may take long to give up on
MEMORY_BYTES = 3 * 1024**3
FEWEST_CORNERS = 3
GOOD_PX, FAIR_PX = 0.5, 2.0


def lens(
    pictures: Annotated[
        list[Path],
        typer.Argument(
            metavar="PICTURES",
            help="Pictures of the board, a folder of them, or a clip of it being waved.",
            show_default=False,
        ),
    ],
    square: Annotated[
        str | None, typer.Option(metavar="LENGTH", help='A square\'s side, such as "30 mm".')
    ] = None,
    corners: Annotated[
        str, typer.Option(metavar="AxB", help="Inner corners of the chessboard each way, such as 9x6.")
    ] = "9x6",
    board: Annotated[
        str | None,
        typer.Option(
            metavar="PAPER", help='In place of a chessboard: A4 or Letter, made by "lobscope board".'
        ),
    ] = None,
    sheets: Annotated[str, typer.Option(metavar="AxB", help="Sheets of that board across and up.")] = "1x1",
    marker: Annotated[
        str, typer.Option(metavar="LENGTH", help="Width of that board's markers as ordered.")
    ] = "64 mm",
    mode: Annotated[
        str, typer.Option(metavar="WORDS", help="The filming mode in your words, kept in the file.")
    ] = "",
    out: Annotated[Path, typer.Option(metavar="FILE", help="Where to write the lens file.")] = Path(
        "lens.toml"
    ),
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over a lens file of that name that is there.")
    ] = False,
) -> None:
    """Make a lens file for one filming mode from pictures of a board.

    A wide lens bends the picture, and bent paths have wrong speeds. Show the camera a flat board in 10
    to 20 different places and tilts: in the middle, at every edge and in every corner, in the same mode
    as the shots (same lens, size, frame rate, zoom, stabiliser). Frames of a clip are best.

    Example: lobscope lens boards/*.png --square "30 mm" --corners 9x6 --out lens.toml
    """
    if out.exists() and not replace:
        raise WrongUsage(
            "lens_exists",
            f"There is already a file {out.name}.",
            "Choose another name with --out, or add --replace.",
        )
    size = _corners(corners)
    own = None if board is None else _own(board, sheets, marker)
    if own is None and square is None:
        raise WrongUsage(
            "square_missing",
            "How large a square is was not said.",
            'Measure one and add --square "30 mm", or name our own board with --board A4.',
        )
    square_m = 0.025 if square is None else _length(square)
    shown = _look(pictures, size, square_m, own, mode)
    from calibration.lens_file import write_lens

    write_lens(out, shown.lens, replace=replace)
    _tell(shown, out)


def _corners(text: str) -> tuple[int, int]:
    size = pair(text, "--corners", "--corners 9x6")
    if min(size) < FEWEST_CORNERS:
        raise WrongUsage(
            "bad_corners",
            "A chessboard needs three inner corners each way.",
            "Count the places where four squares meet, such as --corners 9x6.",
        )
    return size


def _length(square: str) -> float:
    from tracker.setup_file import units

    return amount(square, units.LENGTH, "--square")


def _own(paper: str, sheets: str, marker: str) -> Board:
    from calibration.board_layout import PAPERS_MM, Board
    from tracker.setup_file import units

    across, up = pair(sheets, "--sheets", "--sheets 2x1")
    return Board(
        paper={name.lower(): name for name in PAPERS_MM}.get(paper.strip().lower(), paper),
        sheets_across=across,
        sheets_up=up,
        marker_mm=1000 * amount(marker, units.LENGTH, "--marker"),
    )


def _look(
    pictures: list[Path], corners: tuple[int, int], square_m: float, board: Board | None, mode: str
) -> Shown:
    from tracker.film.guard import in_child
    from tracker.showing import Showing, files_in

    job = Showing(files_in(pictures), corners, square_m, board, mode)
    with FramesDone("looking for the board") as progress:
        return in_child(job, seconds=SILENCE_S, memory_bytes=MEMORY_BYTES, on_progress=progress)


def _tell(shown: Shown, out: Path) -> None:
    from calibration.convert import lens_shift_px

    lens = shown.lens
    bend_px, u_px = lens_shift_px(lens)
    grade = "good" if u_px <= GOOD_PX else "fair" if u_px <= FAIR_PX else "poor"
    for name in shown.unread:
        sys.stderr.write(f"{name} could not be read as a picture and was left out.\n")
    sys.stdout.write(
        f"The lens is known from {lens.views} of {shown.looked_at} pictures "
        f"of {lens.width_px} x {lens.height_px} px.\n"
        f"Corners of the board lie {lens.rms_px:.2f} px from where they should (root mean square).\n"
        f"The board was shown in {100 * shown.cover:.0f} % of the picture.\n"
        f"At the edge of the picture the lens bends by {bend_px:.1f} px, known to {u_px:.2f} px: {grade}.\n"
    )
    if grade != "good":
        sys.stdout.write("More pictures, with the board at the edges and in the corners, make it better.\n")
    sys.stderr.write(f"Wrote {out}. Put this under [camera] in the setup file: lens = {quoted_name(out)}\n")


def quoted_name(path: Path) -> str:
    """A file's name as the setup file wants it."""
    return f'"{quoted(path).strip(chr(34))}"'
