"""``lobscope enough``: how many shots it takes to see a change."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker.cli.failures import WrongUsage
from tracker.cli.from_log import LogOption, QuantityOption, amount_of, open_log, quantity_named, say


def enough(
    change: Annotated[
        str,
        typer.Option(
            metavar="AMOUNT",
            help='The smallest change you want to see, such as "0.2 m/s".',
            show_default=False,
        ),
    ],
    session: Annotated[
        str | None, typer.Option(metavar="NAME", help="A session that shows how much your shots scatter.")
    ] = None,
    scatter: Annotated[
        str | None,
        typer.Option(
            metavar="AMOUNT", help="In place of a session: the standard deviation from shot to shot."
        ),
    ] = None,
    quantity: QuantityOption = "exit_speed",
    where: LogOption = None,
) -> None:
    """Tell how many shots you need to see a change, before you fire them.

    How many it takes depends on how much the shots scatter by themselves, which a session of the log
    tells.

    Example: lobscope enough --change "0.2 m/s" --session "monday gap 126"
    """
    from tracker import logbook
    from tracker.report.verdicts import shots_words
    from tracker.session.power import shots_for_difference

    wanted = quantity_named(quantity)
    size = amount_of(change.strip().removeprefix("+").removeprefix("-"), wanted, "--change")
    if (session is None) == (scatter is None):
        raise WrongUsage(
            "scatter_missing",
            "How much the shots scatter by themselves has to be said once.",
            'Add --session with a session of the log, or --scatter "0.08 m/s".',
        )
    at_worst = None
    if scatter is not None:
        sd, source = amount_of(scatter, wanted, "--scatter"), "as you stated"
    else:
        assert session is not None
        with open_log(where) as log:
            sd, high = logbook.scatter(logbook.read_session(log, session), wanted)
        source = f"as in {session}"
        at_worst = (high, shots_for_difference(size, high))
    say([shots_words(size, sd, shots_for_difference(size, sd), wanted, source, at_worst=at_worst)])
