"""Two sessions of the log: what a change did, and whether the launcher is still itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.errors import SessionError
from tracker.evaluation import Comparison, Recheck
from tracker.logbook.sessions import Session, carried, home, sample_of
from tracker.logbook.settings import build, modelled_change
from tracker.report.quantities import Quantity
from tracker.session import compare as comparing
from tracker.session.recheck import recheck
from tracker.session.values import Sample
from tracker.values import Number


@dataclass(frozen=True, slots=True)
class Compared:
    """Two sessions side by side.

    ``modelled`` is the change that the settings should make, ``carried_m`` how far on average the shots
    of the second session were carried to where the first one's are told.
    """

    before: Session
    after: Session
    quantity: Quantity
    samples: tuple[Sample, Sample]
    result: Comparison
    modelled: Number | None
    carried_m: float


def compared(
    before: Session,
    after: Session,
    quantity: Quantity,
    *,
    expected: float | None = None,
    within: float | None = None,
    from_model: bool = False,
) -> Compared:
    """What a change did; ``expected`` and ``within`` are in the unit of the quantity's key.

    Parameters
    ----------
    from_model : bool
        Take the expected change from the launcher model.

    Raises
    ------
    SessionError
        If the sessions cannot be compared, or the model cannot say what to expect.
    """
    comparable(before, after, quantity)
    place = home(before)
    told, rows = sample_of(after, quantity, place)
    samples = sample_of(before, quantity)[0], told
    modelled = modelled_change(before, after, quantity)
    if from_model:
        if modelled is None:
            raise SessionError(
                "setting_unknown",
                "The launcher model expects nothing: a setting is not stated, varies, or is the same.",
                "State wheel_speed and wheel_diameter in both setups, or give the expected change yourself.",
            )
        expected = modelled.value
    result = comparing.compare(*samples, expected=expected, within=within)
    carried_m = float(np.mean(carried(after, rows, quantity, place).way_m))
    return Compared(before, after, quantity, samples, result, modelled, carried_m)


def comparable(one: Session, other: Session, quantity: Quantity) -> None:
    """Refuse sessions of different balls, and spins that were found in different ways.

    Raises
    ------
    SessionError
    """
    balls = {build(setup.ball) for session in (one, other) for setup in session.setups}
    if len(balls) > 1:
        raise SessionError(
            "balls_differ",
            f"The sessions {one.name!r} and {other.name!r} were fired with different balls.",
            "Compare sessions with one kind of ball, or correct the setup and measure the clips again.",
        )
    if quantity.field == "spin_rad_s":
        sources = {
            str(source)
            for session in (one, other)
            for source in session.columns.spin_source[sample_of(session, quantity)[1]]
        }
        if len(sources) > 1:
            raise SessionError(
                "quantities_differ",
                "Some spins were read from marks on the ball and others only from the lift.",
                "Mark the ball in both sessions, or leave out the shots whose marks were not read.",
            )


def checked(baseline: Session, few: Session, quantity: Quantity, *, within: float | None = None) -> Recheck:
    """A few shots beside a baseline session: whether the launcher is still itself."""
    comparable(baseline, few, quantity)
    place = home(baseline)
    return recheck(sample_of(baseline, quantity)[0], sample_of(few, quantity, place)[0], within=within)
