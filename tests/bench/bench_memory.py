"""Whether memory grows with the clip: peak of a measurement of one second and of twenty.

python tests/bench/bench_memory.py: each measurement runs in a process of its own, which measures itself and
the guarded process that it starts.
"""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
import threading
import time
from pathlib import Path

import psutil

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]

from noisy_clips import noisy_clip  # noqa: E402 - it is found only once the path is set

FIXTURE = ROOT / "fixtures" / "plain_240"
EVERY_S = 0.01


def watched(path: Path, answers: multiprocessing.Queue[tuple[float, float, float]]) -> None:
    """Measure a clip; answer the peaks of this process and of its children in MB, and seconds."""
    from tracker.pipeline import measure  # noqa: PLC0415 - its memory belongs to what is measured
    from tracker.setup_file.read import read_setup  # noqa: PLC0415 - the same

    own = psutil.Process()
    peak, below, done = 0, 0, threading.Event()

    def watch() -> None:
        nonlocal peak, below
        while not done.is_set():
            peak = max(peak, own.memory_info().rss)
            together = 0
            for child in own.children(recursive=True):
                try:
                    together += child.memory_info().rss
                except psutil.Error:  # it has ended between the two calls
                    continue
            below = max(below, together)
            time.sleep(EVERY_S)

    watcher = threading.Thread(target=watch)
    watcher.start()
    begin = time.perf_counter()
    measure(path, read_setup(FIXTURE.with_suffix(".setup.toml")))
    took = time.perf_counter() - begin
    done.set()
    watcher.join()
    answers.put((peak / 2**20, below / 2**20, took))


def main() -> None:
    spawn = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as folder:
        for seconds in (1.0, 5.0, 20.0):
            path = Path(folder) / f"film_{seconds:.0f}.mp4"
            noisy_clip(FIXTURE.with_suffix(".mp4"), path, height=720, bits_s=25e6, seconds=seconds)
            answers = spawn.Queue()
            process = spawn.Process(target=watched, args=(path, answers))
            process.start()
            parent, child, took = answers.get()
            process.join()
            print(f"{seconds:4.0f} s of film: parent {parent:5.0f} MB, child {child:5.0f} MB, {took:5.1f} s")


if __name__ == "__main__":
    main()
