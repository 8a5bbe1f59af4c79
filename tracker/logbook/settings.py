"""What a session was fired at: its settings, the grip they show, and the design beside them."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.values import Ints
from tracker.errors import SessionError
from tracker.launcher.budget import wheel_budget
from tracker.launcher.check import design_check
from tracker.launcher.grip import Grip, GripSession, learn_grip
from tracker.launcher.setting import designed
from tracker.logbook.sessions import Session, sample_of
from tracker.report.quantities import EXIT_SPEED, QUANTITIES, Quantity
from tracker.session.consistency import mean
from tracker.store import NumberColumns
from tracker.values import Ball, DesignCheck, Launcher, Number, Setup, WheelBudget


@dataclass(frozen=True, slots=True)
class AsDesigned:
    """The shots of a session that were fired at one setting, beside what they were designed to be.

    ``means`` and ``checks`` are in SI and have the keys of a shot's design check.
    """

    launcher: Launcher
    shots: int
    means: dict[str, Number]
    checks: dict[str, DesignCheck]
    wheel_budget: WheelBudget | None
    grip: Grip | None


def settings(session: Session) -> list[tuple[Setup, Ints]]:
    """The settings and designs of a session, and the counted rows that were fired at each."""
    found: list[tuple[Setup, list[int]]] = []
    for row in session.counted.tolist():
        setup = session.setups[session.columns.clip[row]]
        for known, rows in found:
            same = (known.launcher, known.design, build(known.ball)) == (
                setup.launcher,
                setup.design,
                build(setup.ball),
            )
            if same:
                rows.append(row)
                break
        else:
            found.append((setup, [row]))
    return [(setup, np.array(rows)) for setup, rows in found]


def build(ball: Ball) -> tuple[float, float | None, bool]:
    """What makes a ball another ball; its colour does not."""
    return ball.diameter_m, ball.mass_kg, ball.solid


def modelled_change(before: Session, after: Session, quantity: Quantity) -> Number | None:
    """What the settings should change, in the unit of the quantity's key; None where they do not say.

    The grip is that of the session before, so that only the change of the setting is modelled.
    """
    both = settings(before), settings(after)
    if any(len(found) != 1 for found in both):
        return None
    (old, _), (new, _) = both[0][0], both[1][0]
    driven = old.launcher.wheel_diameter_m and old.launcher.wheel_speed_rad_s
    grip = learned((before,)).value if driven else None
    ends = [getattr(designed(s.launcher, s.ball, grip=grip), quantity.field) for s in (old, new)]
    if ends[0] is None or ends[1] is None or ends[0].value == ends[1].value:
        return None
    # Rolling radius and grip are the same before and after, so that the change has their relative error.
    change = ends[1].value - ends[0].value
    share = max(abs(end.u / end.value) for end in ends) if all(end.value for end in ends) else 0.0
    return Number.of(change, 0.0, abs(change) * share).times(quantity.factor)


def learned(sessions: Sequence[Session]) -> Grip:
    """Grip from the shots of sessions, each setting by itself.

    Raises
    ------
    SetupError
        If the wheel of one of them is not stated.
    """
    runs = []
    for session in sessions:
        for setup, rows in settings(session):
            calibrations = set(session.columns.calibration[rows].tolist())
            shared = calibrations.pop() if len(calibrations) == 1 else ""
            runs.append(GripSession(setup.launcher, _numbers(session.columns.exit_speed_m_s, rows), shared))
    return learn_grip(runs)


def as_designed(session: Session, learned_from: Sequence[Session] = ()) -> list[AsDesigned]:
    """Designed against measured, for each setting of a session.

    Raises
    ------
    SessionError
        If nothing is designed.
    """
    grip = learned(learned_from) if learned_from else None
    found = []
    for setup, rows in settings(session):
        part = dataclasses.replace(session, counted=rows)
        means = {}
        for quantity in QUANTITIES.values():
            try:
                means[quantity.field] = mean(sample_of(part, quantity)[0]).value.times(1 / quantity.factor)
            except SessionError:  # no shot has it
                continue
        speed, spin = means[EXIT_SPEED.field], means.get("spin_rad_s")
        checks = design_check(
            setup.design,
            setup.launcher,
            setup.ball,
            speed,
            means["exit_angle_rad"],
            spin,
            grip=None if grip is None else grip.value,
        )
        budget = wheel_budget(setup.launcher, setup.ball, speed, spin)
        found.append(AsDesigned(setup.launcher, len(rows), means, checks or {}, budget, grip))
    if not any(part.checks or part.wheel_budget for part in found):
        raise SessionError(
            "nothing_designed",
            f"The setup of the session {session.name!r} states neither a design nor the launcher's setting.",
            "Fill in [design] or [launcher] in the setup file and measure the clips into the session again.",
        )
    return found


def _numbers(columns: NumberColumns, rows: Ints) -> tuple[Number, ...]:
    parts = zip(columns.value[rows], columns.u_random[rows], columns.u_common[rows], strict=True)
    return tuple(Number.of(*each) for each in parts)
