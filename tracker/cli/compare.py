"""``lobscope compare``: what a change did, and whether it did what it should."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.failures import WrongUsage
from tracker.cli.files import cannot_write, file_word, usable_folder
from tracker.cli.from_log import (
    LogOption,
    QuantityOption,
    amount_of,
    open_log,
    quantity_named,
    say,
    warn_of_doubts,
)

if TYPE_CHECKING:
    from tracker.logbook import Compared

MODEL = "model"


def compare(
    before: Annotated[
        str, typer.Argument(metavar="BEFORE", help="The session before the change.", show_default=False)
    ],
    after: Annotated[
        str, typer.Argument(metavar="AFTER", help="The session after the change.", show_default=False)
    ],
    quantity: QuantityOption = "exit_speed",
    expect: Annotated[
        str | None,
        typer.Option(
            metavar="CHANGE",
            help='The change you expected, such as "+0.45 m/s"; "model" asks the launcher model.',
        ),
    ] = None,
    within: Annotated[
        str | None,
        typer.Option(metavar="AMOUNT", help="How far from that it may be, or the least change that matters."),
    ] = None,
    json: Annotated[
        bool, typer.Option("--json", help="Print the result for programs instead of people.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Draw both sessions into this folder.")
    ] = None,
    where: LogOption = None,
) -> None:
    """Compare two sessions, and say whether a change did what it should.

    Says whether the change was as designed, not as designed, not seen, or whether there are too few
    shots to tell, and then how many are needed. Says also whether the shots became more alike.

    Example: lobscope compare "gap 126" "gap 122" --expect "+0.45 m/s" --within "0.20 m/s"
    """
    from tracker import logbook

    wanted = quantity_named(quantity)
    from_model = expect is not None and expect.strip().lower() == MODEL
    if expect is not None and within is None:
        raise WrongUsage(
            "within_missing",
            "--expect needs --within: how far from the expected change may the result be?",
            'Add what you would still accept, such as --within "0.20 m/s".',
        )
    expected = None if expect is None or from_model else amount_of(expect, wanted, "--expect", signed=True)
    tolerance = None if within is None else amount_of(within, wanted, "--within")
    if out is not None:
        usable_folder(out)
    with open_log(where) as log:
        found = logbook.compared(
            logbook.read_session(log, before),
            logbook.read_session(log, after),
            wanted,
            expected=expected,
            within=tolerance,
            from_model=from_model,
        )
    _show(found, from_model=from_model, as_json=json)
    warn_of_doubts(found.before, found.after)
    if out is not None:
        _draw(found, out)


def _show(found: Compared, *, from_model: bool, as_json: bool) -> None:
    import numpy as np

    from tracker.report.verdicts import comparison_json, comparison_words

    if not as_json:
        say(
            comparison_words(
                found.before.name,
                found.after.name,
                found.quantity,
                found.result,
                modelled=found.modelled,
                from_model=from_model,
                carried_m=found.carried_m,
            )
        )
        return
    shots = len(found.samples[0]), len(found.samples[1])
    sds = tuple(float(np.std(s.values, ddof=1)) if len(s) > 1 else None for s in found.samples)
    sys.stdout.write(comparison_json(found.quantity, found.result, shots, (sds[0], sds[1])) + "\n")


def _draw(found: Compared, out: Path) -> None:
    from tracker import pictures
    from tracker.report.verdicts import comparison_words

    quantity = found.quantity
    words = comparison_words(found.before.name, found.after.name, quantity, found.result)
    figure = pictures.before_after(
        (found.samples[0].values, found.samples[1].values),
        found.result,
        names=(found.before.name, found.after.name),
        title=words[0],
        label=f"{quantity.noun}, {quantity.unit}",
        unit=quantity.unit,
    )
    file = out / f"{file_word(found.before.name)}-{file_word(found.after.name)}-{quantity.name}.png"
    try:
        pictures.save(figure, file)
    except OSError as error:
        raise cannot_write(out, error) from error
    sys.stderr.write(f"Drew both sessions in {file}\n")
