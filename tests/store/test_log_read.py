"""What comes back: bit for bit what went in, as columns, lists, a timeline and a table."""

from __future__ import annotations

import csv
import dataclasses
import io
import sqlite3
import typing
from datetime import UTC, datetime, timedelta, timezone

import made_shots as made
import numpy as np
import pytest

from tracker.errors import LogError
from tracker.store import NOTE_KINDS, Log, NumberColumns
from tracker.values import Number, Shot

DAY = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
CLIPS = [made.measured(seed, shots=3, clip=f"{seed}.mp4") for seed in (1, 2)]


@pytest.fixture
def filled(log):
    for k, clip in enumerate(CLIPS):
        log.add("first", clip, made.setup(300.0 + k), measured_at=DAY + timedelta(hours=k))
    return log


def shots():
    return [shot for clip in CLIPS for shot in clip.shots]


def test_every_number_of_a_shot_is_a_column(filled):
    columns, numbers = filled.shots("first"), 0
    for name, hint in typing.get_type_hints(Shot).items():
        if Number not in (hint, *typing.get_args(hint)):
            continue
        numbers += 1
        column = getattr(columns, name)
        assert isinstance(column, NumberColumns)
        for part in ("value", "u_random", "u_common"):
            want = [getattr(getattr(shot, name), part, np.nan) for shot in shots()]
            np.testing.assert_array_equal(getattr(column, part), want)
    assert numbers == 10


def test_the_other_columns(filled):
    columns = filled.shots("first")
    assert len(columns) == 6
    assert columns.shot.tolist() == [1, 2, 3, 1, 2, 3]
    assert [columns.clips[k].name for k in columns.clip] == ["1.mp4"] * 3 + ["2.mp4"] * 3
    assert columns.flags == tuple(shot.flags for shot in shots())
    assert columns.spin_source.tolist() == [shot.spin_source for shot in shots()]
    assert columns.sightings.tolist() == [shot.sightings for shot in shots()]
    assert columns.chi2_per_dof.tolist() == [shot.chi2_per_dof for shot in shots()]
    assert columns.wheel_speed_rad_s.tolist() == [300.0] * 3 + [301.0] * 3
    assert columns.gap_exit_m.tolist() == [0.126] * 6
    assert np.isnan(columns.gap_entry_m).all()
    hours = (columns.measured_at - np.datetime64("2026-03-01T09:30")) / np.timedelta64(1, "h")
    assert hours.tolist() == [0, 0, 0, 1, 1, 1]
    assert not columns.exit_speed_m_s.value.flags.writeable
    assert not columns.excluded.flags.writeable


def test_a_clip_at_a_glance(filled):
    row, clip = filled.clips("first")[0], CLIPS[0]
    assert (row.name, row.sha256, row.measured_at) == ("1.mp4", clip.sha256, DAY)
    assert (row.width_px, row.height_px, row.quarter_turns, row.mirrored) == (720, 1280, 1, True)
    assert (row.capture_fps, row.stretch, row.clock_source) == (240.0, 8.0, "metadata")
    assert (row.m_per_px, row.scale_source) == (clip.scale.m_per_px.value, "length")
    assert row.u_common_m_per_px == clip.scale.m_per_px.u_common
    assert row.warnings == ("readout_unknown",)
    assert row.setup_text == made.setup().text
    assert (row.frames, row.shots, row.earlier) == (240, 3, 0)


def test_a_measurement_comes_back_whole(filled):
    for clip in CLIPS:
        (kept,) = filled.history("first", clip.sha256)
        assert made.same(kept.measured, clip)
    assert made.same(kept.setup, made.setup(301.0))


def test_each_clip_comes_with_its_setup(filled):
    assert [made.same(kept, made.setup(300.0 + k)) for k, kept in enumerate(filled.setups("first"))] == [
        True
    ] * 2
    filled.add("first", CLIPS[0], made.setup(350.0), measured_at=DAY + timedelta(days=1))
    assert [kept.launcher.wheel_speed_rad_s for kept in filled.setups("first")] == [350.0, 301.0]


def test_one_shot_comes_back_whole_even_when_it_no_longer_counts(filled):
    key = int(filled.shots("first").id[4])
    assert made.same(filled.shot("first", key), CLIPS[1].shots[1])
    filled.add("first", CLIPS[1], made.setup(999.0))
    assert made.same(filled.shot("first", key), CLIPS[1].shots[1])


def test_any_sql_tool_reads_the_same_numbers(file):
    with Log.open(file) as log:
        log.add("first", CLIPS[0], made.setup())
    raw = sqlite3.connect(file)
    found = raw.execute(
        "SELECT exit_speed_m_s, u_common_exit_speed_m_s, spin_rad_s, wheel_speed_rad_s FROM shots ORDER BY id"
    ).fetchall()
    raw.close()
    assert found == [
        (s.exit_speed_m_s.value, s.exit_speed_m_s.u_common, s.spin_rad_s and s.spin_rad_s.value, 335.0)
        for s in CLIPS[0].shots
    ]


# -- shared calibration -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("other", "shared"),
    [
        (made.setup(999.0), True),
        (made.setup(text="# another remark"), True),
        (made.setup(click=212.5), False),
        (dataclasses.replace(made.setup(), camera=made.CameraStatement(distance_m=4.3)), False),
    ],
    ids=["another wheel speed", "a remark", "clicked anew", "camera moved"],
)
def test_two_sessions_share_a_calibration(log, other, shared):
    log.add("before", CLIPS[0], made.setup())
    log.add("after", CLIPS[1], other)
    assert log.shots("before").shares_calibration_with(log.shots("after")) is shared


