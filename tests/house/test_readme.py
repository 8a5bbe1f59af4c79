"""The README says what the program does: commands, options, tables, examples and lines to paste."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import logged
import pytest
import readme_tables
import typer

from tracker.cli import main
from tracker.cli.run import OF_THE_LOG, app
from tracker.report import document
from tracker.setup_file import parse_setup
from tracker.values import Failed, Measured, Setup, Shot

ROOT = Path(__file__).resolve().parents[2]
CLIP = ROOT / "fixtures" / "plain_240.mp4"
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]  # the app is a group of commands


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.DOTALL | re.MULTILINE)


LINES = [line for block in blocks("sh") for line in block.splitlines()]
CALLS = [line for line in LINES if line.startswith("lobscope ")]
ABOUT_THE_LOG = {*(command.__name__ for command in OF_THE_LOG), "export", "import"}


def test_tables_are_those_of_the_registry() -> None:
    assert readme_tables.with_tables(README) == README, "run tests/house/readme_tables.py"


def test_a_missing_place_for_a_table_is_seen() -> None:
    with pytest.raises(ValueError, match="marked 0 times"):
        readme_tables.with_tables("no tables here")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_has_help_and_is_documented(name: str) -> None:
    command = COMMANDS[name]
    assert len(command.help) > 40
    assert f"| `lobscope {name}` |" in README
    for parameter in command.params:
        if "--help" in parameter.opts:
            continue
        assert len(parameter.help) > 10, parameter.name
        for option in parameter.opts:
            assert not option.startswith("--") or f"`{option}" in README, option


def test_no_option_is_documented_that_is_not_there() -> None:
    known = {
        option for command in COMMANDS.values() for parameter in command.params for option in parameter.opts
    }
    known |= {"--install-completion", "--version", "--help"}
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README)) <= known


def test_the_setup_example_can_be_read() -> None:
    (example,) = blocks("toml")
    setup = parse_setup(example, "setup.toml")
    assert setup.ball.diameter_m == pytest.approx(0.140)
    assert setup.reference is not None


def keys_of(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from keys_of(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from keys_of(inner)


def test_every_key_of_the_document_is_explained(
    made_clip: Callable[..., Measured], made_shot: Callable[..., Shot]
) -> None:
    made = document([made_clip(made_shot()), Failed("bad.mp4", "code", "sentence", "advice")])
    after = README.split("## For programs")[1]
    explained = set(re.findall(r'"(\w+)"', after))
    assert set(keys_of(made)) - explained == set()


def test_linked_files_are_there() -> None:
    linked = re.findall(r"\]\((?!https?:|#)([^)]+)\)", README)
    assert linked
    assert [name for name in linked if not (ROOT / name).is_file()] == []


@pytest.mark.parametrize(
    ("start", "end", "count"),
    [("python3 -m venv .venv && ", "/lobscope demo", 1), ("python3 -m venv .venv && ", " -m pytest", 1)],
)
def test_there_is_one_line_for_the_job_and_one_for_the_tests(start: str, end: str, count: int) -> None:
    assert sum(line.startswith(start) and line.endswith(end) for line in LINES) == count


def test_windows_has_the_same_lines() -> None:
    def steps(line: str) -> list[str]:
        words = re.sub(r"; if \(\$\?\) \{ (.*?) \}(?=;|$)", r" && \1", line)
        words = words.replace("py -3", "python3").replace("\\Scripts\\", "/bin/").replace("\\", "/")
        return words.split(" && ")

    setups = [line for line in LINES if line.startswith("python3 -m venv")]
    assert [steps(line) for block in blocks("powershell") for line in block.splitlines()] == [
        line.split(" && ") for line in setups
    ]


@pytest.fixture(name="measure_once", scope="module")
def measure_each_wish_once() -> Callable[..., Measured]:
    """The pipeline, which remembers what it measured: lines that differ in what they show share it."""
    from tracker.pipeline import measure  # noqa: PLC0415 - slow to load, and few tests need it

    remembered: dict[str, Measured] = {}

    def measure_once(clip: Path, setup: Setup, **wishes: Any) -> Measured:
        asked = repr((setup.camera.capture_fps, setup.launcher, wishes["start_s"], wishes["end_s"]))
        if asked not in remembered:
            remembered[asked] = measure(clip, setup, **wishes)
        return remembered[asked]

    return measure_once


@pytest.mark.parametrize("line", CALLS)
def test_commands_run_as_written(
    line: str,
    measure_once: Callable[..., Measured],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("tracker.pipeline.measure", measure_once)
    monkeypatch.chdir(tmp_path)
    shutil.copy(CLIP, tmp_path / "shot.mp4")
    if " --setup " in line:
        shutil.copy(CLIP.with_suffix(".setup.toml"), tmp_path / "setup.toml")
    monkeypatch.delenv("LOBSCOPE_LOG", raising=False)
    words = shlex.split(line)[1:]
    if words[0] in ABOUT_THE_LOG:
        logged.fill(tmp_path / "launch-log.sqlite", "monday gap 126", "tuesday gap 122")
    if words[0] == "import":
        assert main(["export", words[1]]) == 0
        capsys.readouterr()
    status = main(words)
    out, err = capsys.readouterr()
    assert status == 0, err
    assert out or err
    assert "Traceback" not in err
    if words[0] == "measure" and "--out" in line:
        assert (tmp_path / "lobscope-out" / "shot" / "shot-1-flight.png").is_file()


def test_the_demo_is_measured_and_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--out", str(tmp_path)]) == 0
    out, err = capsys.readouterr()
    assert "m/s" in out
    (again,) = (line for line in err.splitlines() if line.startswith("  lobscope measure "))
    assert all(Path(word).is_file() for word in again.split()[2::2])
    assert len(list(tmp_path.rglob("shot-*-flight.png"))) >= 1


def test_there_are_commands_to_run() -> None:
    assert len(CALLS) >= 8
