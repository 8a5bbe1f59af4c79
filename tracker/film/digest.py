"""A clip's fingerprint; loads no decoder."""

from __future__ import annotations

import hashlib
from pathlib import Path

from tracker.film.place import check_path

__all__ = ["fingerprint"]


def fingerprint(path: Path) -> str:
    """SHA-256 of the file, hexadecimal.

    Raises
    ------
    ClipError
        If there is no such file, or it may not be read.
    """
    check_path(path)
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
