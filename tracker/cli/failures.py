"""Exceptions -> one sentence and one piece of advice on stderr; the only place that does this."""

from __future__ import annotations

import os
import sys
import traceback
from typing import TYPE_CHECKING

from calibration.errors import PlainError

if TYPE_CHECKING:
    from pathlib import Path

    from tracker.values import Failed

TRACEBACK_VARIABLE = "LOBSCOPE_TRACEBACK"


class WrongUsage(PlainError, ValueError):  # noqa: N818 - named as the user's manual names it
    """The command was called in a way that cannot be meant."""


def in_plain_words(error: Exception) -> PlainError:
    """The same failure as a sentence and advice."""
    if isinstance(error, PlainError):
        return error
    if isinstance(error, MemoryError):
        return PlainError(
            "out_of_memory",
            "There is not enough memory for this.",
            "Close other programs, or measure one clip at a time with --from and --to.",
        )
    said = " ".join(str(error).split()) or "no further word"
    return PlainError(
        "internal_error",
        f"Something went wrong inside lobscope ({type(error).__name__}: {said}).",
        f"Please report this; with {TRACEBACK_VARIABLE}=1 set it shows where it happened.",
    )


def tell(error: Exception, about: Path | None = None) -> None:
    """Say on stderr what failed and what to do about it.

    Parameters
    ----------
    error : Exception
    about : Path or None
        The file it happened to.
    """
    plain = in_plain_words(error)
    prefix = f"{about}: " if about and about.name not in plain.message else ""
    sys.stderr.write(f"{prefix}{plain.message}\n  {plain.advice}\n")
    if os.environ.get(TRACEBACK_VARIABLE, "0") not in {"", "0"}:
        traceback.print_exception(error, file=sys.stderr)


def failed(clip: Path, error: Exception) -> Failed:
    """The failure as the result of one clip."""
    from tracker.values import Failed

    plain = in_plain_words(error)
    return Failed(clip.name, plain.code, plain.message, plain.advice)
