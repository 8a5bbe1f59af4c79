"""Where results are kept, and what is never written over."""

from __future__ import annotations

import json
import os
import re
import tempfile
from pathlib import Path

from tracker.errors import OutputError

RESULT_FILE = "result.json"
LONGEST_WORD = 80  # characters; two of them fit into a file's name everywhere
_OURS = re.compile(r"shot-\d+-(flight|residuals|budget|path)\.(png|csv)")


def usable_folder(folder: Path) -> Path:
    """The folder, made if need be, after a trial that files can be put into it.

    Raises
    ------
    OutputError
        If it is a file, or cannot be made or written into.
    """
    if folder.exists() and not folder.is_dir():
        raise OutputError(
            "output_is_a_file",
            f"{folder} is a file, not a folder.",
            "Give the name of a folder, or of one that is not there yet.",
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise cannot_write(folder, error) from error
    return folder


def cannot_write(place: Path, error: OSError) -> OutputError:
    """What the operating system refused, in plain words."""
    return OutputError(
        "output_refused",
        f"Nothing can be written to {place} ({(error.strerror or str(error)).lower()}).",
        "Choose another folder, or check its permissions and the free space.",
    )


def clip_folder(out: Path, clip: Path, sha256: str) -> Path:
    """The folder of one clip's results inside ``out``: its own from last time, or a new one.

    A folder of that name which holds anything else, such as the results of another clip of the same
    name, is left alone, and a number is added to the name. What an earlier run left of this very
    clip is cleared away, so that no picture of a shot stays that is no longer found.
    """
    name = file_word(clip.stem) or "clip"
    number = 1
    while True:
        folder = out / (name if number == 1 else f"{name}-{number}")
        if not folder.exists():
            folder.mkdir()
            return folder
        if _measured_here(folder) == sha256:
            for file in folder.iterdir():
                if _OURS.fullmatch(file.name):
                    file.unlink()
            return folder
        number += 1


def file_word(words: str) -> str:
    """Words as part of a file's name on any system; none where nothing of them can be."""
    return re.sub(r"[^\w.-]+", "_", words)[:LONGEST_WORD].strip(".")


def new_file(file: Path, text: str, *, replace: bool) -> None:
    """Write a file that is not there yet, or that may be replaced.

    Raises
    ------
    OutputError
        If it is there, or cannot be written.
    """
    if file.exists() and not replace:
        raise OutputError(
            "output_exists",
            f"{file} is there already.",
            "Give another name, or add --replace to write over it.",
        )
    try:
        write_text(file, text)
    except OSError as error:
        raise cannot_write(file, error) from error


def _measured_here(folder: Path) -> str | None:
    """Checksum of the clip whose results this folder holds, if any."""
    try:
        document = json.loads((folder / RESULT_FILE).read_text(encoding="utf-8"))
        return str(document["clips"][0]["sha256"])
    except (OSError, ValueError, LookupError, TypeError):
        return None


def write_text(file: Path, text: str) -> None:
    """Write a file whole or not at all."""
    part = file.with_name(f".{file.name}.part")
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        os.replace(part, file)  # noqa: PTH105 - the same call on every system
    finally:
        part.unlink(missing_ok=True)


def quoted(path: Path) -> str:
    """The path as one types it, in a POSIX shell and in PowerShell alike."""
    return f'"{path}"' if " " in str(path) else str(path)
