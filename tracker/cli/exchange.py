"""``lobscope export`` and ``lobscope import``: the launch log as a file for others, and back."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.failures import WrongUsage
from tracker.cli.files import new_file
from tracker.cli.from_log import LogOption, open_log
from tracker.errors import LogError

LARGEST_BYTES = 2 * 1024**3


def export_log(
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", help="log.json for everything, or a .csv for one session.", show_default=False
        ),
    ],
    session: Annotated[
        str | None, typer.Option(metavar="NAME", help="The session whose shots go into a .csv table.")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over a file of that name that is there.")
    ] = False,
    where: LogOption = None,
) -> None:
    """Write the launch log into a file.

    A .json file holds everything and can be imported elsewhere, digit for digit. A .csv file holds the
    shots of one session for a spreadsheet.

    Example: lobscope export monday.csv --session "monday gap 126"
    """
    table = file.suffix.lower() == ".csv"
    if not table and file.suffix.lower() != ".json":
        raise WrongUsage(
            "export_kind", f"{file.name} is neither a .json nor a .csv file.", "Name it like log.json."
        )
    if table != (session is not None):
        raise WrongUsage(
            "export_session",
            "A .csv table holds the shots of one session, a .json file the whole log.",
            'Give --session "NAME" with a .csv file, and only with that.',
        )
    with open_log(where) as log:
        text = log.export_json() if session is None else log.export_csv(session)
    new_file(file, text, replace=replace)
    sys.stderr.write(f"Wrote {file}\n")


def import_log(
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help='A .json file that "lobscope export" wrote.', show_default=False),
    ],
    where: LogOption = None,
) -> None:
    """Add what such a file holds to the launch log.

    What the log has already is left alone, so importing twice adds nothing twice.

    Example: lobscope import log.json
    """
    text = _read(file)
    with open_log(where, create=True) as log:
        got = log.import_json(text)
    clips = "1 clip" if got.clips == 1 else f"{got.clips} clips"
    notes = "1 note" if got.notes == 1 else f"{got.notes} notes"
    sys.stderr.write(f"Added {clips} and {notes}; {got.already_there} of its clips were there already.\n")


def _read(file: Path) -> str:
    try:
        if file.stat().st_size <= LARGEST_BYTES:
            return file.read_text(encoding="utf-8-sig")
        why = "is too large"
    except UnicodeDecodeError:
        why = "is not a text"
    except OSError as error:
        why = f"cannot be read ({(error.strerror or str(error)).lower()})"
    raise LogError("import_unreadable", f"{file} {why}.", 'Name a file that "lobscope export" wrote.')
