"""The setup file beside a clip: opened, and written without ever silently taking another one's place."""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path

from tracker.errors import OutputError, SetupError, SetupNotFound
from tracker.setup_file import read_setup
from tracker.setup_file.edit import Table, edited, table_of
from tracker.setup_file.read import LARGEST_FILE_BYTES
from tracker.setup_file.template import template

SUFFIX = ".setup.toml"


def beside(clip: Path) -> Path:
    """Where a clip's setup file lies unless something else is said."""
    return clip.with_name(clip.stem + SUFFIX)


class Paper:
    """One setup file and its text, as last read or written here.

    Attributes
    ----------
    path : Path
    text : str
        What changes are made to: the file, or a template.
    problem : SetupError or None
        Why the file that is there cannot be used.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.text = template()
        self.problem: SetupError | None = None
        self._known: bytes | None = None
        try:
            read_setup(path)
        except SetupNotFound:
            return
        except SetupError as error:
            self.problem = error
            if not table_of(_text(path)):
                return  # nothing of it can be kept, so it is not taken over, and never written over
        self._known = path.read_bytes()
        self.text = _text(path)

    @property
    def table(self) -> Table:
        """What the text says."""
        return table_of(self.text)

    @property
    def exists(self) -> bool:
        """Whether the file is there."""
        return self.path.exists()

    def with_table(self, table: Table) -> str:
        """The text such that it says what a table says; its notes stay."""
        return edited(self.text, table)

    def take_over(self, other: Path) -> None:
        """Begin with the text of another clip's setup, unless there is one here already."""
        if self._known is None and not self.exists:
            read_setup(other)
            self.text = _text(other)

    def save(self, text: str, *, replace: bool = False, another: bool = False) -> Path:
        """Write the text.

        Parameters
        ----------
        text : str
        replace : bool
            Whether a file that is not the one which was opened here may be replaced.
        another : bool
            Whether to write to a new file beside it.

        Raises
        ------
        OutputError
            ``setup_not_ours`` if there is a file that was not read or written here; or if the disk refuses.
        """
        if another:
            self.path, self._known = _free(self.path), None
        data = text.encode("utf-8")
        try:
            there = self.path.read_bytes() if self.exists else None
            ours = there is None or there == self._known or replace
            if there is None:
                _write_new(self.path, data)
            elif ours and there != data:
                _write_over(self.path, data)
        except OSError as error:
            raise OutputError(
                "output_refused",
                f"{self.path.name} cannot be written ({(error.strerror or str(error)).lower()}).",
                "Check that you may write to that folder and that there is room.",
            ) from error
        if not ours:
            raise OutputError(
                "setup_not_ours",
                f"{self.path.name} is there already, and is not as it was when it was opened here.",
                "Save under another name, or say that it may be replaced.",
            )
        self._known, self.text, self.problem = data, text, None
        return self.path


def _text(path: Path) -> str:
    if not path.is_file() or path.stat().st_size > LARGEST_FILE_BYTES:
        return ""
    return path.read_bytes().decode("utf-8-sig", errors="replace").replace("\r\n", "\n")


def _free(path: Path) -> Path:
    """A name with a number that is not taken."""
    stem = path.name.removesuffix(SUFFIX).removesuffix(".toml")
    ending = path.name[len(stem) :]
    number = 2
    while (other := path.with_name(f"{stem}-{number}{ending}")).exists():
        number += 1
    return other


def _write_new(path: Path, data: bytes) -> None:
    with path.open("xb") as file:  # "x": somebody else may have been quicker
        file.write(data)


def _write_over(path: Path, data: bytes) -> None:
    """Whole or not at all."""
    handle, part = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        with suppress(OSError):  # some file systems keep no modes
            os.chmod(part, path.stat().st_mode)  # noqa: PTH101 - the part's name is a text
        os.replace(part, path)  # noqa: PTH105 - the same call on every system
    except OSError:
        Path(part).unlink(missing_ok=True)
        raise
