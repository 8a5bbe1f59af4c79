"""The guarded process's own side: limits, one job, messages on a pipe."""

from __future__ import annotations

import os
import pickle
import struct
import sys
import threading
import time
import traceback
from contextlib import suppress
from enum import IntEnum
from importlib import import_module
from typing import IO, Any, NoReturn

from tracker.errors import PlainError

_HEAD = struct.Struct("<BQ")
_REPORT_S = 0.05
_SWITCH_S = 0.0005


class Kind(IntEnum):
    """What a message to the parent holds."""

    READY = 0
    PROGRESS = 1
    RESULT = 2
    PLAIN = 3
    MEMORY = 4
    OTHER = 5


def write_message(target: IO[bytes], kind: Kind, data: bytes = b"") -> None:
    """Send one message."""
    target.write(_HEAD.pack(kind, len(data)))
    target.write(data)
    target.flush()


def read_message(source: IO[bytes]) -> tuple[Kind, bytes] | None:
    """Receive one message; None if the other side has ended."""
    try:
        head = source.read(_HEAD.size)
        if len(head) < _HEAD.size:
            return None
        kind, length = _HEAD.unpack(head)
        data = source.read(length)
    except (OSError, ValueError):
        return None
    return (Kind(kind), data) if len(data) == length else None


def main() -> NoReturn:
    """Do the one job that comes on standard input, and end the process."""
    # The pipe to the parent is ours alone: what a library prints must not get into it.
    answers = os.fdopen(taken(1, os.O_WRONLY), "wb")
    ignore_interrupt()
    orders = sys.stdin.buffer
    for name in pickle.load(orders):  # noqa: S301  # from our own parent
        import_module(name)
    if (cv2 := sys.modules.get("cv2")) is not None:
        # The decoder keeps all cores busy; more threads would only wait for one another.
        cv2.setNumThreads(1)
    try:
        seconds, memory_bytes, job = pickle.load(orders)  # noqa: S301  # from our own parent
    except EOFError:
        os._exit(0)  # the parent did not need it after all
    threading.Thread(target=_end_with_parent, args=(taken(0, os.O_RDONLY),), daemon=True).start()
    limit_memory(memory_bytes)
    # Whoever decodes ahead must not wait long for whoever looks.
    sys.setswitchinterval(_SWITCH_S)
    write_message(answers, Kind.READY)
    write_message(answers, *outcome(job, _Report(answers, seconds)))
    os._exit(0)  # no exit handler of a library may hang or print


def outcome(job: Any, report: Any) -> tuple[Kind, bytes]:
    """What a job came to, as a message to the parent."""
    try:
        return Kind.RESULT, pickle.dumps(job(report), protocol=pickle.HIGHEST_PROTOCOL)
    except PlainError as error:
        return Kind.PLAIN, pickle.dumps(error)
    except MemoryError:
        return Kind.MEMORY, b""
    except BaseException as error:  # noqa: BLE001  # whatever it is, the parent must hear of it
        if "Insufficient memory" in str(error):  # what OpenCV says instead of MemoryError
            return Kind.MEMORY, b""
        return Kind.OTHER, traceback.format_exc().encode()


class _Report:
    """The function ``progress(done, total)`` that the job gets."""

    def __init__(self, answers: IO[bytes], seconds: float) -> None:
        self._answers = answers
        self._seconds = seconds
        self._next_s = 0.0
        limit_processor_time(seconds)

    def __call__(self, done: int, total: int) -> None:
        now_s = time.monotonic()
        if now_s < self._next_s and done < total:
            return
        self._next_s = now_s + _REPORT_S
        limit_processor_time(self._seconds)
        write_message(self._answers, Kind.PROGRESS, pickle.dumps((int(done), int(total))))


def taken(standard: int, flags: int) -> int:
    """Take a standard stream over under another number, and leave an empty one in its place."""
    private = os.dup(standard)
    nowhere = os.open(os.devnull, flags)
    os.dup2(nowhere, standard)
    os.close(nowhere)
    return private


def ignore_interrupt() -> None:
    """Leave Ctrl-C, which reaches both processes, to the parent."""
    import signal  # noqa: PLC0415  # not needed by the parent, which imports this module too

    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _end_with_parent(orders: int) -> NoReturn:
    os.read(orders, 1)  # returns when the parent has ended
    os._exit(1)


def limit_memory(memory_bytes: int) -> None:
    """Allow so much address space on top of what is mapped already, where the platform can."""
    if sys.platform == "win32":
        return
    import resource  # noqa: PLC0415  # exists on some platforms only

    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    mapped_bytes = _mapped_bytes()
    if mapped_bytes:  # else the limit might lie below what is in use
        _lower(resource.RLIMIT_AS, mapped_bytes + memory_bytes)


def limit_processor_time(seconds: float) -> None:
    """Allow every core to be busy for so long from now on, where the platform can."""
    if sys.platform == "win32":
        return
    import resource  # noqa: PLC0415  # exists on some platforms only

    _lower(resource.RLIMIT_CPU, int(time.process_time() + seconds * (os.cpu_count() or 1)) + 2)


def _lower(limit: int, value: int) -> None:
    import resource  # noqa: PLC0415  # exists on some platforms only

    hard = resource.getrlimit(limit)[1]
    if hard not in {resource.RLIM_INFINITY, -1}:
        value = min(value, hard)
    with suppress(ValueError, OSError):  # some platforms list a limit that they do not let one set
        resource.setrlimit(limit, (value, hard))


def _mapped_bytes() -> int:
    try:
        with open("/proc/self/statm", encoding="ascii") as file:  # noqa: PTH123  # no path objects needed here
            pages = int(file.read().split()[0])
    except (OSError, ValueError):
        return 0
    return pages * os.sysconf("SC_PAGE_SIZE")
