"""``lobscope demo``: a made clip, measured, so that one sees what comes out."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.files import quoted, usable_folder
from tracker.cli.measure import Wish, measure_all


def demo(
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Where the clip, its setup file and the pictures go.")
    ] = Path("lobscope-out"),
) -> None:
    """Make a clip and measure it, to see what comes out.

    No phone and no launcher needed: the clip shows an invented launcher. Clip, setup file and pictures
    of the result stay in the folder, so that you can change something and measure again; the command
    for that is shown at the end.
    """
    from tracker.demo.story import make_demo

    usable_folder(out)
    files = make_demo(out)
    status = measure_all([files.clip], files.setup, Wish(out=out))
    if status == 0:
        sys.stderr.write(
            f"The clip is {files.clip} and its setup file {files.setup}. Measure it again with\n"
            f"  lobscope measure {quoted(files.clip)} --setup {quoted(files.setup)}\n"
        )
    raise typer.Exit(status)
