"""Shots of several clips are told at one place, though each clip first saw its ball at another one.

The flights are parabolas without air (any mechanics textbook): v^2 = v0^2 - 2 g z, and the level part of
the velocity does not change.
"""

from __future__ import annotations

import dataclasses
import math

import made_shots as made
import numpy as np
import pytest

from calibration.values import Reference
from tracker import logbook
from tracker.report.quantities import EXIT_ANGLE, EXIT_SPEED, SPIN
from tracker.store import Log
from tracker.values import Number, Onward

G = 9.80665
FPS = 240.0  # what the made clips say
SPEED, ANGLE = 6.0, math.radians(50)


def one_shot(seed, after_s, *, speed=SPEED, u_place=0.0, stated=False, aside_m=0.0):
    """A clip of one shot that was first seen free so long after it left the launcher at (0.2, 0.5)."""
    vx, vz = speed * math.cos(ANGLE), speed * math.sin(ANGLE) - G * after_s
    v, angle = math.hypot(vx, vz), math.atan2(vz, vx)
    x = 0.2 + vx * after_s - aside_m * math.sin(angle)
    z = 0.5 + speed * math.sin(ANGLE) * after_s - G * after_s**2 / 2 + aside_m * math.cos(angle)
    clip = made.measured(seed, shots=1)
    shot = dataclasses.replace(
        clip.shots[0],
        exit_z_m=Number.of(z, 0.0, u_place),
        exit_speed_m_s=Number.of(v, 0.01, 0.02),
        exit_angle_rad=Number.of(angle, 0.001, 0.002),
        flags=() if stated else ("exit_is_first_sighting",),
        # dv/ds = -g sin(angle) / v and d(angle)/ds = -g cos(angle) / v^2.
        onward=Onward(x, -G * math.sin(angle) / v, -G * math.cos(angle) / v**2),
    )
    return dataclasses.replace(clip, shots=(shot,))


@pytest.fixture(name="log")
def opened(tmp_path):
    with Log.open(tmp_path / "log.sqlite") as log:
        yield log


def values(log, name, quantity=EXIT_SPEED):
    return logbook.sample_of(logbook.read_session(log, name), quantity)[0].values


LATE = [0.0, 0.002, 0.004, 0.001, 0.003]


def test_shots_that_are_alike_are_told_alike(log):
    for k, late in enumerate(LATE):
        log.add("one", one_shot(k, late), made.setup())
    # Told where each was first seen they would differ by g sin(angle) times the time between.
    assert np.ptp([SPEED - G * math.sin(ANGLE) * late for late in LATE]) > 0.025
    assert np.ptp(values(log, "one")) < 2e-4
    assert np.ptp(values(log, "one", EXIT_ANGLE)) < 0.005  # degrees
    middle = one_shot(9, 0.002).shots[0]
    assert values(log, "one")[0] == pytest.approx(middle.exit_speed_m_s.value, abs=2e-4)
    session = logbook.read_session(log, "one")
    assert logbook.exit_scatter(session, session.counted) == 0.0


def test_the_phone_may_stand_elsewhere_as_long_as_the_reference_is_the_same(log):
    for k, late in enumerate(LATE):
        log.add("one", one_shot(k, late), made.setup(click=212.0 + 30 * k))
    assert np.ptp(values(log, "one")) < 2e-4


@pytest.mark.parametrize(
    ("last", "setup"),
    [
        (one_shot(5, 0.004, stated=True), made.setup()),  # the setup says that this is the exit
        (one_shot(5, 0.080), made.setup()),  # first seen many frames later: not the same place
        (one_shot(5, 0.004, aside_m=0.15), made.setup()),  # beside the others' path by a ball's width
    ],
    ids=["stated", "far", "aside"],
)
def test_what_is_not_the_same_place_stays(log, last, setup):
    for k in range(3):
        log.add("one", one_shot(k, 0.004 if last.shots[0].flags == () else 0.0), made.setup())
    log.add("one", last, setup)
    assert values(log, "one")[-1] == last.shots[0].exit_speed_m_s.value


def test_other_references_are_not_set_side_by_side(log):
    other = Reference(np.array([[212.0, 640.0], [851.0, 634.0]]), (1280, 720), length_m=0.8)
    clips = [one_shot(k, late) for k, late in enumerate(LATE)]
    for k, clip in enumerate(clips):
        setup = made.setup()
        log.add("one", clip, dataclasses.replace(setup, reference=other) if k == 4 else setup)
    assert values(log, "one").tolist() == [clip.shots[0].exit_speed_m_s.value for clip in clips]


def test_an_older_log_has_its_values_as_they_are(log):
    clips = [one_shot(k, late) for k, late in enumerate(LATE)]
    for clip in clips:
        shot = dataclasses.replace(clip.shots[0], onward=None)
        log.add("one", dataclasses.replace(clip, shots=(shot,)), made.setup())
    assert values(log, "one").tolist() == [clip.shots[0].exit_speed_m_s.value for clip in clips]


def test_spin_is_not_carried(log):
    clips = [one_shot(k, late) for k, late in enumerate(LATE)]
    for clip in clips:
        log.add("one", clip, made.setup())
    spins = [clip.shots[0].spin_rad_s.value * SPIN.factor for clip in clips]
    assert values(log, "one", SPIN).tolist() == spins


def test_a_change_is_told_where_the_first_session_was_seen(log):
    for k in range(5):
        log.add("before", one_shot(k, 0.0, u_place=0.004), made.setup())
        # The phone was moved, and saw the ball a frame later, when it had lost 0.031 m/s.
        late = one_shot(10 + k, 1 / FPS, speed=SPEED + 0.1, u_place=0.004)
        log.add("after", late, made.setup(click=300.0))
    found = logbook.compared(
        logbook.read_session(log, "before"), logbook.read_session(log, "after"), EXIT_SPEED
    )
    # At one place: v^2 = v0^2 - 2 g z for both, so that the change at the launcher is the change there.
    assert found.result.difference.number.value == pytest.approx(0.1, abs=0.001)
    assert found.carried_m == pytest.approx(-(SPEED + 0.1) / FPS, rel=0.01)
    # The place is known to 4 mm, and speed changes by g sin(angle) / v a metre.
    u_place = 0.004 * G * math.sin(ANGLE) / SPEED
    assert found.result.difference.number.u_common == pytest.approx(math.hypot(0.02, 0.02, u_place), rel=0.01)
