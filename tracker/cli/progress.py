"""How far a measurement has come: on stderr, on a terminal, and only if it takes a while."""

from __future__ import annotations

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
        if self._bar is None:
            if time.monotonic() - self._begun_s < PATIENCE_S or not is_terminal(sys.stderr):
                return
            self._bar = self._started()
            self._task = self._bar.add_task(self._what, total=total)
        if self._task is not None:
            self._bar.update(self._task, completed=done, total=total)

    def _started(self) -> Progress:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=24),
            MofNCompleteColumn(),
            TextColumn("frames,"),
            TimeRemainingColumn(),
            TextColumn("left"),
        )
        bar = Progress(*columns, console=Console(file=sys.stderr), transient=True)
        bar.start()
        return bar

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()
