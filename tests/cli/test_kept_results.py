from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from tracker.cli import main

EVERYTHING = [
    "result.json",
    "shot-1-budget.png",
    "shot-1-flight.png",
    "shot-1-path.csv",
    "shot-1-residuals.png",
]


@pytest.fixture(autouse=True)
def grey_film(monkeypatch: pytest.MonkeyPatch) -> None:
    def stills(path: Path, indices: Sequence[int]) -> dict[int, np.ndarray]:
        return {index: np.full((720, 1280, 3), 90, np.uint8) for index in indices}

    module = ModuleType("tracker.film.stills")
    module.stills = stills  # type: ignore[attr-defined]  # the module is made here
    monkeypatch.setitem(sys.modules, "tracker.film.stills", module)


def keep(*clips: str, out: str = "out") -> int:
    return main(["measure", *clips, "--setup", "setup.toml", "--out", out])


def names(folder: Path) -> list[str]:
    return sorted(file.name for file in folder.iterdir())


def test_results_paths_and_pictures_are_kept(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    assert keep("good.mp4") == 0
    folder = bench / "out" / "good"
    assert names(folder) == EVERYTHING
    assert str(Path("out") / "good") in capsys.readouterr().err
    assert json.loads((folder / "result.json").read_text(encoding="utf-8"))["clips"][0]["clip"] == "good.mp4"
    assert all(file.read_bytes().startswith(b"\x89PNG") for file in folder.glob("*.png"))


def test_the_same_clip_again_replaces_its_files_and_leaves_others(bench: Path, pipeline: Any) -> None:
    assert keep("good.mp4") == 0
    folder = bench / "out" / "good"
    (folder / "notes.txt").write_text("mine", encoding="utf-8")
    (folder / "shot-9-flight.png").write_bytes(b"a shot that is no longer found")
    (folder / "shot-1-path.csv").write_text("old", encoding="utf-8")
    assert keep("good.mp4") == 0
    assert names(folder) == ["notes.txt", *EVERYTHING]
    assert (folder / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert (folder / "shot-1-path.csv").read_text(encoding="utf-8").startswith("shot,frame,t_s")


def test_another_clip_of_the_same_name_gets_a_folder_of_its_own(bench: Path, pipeline: Any) -> None:
    (bench / "later").mkdir()
    (bench / "later" / "good.mp4").write_text("another film", encoding="utf-8")
    assert keep("good.mp4", str(Path("later") / "good.mp4")) == 0
    assert names(bench / "out") == ["good", "good-2"]
    assert names(bench / "out" / "good-2") == EVERYTHING


def test_a_folder_that_is_not_ours_is_left_alone(bench: Path, pipeline: Any) -> None:
    mine = bench / "out" / "good"
    mine.mkdir(parents=True)
    (mine / "shot-1-path.csv").write_text("mine", encoding="utf-8")
    assert keep("good.mp4") == 0
    assert names(mine) == ["shot-1-path.csv"]
    assert (mine / "shot-1-path.csv").read_text(encoding="utf-8") == "mine"
    assert names(bench / "out" / "good-2") == EVERYTHING


def test_a_file_in_the_place_of_the_folder(
    bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    (bench / "out").write_text("mine", encoding="utf-8")
    assert keep("good.mp4") == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("out is a file, not a folder.\n  ")
    assert (bench / "out").read_text(encoding="utf-8") == "mine"
    assert pipeline.calls == []


def test_a_folder_that_cannot_be_made(bench: Path, pipeline: Any, capsys: pytest.CaptureFixture[str]) -> None:
    # A folder below a file can be made on no system and by no user.
    assert keep("good.mp4", out=str(Path("setup.toml") / "out")) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("Nothing can be written to ")
    assert len(err.splitlines()) == 2


def test_a_clip_without_a_shot_keeps_its_result(bench: Path, pipeline: Any) -> None:
    assert keep("empty.mp4") == 0
    assert names(bench / "out" / "empty") == ["result.json"]
