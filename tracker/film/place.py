"""Whether there is a file to open at all; loads no decoder."""

from __future__ import annotations

import stat
from pathlib import Path

from tracker.errors import ClipError, ClipNotFound
from tracker.film.sniff import COPY_AGAIN

# One reader a suffix: left to guess, the reader also opens pictures and playlists that name other files.
FORMATS = {
    ".mp4": "mov",
    ".m4v": "mov",
    ".mov": "mov",
    ".mkv": "matroska",
    ".webm": "matroska",
    ".avi": "avi",
}


def check_path(path: Path) -> None:
    """Make sure that there is a regular, readable, non-empty file with a clip's suffix.

    Raises
    ------
    ClipError
        If not; ``ClipNotFound`` if there is nothing of that name.
    """
    try:
        status = path.stat()
    except PermissionError as error:
        raise _not_allowed(path) from error
    except (OSError, ValueError) as error:
        raise ClipNotFound(
            "clip_missing",
            f"There is no clip {path.name} in {path.parent}.",
            "Check the name and the folder.",
        ) from error
    if stat.S_ISDIR(status.st_mode):
        raise ClipError(
            "clip_is_folder", f"{path.name} is a folder, not a clip.", "Name the clips inside it."
        )
    # Opening a pipe or a device can wait for ever.
    if not stat.S_ISREG(status.st_mode):
        raise ClipError(
            "clip_not_a_file",
            f"{path.name} is not an ordinary file.",
            "Copy the clip to an ordinary file and name that.",
        )
    if status.st_size == 0:
        raise ClipError("clip_empty", f"{path.name} is empty.", COPY_AGAIN)
    if path.suffix.lower() not in FORMATS:
        known = ", ".join(sorted(FORMATS))
        raise ClipError(
            "clip_suffix_unknown",
            f"{path.name} does not end like a clip ({known}).",
            "Name a clip as the phone wrote it, or convert it to .mp4.",
        )
    try:
        with path.open("rb"):
            pass
    except PermissionError as error:
        raise _not_allowed(path) from error
    except OSError as error:
        raise ClipError("clip_unreadable", f"{path.name} cannot be read.", COPY_AGAIN) from error


def _not_allowed(path: Path) -> ClipError:
    return ClipError(
        "clip_not_allowed",
        f"{path.name} may not be read by you.",
        "Change the file's permissions, or copy it to a folder of your own.",
    )
