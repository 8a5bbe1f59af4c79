"""``lobscope consistency``: how alike the shots of a session are."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.files import cannot_write, file_word, usable_folder
from tracker.cli.from_log import (
    LogOption,
    QuantityOption,
    open_log,
    quantity_named,
    say,
    say_pairs,
    warn_of_doubts,
)

if TYPE_CHECKING:
    from tracker.logbook import Consistency


def consistency(
    session: Annotated[
        str, typer.Argument(metavar="SESSION", help="The session to look at.", show_default=False)
    ],
    quantity: QuantityOption = "exit_speed",
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Draw the control chart into this folder.")
    ] = None,
    where: LogOption = None,
) -> None:
    """Tell how alike the shots of a session are.

    Says in words first, then in numbers: how many shots, their mean, how much they scatter, whether the
    first one differs, whether they drift, and which shots stand out and why they might.

    Example: lobscope consistency "monday gap 126" --out lobscope-out
    """
    from tracker import logbook
    from tracker.report.session_words import NUMBERS_NOTE, session_numbers, session_words

    wanted = quantity_named(quantity)
    if out is not None:
        usable_folder(out)
    with open_log(where) as log:
        found = logbook.consistency(logbook.read_session(log, session), wanted)
    columns = found.session.columns
    say(
        session_words(
            columns.session,
            wanted,
            found.summary,
            found.labels,
            found.standing_out,
            left_out=int(columns.excluded.sum()),
            calibrations=len(set(columns.calibration[found.rows].tolist())),
            exit_scatter=logbook.exit_scatter(found.session, found.rows),
        )
    )
    say_pairs(session_numbers(wanted, found.summary), NUMBERS_NOTE)
    warn_of_doubts(found.session)
    if out is not None:
        _draw(found, out)


def _draw(found: Consistency, out: Path) -> None:
    from tracker import pictures

    chart = found.summary.chart
    if chart is None:
        sys.stderr.write("No chart was drawn: it takes three shots.\n")
        return
    quantity = found.quantity
    figure = pictures.control_chart_picture(
        found.sample.values,
        chart,
        title=f"{quantity.noun.capitalize()} of {found.session.name}",
        unit=quantity.unit,
        names=tuple(str(label.number) for label in found.labels),
    )
    file = out / f"{file_word(found.session.name)}-{quantity.name}-chart.png"
    try:
        pictures.save(figure, file)
    except OSError as error:
        raise cannot_write(out, error) from error
    sys.stderr.write(f"Drew the control chart {file}\n")
