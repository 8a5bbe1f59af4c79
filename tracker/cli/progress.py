"""How far a measurement has come: on stderr, on a terminal, and only if it takes a while."""

from __future__ import annotations

import math
import sys
import time
from types import TracebackType
from typing import TYPE_CHECKING, Self

from tracker.cli.streams import is_terminal

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

PATIENCE_S = 1.0


class FramesDone:
    """Shows frames done and time left; call it with (done, total).

    Parameters
    ----------
    what : str
        What is being worked on.
    """

    def __init__(self, what: str) -> None:
        self._what = what
        self._begun_s = time.monotonic()
        self._bar: Progress | None = None
        self._task: TaskID | None = None

    def __enter__(self) -> Self:
        return self

    def __call__(self, done: int, total: int) -> None:
        """Take note that ``done`` of ``total`` frames are done."""
        spent_s = time.monotonic() - self._begun_s
        state = _state(done, total, spent_s)
        if self._bar is None:
            if spent_s < PATIENCE_S or not is_terminal(sys.stderr):
                return
            self._bar = self._started()
            self._task = self._bar.add_task(self._what, total=total, state=state)
        if self._task is not None:
            self._bar.update(self._task, completed=done, total=total, state=state)

    def _started(self) -> Progress:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        columns = (
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=24),
            TextColumn("{task.fields[state]}", markup=False),
        )
        bar = Progress(*columns, console=Console(file=sys.stderr), transient=True)
        bar.start()
        return bar

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()


def _state(done: int, total: int, spent_s: float) -> str:
    """Frames done and time left; after the last frame comes a fit whose length nobody knows beforehand."""
    if done >= total:
        return "working out the flights ..."
    left = f", about {math.ceil(spent_s * (total - done) / done)} s left" if done > 0 else ""
    return f"{done}/{total} frames{left}"
