"""Jobs for the guarded process: it has to be able to import them by name."""

from __future__ import annotations

import ctypes
import os
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tracker.errors import CalibrationError, ClipNotFound
from tracker.film.decode import frames

Progress = Callable[[int, int], None]


def count(progress: Progress, path: Path) -> int:
    total = 0
    for frame in frames(path):
        total += 1
        progress(frame.index + 1, 0)
    return total


def report(progress: Progress, total: int, pause_s: float) -> str:
    for k in range(total):
        time.sleep(pause_s)
        progress(k + 1, total)
    return "done"


def array(progress: Progress) -> np.ndarray:
    return np.arange(12.0).reshape(3, 4)


def where(progress: Progress) -> tuple[int, str, str, list[str]]:
    return os.getpid(), __name__, sys.modules["__main__"].__name__, sorted(sys.modules)


def hang(progress: Progress) -> None:
    while True:
        pass


def sleep(progress: Progress, note: Path) -> None:
    note.write_text(str(os.getpid()), encoding="utf-8")
    time.sleep(600)


def abort(progress: Progress) -> None:
    os.abort()


def bad_address(progress: Progress) -> None:
    ctypes.string_at(0)


def leave(progress: Progress) -> None:
    os._exit(0)


def leave_politely(progress: Progress) -> None:
    sys.exit(3)


def eat(progress: Progress) -> None:
    eaten = []
    while True:
        eaten.append(bytearray(20_000_000))


def eat_in_library(progress: Progress) -> int:
    import cv2  # noqa: PLC0415  # only this job needs it

    big = np.zeros((1000, 1000), np.uint8)
    return int(cv2.resize(big, (40_000, 40_000)).size)


def modest(progress: Progress) -> int:
    return int(np.ones(20_000_000, np.uint8).sum())


def plain(progress: Progress) -> None:
    raise CalibrationError("some_code", "Something is wrong.", "Do this.")


def plain_missing(progress: Progress) -> None:
    raise ClipNotFound("clip_missing", "It is not there.", "Look elsewhere.")


def unknown(progress: Progress) -> None:
    raise KeyError("surprise")


def unpicklable(progress: Progress) -> Callable[[], int]:
    return lambda: 1


def noise(progress: Progress) -> str:
    print("on standard output")
    print("on standard error", file=sys.stderr)
    os.write(1, b"past Python\n")
    os.write(2, b"past Python\n")
    warnings.warn("a warning", stacklevel=1)
    return sys.stdin.read()
