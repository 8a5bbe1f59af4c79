"""Measured clips -> the launch log, and what became of each in one line."""

from __future__ import annotations

import contextlib
import sys
from typing import TYPE_CHECKING

from tracker.cli.from_log import open_log

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from tracker.store import Added, Log
    from tracker.values import Measured, Setup


def log_for(session: str | None, where: str | None) -> AbstractContextManager[Log | None]:
    """The log to add to, begun if there is none; nothing without a session."""
    return contextlib.nullcontext() if session is None else open_log(where, create=True)


def add(log: Log, session: str, measured: Measured, setup: Setup, how: str) -> None:
    """Add one clip to a session, and say on stderr what became of it.

    Raises
    ------
    LogError
        If it cannot be saved; the log is then as it was.
    """
    added = log.add(session, measured, setup, how=how)
    sys.stderr.write(f"{became(added, measured.clip, session)}\n")


def became(added: Added, clip: str, session: str) -> str:
    """What became of a clip, in words."""
    shots = "1 shot" if added.shots == 1 else f"{added.shots} shots"
    if added.kind == "added":
        return f"Added {shots} of {clip} to the session {session!r}."
    if added.kind == "already_there":
        return (
            f"{clip} is already there in the session {session!r} ({shots}), measured in the same way; "
            "nothing was added."
        )
    earlier = (
        "the earlier measurement is" if added.earlier == 1 else f"{added.earlier} earlier measurements are"
    )
    words = f"{clip} was in the session {session!r} already: its {shots} were replaced, and {earlier} kept."
    if added.carried:
        words += f" What was left out stays left out ({added.carried})."
    if added.not_carried:
        words += (
            f" {added.not_carried} left out earlier no longer found: look whether others are to be left out."
        )
    return words
