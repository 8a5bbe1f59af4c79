"""``lobscope design``: designed against measured, for a session."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.files import cannot_write, file_word, usable_folder
from tracker.cli.from_log import LogOption, open_log, say, warn_of_doubts

if TYPE_CHECKING:
    from tracker.logbook import AsDesigned, Session
    from tracker.values import Launcher


def design(
    session: Annotated[
        str, typer.Argument(metavar="SESSION", help="The session to look at.", show_default=False)
    ],
    grip_from: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME", help="Learn the grip from this session of yours; may be given several times."
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Draw where the wheel's speed goes into this folder.")
    ] = None,
    where: LogOption = None,
) -> None:
    """Set what a session measured beside what was designed.

    The design is what [design] in the setup states, else what the launcher's setting gives to a ball
    that rolls without slip. No launcher grips that well: with --grip-from the grip is learnt from a
    session of your own. Shows also where the wheel's speed goes.

    Example: lobscope design "monday gap 126" --grip-from "sunday gap 126"
    """
    from tracker import logbook
    from tracker.report.session_words import SAFETY
    from tracker.report.verdicts import design_words

    if out is not None:
        usable_folder(out)
    with open_log(where) as log:
        found = logbook.read_session(log, session)
        teachers = [logbook.read_session(log, name) for name in grip_from or ()]
    parts = logbook.as_designed(found, teachers)
    for part in parts:
        grip = None if part.grip is None else part.grip.value
        setting = _setting(part.launcher)
        say(design_words(setting, part.means, part.checks, part.wheel_budget, part.shots, grip=grip))
        sys.stdout.write("\n")
    say([SAFETY])
    warn_of_doubts(found, *teachers)
    if out is not None:
        _draw(found, parts, out)


def _setting(launcher: Launcher) -> str:
    """What the launcher was set to, as far as it is stated."""
    said = []
    for name, speed in (
        ("wheel", launcher.wheel_speed_rad_s),
        ("second wheel", launcher.second_wheel_speed_rad_s),
    ):
        if speed is not None:
            said.append(f"{name} {speed * 30 / math.pi:.6g} rpm")
    gap = launcher.gap_exit_m if launcher.gap_exit_m is not None else launcher.gap_entry_m
    if gap is not None:
        said.append(f"gap {1000 * gap:.6g} mm")
    if launcher.deflector_angle_rad is not None:
        said.append(f"deflector {math.degrees(launcher.deflector_angle_rad):.6g} degrees")
    return ", ".join(said)


def _draw(found: Session, parts: list[AsDesigned], out: Path) -> None:
    from tracker import pictures
    from tracker.report.rounding import plus_minus

    drawn = 0
    for part in parts:
        if part.wheel_budget is None:
            continue
        drawn += 1
        file = out / f"{file_word(found.name)}-wheel-{drawn}.png"
        b = part.wheel_budget
        numbers = (b.wheel_speed_m_s, b.exit_m_s, b.spin_loss_m_s, b.slip_m_s)
        figure = pictures.wheel_speed_picture(
            b, title=f"Where the wheel's speed goes: {found.name}", words=tuple(map(plus_minus, numbers))
        )
        try:
            pictures.save(figure, file)
        except OSError as error:
            raise cannot_write(out, error) from error
        sys.stderr.write(f"Drew where the wheel's speed goes in {file}\n")
    if not drawn:
        sys.stderr.write(
            "Nothing was drawn: the wheel's speed and diameter are not stated, or no spin is known.\n"
        )
