"""Bad input about the launch log: one sentence, one piece of advice, the right status, nothing lost."""

from __future__ import annotations

import hashlib
import sqlite3
from contextlib import closing
from dataclasses import replace

import logged
import pytest

from tracker.cli import main
from tracker.errors import LogError
from tracker.flags import WARNINGS, warn
from tracker.logbook import AGAINST_CALIBRATION
from tracker.store import Log


@pytest.fixture(name="log")
def filled_log(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LOBSCOPE_LOG", raising=False)
    return logged.fill(tmp_path / "launch-log.sqlite")


def refused(capsys, *words, status=1):
    """What a refusal says: the sentence and the advice."""
    assert main(list(words)) == status
    out, err = capsys.readouterr()
    assert out == ""
    sentence, advice = err.splitlines()
    assert advice.startswith("  ")
    return sentence, advice.strip()


def test_a_log_that_is_none(log, tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("dear diary " * 100, encoding="utf-8")
    sentence, _ = refused(capsys, "log", "--log", "mine.txt")
    assert "is not a launch log" in sentence
    assert (tmp_path / "mine.txt").read_text(encoding="utf-8").startswith("dear diary")


def test_no_log_is_made_by_asking(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LOBSCOPE_LOG", raising=False)
    for words in (["log"], ["consistency", "monday"], ["compare", "a", "b", "--json"], ["export", "x.json"]):
        assert "There is no launch log" in refused(capsys, *words)[0]
    assert list(tmp_path.iterdir()) == []


def test_a_log_of_a_newer_version(log, capsys):
    with closing(sqlite3.connect(log)) as other:
        other.execute("UPDATE lobscope_version SET version_num = '99'")
        other.commit()
    before = hashlib.sha256(log.read_bytes()).hexdigest()
    sentence, advice = refused(capsys, "log")
    assert "newer" in sentence
    assert "Update" in advice
    assert hashlib.sha256(log.read_bytes()).hexdigest() == before


def test_a_log_that_another_program_holds(log, capsys, monkeypatch):
    patient = Log.open
    monkeypatch.setattr(Log, "open", staticmethod(lambda where, **how: patient(where, **how, wait_s=0.1)))
    with closing(sqlite3.connect(log, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert "Another program is writing" in refused(capsys, "note", "battery")[0]
        other.execute("ROLLBACK")
    assert main(["note", "battery"]) == 0


@pytest.mark.parametrize(
    "words",
    [
        ["consistency", "mondy"],
        ["compare", "mondy", "tuesday", "--json"],
        ["check", "mondy", "tuesday"],
        ["design", "mondy"],
        ["log", "mondy"],
        ["exclude", "mondy", "1", "--because", "torn"],
        ["export", "x.csv", "--session", "mondy"],
        ["enough", "--change", "1 m/s", "--session", "mondy"],
    ],
)
def test_the_nearest_name_is_offered(log, capsys, words):
    sentence, advice = refused(capsys, *words)
    assert "no session named 'mondy'" in sentence
    assert "Did you mean 'monday'?" in advice


def add(log, session, measured, setup):
    with Log.open(log) as opened:
        opened.add(session, measured, setup)


def test_sessions_of_different_balls(log, capsys):
    heavy = logged.setup()
    heavy = replace(heavy, ball=replace(heavy.ball, mass_kg=0.14))
    add(log, "heavy", logged.clip(logged.speeds(7, 7.2), "heavy.mp4"), heavy)
    for command in ("compare", "check"):
        sentence, advice = refused(capsys, command, "monday", "heavy")
        assert "different balls" in sentence
        assert "one kind of ball" in advice


def test_sessions_of_different_quantities(log, capsys):
    blind = logged.clip(logged.speeds(7, 7.2), "blind.mp4", spin_rad_s=None, spin_source="none")
    add(log, "blind", blind, logged.setup())
    sentence, _ = refused(capsys, "compare", "monday", "blind", "--quantity", "spin")
    assert "'blind' has a spin" in sentence
    marked = logged.clip(logged.speeds(7, 7.2), "marked.mp4", spin_source="marks")
    add(log, "marked", marked, logged.setup())
    sentence, _ = refused(capsys, "compare", "monday", "marked", "--quantity", "spin")
    assert "read from marks" in sentence


def test_a_session_without_a_shot(log, capsys):
    add(log, "nothing", logged.clip([], "empty.mp4"), logged.setup())
    for words in (
        ["consistency", "nothing"],
        ["compare", "monday", "nothing", "--json"],
        ["design", "nothing"],
    ):
        sentence, advice = refused(capsys, *words)
        assert "holds no shot" in sentence
        assert "Measure a clip" in advice


def test_a_session_of_one_shot(log, capsys):
    assert "needs at least 2 shots" in refused(capsys, "check", "alone", "monday")[0]
    assert "needs at least 2 shots" in refused(capsys, "enough", "--change", "1 m/s", "--session", "alone")[0]
    assert main(["check", "monday", "alone"]) == 0


def test_what_speaks_against_a_calibration_is_in_the_registry():
    assert set(WARNINGS) >= AGAINST_CALIBRATION


def test_a_doubtful_calibration_is_told_and_nothing_is_left_out(log, capsys):
    doubtful = replace(
        logged.clip(logged.speeds(7, 7.2), "doubt.mp4"),
        warnings=(warn("scale_disagrees", ratio=1.1), warn("readout_unknown")),
    )
    add(log, "doubt", doubtful, logged.setup())
    for words in (
        ["consistency", "doubt"],
        ["compare", "monday", "doubt", "--json"],
        ["check", "monday", "doubt"],
    ):
        assert main(words) == 0
        out, err = capsys.readouterr()
        assert out
        said = " ".join(err.split())
        assert said.count(". ") == 1
        assert "doubtful calibration (doubt.mp4: scale_disagrees)" in said
        assert "Measure these clips again" in said
    assert main(["consistency", "monday"]) == 0
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["compare", "monday", "tuesday", "--expect", "+0.45 m/s"], "--expect needs --within"),
        (["compare", "monday", "tuesday", "--expect", "0.45", "--within", "0.2 m/s"], "no unit"),
        (["compare", "monday", "tuesday", "--quantity", "speed"], "no quantity"),
        (["compare", "monday", "tuesday", "--within", "0 m/s"], "zero or less"),
        (["enough", "--change", "0.1 m/s"], "scatter"),
        (["enough", "--change", "0 m/s", "--scatter", "0.1 m/s"], "zero or less"),
        (["note", "painted"], "not a kind of note"),
        (["note", "battery", "--on", "yesterday"], "not a date"),
        (["exclude", "monday", "1"], "with a reason"),
        (["exclude", "monday", "1", "--because", " "], "with a reason"),
        (["export", "log.xlsx"], "neither a .json nor a .csv"),
        (["export", "log.csv"], "one session"),
        (["log", "monday", "--timeline"], "timeline"),
    ],
)
def test_wrong_usage(log, capsys, words, said):
    assert said in refused(capsys, *words, status=2)[0]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["compare", "monday", "tuesday", "--expect", "0 m/s", "--within", "0.2 m/s"], "other than zero"),
        (["compare", "monday", "before match 3", "--expect", "model", "--within", "1 m/s"], "model expects"),
        (["exclude", "monday", "999", "--because", "torn"], "no shot with the number 999"),
        (["import", "missing.json"], "cannot be read"),
        (["import", "launch-log.sqlite"], "is not a text"),
        (["export", "nowhere/log.json"], "Nothing can be written"),
    ],
)
def test_what_cannot_be_done(log, capsys, words, said):
    assert said in refused(capsys, *words)[0]


