"""What a measurement costs beside decoding, and beside the loop of the tutorials.

python tests/bench/bench_speed.py [CLIP SETUP]

Three ways through the same clip, in turn, several rounds, medians: decoding alone (PyAV, its own threads);
the whole measurement in this process (the guarded process's start-up is left out); and read, cvtColor to
HSV, inRange, findContours, minEnclosingCircle with OpenCV, which finds a circle a frame and measures nothing.
"""

from __future__ import annotations

import dataclasses
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import av
import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]

from noisy_clips import noisy_clip  # noqa: E402 - it is found only once the path is set

from calibration.values import frozen  # noqa: E402 - the same
from tracker.pipeline import measure  # noqa: E402 - the same
from tracker.setup_file.read import read_setup  # noqa: E402 - the same
from tracker.values import Setup  # noqa: E402 - the same

FIXTURE = ROOT / "fixtures" / "plain_240"
ROUNDS = 7
ORANGE_HSV = (np.array([5, 90, 90]), np.array([25, 255, 255]))


class Here:
    """Does the job of the guarded process in this one."""

    def __enter__(self) -> Here:  # noqa: PYI034 - shown plainly
        return self

    def __exit__(self, *_error: object) -> None:
        pass

    def run(self, job: Callable[[Callable[[int, int], None]], object], **_limits: object) -> object:
        return job(lambda _done, _total: None)


def decode(path: Path) -> int:
    with av.open(str(path)) as clip:
        stream = clip.streams.video[0]
        stream.thread_type = "AUTO"
        return sum(1 for _ in clip.decode(stream))


def tutorial(path: Path) -> int:
    clip = cv2.VideoCapture(str(path))
    count = 0
    while True:
        there, picture = clip.read()
        if not there:
            break
        mask = cv2.inRange(cv2.cvtColor(picture, cv2.COLOR_BGR2HSV), *ORANGE_HSV)
        contours = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0]
        if contours:
            cv2.minEnclosingCircle(max(contours, key=cv2.contourArea))
        count += 1
    clip.release()
    return count


def enlarged(setup: Setup, factor: float) -> Setup:
    """The setup for a picture that is ``factor`` times as large."""
    reference = setup.reference
    assert reference is not None
    points = frozen((reference.points_px + 0.5) * factor - 0.5)
    size = round(reference.picture_px[0] * factor), round(reference.picture_px[1] * factor)
    return dataclasses.replace(
        setup, reference=dataclasses.replace(reference, points_px=points, picture_px=size)
    )


def compare(path: Path, setup: Setup) -> None:
    """Time the three ways and print them side by side."""
    frames = decode(path)
    found = measure(path, setup, child=Here())  # type: ignore[arg-type]  # stands in for a process
    shot = f"{found.shots[0].exit_speed_m_s.value:.3f} m/s" if found.shots else "no shot"
    ways: dict[str, Callable[[], object]] = {
        "decode": lambda: decode(path),
        "measure": lambda: measure(path, setup, child=Here()),  # type: ignore[arg-type]  # as above
        "tutorial loop": lambda: tutorial(path),
    }
    took: dict[str, list[float]] = {name: [] for name in ways}
    used: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(ROUNDS):
        for name, way in ways.items():
            begin, busy = time.perf_counter(), time.process_time()
            way()
            took[name].append(time.perf_counter() - begin)
            used[name].append(time.process_time() - busy)
    size = path.stat().st_size * 8 / 1e6
    print(f"{path.name}: {frames} frames, {size / frames * 240:.0f} Mb/s at 240 fps, {shot}")
    base, base_used = statistics.median(took["decode"]), statistics.median(used["decode"])
    for name in ways:
        median, busy = statistics.median(took[name]), statistics.median(used[name])
        wall, work = 1e3 * median / frames, 1e3 * busy / frames
        print(
            f"  {name:14s} {wall:6.2f} ms a frame (x {median / base:4.2f}), least "
            f"{1e3 * min(took[name]) / frames:6.2f}; processor {work:6.2f} (x {busy / base_used:4.2f})"
        )


def main() -> None:
    cv2.setNumThreads(2)
    if len(sys.argv) > 2:
        compare(Path(sys.argv[1]), read_setup(Path(sys.argv[2])))
        return
    setup = read_setup(FIXTURE.with_suffix(".setup.toml"))
    with tempfile.TemporaryDirectory() as folder:
        for height, bits_s in ((720, 25e6), (1080, 60e6)):
            path = Path(folder) / f"noisy_{height}.mp4"
            noisy_clip(FIXTURE.with_suffix(".mp4"), path, height=height, bits_s=bits_s)
            compare(path, enlarged(setup, height / 720))


if __name__ == "__main__":
    main()
