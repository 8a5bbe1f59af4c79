"""What the commands about the launch log share: opening it, naming a quantity, printing paragraphs."""

from __future__ import annotations

import contextlib
import difflib
import sys
import textwrap
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.failures import WrongUsage
from tracker.cli.sizes import amount

if TYPE_CHECKING:
    from tracker.logbook import Session
    from tracker.report.quantities import Quantity
    from tracker.store import Log

PAGE = 88

LogOption = Annotated[
    str | None,
    typer.Option(
        "--log",
        metavar="FILE|URL",
        help="The launch log, if it is not the file launch-log.sqlite in this folder.",
    ),
]
QuantityOption = Annotated[
    str, typer.Option(metavar="NAME", help="What to look at: exit_speed, exit_angle or spin.")
]


@contextlib.contextmanager
def open_log(where: str | None, *, create: bool = False) -> Iterator[Log]:
    """The launch log that was named, or that of this folder; says what opening did to it.

    Raises
    ------
    LogError
        If it cannot be opened.
    """
    from tracker.store import Log, place

    with Log.open(place(where), create=create) as log:
        opened = log.opened
        if opened.upgraded_from is not None:
            sys.stderr.write(
                f"The launch log was brought up to date; the old one is kept as {opened.safety_copy}.\n"
            )
        yield log


def quantity_named(name: str) -> Quantity:
    """The quantity of this name.

    Raises
    ------
    WrongUsage
        If there is none.
    """
    from tracker.report.quantities import QUANTITIES

    key = name.strip().lower().replace("-", "_").replace(" ", "_")
    if key not in QUANTITIES:
        near = difflib.get_close_matches(key, QUANTITIES, n=1, cutoff=0.3)
        meant = f"Did you mean {near[0]}?" if near else f"Take one of {', '.join(QUANTITIES)}."
        raise WrongUsage("quantity_unknown", f"{name!r} is no quantity of a shot.", meant)
    return QUANTITIES[key]


def amount_of(text: str, quantity: Quantity, option: str, *, signed: bool = False) -> float:
    """An amount of a quantity, in the unit of its key.

    Raises
    ------
    WrongUsage
        If the text is none.
    """
    from tracker.setup_file import units

    kind = {"exit_speed": units.SPEED, "exit_angle": units.ANGLE, "spin": units.ROTATION}[quantity.name]
    # Twelve digits: what was typed in degrees comes back as it was typed.
    return float(f"{amount(text, kind, option, signed=signed) * quantity.factor:.12g}")


def say(paragraphs: Iterable[str]) -> None:
    """Print paragraphs for a person, wrapped."""
    sys.stdout.write("\n\n".join(textwrap.fill(words, PAGE) for words in paragraphs if words) + "\n")


def say_pairs(rows: Iterable[tuple[str, str]], note: str = "") -> None:
    """Print names and values in two columns."""
    listed = list(rows)
    wide = max((len(name) for name, _ in listed), default=0)
    sys.stdout.write("\n" + "".join(f"  {name.ljust(wide)}  {value}\n" for name, value in listed))
    if note:
        sys.stdout.write("\n" + textwrap.fill(note, PAGE, initial_indent="  ", subsequent_indent="  ") + "\n")


def say_table(headings: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> None:
    """Print a table without lines."""
    listed = [headings, *rows]
    wide = [max(map(len, column)) for column in zip(*listed, strict=True)]
    for row in listed:
        cells = (cell.ljust(width) for cell, width in zip(row, wide, strict=True))
        sys.stdout.write("  ".join(cells).rstrip() + "\n")


def warn_of_doubts(*sessions: Session) -> None:
    """Say on stderr which clips were measured with a doubtful calibration."""
    from tracker.logbook import doubtful_clips
    from tracker.report.verdicts import doubts_words

    found: dict[str, tuple[str, ...]] = {}
    for session in sessions:
        found |= doubtful_clips(session)
    words = doubts_words(found)
    if words:
        sys.stderr.write(textwrap.fill(words, PAGE) + "\n")
