"""``lobscope log``: what is in the launch log."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.failures import WrongUsage
from tracker.cli.from_log import LogOption, open_log, say_table

if TYPE_CHECKING:
    from datetime import datetime

    from tracker.store import Log, NumberColumns, ShotColumns


def log(
    session: Annotated[
        str | None, typer.Argument(metavar="SESSION", help="A session whose shots are to be listed.")
    ] = None,
    timeline: Annotated[
        bool,
        typer.Option(
            "--timeline", help="List what was measured, left out and done to the launcher, by date."
        ),
    ] = False,
    where: LogOption = None,
) -> None:
    """List the sessions of the launch log, or the shots of one.

    Shots get into the log with "lobscope measure ... --session NAME". The number in front of a shot is
    what "lobscope exclude" wants to know.

    Example: lobscope log "monday gap 126"
    """
    if timeline and session is not None:
        raise WrongUsage("timeline_alone", "The timeline is that of the whole log.", "Leave the session out.")
    with open_log(where) as opened:
        if timeline:
            _timeline(opened)
        elif session is None:
            _sessions(opened)
        else:
            _shots(opened.shots(session))


def _sessions(opened: Log) -> None:
    rows = opened.sessions()
    if not rows:
        sys.stderr.write('The launch log is empty. Add a clip with "lobscope measure ... --session NAME".\n')
        return
    say_table(
        ("session", "begun", "clips", "shots", "left out", "last measured"),
        (
            (
                row.name,
                day(row.created),
                str(row.clips),
                str(row.shots),
                str(row.excluded),
                day(row.last_measured),
            )
            for row in rows
        ),
    )


def day(when: datetime | None) -> str:
    """A date and time on this computer's clock."""
    return "-" if when is None else when.astimezone().strftime("%Y-%m-%d %H:%M")


def _shots(columns: ShotColumns) -> None:
    from tracker.report.quantities import EXIT_ANGLE, EXIT_SPEED, SPIN

    numbers = [
        (columns.exit_speed_m_s, EXIT_SPEED.factor),
        (columns.exit_angle_rad, EXIT_ANGLE.factor),
        (columns.spin_rad_s, SPIN.factor),
    ]
    say_table(
        (
            "no.",
            "clip",
            "shot",
            "speed, m/s",
            "angle, deg",
            "spin, rev/s",
            "wheel, rpm",
            "gap, mm",
            "remarks",
        ),
        (
            (
                str(columns.id[i]),
                columns.clips[columns.clip[i]].name,
                str(columns.shot[i]),
                *(_number(number, i, factor) for number, factor in numbers),
                _setting(columns.wheel_speed_rad_s[i] * 30 / math.pi),
                _setting(columns.gap_exit_m[i] * 1000),
                _remarks(columns, i),
            )
            for i in range(len(columns))
        ),
    )


def _number(numbers: NumberColumns, i: int, factor: float) -> str:
    from tracker.report.rounding import plus_minus
    from tracker.values import Number

    parts = (float(column[i]) for column in (numbers.value, numbers.u_random, numbers.u_common))
    value, u_random, u_common = parts
    return "-" if math.isnan(value) else plus_minus(Number.of(value, u_random, u_common).times(factor))


def _setting(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.6g}"


def _remarks(columns: ShotColumns, i: int) -> str:
    return f"left out: {columns.reason[i]}" if columns.excluded[i] else " ".join(columns.flags[i])


def _timeline(opened: Log) -> None:
    rows = opened.timeline()
    if not rows:
        sys.stderr.write("Nothing has happened yet in this launch log.\n")
        return
    say_table(
        ("when", "what", "session", ""),
        ((day(row.when), row.kind.replace("_", " "), row.session, row.text) for row in rows),
    )