# -- measure ------------------------------------------------------------------------------------


def measure(*words):
    return main(["measure", *words, "--setup", "setup.toml", "--session", "monday"])


def test_measured_shots_get_into_the_log_once(bench, pipeline, capsys):
    assert measure("good.mp4") == 0
    assert "Added 1 shot of good.mp4 to the session 'monday'." in capsys.readouterr().err
    assert measure("good.mp4") == 0
    assert "already there" in capsys.readouterr().err
    assert measure("good.mp4", "--wheel-speed", "3000 rpm") == 0
    assert "replaced, and the earlier measurement is kept" in capsys.readouterr().err
    with Log.open(bench / "launch-log.sqlite", create=False) as log:
        assert len(log.shots("monday")) == 1
        assert log.shots("monday").wheel_speed_rad_s[0] == pytest.approx(100 * 3.14159265, rel=1e-8)
        assert len(log.history("monday", log.clips("monday")[0].sha256)) == 2


@pytest.mark.parametrize("words", [["--from", "0.5"], ["--to", "2"], ["--every-flight"]])
def test_measured_in_another_way_is_another_measurement(bench, pipeline, capsys, words):
    assert measure("good.mp4") == 0
    assert measure("good.mp4", *words) == 0
    assert "replaced" in capsys.readouterr().err


def test_without_a_session_nothing_is_logged(bench, pipeline):
    assert main(["measure", "good.mp4", "--setup", "setup.toml"]) == 0
    assert not (bench / "launch-log.sqlite").exists()


def test_a_log_that_cannot_be_used_is_told_before_anything_is_measured(bench, pipeline, capsys):
    (bench / "launch-log.sqlite").write_text("dear diary " * 100, encoding="utf-8")
    assert measure("good.mp4") == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "is not a launch log" in err
    assert pipeline.calls == []


def test_what_was_measured_is_shown_even_if_the_disk_is_full(bench, pipeline, capsys, monkeypatch):
    def full(*_, **__):
        raise LogError("log_disk_full", "There is no room left on the disk.", "Free some space.")

    monkeypatch.setattr("tracker.store.sql_log.SqlLog.add", full)
    assert measure("good.mp4", "empty.mp4") == 1
    out, err = capsys.readouterr()
    assert "7.20" in out
    assert err.count("There is no room left on the disk.\n  Free some space.\n") == 2


def test_one_bad_clip_does_not_keep_the_others_out_of_the_log(bench, pipeline, capsys):
    assert measure("bad.mp4", "good.mp4", "empty.mp4") == 1
    assert "Added 0 shots of empty.mp4" in capsys.readouterr().err
    with Log.open(bench / "launch-log.sqlite") as log:
        assert [clip.name for clip in log.clips("monday")] == ["good.mp4", "empty.mp4"]
