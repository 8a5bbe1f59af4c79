"""One session of the log: what is in it, how alike its shots are, and which stand out."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from calibration.values import Ints
from tracker.errors import SessionError
from tracker.evaluation import Recovery, Summary
from tracker.logbook.places import UNSTATED, Carried, Place, carry, place_of
from tracker.physics.gravity import STANDARD_M_S2
from tracker.report.quantities import EXIT_SPEED, Quantity
from tracker.report.standing import ShotLabel, StandOut
from tracker.session.consistency import repeatability
from tracker.session.order import recovery
from tracker.session.summary import summarise
from tracker.session.values import Sample
from tracker.store import Log, NumberColumns, ShotColumns
from tracker.values import Setup

#: Warnings that speak against scale, clock or camera, so that values are off for all shots of a clip.
AGAINST_CALIBRATION = frozenset(
    {
        "clock_disagrees",
        "clock_from_fall",
        "scale_disagrees",
        "plane_disagrees",
        "ball_disagrees",
        "yaw_suspected",
        "camera_moved",
        "lens_unknown",
        "out_of_plane",
        "scale_from_ball",
        "scale_from_fall",
    }
)
# Reasons for a shot to stand out (common practice, no source): seen half as often as the others, known
# half as well, or first seen so much higher or lower that gravity alone changed its speed.
FEWER = 0.5
LESS_SURE = 2.0
ELSEWHERE_M = 0.05


@dataclass(frozen=True, slots=True)
class Session:
    """A session as the log holds it; ``setups`` are those of its clips, ``counted`` the shots that count."""

    columns: ShotColumns
    setups: tuple[Setup, ...]
    counted: Ints

    @property
    def name(self) -> str:
        """What it is called."""
        return self.columns.session


@dataclass(frozen=True, slots=True)
class Consistency:
    """One quantity over one session.

    ``rows`` are the shots the summary is of, as rows of the session's columns; ``labels`` name them.
    """

    session: Session
    quantity: Quantity
    sample: Sample
    rows: Ints
    labels: tuple[ShotLabel, ...]
    summary: Summary
    standing_out: tuple[StandOut, ...]


def read_session(log: Log, name: str) -> Session:
    """A session that has at least one shot that counts.

    Raises
    ------
    LogError
        If there is no such session; the nearest name is offered.
    SessionError
        If no shot of it counts.
    """
    columns = log.shots(name)
    counted = np.flatnonzero(~columns.excluded)
    if len(counted) == 0:
        what = "holds no shot" if len(columns) == 0 else "has no shot left that counts"
        raise SessionError(
            "no_shots",
            f"The session {columns.session!r} {what}.",
            "Measure a clip into it first." if len(columns) == 0 else "Take an exclusion back first.",
        )
    return Session(columns, tuple(log.setups(name)), counted)


def home(session: Session) -> Place | None:
    """Where the shots of a session are told; None where their places cannot be set side by side."""
    return place_of(session.columns, session.setups, session.counted)


def carried(session: Session, rows: Ints, quantity: Quantity, place: Place | None = None) -> Carried:
    """What it takes to tell these shots at one place: the session's own, or another one's."""
    columns, setups = session.columns, session.setups
    return carry(columns, setups, rows, quantity.field, place or home(session))


def sample_of(session: Session, quantity: Quantity, place: Place | None = None) -> tuple[Sample, Ints]:
    """The counted shots that have this quantity, in the unit of its key, and which rows they are.

    All are told at one place: the session's own, or ``place``.

    Common errors of shots with one calibration are one error, those of several are independent
    (JCGM 100:2008, 5.2.2).

    Raises
    ------
    SessionError
        If no shot has it.
    """
    columns = session.columns
    numbers: NumberColumns = getattr(columns, quantity.field)
    rows = session.counted[np.isfinite(numbers.value[session.counted])]
    if len(rows) == 0:
        raise SessionError(
            "quantity_missing",
            f"No shot of the session {session.name!r} has a {quantity.noun}.",
            "Mark the ball with unequal dots so that its spin can be seen."
            if quantity.field == "spin_rad_s"
            else "Measure the clips again.",
        )
    names, of = np.unique(columns.calibration[rows], return_inverse=True)
    common = numbers.u_common[rows]
    parts = [float(common[of == k].sum()) / len(rows) for k in range(len(names))]
    on_the_way = carried(session, rows, quantity, place)
    sample = Sample(
        (numbers.value[rows] + on_the_way.shift) * quantity.factor,
        numbers.u_random[rows] * quantity.factor,
        math.hypot(*parts, on_the_way.u_common) * quantity.factor,
        str(names[0]) if len(names) == 1 else "",
    )
    return sample, rows


def doubtful_clips(session: Session) -> dict[str, tuple[str, ...]]:
    """Clips with counted shots whose calibration is in doubt, and the codes of the warnings."""
    found = {}
    for k in dict.fromkeys(session.columns.clip[session.counted].tolist()):
        row = session.columns.clips[k]
        codes = tuple(code for code in dict.fromkeys(row.warnings) if code in AGAINST_CALIBRATION)
        if codes:
            found[row.name] = codes
    return found


def consistency(session: Session, quantity: Quantity) -> Consistency:
    """How alike the shots of a session are."""
    sample, rows = sample_of(session, quantity)
    labels = tuple(label(session.columns, int(row)) for row in rows)
    summary = dataclasses.replace(summarise(sample), recovery=_recovery(session, sample, rows))
    apart = () if summary.outliers is None else summary.outliers.shots
    standing = tuple(
        StandOut(labels[k], float(sample.values[k] - np.median(sample.values)), _reasons(session, rows, k))
        for k in apart
    )
    return Consistency(session, quantity, sample, rows, labels, summary, standing)


def exit_scatter(session: Session, rows: Ints) -> float:
    """Scatter of the exit speed, m/s, that comes only from where each shot was first seen.

    Shots that were carried to one place have none left. A ball that rises by dz loses g dz / v of its
    speed v (conservation of energy; drag is left aside).
    """
    columns = session.columns
    left = rows[~carried(session, rows, EXIT_SPEED).there].tolist()
    unstated = [row for row in left if UNSTATED in columns.flags[row]]
    if len(unstated) < 2:
        return 0.0
    lost = STANDARD_M_S2 * columns.exit_z_m.value[unstated] / columns.exit_speed_m_s.value[unstated]
    same = columns.calibration[unstated]
    apart = [lost[same == name] for name in np.unique(same)]
    squares = sum(float(np.sum((part - part.mean()) ** 2)) for part in apart)
    dof = len(unstated) - len(apart)
    return math.sqrt(squares / dof) if dof > 0 else 0.0


def label(columns: ShotColumns, row: int) -> ShotLabel:
    """What a shot is called."""
    clip = columns.clips[columns.clip[row]]
    return ShotLabel(int(columns.id[row]), clip.name, int(columns.shot[row]))


def _recovery(session: Session, sample: Sample, rows: Ints) -> Recovery | None:
    """Against the wait since the shot before, which is known within a clip only."""
    time_s, clip = session.columns.exit_time_s.value[rows], session.columns.clip[rows]
    wait = np.full(len(rows), np.nan)
    wait[1:] = np.where(clip[1:] == clip[:-1], np.diff(time_s), np.nan)
    # A shot that was left out in between fired all the same.
    wait[1:] = np.where(np.diff(rows) == 1, wait[1:], np.nan)
    try:
        return recovery(sample.values, wait)
    except SessionError:
        return None


def _reasons(session: Session, rows: Ints, k: int) -> tuple[str, ...]:
    """Why a shot may stand out without being different."""
    columns, row = session.columns, int(rows[k])
    others = np.delete(rows, k)
    clip = columns.clips[columns.clip[row]]
    unlike = {code for r in others for code in columns.clips[columns.clip[r]].warnings}
    reasons = []
    if "long_streaks" in clip.warnings:
        reasons.append("blurred")
    if columns.sightings[row] < FEWER * np.median(columns.sightings[others]):
        reasons.append("few_sightings")
    if "poor_fit" in columns.flags[row]:
        reasons.append("poor_fit")
    if "partly_hidden" in columns.flags[row]:
        reasons.append("partly_hidden")
    z, u = columns.exit_z_m.value, columns.exit_z_m.u_random
    away = abs(z[row] - np.median(z[others]))
    if columns.calibration[row] in columns.calibration[others] and away > max(ELSEWHERE_M, 5 * u[row]):
        reasons.append("exit_elsewhere")
    speed = columns.exit_speed_m_s.u_random
    if speed[row] > LESS_SURE * np.median(speed[others]):
        reasons.append("less_sure")
    if (AGAINST_CALIBRATION & set(clip.warnings)) - unlike:
        reasons.append("calibration")
    return tuple(reasons)


def scatter(session: Session, quantity: Quantity) -> tuple[float, float]:
    """Standard deviation from shot to shot, and its 95 % upper bound.

    Raises
    ------
    SessionError
        With fewer than two shots.
    """
    sd = repeatability(sample_of(session, quantity)[0]).sd
    return sd.value, sd.value if sd.high95 is None else sd.high95
