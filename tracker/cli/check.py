"""``lobscope check``: a few shots before a match against a baseline session."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker.cli.from_log import (
    LogOption,
    QuantityOption,
    amount_of,
    open_log,
    quantity_named,
    say,
    warn_of_doubts,
)


def check(
    baseline: Annotated[
        str,
        typer.Argument(
            metavar="BASELINE",
            help="The session that shows the launcher as it should be.",
            show_default=False,
        ),
    ],
    session: Annotated[
        str,
        typer.Argument(
            metavar="SESSION", help="The few shots fired just now, five or so.", show_default=False
        ),
    ],
    quantity: QuantityOption = "exit_speed",
    within: Annotated[
        str | None,
        typer.Option(
            metavar="AMOUNT", help="The largest shift that would not matter; else two standard deviations."
        ),
    ] = None,
    where: LogOption = None,
) -> None:
    """Say in one sentence, before a match, whether the launcher is still itself.

    Five shots are set against a session of record: has the launcher moved, does it scatter more?

    Example: lobscope check "monday gap 126" "before match 3"
    """
    from tracker import logbook
    from tracker.report.verdicts import recheck_words

    wanted = quantity_named(quantity)
    limit = None if within is None else amount_of(within, wanted, "--within")
    with open_log(where) as log:
        record, few = logbook.read_session(log, baseline), logbook.read_session(log, session)
    found = logbook.checked(record, few, wanted, within=limit)
    say([recheck_words(record.name, wanted, found, len(few.counted))])
    warn_of_doubts(record, few)
