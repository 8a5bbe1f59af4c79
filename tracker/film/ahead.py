"""An iterator that runs a few steps ahead in a thread of its own: decoding goes on while one looks.

Both the decoder and the looking leave the interpreter to one another for most of their time.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from contextlib import suppress
from typing import Generic, TypeVar

T = TypeVar("T")

_POLL_S = 0.1


class Ahead(Iterator[T], Generic[T]):
    """Gives what a source gives, and raises what it raises, at the same place.

    Parameters
    ----------
    source : iterator
        Nobody else may touch it until this one is closed.
    steps : int
        How many items may wait; memory stays flat.
    """

    def __init__(self, source: Iterator[T], steps: int) -> None:
        self._source = source
        self._waiting: queue.Queue[T | BaseException] = queue.Queue(max(steps, 1))
        self._given_up = threading.Event()
        self._ended: BaseException | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def __next__(self) -> T:
        if self._ended is not None:
            raise self._ended
        item = self._waiting.get()
        if isinstance(item, BaseException):
            self._ended = item
            raise item
        return item

    def close(self) -> None:
        """End the thread; the source is then free again."""
        self._given_up.set()
        while self._thread.is_alive():
            with suppress(queue.Empty):
                self._waiting.get_nowait()
            self._thread.join(0.001)

    def _run(self) -> None:
        try:
            for item in self._source:
                if not self._handed_over(item):
                    return
            self._handed_over(StopIteration())
        except BaseException as error:  # noqa: BLE001  # whatever it is, whoever asks next must hear of it
            self._handed_over(error)

    def _handed_over(self, item: T | BaseException) -> bool:
        while not self._given_up.is_set():
            with suppress(queue.Full):
                self._waiting.put(item, timeout=_POLL_S)
                return True
        return False
