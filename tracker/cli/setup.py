"""``lobscope setup``: write a setup file to fill in."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.files import quoted


def setup(
    file: Annotated[Path, typer.Argument(help="Where to write it.", metavar="FILE")] = Path("setup.toml"),
) -> None:
    """Write a setup file to fill in.

    The setup file holds what the film cannot tell: how big the ball is, and a length you know with the
    two places in the picture where it begins and ends. Every setting in it is explained. Open it in
    any text editor. A file that is already there is never touched.
    """
    from tracker.setup_file import write_template

    write_template(file)
    sys.stderr.write(f"Wrote {file}. Open it, fill in your ball and your known length, then:\n")
    sys.stderr.write(f"  lobscope measure CLIP --setup {quoted(file)}\n")
