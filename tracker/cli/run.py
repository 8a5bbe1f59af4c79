"""The whole of ``lobscope``: its commands, and what becomes of their failures."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker import __version__
from tracker.cli.board import board
from tracker.cli.check import check
from tracker.cli.compare import compare
from tracker.cli.consistency import consistency
from tracker.cli.demo import demo
from tracker.cli.design import design
from tracker.cli.enough import enough
from tracker.cli.exchange import export_log, import_log
from tracker.cli.exclude import exclude
from tracker.cli.failures import WrongUsage, tell
from tracker.cli.lens import lens
from tracker.cli.log import log
from tracker.cli.measure import measure
from tracker.cli.note import note
from tracker.cli.plan import plan
from tracker.cli.setup import setup
from tracker.cli.streams import safe_streams
from tracker.cli.warnings import warnings

app = typer.Typer(
    name="lobscope",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Each command explains itself: lobscope measure --help",
)
OF_THE_LOG = (log, consistency, design, compare, enough, check, note, exclude)
for command in (measure, setup, plan, board, lens, demo, warnings, *OF_THE_LOG):
    app.command()(command)
app.command("export")(export_log)
app.command("import")(import_log)


def _answer_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"lobscope {__version__}")
        raise typer.Exit


@app.callback(no_args_is_help=True)
def _lobscope(
    *,
    version: Annotated[
        bool,
        typer.Option("--version", callback=_answer_version, is_eager=True, help="Say which version this is."),
    ] = False,
) -> None:
    """Measure a ball launcher from a phone's slow-motion clip.

    lobscope finds the ball in the film and tells how fast and how steeply it left the launcher, how
    much of the wheel's speed went into spin, and how sure of all this you can be.

    New here? "lobscope demo" makes a clip and measures it, so that you see what comes out. Then write
    a setup file with "lobscope setup", fill in your ball and your known length, and measure your own
    clip with "lobscope measure". With --session its shots go into the launch log, which the commands
    from "log" on are about.
    """


def run(arguments: list[str]) -> int:
    """Run one command line and give its exit status: 0 done, 1 could not, 2 wrong usage."""
    with safe_streams():
        try:
            app(args=arguments, prog_name="lobscope")
        except SystemExit as end:
            return end.code if isinstance(end.code, int) else int(end.code is not None)
        except Exception as error:  # noqa: BLE001 - the last stop: a person never sees a traceback unasked
            tell(error)
            return 2 if isinstance(error, WrongUsage) else 1
    return 0