def test_another_picture_is_another_calibration(log):
    log.add("before", CLIPS[0], made.setup())
    wide = dataclasses.replace(CLIPS[1], picture=made.Picture(1920, 1080, 1, mirrored=True))
    log.add("after", wide, made.setup())
    assert not log.shots("before").shares_calibration_with(log.shots("after"))


def test_without_a_reference_the_ball_belongs_to_the_calibration(log):
    small, large = (
        dataclasses.replace(made.setup(), reference=None, ball=made.Ball(d)) for d in (0.14, 0.15)
    )
    log.add("a", CLIPS[0], small)
    log.add("b", CLIPS[1], small)
    log.add("c", CLIPS[1], large)
    assert log.shots("a").shares_calibration_with(log.shots("b"))
    assert not log.shots("a").shares_calibration_with(log.shots("c"))


def test_an_excluded_shot_has_no_say_in_what_is_shared(log):
    log.add("before", CLIPS[0], made.setup())
    log.add("after", CLIPS[0], made.setup())
    log.add("after", dataclasses.replace(CLIPS[1], shots=CLIPS[1].shots[:1]), made.setup(click=213.0))
    before, after = log.shots("before"), log.shots("after")
    assert not before.shares_calibration_with(after)
    log.exclude("after", int(after.id[3]), "clicked anew")
    assert before.shares_calibration_with(log.shots("after"))


# -- names, notes, timeline ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "advice"),
    [
        ("Frist backing", "Did you mean 'first backing'?"),
        ("FIRST BACKING 2", "Did you mean 'first backing'?"),
        ("zzzz", "The latest session is 'second wheel'; list them all to see the others."),
    ],
)
def test_an_unknown_session_offers_the_nearest(log, asked, advice):
    log.add("first backing", CLIPS[0], made.setup())
    log.add("second wheel", CLIPS[0], made.setup())
    for question in (log.shots, log.clips, log.exclusions, log.export_csv):
        with pytest.raises(LogError, match="There is no session named") as caught:
            question(asked)
        assert (caught.value.code, caught.value.advice) == ("session_unknown", advice)


def test_an_empty_log_says_that_it_is_empty(log):
    assert log.sessions() == []
    assert log.timeline() == []
    with pytest.raises(LogError, match="no session named") as caught:
        log.shots("first")
    assert caught.value.advice == "The log is still empty: measure a clip into it first."


def test_an_unknown_clip(filled):
    with pytest.raises(LogError, match="holds no clip with this content"):
        filled.history("first", "ff" * 32)


def test_notes_are_dated_and_sorted(log):
    plus_two = datetime(2026, 3, 1, 8, 0, tzinfo=timezone(timedelta(hours=2)))
    log.note(DAY, "Wheel cleaned", "with a dry cloth")
    log.note(plus_two, "battery", "")
    assert [(n.when, n.kind, n.text) for n in log.notes()] == [
        (datetime(2026, 3, 1, 6, 0, tzinfo=UTC), "battery", ""),
        (DAY, "wheel_cleaned", "with a dry cloth"),
    ]


def test_every_kind_of_note_can_be_written(log):
    for kind in NOTE_KINDS:
        log.note(DAY, kind, "done")
    assert {note.kind for note in log.notes()} == set(NOTE_KINDS)


def test_notes_that_cannot_be(log):
    with pytest.raises(LogError, match="no kind of note called 'oiled'") as caught:
        log.note(DAY, "oiled", "")
    assert "wheel_cleaned" in caught.value.advice
    with pytest.raises(LogError, match="The note says nothing"):
        log.note(DAY, "other", " ")
    assert log.notes() == []


def test_the_timeline_holds_everything_by_date(filled):
    filled.note(DAY + timedelta(minutes=30), "wheel_changed", "the softer one")
    key = int(filled.shots("first").id[0])
    filled.exclude("first", key, "ball hit a hand", when=DAY + timedelta(hours=2))
    filled.include("first", key, when=DAY + timedelta(hours=3))
    filled.add("first", CLIPS[0], made.setup(999.0), measured_at=DAY + timedelta(hours=4))
    assert [(row.kind, row.session, row.text) for row in filled.timeline()] == [
        ("measured", "first", "1.mp4: 3 shots"),
        ("wheel_changed", "", "the softer one"),
        ("measured", "first", "2.mp4: 3 shots"),
        ("excluded", "first", "1.mp4, shot 1: ball hit a hand"),
        ("taken_back", "first", "1.mp4, shot 1"),
        ("measured_again", "first", "1.mp4: 3 shots"),
    ]


# -- table --------------------------------------------------------------------------------------


def test_the_table_reads_back(filled):
    key = int(filled.shots("first").id[1])
    filled.exclude("first", key, 'a "hand", or so')
    text = filled.export_csv("first")
    lines = text.split("\r\n")  # RFC 4180, 2.1: each record on a line of its own, ended by CRLF
    assert lines.pop() == ""
    assert len(lines) == 7
    assert not any("\n" in line for line in lines)
    table = list(csv.DictReader(io.StringIO(text, newline="")))
    for row, shot in zip(table, shots(), strict=True):
        assert float(row["exit_speed_m_s"]) == shot.exit_speed_m_s.value
        assert float(row["u_common_exit_angle_rad"]) == shot.exit_angle_rad.u_common
        spin = shot.spin_rad_s
        assert row["spin_rad_s"] == ("" if spin is None else repr(spin.value))
        assert row["gap_entry_m"] == ""
    assert [row["excluded"] for row in table] == ["no", "yes", "no", "no", "no", "no"]
    assert table[1]["reason"] == 'a "hand", or so'
