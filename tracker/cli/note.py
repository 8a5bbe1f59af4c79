"""``lobscope note``: what was done to the launcher, and when."""

from __future__ import annotations

import sys
from datetime import datetime
from typing import Annotated

import typer

from tracker.cli.failures import WrongUsage
from tracker.cli.from_log import LogOption, open_log


def note(
    kind: Annotated[
        str,
        typer.Argument(
            metavar="WHAT",
            help="fasteners_checked, wheel_cleaned, battery, wheel_changed or other.",
            show_default=False,
        ),
    ],
    text: Annotated[
        str, typer.Argument(metavar="WORDS", help="Whatever you want to remember about it.")
    ] = "",
    on: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="When it was done, such as 2026-11-20; now if left out."),
    ] = None,
    where: LogOption = None,
) -> None:
    """Write down what was done to the launcher.

    The note stands on the log's timeline ("lobscope log --timeline") between what was measured before
    and after. Before anybody works on the launcher: power off, and the wheel at a stop.

    Example: lobscope note wheel_cleaned "with alcohol" --on 2026-11-20
    """
    from tracker.store import NOTE_KINDS

    named = kind.strip().lower().replace(" ", "_").replace("-", "_")
    if named not in NOTE_KINDS:
        raise WrongUsage(
            "note_kind", f"{kind!r} is not a kind of note.", f"Take one of {', '.join(NOTE_KINDS)}."
        )
    with open_log(where, create=True) as log:
        written = log.note(_when(on), named, text)
    sys.stderr.write(f"Noted for {written.when.astimezone():%Y-%m-%d}: {NOTE_KINDS[written.kind]}.\n")


def _when(text: str | None) -> datetime:
    if text is None:
        return datetime.now().astimezone()
    try:
        return datetime.fromisoformat(text.strip()).astimezone()
    except (ValueError, OverflowError, OSError) as error:
        raise WrongUsage(
            "bad_date", f"{text!r} is not a date.", "Write it like 2026-11-20, or 2026-11-20T14:30."
        ) from error
