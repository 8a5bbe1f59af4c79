"""``lobscope board``: a board to print."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.sizes import amount, pair


def board(
    file: Annotated[Path, typer.Argument(help="Where to write it.", metavar="FILE")] = Path("board.pdf"),
    paper: Annotated[str, typer.Option(help="The paper you have: A4 or Letter.")] = "A4",
    sheets: Annotated[
        str, typer.Option(metavar="AxB", help="Sheets across and up that are taped together, such as 2x1.")
    ] = "1x1",
    marker: Annotated[
        str, typer.Option(metavar="LENGTH", help="Width of a marker; larger ones can be seen from farther.")
    ] = "64 mm",
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over a file of that name that is there.")
    ] = False,
) -> None:
    """Make a board to print, which measure finds in a clip without a click.

    The board carries markers of known size. Stood up in the plane in which the ball flies it gives
    scale, plane and tilt, so that the phone may stand wherever there is room. The first page says how
    to print it, how to check the printer with the ruler line, and where to tape it. What belongs into
    the setup file is printed.

    Example: lobscope board board.pdf --paper Letter --sheets 2x1
    """
    from calibration.board_layout import PAPERS_MM, Board
    from calibration.board_pdf import write_board
    from tracker.setup_file import units

    across, up = pair(sheets, "--sheets", "--sheets 2x1")
    wanted = Board(
        paper={name.lower(): name for name in PAPERS_MM}.get(paper.strip().lower(), paper),
        sheets_across=across,
        sheets_up=up,
        marker_mm=1000 * amount(marker, units.LENGTH, "--marker"),
    )
    write_board(file, wanted, replace=replace)
    sys.stdout.write(
        "[reference]\n"
        f'board = "{wanted.paper}"\n'
        f"sheets = [{across}, {up}]\n"
        f'marker = "{wanted.marker_mm:g} mm"\n'
        'ruler = "150.0 mm"   # measure the ruler line on the print and write what you found\n'
    )
    pages = "one sheet" if wanted.sheets == 1 else f"{wanted.sheets} sheets"
    sys.stderr.write(
        f"Wrote {file}: a page that says what to do, then {pages} with {wanted.markers} markers.\n"
        "Print it at 100 %, and put the lines above into your setup file.\n"
        "Before anybody goes near the launcher with it: power off, and the wheel at a stop.\n"
    )
