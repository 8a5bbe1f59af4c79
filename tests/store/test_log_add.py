"""Logging clips: once each, replaced when the set-up changes, nothing forgotten."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime

import made_shots as made
import numpy as np
import pytest

from tracker.errors import LogError
from tracker.store import Added

CLIP = made.measured(1, shots=3)
DAY = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)


def test_a_clip_is_added(log):
    assert log.add("first", CLIP, made.setup()) == Added("added", shots=3, earlier=0)
    assert [(row.name, row.clips, row.shots) for row in log.sessions()] == [("first", 1, 3)]
    assert len(log.shots("first")) == 3


def test_the_same_clip_with_the_same_setup_is_added_once(log):
    log.add("first", CLIP, made.setup())
    assert log.add("first", CLIP, made.setup()) == Added("already_there", shots=3, earlier=0)
    assert len(log.shots("first")) == 3
    assert len(log.history("first", CLIP.sha256)) == 1


@pytest.mark.parametrize(
    "again",
    [
        made.setup(text="# only a remark\n[ball]\n"),
        dataclasses.replace(made.setup(), ball=made.Ball(0.14, 0.088, "orange")),
    ],
    ids=["remark", "equal"],
)
def test_a_setup_that_says_the_same_is_the_same(log, again):
    log.add("first", CLIP, made.setup())
    assert log.add("first", CLIP, again).kind == "already_there"


def test_a_renamed_file_is_the_same_clip(log):
    log.add("first", CLIP, made.setup())
    assert log.add("first", dataclasses.replace(CLIP, clip="copy.mp4"), made.setup()).kind == "already_there"


def test_the_same_clip_in_another_session_is_another_entry(log):
    log.add("first", CLIP, made.setup())
    assert log.add("second", CLIP, made.setup()).kind == "added"
    assert [row.shots for row in log.sessions()] == [3, 3]


def test_a_changed_setup_replaces_and_keeps_the_earlier_values(log):
    log.add("first", CLIP, made.setup(300.0), measured_at=DAY)
    changed = dataclasses.replace(made.measured(2, shots=2), sha256=CLIP.sha256)
    assert log.add("first", changed, made.setup(320.0)) == Added("replaced", shots=2, earlier=1)
    columns = log.shots("first")
    assert columns.exit_speed_m_s.value.tolist() == [s.exit_speed_m_s.value for s in changed.shots]
    assert columns.wheel_speed_rad_s.tolist() == [320.0, 320.0]
    newest, oldest = log.history("first", CLIP.sha256)
    assert made.same(newest.measured, changed)
    assert made.same(oldest.measured, CLIP)
    assert made.same(oldest.setup, made.setup(300.0))
    assert (newest.superseded_at, oldest.measured_at) == (None, DAY)
    assert oldest.superseded_at == newest.measured_at
    assert log.clips("first")[0].earlier == 1


def test_going_back_to_the_earlier_setup_keeps_all_three(log):
    for speed in (300.0, 320.0, 300.0):
        added = log.add("first", CLIP, made.setup(speed))
    assert added == Added("replaced", shots=3, earlier=2)
    speeds = [kept.setup.launcher.wheel_speed_rad_s for kept in log.history("first", CLIP.sha256)]
    assert speeds == [300.0, 320.0, 300.0]


def test_what_else_a_measurement_was_told_belongs_to_it(log):
    log.add("first", CLIP, made.setup())
    assert log.add("first", CLIP, made.setup(), how="--from 2").kind == "replaced"
    assert log.add("first", CLIP, made.setup(), how="--from 2").kind == "already_there"


def test_a_newer_program_measures_again(log, monkeypatch):
    log.add("first", CLIP, made.setup())
    monkeypatch.setattr("tracker.store.writing.__version__", "99.0")
    assert log.add("first", CLIP, made.setup()).kind == "replaced"
    assert log.clips("first")[0].program_version == "99.0"


def test_a_clip_without_shots_is_logged_too(log):
    empty = dataclasses.replace(CLIP, shots=(), scale=None)
    assert log.add("first", empty, made.setup()) == Added("added", shots=0, earlier=0)
    assert len(log.shots("first")) == 0
    assert log.clips("first")[0].m_per_px is None
    assert made.same(log.history("first", CLIP.sha256)[0].measured, empty)


@pytest.mark.parametrize("name", ["", "   ", "two\nlines", "x" * 201])
def test_a_session_needs_a_plain_name(log, name):
    with pytest.raises(LogError, match="A session needs a name of one line") as caught:
        log.add(name, CLIP, made.setup())
    assert caught.value.code == "session_name"
    assert log.sessions() == []


def test_the_session_is_not_begun_when_the_clip_cannot_be_saved(log):
    twice = dataclasses.replace(CLIP, shots=(CLIP.shots[0], CLIP.shots[0]))
    with pytest.raises(LogError, match="refused what was asked"):
        log.add("first", twice, made.setup())
    assert log.sessions() == []


# -- exclusions ---------------------------------------------------------------------------------


def test_an_excluded_shot_stays_with_its_reason_and_date(log):
    log.add("first", CLIP, made.setup())
    key = int(log.shots("first").id[1])
    log.exclude("first", key, "ball hit a hand", when=DAY)
    columns = log.shots("first")
    assert columns.excluded.tolist() == [False, True, False]
    assert columns.reason == ("", "ball hit a hand", "")
    (row,) = log.exclusions("first")
    assert (row.shot, row.shot_id, row.excluded_at, row.taken_back_at) == (2, key, DAY, None)
    assert log.sessions()[0].excluded == 1


def test_an_exclusion_can_be_taken_back_and_is_not_forgotten(log):
    log.add("first", CLIP, made.setup())
    key = int(log.shots("first").id[1])
    log.exclude("first", key, "ball hit a hand", when=DAY)
    log.include("first", key)
    assert not log.shots("first").excluded.any()
    log.exclude("first", key, "it did after all")
    first, second = log.exclusions("first")
    assert first.taken_back_at is not None
    assert (second.reason, second.taken_back_at) == ("it did after all", None)


def test_an_exclusion_follows_its_launch_when_numbers_and_times_change(log):
    log.add("first", CLIP, made.setup(300.0))
    log.exclude("first", int(log.shots("first").id[1]), "ball hit a hand", when=DAY)
    # The first launch is not found any more, so that what was the second shot is now the first.
    shots = tuple(dataclasses.replace(s, shot=s.shot - 1, path=_later(s.path)) for s in CLIP.shots[1:])
    added = log.add("first", dataclasses.replace(CLIP, shots=shots), made.setup(320.0))
    assert (added.carried, added.not_carried) == (1, 0)
    assert log.shots("first").excluded.tolist() == [True, False]
    assert [row.excluded_at for row in log.exclusions("first")] == [DAY, DAY]
    assert [row.kind for row in log.timeline()].count("excluded") == 1


def _later(path):
    return dataclasses.replace(path, t_s=path.t_s * 8)


def test_an_exclusion_whose_launch_is_gone_is_counted(log):
    log.add("first", CLIP, made.setup(300.0))
    log.exclude("first", int(log.shots("first").id[2]), "ball hit a hand")
    added = log.add("first", dataclasses.replace(CLIP, shots=CLIP.shots[:2]), made.setup(320.0))
    assert (added.carried, added.not_carried) == (0, 1)
    assert not log.shots("first").excluded.any()
    assert len(log.exclusions("first")) == 1


def test_what_cannot_be_excluded(log):
    log.add("first", CLIP, made.setup(300.0))
    log.add("second", made.measured(5), made.setup())
    key, foreign = int(log.shots("first").id[0]), int(log.shots("second").id[0])
    with pytest.raises(LogError, match="only left out for a reason"):
        log.exclude("first", key, "  ")
    with pytest.raises(LogError, match=f"no shot with the number {foreign}"):
        log.exclude("first", foreign, "of another session")
    with pytest.raises(LogError, match="is not left out"):
        log.include("first", key)
    log.exclude("first", key, "ball hit a hand", when=DAY)
    with pytest.raises(LogError, match=r"left out since 2026-03-01 \(ball hit a hand\)"):
        log.exclude("first", key, "again")
    log.add("first", CLIP, made.setup(320.0))
    with pytest.raises(LogError, match="no longer counts"):
        log.exclude("first", key, "too late")
    assert np.count_nonzero(log.shots("first").excluded) == 1
