from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from tracker.cli import main, show


def measure(*words: str) -> int:
    return main(["measure", *words])


def test_one_good_clip_is_shown_on_stdout_and_nothing_else_is(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    assert measure("good.mp4", "--setup", "setup.toml") == 0
    out, err = capsys.readouterr()
    assert "7.20" in out
    assert "52.0" in out
    assert err == ""


def test_nothing_is_written_unless_asked(bench: Path, pipeline: Any) -> None:
    before = sorted(bench.iterdir())
    assert measure("good.mp4", "--setup", "setup.toml") == 0
    assert sorted(bench.iterdir()) == before


def test_a_clip_without_a_shot_is_a_result(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    assert measure("empty.mp4", "--setup", "setup.toml", "--json") == 0
    assert json.loads(capsys.readouterr().out)["clips"][0]["shots"] == []


def test_json_is_the_only_thing_on_stdout_and_holds_the_numbers(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    assert measure("good.mp4", "--setup", "setup.toml", "--json") == 0
    shot = json.loads(capsys.readouterr().out)["clips"][0]["shots"][0]
    assert shot["exit_speed_m_s"]["value"] == pytest.approx(7.2)
    assert shot["exit_angle_deg"]["value"] == pytest.approx(52)


@pytest.mark.parametrize("bad", ["bad.mp4", "broken.mp4", "missing.mp4"])
def test_one_bad_clip_does_not_stop_the_others(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str], bad: str
) -> None:
    assert measure("good.mp4", bad, "empty.mp4", "--setup", "setup.toml", "--json") == 1
    out, err = capsys.readouterr()
    first, second, third = json.loads(out)["clips"]
    assert len(first["shots"]) == 1
    assert set(second) == {"clip", "error"}
    assert set(second["error"]) == {"code", "message", "advice"}
    assert third["shots"] == []
    assert bad in err
    assert "Traceback" not in err
    assert len(err.splitlines()) == 2


def test_a_bad_clip_says_one_sentence_and_one_advice(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    assert measure("bad.mp4", "--setup", "setup.toml") == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "bad.mp4 is not a film.\n  Copy it from the phone again.\n"


def test_a_bug_is_told_plainly_and_its_place_only_on_demand(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert measure("broken.mp4", "--setup", "setup.toml") == 1
    quiet = capsys.readouterr().err
    assert "ZeroDivisionError" in quiet
    assert "Traceback" not in quiet
    monkeypatch.setenv("LOBSCOPE_TRACEBACK", "1")
    assert measure("broken.mp4", "--setup", "setup.toml") == 1
    assert "Traceback" in capsys.readouterr().err


def test_without_a_setup_file_it_says_what_is_needed_and_how_to_get_it(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    assert measure("good.mp4") == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "setup file" in err
    assert "lobscope setup" in err
    assert len(err.splitlines()) == 2
    assert pipeline.calls == []


def test_a_setup_file_that_is_not_there(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    assert measure("good.mp4", "--setup", "other.toml") == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "other.toml" in err
    assert len(err.splitlines()) == 2


def test_a_bad_setup_file_fails_every_clip_in_the_document(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    (bench / "setup.toml").write_text("[ball]\ndiameter = 140\n", encoding="utf-8")
    assert measure("good.mp4", "empty.mp4", "--setup", "setup.toml", "--json") == 1
    clips = json.loads(capsys.readouterr().out)["clips"]
    assert [clip["clip"] for clip in clips] == ["good.mp4", "empty.mp4"]
    assert all("diameter" in clip["error"]["message"] for clip in clips)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--from", "2", "--to", "1"], "--to must come after --from."),
        (["--from", "1", "--to", "1"], "--to must come after --from."),
        (["--capture-fps", "0"], "--capture-fps must be above zero."),
        (["--capture-fps", "nan"], "--capture-fps must be above zero."),
        (["--to", "inf"], "--from and --to must be numbers."),
        (["--from", "-1"], "--from"),
        (["--capture-fps", "fast"], "--capture-fps"),
        (["--no-such-thing"], "--no-such-thing"),
    ],
)
def test_wrong_usage_is_status_2(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert measure("good.mp4", "--setup", "setup.toml", *words) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert pipeline.calls == []


def test_no_clip_at_all_is_wrong_usage(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    assert measure("--setup", "setup.toml") == 2
    assert "CLIP" in capsys.readouterr().err


def test_what_is_stated_for_one_call_reaches_setup_and_pipeline(bench: Path, pipeline: Any) -> None:
    words = ["--capture-fps", "240", "--wheel-speed", "3000 rpm", "--gap", "126 mm"]
    times = ["--from", "0.5", "--to", "1.5", "--every-flight"]
    assert measure("good.mp4", "--setup", "setup.toml", *words, *times) == 0
    (call,) = pipeline.calls
    assert call["setup"].camera.capture_fps == 240
    # 3000 turns a minute are 50 a second, of 2 pi each.
    assert call["setup"].launcher.wheel_speed_rad_s == pytest.approx(100 * math.pi)
    assert call["setup"].launcher.gap_exit_m == pytest.approx(0.126)
    assert (call["start_s"], call["end_s"], call["every_flight"]) == (0.5, 1.5, True)


def test_explain_tells_second_opinions_and_what_was_refused(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    assert measure("good.mp4", "--setup", "setup.toml", "--explain") == 0
    out = capsys.readouterr().out
    assert "gravity, if left free" in out
    assert "240 frames a second (source: container)" in out


def test_a_reason_that_many_candidates_share_is_said_once() -> None:
    refused = (
        "frames 1 to 9: it hardly moved",
        "frames 4 to 8: it does not fall",
        "frames 20 to 31: it hardly moved",
    )
    assert show.grouped((*refused, "nothing else moved")) == [
        "it hardly moved: frames 1 to 9; frames 20 to 31",
        "it does not fall: frames 4 to 8",
        "nothing else moved",
    ]
