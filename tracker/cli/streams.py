"""stdout and stderr that survive a reader who leaves early and a code page without our signs."""

from __future__ import annotations

import codecs
import contextlib
import errno
import os
import sys
from collections.abc import Iterator
from typing import IO, TextIO, cast

PLAIN_SIGNS = {
    "±": "+-",
    "×": "x",
    "·": ".",
    "°": " deg",
    "²": "2",
    "³": "3",
    "–": "-",
    "—": "-",
    "−": "-",
    "…": "...",
    "→": "->",
    "≤": "<=",
    "≥": ">=",
    "≈": "~",
    "µ": "u",
    "μ": "u",
    "χ": "chi",
    "‘": "'",
    "’": "'",
    "“": '"',
    "”": '"',
}


def _plain(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    unknown = error.object[error.start : error.end]
    return "".join(PLAIN_SIGNS.get(sign, "?") for sign in unknown), error.end


codecs.register_error("lobscope-plain", _plain)


def _reader_left(error: OSError) -> bool:
    # Windows reports a closed pipe as an invalid argument.
    return isinstance(error, BrokenPipeError) or (os.name == "nt" and error.errno == errno.EINVAL)


class Outlet:
    """A text stream whose reader may leave: what is written after that is dropped in silence.

    Parameters
    ----------
    stream : text stream or None
        None (a closed descriptor, a program without a console) drops everything.
    """

    def __init__(self, stream: TextIO | None) -> None:
        # An open null device: the interpreter closes it with the process.
        self._stream: TextIO = open(os.devnull, "w", encoding="utf-8") if stream is None else stream  # noqa: PTH123, SIM115 - os.devnull is no path, and the stream lives as long as the process
        reconfigure = getattr(self._stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="lobscope-plain")

    def write(self, text: str) -> int:
        """Write text, as far as anybody reads it."""
        with self._until_reader_leaves():
            self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        """Hand over what was written so far."""
        with self._until_reader_leaves():
            self._stream.flush()

    @contextlib.contextmanager
    def _until_reader_leaves(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            if not _reader_left(error):
                raise
            # The interpreter flushes again when it ends; give it something that takes it.
            null = os.open(os.devnull, os.O_WRONLY)
            os.dup2(null, self._stream.fileno())
            os.close(null)

    def __getattr__(self, name: str) -> object:
        return getattr(self._stream, name)


@contextlib.contextmanager
def safe_streams() -> Iterator[None]:
    """Put outlets in the place of stdout and stderr for a while."""
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = (cast("TextIO", Outlet(stream)) for stream in before)
    try:
        yield
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        sys.stdout, sys.stderr = before


def is_terminal(stream: IO[str]) -> bool:
    """Whether a person watches this stream."""
    try:
        return stream.isatty()
    except ValueError:  # closed meanwhile
        return False
