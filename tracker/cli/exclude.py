"""``lobscope exclude``: a wrong shot out of the count, with a reason, never deleted."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from tracker.cli.failures import WrongUsage
from tracker.cli.from_log import LogOption, open_log


def exclude(
    session: Annotated[
        str, typer.Argument(metavar="SESSION", help="The session of the shot.", show_default=False)
    ],
    number: Annotated[
        int,
        typer.Argument(
            metavar="NO", help='Its number, as "lobscope log SESSION" lists it.', show_default=False
        ),
    ],
    because: Annotated[
        str | None, typer.Option(metavar="WORDS", help="Why it is not a fair shot; kept in the log.")
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Count the shot again.")] = False,
    where: LogOption = None,
) -> None:
    """Leave a wrong shot out of the count, with a reason; --undo counts it again.

    The shot stays in the log with the reason. Leave a shot out because something went wrong that you
    saw, not because its number looks odd: leaving out odd numbers makes any launcher look good.

    Example: lobscope exclude "monday gap 126" 3 --because "ball was torn"
    """
    if undo == (because is not None) or (because is not None and not because.strip()):
        raise WrongUsage(
            "reason_missing",
            "A shot is left out with a reason, or counted again with --undo.",
            'Say what happened, such as --because "ball was torn".',
        )
    with open_log(where) as log:
        if because is None:
            log.include(session, number)
            sys.stderr.write(f"Shot no. {number} counts again.\n")
        else:
            log.exclude(session, number, because)
            sys.stderr.write(f"Shot no. {number} is left out; it stays in the log with the reason.\n")
