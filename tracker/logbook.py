"""Sessions of the launch log, evaluated: one screen for each question a team asks."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.values import Ints
from tracker.errors import SessionError
from tracker.evaluation import Comparison, Recheck, Recovery, Summary
from tracker.launcher.budget import wheel_budget
from tracker.launcher.check import design_check
from tracker.launcher.grip import Grip, GripSession, learn_grip
from tracker.launcher.setting import designed
from tracker.report.quantities import EXIT_SPEED, QUANTITIES, Quantity
from tracker.report.standing import ShotLabel, StandOut
from tracker.session import compare as comparing
from tracker.session.consistency import mean, repeatability
from tracker.session.order import recovery
from tracker.session.recheck import recheck
from tracker.session.summary import summarise
from tracker.session.values import Sample
from tracker.store import Log, NumberColumns, ShotColumns
from tracker.values import Ball, DesignCheck, Launcher, Number, Setup, WheelBudget

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


@dataclass(frozen=True, slots=True)
class Compared:
    """Two sessions side by side; ``modelled`` is the change that the settings should make."""

    before: Session
    after: Session
    quantity: Quantity
    samples: tuple[Sample, Sample]
    result: Comparison
    modelled: Number | None


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


def sample_of(session: Session, quantity: Quantity) -> tuple[Sample, Ints]:
    """The counted shots that have this quantity, in the unit of its key, and which rows they are.

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
    sample = Sample(
        numbers.value[rows] * quantity.factor,
        numbers.u_random[rows] * quantity.factor,
        math.hypot(*parts) * quantity.factor,
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


# -- two sessions -------------------------------------------------------------------------------


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
    samples = sample_of(before, quantity)[0], sample_of(after, quantity)[0]
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
    return Compared(before, after, quantity, samples, result, modelled)


def comparable(one: Session, other: Session, quantity: Quantity) -> None:
    """Refuse sessions of different balls, and spins that were found in different ways.

    Raises
    ------
    SessionError
    """
    balls = {_build(setup.ball) for session in (one, other) for setup in session.setups}
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


def _build(ball: Ball) -> tuple[float, float | None, bool]:
    """What makes a ball another ball; its colour does not."""
    return ball.diameter_m, ball.mass_kg, ball.solid


def checked(baseline: Session, few: Session, quantity: Quantity, *, within: float | None = None) -> Recheck:
    """A few shots beside a baseline session: whether the launcher is still itself."""
    comparable(baseline, few, quantity)
    return recheck(sample_of(baseline, quantity)[0], sample_of(few, quantity)[0], within=within)


# -- the launcher -------------------------------------------------------------------------------


def settings(session: Session) -> list[tuple[Setup, Ints]]:
    """The settings and designs of a session, and the counted rows that were fired at each."""
    found: list[tuple[Setup, list[int]]] = []
    for row in session.counted.tolist():
        setup = session.setups[session.columns.clip[row]]
        for known, rows in found:
            same = (known.launcher, known.design, _build(known.ball)) == (
                setup.launcher,
                setup.design,
                _build(setup.ball),
            )
            if same:
                rows.append(row)
                break
        else:
            found.append((setup, [row]))
    return [(setup, np.array(rows)) for setup, rows in found]


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
