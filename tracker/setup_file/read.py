"""A setup file, or its text -> Setup."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

from tracker.errors import SetupError, SetupNotFound
from tracker.setup_file import sections, units
from tracker.setup_file.board import standing_board
from tracker.setup_file.reference import check_ball_fits, reference
from tracker.setup_file.section import KEYS, Section, check_names, signed
from tracker.setup_file.units import shown
from tracker.values import Launcher, Setup

LARGEST_FILE_BYTES = 1_000_000
_MAKE_ONE = "Write one with the command: lobscope setup"


def read_setup(
    path: Path, *, capture_fps: float | None = None, wheel_speed: str | None = None, gap: str | None = None
) -> Setup:
    """Read a setup file; the keywords are what was given for one call and stand above the file.

    Parameters
    ----------
    path : Path
        The file. A lens file it names is looked for beside it.
    capture_fps : float, optional
        True frames a second.
    wheel_speed : str, optional
        Speed of the (first) wheel with its unit.
    gap : str, optional
        Gap at the exit with its unit. Where the file states both gaps, the one at the entry moves
        by as much, as it does when the backing is moved.

    Raises
    ------
    SetupNotFound
        If there is no such file.
    SetupError
        If it cannot be read or used; the code says why.
    """
    setup = parse_setup(_text(path), path.name)
    camera, launcher = setup.camera, setup.launcher
    if camera.lens_file is not None:
        camera = replace(camera, lens_file=str(path.parent / camera.lens_file))
    if capture_fps is not None:
        camera = replace(camera, capture_fps=sections.capture_rate(float(capture_fps), "--capture-fps"))
    if wheel_speed is not None:
        kind = units.ROTATION
        got = signed(units.quantity(wheel_speed, kind, "--wheel-speed"), kind, "--wheel-speed", "positive")
        launcher = replace(launcher, wheel_speed_rad_s=got.value)
    if gap is not None:
        launcher = _moved(launcher, gap)
    return replace(setup, camera=camera, launcher=launcher)


def _moved(launcher: Launcher, gap: str) -> Launcher:
    kind = units.LENGTH
    exit_m = signed(units.quantity(gap, kind, "--gap"), kind, "--gap", "positive").value
    entry_m = launcher.gap_entry_m
    if entry_m is not None and launcher.gap_exit_m is not None:
        entry_m += exit_m - launcher.gap_exit_m
        if entry_m <= 0:
            raise SetupError(
                "setup_not_positive",
                "--gap leaves no gap at the entry.",
                "Change gap_entry and gap_exit in the setup file instead.",
            )
    return replace(launcher, gap_entry_m=entry_m, gap_exit_m=exit_m)


def _text(path: Path) -> str:
    name = shown(path.name or str(path))
    try:
        if path.is_dir():
            raise SetupError(
                "setup_is_folder", f"{name} is a folder, not a setup file.", "Name the setup file inside it."
            )
        if path.exists() and not path.is_file():
            raise SetupError("setup_not_a_file", f"{name} is not an ordinary file.", _MAKE_ONE)
        with path.open("rb") as file:
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError as error:
        raise SetupNotFound("setup_not_found", f"There is no setup file {name}.", _MAKE_ONE) from error
    except (OSError, ValueError) as error:
        if isinstance(error, SetupError):
            raise
        raise SetupError(
            "setup_unreadable",
            f"The setup file {name} cannot be opened.",
            "Check that you may read it.",
        ) from error
    if len(raw) > LARGEST_FILE_BYTES:
        raise SetupError(
            "setup_too_big",
            f"{name} is larger than 1 MB, so it is no setup file.",
            "Name the setup file after --setup, not a clip.",
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SetupError(
            "setup_not_utf8",
            f"{name} is not a text in UTF-8.",
            "Save it again as plain text with the encoding UTF-8.",
        ) from error


def parse_setup(text: str, source: str) -> Setup:
    """Read the text of a setup file.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        What to call the text in a sentence, such as the file's name.

    Raises
    ------
    SetupError
        If it cannot be used; the code says why.
    """
    source = shown(source)
    table = _toml(text, source)
    check_names(table, source)
    part = {name: Section(name, _content(table, name), source) for name in KEYS}
    ball = sections.ball(part["ball"])
    board = standing_board(part["reference"])
    known = reference(part["reference"]) if board is None else None
    picture_px = None if known is None else known.picture_px
    if known is not None:
        check_ball_fits(part["ball"], ball, known)
    return Setup(
        ball=ball,
        reference=known,
        camera=sections.camera(part["camera"], picture_px),
        launcher=sections.launcher(part["launcher"], picture_px),
        design=sections.design(part["design"]),
        target=sections.target(part["target"]),
        room=sections.room(part["room"]),
        text=text,
        board=board,
    )


def _content(table: dict[str, object], name: str) -> dict[str, object]:
    content = table.get(name, {})
    return content if isinstance(content, dict) else {}


def _toml(text: str, source: str) -> dict[str, object]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # Besides its own error, tomllib lets through what int() says to thousands of digits and
        # what the interpreter says to thousands of brackets.
        found = re.search(r"at line (\d+)", str(error))
        place = (
            f"in line {found[1]}"
            if found
            else "at its end"
            if "end of document" in str(error)
            else "somewhere"
        )
        raise SetupError(
            "setup_not_toml",
            f"{source} cannot be understood {place}.",
            'Write each key as key = value with texts in quotes, such as diameter = "140 mm".',
        ) from error
