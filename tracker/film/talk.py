"""A guarded process that stays: it keeps a clip open and answers one question after the other."""

from __future__ import annotations

import pickle
import queue
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NoReturn, TypeVar

from tracker.errors import ClipError
from tracker.film.child import (
    Kind,
    ignore_interrupt,
    limit_memory,
    limit_processor_time,
    outcome,
    taken,
    write_message,
)
from tracker.film.guard import Child

if TYPE_CHECKING:
    from tracker.film.keeper import Keeper

T = TypeVar("T")

ANSWER_S = 30.0
MEMORY_BYTES = 2 * 1024**3
PRELOAD = ("numpy", "av", "cv2", "tracker.film.keeper")
_START = (
    "import sys, pickle; sys.path[:] = pickle.load(sys.stdin.buffer); "
    "from tracker.film.talk import main; main()"
)


class Talker:
    """A clip, open in a guarded process; started anew when that has hung or broken down.

    Parameters
    ----------
    path : Path
    preload : tuple of str
        Modules that the process imports while nobody waits for it.
    """

    def __init__(self, path: Path, preload: tuple[str, ...] = PRELOAD) -> None:
        self._path = path
        self._preload = preload
        self._turn = threading.Lock()
        self._closed = False
        self._line: _Line | None = None

    def start(self) -> None:
        """Start the process ahead of the first question."""
        with self._turn:
            self._ready()

    def ask(self, question: Callable[[Keeper], T], *, wanted: Callable[[], bool] | None = None) -> T:
        """Let the process answer; questions wait for one another.

        Parameters
        ----------
        question : callable
            Can be pickled; gets the open clip.
        wanted : callable, optional
            Asked when it is this question's turn; False drops it.

        Raises
        ------
        ClipError
            If the clip cannot be read, the process hung or broke down, or nobody wants it any more.
        """
        with self._turn:
            if self._closed or (wanted is not None and not wanted()):
                raise ClipError(
                    "clip_not_wanted", "Nobody waits for this picture any more.", "Nothing to do."
                )
            line = self._ready()
            try:
                answer: T = line.ask(question)
            except ClipError as error:
                if error.code in {"clip_hung", "clip_crashed"}:
                    self._drop()
                raise
            return answer

    def close(self) -> None:
        """End the process, whatever it does."""
        self._closed = True
        line = self._line
        if line is not None:
            line.close()

    def _ready(self) -> _Line:
        if self._line is None:
            self._line = _Line(self._path, self._preload)
        return self._line

    def _drop(self) -> None:
        if self._line is not None:
            self._line.close()
        self._line = None


class _Line(Child):
    """The parent's end of the line to the process."""

    def __init__(self, path: Path, preload: tuple[str, ...]) -> None:
        super().__init__(preload, start=_START)
        self._send(pickle.dumps((MEMORY_BYTES, path)))

    def ask(self, question: Callable[[Keeper], Any]) -> Any:
        self._send(pickle.dumps(question))
        return self._listen(ANSWER_S, None)


def main() -> NoReturn:
    """Answer questions until the parent ends or closes the line."""
    answers = _answers()
    ignore_interrupt()
    orders = sys.stdin.buffer
    for name in pickle.load(orders):  # noqa: S301  # from our own parent
        import_module(name)
    memory_bytes, path = pickle.load(orders)  # noqa: S301  # from our own parent
    limit_memory(memory_bytes)
    write_message(answers, Kind.READY)
    questions: queue.Queue[Any] = queue.Queue()
    threading.Thread(target=_hear, args=(orders, questions), daemon=True).start()
    open_clip = _Opening(path)
    open_clip.early()
    while True:
        question = _next(questions, open_clip)
        limit_processor_time(ANSWER_S)
        write_message(answers, *outcome(partial(_answered, question, open_clip), None))


def _answered(question: Callable[[Keeper], Any], open_clip: _Opening, _progress: None) -> Any:
    return question(open_clip())


def _answers() -> IO[bytes]:
    import os  # noqa: PLC0415  # not needed by the parent, which imports this module too

    # The pipe to the parent is ours alone: what a library prints must not get into it.
    return os.fdopen(taken(1, os.O_WRONLY), "wb")


class _Opening:
    """Opens the clip at the first question, so that what is wrong with it is an answer."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.keeper: Keeper | None = None

    def early(self) -> None:
        """Open it ahead of the first question, which is told what is wrong."""
        with suppress(Exception):
            self().jpeg(0)

    def __call__(self) -> Keeper:
        from tracker.film.keeper import Keeper  # noqa: PLC0415  # the parent needs no decoder

        if self.keeper is None:
            self.keeper = Keeper(self._path)
        return self.keeper


def _next(questions: queue.Queue[Any], clip: _Opening) -> Any:
    """The next question; while there is none, decode what may be asked for next."""
    while questions.empty():
        limit_processor_time(ANSWER_S)
        if not _something_done(clip):
            break
        time.sleep(0)
    return questions.get()


def _something_done(clip: _Opening) -> bool:
    from calibration.errors import PlainError  # noqa: PLC0415  # the parent needs it no sooner

    try:
        return clip.keeper is not None and clip.keeper.idle()
    except PlainError:
        return False  # whoever asks for that picture will hear of it


def _hear(orders: IO[bytes], questions: queue.Queue[Any]) -> NoReturn:
    import os  # noqa: PLC0415  # as above

    while True:
        try:
            questions.put(pickle.load(orders))  # noqa: S301  # from our own parent
        except (EOFError, OSError, ValueError):
            os._exit(0)  # the parent has ended
