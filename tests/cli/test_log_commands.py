"""What the commands about the launch log say and do, on made sessions."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import logged
import numpy as np
import pytest
from scipy import stats

from tracker.cli import main
from tracker.flags import warn
from tracker.store import Log


@pytest.fixture(name="log")
def filled_log(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LOBSCOPE_LOG", raising=False)
    return logged.fill(tmp_path / "launch-log.sqlite")


@pytest.fixture(name="say")
def run_and_read(capsys):
    def say(*words, status=0):
        assert main(list(words)) == status
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return " ".join(out.split()), err

    return say


def add(log, session, measured, setup):
    with Log.open(log) as opened:
        opened.add(session, measured, setup)


# -- lists --------------------------------------------------------------------------------------


def test_sessions_and_shots_are_listed(log, say):
    out, err = say("log")
    assert err == ""
    for name in ("monday", "tuesday", "before match 3", "alone"):
        assert name in out
    out, _ = say("log", "monday")
    assert out.count("monday.mp4") == 8
    assert "3200" in out
    assert "126" in out


def test_an_empty_log_says_how_to_fill_it(tmp_path, say):
    with Log.open(tmp_path / "new.sqlite"):
        pass
    out, err = say("log", "--log", str(tmp_path / "new.sqlite"))
    assert out == ""
    assert "lobscope measure" in err


def test_the_environment_names_the_log(log, say, monkeypatch, tmp_path):
    log.rename(tmp_path / "elsewhere.sqlite")
    monkeypatch.setenv("LOBSCOPE_LOG", str(tmp_path / "elsewhere.sqlite"))
    assert "monday" in say("log")[0]


def test_notes_stand_on_the_timeline(log, say):
    say("note", "wheel cleaned", "with alcohol", "--on", "2026-11-20")
    say("note", "battery", "--on", "2026-11-21T14:30")
    out, _ = say("log", "--timeline")
    places = [out.index(words) for words in ("2026-11-20", "with alcohol", "2026-11-21 14:30")]
    assert places == sorted(places)
    assert "monday.mp4: 8 shots" in out


# -- consistency --------------------------------------------------------------------------------


def test_consistency_tells_mean_and_scatter(log, say):
    out, err = say("consistency", "monday")
    assert err == ""
    assert "8 shots" in out
    assert "7.20" in out
    # 0.08 sqrt(7/chi2), chi-square quantiles from scipy
    low, high = (0.08 * np.sqrt(7 / stats.chi2.ppf(q, 7)) for q in (0.975, 0.025))
    assert f"{low:.3f} to {high:.3f}" in out
    assert out.index("From shot to shot") < out.index("coefficient of variation")


def test_the_control_chart_is_drawn_where_it_was_asked_for(log, say, tmp_path):
    say("consistency", "monday", "--out", "pictures")
    (drawn,) = (tmp_path / "pictures").iterdir()
    assert drawn.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({}, "really different"),
        ({"flags": ("poor_fit",)}, "the flight model does not fit it"),
        ({"sightings": 9}, "seen far less often"),
        ({"exit_z_m": "higher"}, "first seen at another place"),
    ],
)
def test_a_shot_that_stands_out_and_why(log, say, changes, reason):
    values = logged.speeds(4, 7.2, shots=10)
    values[6] = 6.5
    made = logged.clip(values, "odd.mp4")
    odd = made.shots[6]
    if changes.get("exit_z_m"):
        changes = {"exit_z_m": replace(odd.exit_z_m, value=odd.exit_z_m.value + 0.2)}
    shots = [*made.shots[:6], replace(odd, **changes), *made.shots[7:]]
    add(log, "odd", replace(made, shots=tuple(shots)), logged.setup())
    out, _ = say("consistency", "odd")
    assert "(odd.mp4, shot 7) stands out" in out
    assert reason in out


def test_blur_is_a_reason(log, say):
    values = logged.speeds(5, 7.2, shots=10)
    values[0] = 6.5
    blurred = replace(logged.clip(values[:1], "a.mp4"), warnings=(warn("long_streaks", ratio=2.5),))
    add(log, "blur", blurred, logged.setup())
    add(log, "blur", logged.clip(values[1:], "b.mp4"), logged.setup())
    assert "drawn out by its motion" in say("consistency", "blur")[0]


def test_a_drift_is_told_with_what_causes_it_and_with_care(log, say):
    add(log, "drift", logged.clip(7.4 - 0.03 * np.arange(12), "drift.mp4"), logged.setup())
    out, _ = say("consistency", "drift")
    assert "fell by about 0.030 m/s from each shot" in out
    assert "power off" in out


def test_exits_at_different_heights_are_a_scatter_of_their_own(log, say):
    made = logged.clip(logged.speeds(9, 7.2, shots=9), "high.mp4")
    heights = 0.1 * (np.arange(9) % 3)
    shots = [
        replace(s, exit_z_m=replace(s.exit_z_m, value=z)) for s, z in zip(made.shots, heights, strict=True)
    ]
    add(log, "high", replace(made, shots=tuple(shots)), logged.setup())
    # g dz / v with v about 7.2 m/s and a standard deviation of the heights of 0.0866 m: 0.118 m/s
    assert "differ by about 0.12 m/s" in say("consistency", "high")[0]
    assert "exit_px" in say("consistency", "high")[0]
    assert "exit_px" not in say("consistency", "monday")[0]


def test_one_shot_is_told_as_one_shot(log, say):
    out, _ = say("consistency", "alone")
    assert "One shot says nothing" in out
    assert "nan" not in out


def test_what_is_left_out_does_not_count_and_comes_back(log, say):
    with Log.open(log) as opened:
        number = int(opened.shots("monday").id[2])
    say("exclude", "monday", str(number), "--because", "ball was torn")
    assert "7 shots, 1 left out" in say("consistency", "monday")[0]
    assert "left out: ball was torn" in say("log", "monday")[0]
    say("exclude", "monday", str(number), "--undo")
    assert "8 shots, 7.2" in say("consistency", "monday")[0]


# -- compare ------------------------------------------------------------------------------------

JUDGED = ["compare", "monday", "tuesday", "--expect", "+0.45 m/s", "--within", "0.20 m/s"]


def test_the_document_of_a_comparison(log, capsys):
    assert main([*JUDGED, "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    made = json.loads(out, parse_constant=pytest.fail)
    assert list(made) == [
        "quantity", "before", "after", "difference", "spread_ratio", "shared_calibration",
        "expected", "within", "verdict", "shots_needed",
    ]  # fmt: skip
    assert made["quantity"] == "exit_speed_m_s"
    assert made["before"] == {"n": 8, "mean": pytest.approx(7.2), "sd": pytest.approx(0.08)}
    assert set(made["difference"]) == {"value", "u_random", "u_common", "u", "low95", "high95"}
    assert set(made["spread_ratio"]) == set(made["difference"])
    assert (made["expected"], made["within"]) == (0.45, 0.2)
    assert made["shared_calibration"] is True
    assert made["verdict"] == "as_designed"
    assert made["shots_needed"] is None
    # Welch's interval from scipy: with one calibration the common part cancels.
    with Log.open(log) as opened:
        monday, tuesday = (opened.shots(name).exit_speed_m_s.value for name in ("monday", "tuesday"))
    welch = stats.ttest_ind(tuesday, monday, equal_var=False).confidence_interval()
    assert made["difference"]["low95"] == pytest.approx(welch.low)
    assert made["difference"]["high95"] == pytest.approx(welch.high)


def test_another_calibration_is_counted_and_told(log, say):
    other = logged.setup()
    moved = replace(other, reference=replace(other.reference, points_px=other.reference.points_px + 0.5))
    add(log, "moved", logged.clip(logged.speeds(2, 7.65), "moved.mp4"), moved)
    made = json.loads(say("compare", "monday", "moved", "--json")[0])
    assert made["shared_calibration"] is False
    # Each session's common part is that of its shots, 0.0301662 in the examples.
    assert made["difference"]["u_common"] == pytest.approx(np.sqrt(2) * 0.0301662)
    assert made["expected"] is None
    assert made["verdict"] == "changed"
    assert "do not share a calibration" in say("compare", "monday", "moved")[0]


@pytest.mark.parametrize(
    ("expect", "within", "verdict"),
    [
        ("+0.45 m/s", "0.20 m/s", "As designed"),
        ("+0.10 m/s", "0.05 m/s", "Changed, but not as designed"),
        ("-0.45 m/s", "0.20 m/s", "Changed, but not as designed"),
        ("+1.476 ft/s", "0.656 ft/s", "As designed"),
        ("+0.45 m/s", "0.01 m/s", "Too few shots"),
    ],
)
def test_verdicts_in_words(log, say, expect, within, verdict):
    out, _ = say("compare", "monday", "tuesday", "--expect", expect, "--within", within)
    assert out.startswith(verdict)
    assert "share one calibration" in out
    assert "more or less alike" in out


def test_no_change_seen_says_what_may_hide(log, say):
    out, _ = say("compare", "monday", "before match 3", "--expect", "+0.45 m/s", "--within", "0.2 m/s")
    assert out.startswith("No change seen")
    assert "could still be hiding" in out


def test_the_launcher_model_may_say_what_to_expect(log, say):
    # 3200 to 3400 rpm: with the same grip the speed grows in proportion, 7.2 * 200/3200 = 0.45.
    judged = json.loads(
        say("compare", "monday", "tuesday", "--expect", "model", "--within", "0.2 m/s", "--json")[0]
    )
    assert judged["expected"] == pytest.approx(0.45)
    assert judged["verdict"] == "as_designed"
    out, _ = say("compare", "monday", "tuesday")
    assert "the launcher model expects +0.45" in out
    assert "--expect model" in out


def test_one_shot_is_too_few(log, say):
    made = json.loads(
        say("compare", "alone", "tuesday", "--expect", "+0.3 m/s", "--within", "0.1 m/s", "--json")[0]
    )
    assert made["verdict"] == "too_few_shots"
    assert made["before"] == {"n": 1, "mean": pytest.approx(7.3), "sd": None}
    assert made["spread_ratio"] is None
    assert made["difference"]["low95"] is None


@pytest.mark.parametrize(("quantity", "key"), [("exit_angle", "exit_angle_deg"), ("spin", "spin_rev_s")])
def test_other_quantities_have_their_units(log, say, quantity, key):
    unit = {"exit_angle": "deg", "spin": "rev/s"}[quantity]
    words = ["--quantity", quantity, "--expect", f"+2 {unit}", "--within", f"1 {unit}", "--json"]
    made = json.loads(say("compare", "monday", "tuesday", *words)[0])
    assert made["quantity"] == key
    assert (made["expected"], made["within"]) == (2.0, 1.0)
    # The examples are all thrown at 53.4 degrees with 17.5 turns a second.
    assert made["before"]["mean"] == pytest.approx({"exit_angle": 53.4, "spin": 17.5}[quantity])


def test_equal_values_are_no_trouble(log, say):
    # All balls of the examples turn at the same rate.
    for words in (["compare", "monday", "tuesday"], ["consistency", "monday"], ["check", "alone", "monday"]):
        status = 1 if words[0] == "check" else 0
        out, err = say(*words, "--quantity", "spin", status=status)
        assert ("inside lobscope" in err, "nan" in out) == (False, False)


def test_a_smaller_scatter_is_seen(log, say):
    add(log, "calm", logged.clip(logged.speeds(6, 7.2, sd=0.01), "calm.mp4"), logged.setup())
    assert "became more alike" in say("compare", "monday", "calm")[0]


def test_both_sessions_are_drawn(log, say, tmp_path):
    say(*JUDGED, "--out", "pictures")
    (drawn,) = (tmp_path / "pictures").iterdir()
    assert drawn.read_bytes().startswith(b"\x89PNG")


# -- how many, check, design --------------------------------------------------------------------


def test_how_many_shots(log, say):
    # d = 0.1/0.08 = 1.25: 12 each, two-sided 5 %, power 80 % (noncentral t, scipy; 11 give 79 %)
    def power(n):
        shift, t = 1.25 * np.sqrt(n / 2), stats.t.ppf(0.975, 2 * n - 2)
        return stats.nct.sf(t, 2 * n - 2, shift)

    needed = next(n for n in range(2, 99) if power(n) >= 0.8)
    for scatter in (["--session", "monday"], ["--scatter", "0.08 m/s"]):
        assert f"you need {needed} shots before" in say("enough", "--change", "0.1 m/s", *scatter)[0]


def test_before_a_match_in_one_sentence(log, say):
    out, _ = say("check", "monday", "before match 3", "--within", "0.3 m/s")
    assert out.startswith("The launcher is still itself")
    assert out.count(".") - out.count("0.") == 1
    assert say("check", "monday", "tuesday")[0].startswith("The launcher is not itself")


def test_designed_against_measured(log, say, tmp_path):
    out, _ = say("design", "monday", "--out", "pictures")
    assert "exit speed is as designed" in out
    assert "wheel 3200 rpm" in out
    assert "Of the wheel's 16.08 ± " in out  # 0.096 pi 3200/60 = 16.085 m/s
    assert "power off" in out
    assert len(list((tmp_path / "pictures").iterdir())) == 1


def test_the_setting_is_the_design_where_none_is_stated(log, say):
    plain = logged.setup(3400)
    add(
        log,
        "plain",
        logged.clip(logged.speeds(8, 7.65), "p.mp4"),
        replace(plain, design=type(plain.design)()),
    )
    out, _ = say("design", "plain", "--grip-from", "monday")
    # The grip of monday, 7.2 of 8.042 m/s, gives 7.65 m/s at 3400 rpm.
    assert "designed 7.65 m/s" in out
    assert "89." in out


# -- export and import --------------------------------------------------------------------------


def test_an_export_comes_back_identical(log, say, tmp_path):
    say("note", "other", "new batch of balls", "--on", "2026-11-20")
    say("export", "log.json")
    say("import", "log.json", "--log", "other.sqlite")
    say("export", "again.json", "--log", "other.sqlite")
    assert (tmp_path / "again.json").read_bytes() == (tmp_path / "log.json").read_bytes()
    assert "Added 0 clips and 0 notes; 4 of" in say("import", "log.json", "--log", "other.sqlite")[1]


def test_a_table_for_a_spreadsheet(log, say, tmp_path):
    say("export", "monday.csv", "--session", "monday")
    with (tmp_path / "monday.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["exit_speed_m_s"]) for row in rows] == logged.speeds(1, 7.20).tolist()


def test_nothing_is_written_over_unasked(log, say, tmp_path):
    (tmp_path / "log.json").write_text("mine", encoding="utf-8")
    assert "is there already" in say("export", "log.json", status=1)[1]
    assert (tmp_path / "log.json").read_text(encoding="utf-8") == "mine"
    say("export", "log.json", "--replace")
    assert json.loads((tmp_path / "log.json").read_text(encoding="utf-8"))["sessions"]


# -- start --------------------------------------------------------------------------------------


def test_no_database_library_is_loaded_without_a_log(log):
    program = (
        "import sys; from tracker.cli import main; status = main(sys.argv[1:]);"
        "loaded = {'sqlalchemy', 'alembic', 'matplotlib', 'cv2', 'av'} & set(sys.modules);"
        "sys.exit(f'loaded {loaded}' if loaded else status)"
    )
    root = Path(__file__).resolve().parents[2]
    for words in (["enough", "--change", "0.1 m/s", "--scatter", "0.08 m/s"], ["compare", "--help"]):
        done = subprocess.run(
            [sys.executable, "-c", program, *words], cwd=root, capture_output=True, check=False, timeout=60
        )
        assert done.stderr == b""
        assert done.returncode == 0
