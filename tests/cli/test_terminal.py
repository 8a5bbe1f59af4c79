"""The program as its surroundings see it: pipes, code pages, terminals, cold start."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tracker import __version__
from tracker.cli import main, progress
from tracker.cli.streams import Outlet, safe_streams
from tracker.flags import FLAGS, WARNINGS

ROOT = Path(__file__).resolve().parents[2]


def lobscope(*words: str, **surroundings: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "tracker.cli", *words],
        cwd=ROOT,
        env={**os.environ, "PYTHONUTF8": "0", **surroundings},
        capture_output=True,
        check=False,
        timeout=60,
    )


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"lobscope {__version__}\n"


def test_version_as_one_option_among_others(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version", "measure"]) == 0
    assert capsys.readouterr().out == f"lobscope {__version__}\n"


@pytest.mark.parametrize(
    ("words", "not_yet"),
    [
        (["--version"], "typer rich numpy scipy cv2 av matplotlib"),
        (["--help"], "numpy scipy cv2 av matplotlib"),
    ],
)
def test_a_cold_start_loads_nothing_slow(words: list[str], not_yet: str) -> None:
    program = (
        "import sys; from tracker.cli import main; status = main(sys.argv[2:]);"
        "loaded = set(sys.argv[1].split()) & set(sys.modules);"
        "sys.exit(f'loaded {loaded}' if loaded else status)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, not_yet, *words],
        cwd=ROOT,
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert done.stderr == b""
    assert done.returncode == 0


def test_without_words_it_shows_its_help() -> None:
    done = lobscope()
    assert b"measure" in done.stdout + done.stderr
    assert done.returncode in {0, 2}  # which of them depends on the version of the library


def test_an_unknown_command_is_wrong_usage() -> None:
    done = lobscope("mesure")
    assert done.returncode == 2
    assert done.stdout == b""
    assert b"mesure" in done.stderr


def test_a_reader_who_leaves_early_is_no_failure() -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "tracker.cli", "warnings"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    with process.stderr:
        said = process.stderr.read()
    assert process.wait(timeout=60) == 0
    assert said == b""


@pytest.mark.skipif(os.name == "nt", reason="descriptors are closed by a POSIX shell")
def test_a_closed_stdout_is_no_failure() -> None:
    done = subprocess.run(
        ["/bin/sh", "-c", '"$0" -m tracker.cli warnings >&-', sys.executable],
        cwd=ROOT,
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.parametrize("page", ["ascii", "cp437", "cp1251", "cp932", "utf-8"])
def test_every_code_page_gets_its_signs_or_plain_ones(page: str) -> None:
    done = lobscope("warnings", PYTHONIOENCODING=page)
    assert done.returncode == 0
    assert done.stderr == b""
    text = done.stdout.decode(page)
    assert "no_shot_found" in text
    assert "?" not in text


def test_signs_without_a_place_on_the_page_are_spelled_out() -> None:
    raw = io.BytesIO()
    outlet = Outlet(io.TextIOWrapper(raw, encoding="ascii"))
    outlet.write("7.20 ± 0.08 m/s², 52° – 球")
    outlet.flush()
    assert raw.getvalue() == b"7.20 +- 0.08 m/s2, 52 deg - ?"


def test_an_outlet_passes_on_other_troubles() -> None:
    class Full(io.StringIO):
        def write(self, text: str) -> int:
            raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left"):
        Outlet(Full()).write("result")


def test_streams_are_given_back() -> None:
    before = sys.stdout, sys.stderr
    with safe_streams():
        assert sys.stdout is not before[0]
    assert (sys.stdout, sys.stderr) == before


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("stream", "shown"), [(Terminal(), True), (io.StringIO(), False)])
def test_progress_is_for_terminals_and_for_the_patient(
    monkeypatch: pytest.MonkeyPatch, stream: io.StringIO, shown: bool
) -> None:
    now_s = [100.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: now_s[0])
    monkeypatch.setattr(sys, "stderr", stream)
    monkeypatch.setenv("TERM", "xterm")
    with progress.FramesDone("shot.mp4") as done:
        now_s[0] += 0.5
        done(10, 240)
        assert stream.getvalue() == ""
        now_s[0] += 1.0
        done(120, 240)
        # 120 of 240 frames took 1.5 s, so the others will too.
        assert ("120/240 frames, about 2 s left" in stream.getvalue()) == shown
        done(240, 240)
    assert ("working out the flights" in stream.getvalue()) == shown
    assert ("shot.mp4" in stream.getvalue()) == shown


def test_every_command_explains_itself(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    listed = capsys.readouterr().out.split("Commands:")[1]
    commands = [line.split()[0] for line in listed.splitlines() if line.startswith("  ") and line.split()]
    for command in ("measure", "setup", "demo", "warnings"):
        assert command in commands
        assert main([command, "--help"]) == 0
        assert len(capsys.readouterr().out.splitlines()) > 5


def test_shell_completion_knows_the_commands() -> None:
    # The protocol by which a bash completion function asks a program of this kind.
    done = lobscope(_LOBSCOPE_COMPLETE="complete_bash", COMP_WORDS="lobscope me", COMP_CWORD="1")
    assert b"measure" in done.stdout


def test_setup_writes_a_file_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["setup"]) == 0
    written = (tmp_path / "setup.toml").read_text(encoding="utf-8")
    assert "[ball]" in written
    assert "lobscope measure" in capsys.readouterr().err
    assert main(["setup"]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 2
    assert (tmp_path / "setup.toml").read_text(encoding="utf-8") == written


def test_setup_in_a_folder_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["setup", str(tmp_path / "no" / "setup.toml")]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 2


def test_warnings_lists_every_code_without_open_fields(capsys: pytest.CaptureFixture[Any]) -> None:
    assert main(["warnings"]) == 0
    out = capsys.readouterr().out
    assert all(f"\n  {code}\n" in out for code in [*WARNINGS, *FLAGS])
    assert "{" not in out
