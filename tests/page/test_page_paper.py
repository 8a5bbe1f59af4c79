"""The setup file beside a clip, and a setup made without a page."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest
from own_clips import FIXTURES, dots, write_dots

from tracker.cli import main
from tracker.errors import OutputError
from tracker.finding import find_ball
from tracker.page.paper import Paper, beside
from tracker.setup_file import parse_setup

BALL = {"ball": {"diameter": "140 mm"}}


def text_of(paper: Paper) -> str:
    return paper.with_table(BALL)


def test_a_new_file_is_written_and_then_ours(tmp_path: Path) -> None:
    paper = Paper(tmp_path / "a.setup.toml")
    paper.save(text_of(paper))
    paper.save(text_of(paper).replace("140", "150"))
    assert parse_setup(paper.path.read_text(encoding="utf-8"), "a").ball.diameter_m == 0.150
    assert [file.name for file in tmp_path.iterdir()] == ["a.setup.toml"]


def test_a_file_that_came_meanwhile_is_left_alone(tmp_path: Path) -> None:
    paper = Paper(tmp_path / "a.setup.toml")
    paper.path.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="is there already"):
        paper.save(text_of(paper))
    assert paper.path.read_text(encoding="utf-8") == "mine"
    other = paper.save(text_of(paper), another=True)
    assert other.name == "a-2.setup.toml"
    assert (tmp_path / "a.setup.toml").read_text(encoding="utf-8") == "mine"


def test_a_file_that_changed_since_it_was_opened_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.setup.toml"
    path.write_text('[ball]\ndiameter = "1 m"\n', encoding="utf-8")
    paper = Paper(path)
    path.write_text('[ball]\ndiameter = "2 m"\n', encoding="utf-8")
    with pytest.raises(OutputError, match="not as it was"):
        paper.save(text_of(paper))
    assert '"2 m"' in path.read_text(encoding="utf-8")
    paper.save(text_of(paper), replace=True)
    assert '"140 mm"' in path.read_text(encoding="utf-8")


def test_a_file_that_is_no_setup_is_never_taken_over(tmp_path: Path) -> None:
    path = tmp_path / "a.setup.toml"
    path.write_text("a letter to grandmother", encoding="utf-8")
    paper = Paper(path)
    assert paper.problem is not None
    with pytest.raises(OutputError, match="is there already"):
        paper.save(text_of(paper))
    assert path.read_text(encoding="utf-8") == "a letter to grandmother"


def test_a_folder_that_cannot_be_written_to_is_said(tmp_path: Path) -> None:
    paper = Paper(tmp_path / "nowhere" / "a.setup.toml")
    with pytest.raises(OutputError, match="cannot be written"):
        paper.save(text_of(paper))


@pytest.mark.parametrize(("name", "colour"), [("plain_240", "orange"), ("portrait_120", "blue")])
def test_the_ball_is_found_without_being_told(name: str, colour: str) -> None:
    truth = json.loads((FIXTURES / f"{name}.truth.json").read_text(encoding="utf-8"))
    there = {row["frame"]: ball for row in truth["frames"] for ball in row["balls"] if ball["in_flight"]}
    found = find_ball(FIXTURES / f"{name}.mp4")
    assert found.colour == colour
    both = [(k, there[frame]) for k, frame in enumerate(found.frame.tolist()) if frame in there]
    assert len(both) > 100
    away = [
        np.hypot(found.x_px[k] - ball["px_outline"], found.y_px[k] - ball["py_outline"]) for k, ball in both
    ]
    # It is to be ringed, not measured.
    assert np.quantile(away, 0.95) < 1.5


def test_nothing_is_found_where_nothing_flies() -> None:
    found = find_ball(FIXTURES / "nothing_moves_like_a_ball.mp4", colour="orange")
    assert found.colour is None
    assert len(found.frame) == 0


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    status = main(["setup", *arguments])
    out, err = capsys.readouterr()
    assert out == ""
    return status, err


def test_marks_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    clip = Path(shutil.copy(FIXTURES / "plain_240.mp4", tmp_path / "my shot.mp4"))
    marks = ["--points", "340.95,598.15 732.18, 593.97", "--length", "1.500 m"]
    more = ["--plumb", "900,100 902,500", "--exit", "145,455", "--ball", "140 mm", "--find-ball"]
    status, err = run(capsys, str(clip), *marks, *more, "--distance", "4.2 m")
    assert status == 0, err
    assert "Something orange flies" in err
    assert "% sure" in err
    table = tomllib.loads(beside(clip).read_text(encoding="utf-8"))
    assert table["reference"]["points_px"] == [[340.95, 598.15], [732.18, 593.97]]
    assert table["reference"]["picture"] == [1280, 720]
    assert table["camera"]["plumb_px"] == [[900.0, 100.0], [902.0, 500.0]]
    assert table["launcher"]["exit_px"] == [145.0, 455.0]
    assert table["ball"] == {"diameter": "140 mm", "colour": "orange"}
    # A second call changes only what it says.
    assert (
        run(capsys, str(clip), "--size", "1.5 m x 1.1 m", "--points", "300,600 700,600 700,300 300,300")[0]
        == 0
    )
    table = tomllib.loads(beside(clip).read_text(encoding="utf-8"))
    assert table["reference"]["points_m"] == [[0.0, 0.0], [1.5, 0.0], [1.5, 1.1], [0.0, 1.1]]
    assert "length" not in table["reference"]
    assert table["ball"]["diameter"] == "140 mm"


def test_another_clips_setup_is_taken_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = Path(shutil.copy(FIXTURES / "plain_240.mp4", tmp_path / "first.mp4"))
    second = Path(shutil.copy(FIXTURES / "plain_240.mp4", tmp_path / "second.mp4"))
    shutil.copy(FIXTURES / "plain_240.setup.toml", beside(first))
    status, err = run(capsys, str(second), "--like", str(first), "--no-page")
    assert status == 0, err
    assert "The camera has not moved since first.mp4" in err
    assert tomllib.loads(beside(second).read_text(encoding="utf-8")) == tomllib.loads(
        beside(first).read_text(encoding="utf-8")
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--points", "1,2"], "is not 2 or 4 places"),
        (["--points", "1,2 3"], "is not 2 or 4 places"),
        (["--exit", "1,2 3,4"], "is not 1 place"),
        (["--points", "1,2 3,900", "--length", "1 m", "--ball", "1 cm"], "outside the picture"),
        (["--ball", "140"], "no unit"),
        (["--size", "1 m"], "not a width and a height"),
        (["--still", "a.jpg"], "no name for a picture"),
        (["--still", "a.png", "--frame", "99"], "has no frame 99"),
    ],
)
def test_what_cannot_be_meant_is_said(
    words: list[str],
    said: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    write_dots(tmp_path / "shot.mp4", dots(160, 96, [(40, 30), (100, 70)]))
    status, err = run(capsys, "shot.mp4", *words)
    assert status in {1, 2}
    assert said in err
    assert [file.name for file in tmp_path.iterdir()] == ["shot.mp4"]


def test_a_still_shows_every_pixel_where_its_grid_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clip = write_dots(tmp_path / "shot.mp4", dots(160, 96, [(40, 30), (101, 71)], sigma_px=1.2))
    assert run(capsys, str(clip), "--still", str(tmp_path / "grid.png"))[0] == 0
    image = cv2.imread(str(tmp_path / "grid.png"), cv2.IMREAD_GRAYSCALE)
    power = round(900 / 160)
    assert image.shape == (96 * power + 128, 160 * power + 128)
    for x, y in ((40, 30), (101, 71)):
        # The edge is 64 wide; the middle of pixel x lies half an enlarged pixel in.
        column, row = 64 + power * x + power // 2, 64 + power * y + power // 2
        around = image[row - 30 : row + 31, column - 30 : column + 31]
        assert image[row + 1, column + 1] > 200, "the dot is where the grid says"
        assert np.median(around) < 120
    capsys.readouterr()
    assert run(capsys, str(clip), "--still", str(tmp_path / "grid.png"))[0] == 1
    assert run(capsys, str(clip), "--still", str(tmp_path / "near.png"), "--around", "101,71")[0] == 0


def test_the_server_is_not_loaded_for_anything_else() -> None:
    code = (
        "import sys, tracker.cli.run, tracker.cli.pointing, tracker.page.desk; "
        "print([m for m in ('fastapi', 'uvicorn', 'jinja2', 'starlette') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
