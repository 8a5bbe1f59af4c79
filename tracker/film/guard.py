"""Work on a file from somewhere else in a process of its own, which may hang, crash or run out of memory."""

from __future__ import annotations

import os
import pickle
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self, TypeVar

from tracker.errors import ClipError
from tracker.film.child import Kind, read_message

T = TypeVar("T")
Progress = Callable[[int, int], None]

START_S = 60.0  # a cold disk and a virus scanner may take most of it
_POLL_S = 0.1  # some platforms do not notice Ctrl-C inside a longer wait
_ADVICE = "Copy the clip from the phone again, or convert it to H.264 in an .mp4 file."

# "-P" keeps a file of the folder one works in from being imported in place of a library.
_START = (
    "import sys, pickle; sys.path[:] = pickle.load(sys.stdin.buffer); "
    "from tracker.film.child import main; main()"
)


class Child:
    """A process that stands ready to do one job; starting it early saves its start-up time.

    Parameters
    ----------
    preload : sequence of str
        Modules it imports while it waits.
    start : str
        What it runs.
    """

    def __init__(self, preload: tuple[str, ...] = ("numpy", "av", "cv2"), *, start: str = _START) -> None:
        self._process = _started(start)
        if self._process.stdin is None or self._process.stdout is None:
            raise RuntimeError("the child has no pipes")
        self._to_child: IO[bytes] = self._process.stdin
        self._messages: queue.Queue[tuple[Kind, bytes] | None] = queue.Queue()
        self._reader = threading.Thread(
            target=_read_all, args=(self._process.stdout, self._messages), daemon=True
        )
        self._reader.start()
        self._send(pickle.dumps(_search_path()) + pickle.dumps(preload))

    def run(
        self,
        job: Callable[[Progress], T],
        *,
        seconds: float,
        memory_bytes: int,
        on_progress: Progress | None = None,
        meanwhile: Callable[[], None] | None = None,
    ) -> T:
        """Let the child do its one job; see ``in_child``. ``meanwhile`` is called while it is at it."""
        try:
            self._send(pickle.dumps((seconds, memory_bytes, job)))
            if meanwhile is not None:
                meanwhile()
            result: T = self._listen(seconds, on_progress)
            return result
        finally:
            self.close()

    def rest(self) -> None:
        """Let the process stand still, where the platform can; ``go_on`` ends that."""
        if sys.platform != "win32":
            import signal  # noqa: PLC0415  # the number of this signal exists on some platforms only

            with suppress(OSError):  # it may have ended already
                self._process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """Let it work again."""
        if sys.platform != "win32":
            import signal  # noqa: PLC0415  # as above

            with suppress(OSError):
                self._process.send_signal(signal.SIGCONT)

    def close(self) -> None:
        """End the process, whatever it does."""
        self._process.kill()
        self._process.wait()
        with suppress(OSError):  # it may have ended before it had read everything
            self._to_child.close()
        self._reader.join()
        if self._process.stdout is not None:
            self._process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _send(self, data: bytes) -> None:
        with suppress(OSError):  # it may have ended already; its exit says why
            self._to_child.write(data)
            self._to_child.flush()

    def _listen(self, seconds: float, on_progress: Progress | None) -> Any:
        deadline_s = time.monotonic() + START_S
        while True:
            try:
                message = self._messages.get(timeout=_POLL_S)
            except queue.Empty:
                if time.monotonic() > deadline_s:
                    raise _hung(seconds) from None
                continue
            if message is None:
                raise _ended(self._process.wait())
            kind, data = message
            deadline_s = time.monotonic() + seconds
            if kind is Kind.RESULT:
                return pickle.loads(data)  # noqa: S301  # from our own child
            if kind is Kind.PLAIN:
                raise pickle.loads(data)  # noqa: S301  # from our own child
            if kind is Kind.MEMORY:
                raise _out_of_memory()
            if kind is Kind.OTHER:
                raise _crashed(data.decode(errors="replace"))
            if kind is Kind.PROGRESS and on_progress is not None:
                on_progress(*pickle.loads(data))  # noqa: S301  # from our own child


def in_child(
    job: Callable[[Progress], T],
    *,
    seconds: float,
    memory_bytes: int,
    on_progress: Progress | None = None,
) -> T:
    """Do a job in a process of its own and give its result.

    Parameters
    ----------
    job : callable
        Can be pickled; gets a function ``progress(done, total)`` that it should call often.
    seconds : float
        Longest time without a sign of life.
    memory_bytes : int
        Address space that the job may use, where the platform can limit it.
    on_progress : callable or None
        Gets what the job reports, at most some twenty times a second.

    Raises
    ------
    PlainError
        The one that the job raised, unchanged.
    ClipError
        ``clip_hung``, ``clip_crashed`` or ``clip_memory`` if it ended in any other way.
    """
    child = Child()
    return child.run(job, seconds=seconds, memory_bytes=memory_bytes, on_progress=on_progress)


def _started(start: str) -> subprocess.Popen[bytes]:
    try:
        return subprocess.Popen(  # noqa: S603  # our own interpreter and a constant
            [sys.executable, "-P", "-c", start],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=_environment(),
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
    except OSError as error:
        raise ClipError(
            "clip_no_process",
            "The process that reads the clip could not be started.",
            "Close other programs and try again.",
        ) from error


def _search_path() -> list[str]:
    """Where the child looks for modules: where we do, but for folders that are packages themselves.

    OpenCV puts its own folder there while it is imported, which another thread may be doing; modules of
    that folder would take the place of those of the same name that everybody needs.
    """
    return [part for part in sys.path if not part or not (Path(part) / "__init__.py").is_file()]


def _environment() -> dict[str, str]:
    # Each arena of the C library reserves address space for its thread, which the limit would count. The
    # matrices of an outline are small: more threads of the linear algebra would only wait for one another.
    return {"OPENBLAS_NUM_THREADS": "1", **os.environ, "MALLOC_ARENA_MAX": "2"}


def _read_all(source: IO[bytes], messages: queue.Queue[tuple[Kind, bytes] | None]) -> None:
    while (message := read_message(source)) is not None:
        messages.put(message)
    messages.put(None)


def _hung(seconds: float) -> ClipError:
    return ClipError(
        "clip_hung", f"Reading the clip made no headway for {seconds:.3g} seconds and was stopped.", _ADVICE
    )


def _out_of_memory() -> ClipError:
    return ClipError(
        "clip_memory",
        "Reading the clip took more memory than it may have.",
        "Film at a smaller size, or cut the clip to the shots.",
    )


def _crashed(trace: str) -> ClipError:
    error = ClipError("clip_crashed", "The clip could not be read: its decoder broke down.", _ADVICE)
    error.add_note(trace)
    return error


def _ended(status: int) -> ClipError:
    if sys.platform != "win32":
        import signal  # noqa: PLC0415  # the number of this signal exists on some platforms only

        if status == -signal.SIGXCPU:
            return ClipError(
                "clip_hung", "Reading the clip used its processor time up without headway.", _ADVICE
            )
    return _crashed(f"the child ended with status {status}")
