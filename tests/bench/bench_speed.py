"""What a measurement costs beside decoding, beside the loop of the tutorials, and with more balls in the air.

python tests/bench/bench_speed.py [CLIP SETUP]

Three ways through the same clip, in turn, several rounds: decoding alone (PyAV, its own threads); the whole
measurement in this process (the guarded process's start-up is left out); and read, cvtColor to HSV, inRange,
findContours, minEnclosingCircle with OpenCV, which finds a circle a frame and measures nothing. Then two
clips that differ only in how many balls fly: one, and six in the air together; and the command itself on
both, which is what somebody waits for. Where other work takes the cores, processor time and the least of the
rounds say more than the median.
"""

from __future__ import annotations

import dataclasses
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does, before numpy is loaded

import av
import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench"), str(ROOT / "fixtures")]

from flight import Throw  # noqa: E402 - it is found only once the path is set
from noisy_clips import noisy_clip  # noqa: E402 - the same
from recipe import Recipe, make  # noqa: E402 - the same
from recipes import SQUARE, STRIPES  # noqa: E402 - the same

from calibration.values import frozen  # noqa: E402 - the same
from tracker.pipeline import measure  # noqa: E402 - the same
from tracker.setup_file.read import read_setup  # noqa: E402 - the same
from tracker.values import Setup  # noqa: E402 - the same

FIXTURE = ROOT / "fixtures" / "plain_240"
ROUNDS = 7
PHONE_BITS_S = {720: 25e6, 1080: 60e6}  # of phones that film 240 frames a second
#: Exit speed, angle and spin of six balls, each leaving while those before it are in the air.
BALLS = (
    (6.22, 54.8, 37.0),
    (6.10, 55.2, 36.0),
    (6.31, 54.5, 38.5),
    (6.19, 55.0, 36.5),
    (6.25, 54.6, 37.4),
    (6.15, 55.1, 36.2),
)
ORANGE_HSV = (np.array([5, 90, 90]), np.array([25, 255, 255]))


class Here:
    """Does the job of the guarded process in this one."""

    def __enter__(self) -> Here:  # noqa: PYI034 - shown plainly
        return self

    def __exit__(self, *_error: object) -> None:
        pass

    def run(self, job: Callable[[Callable[[int, int], None]], object], **_limits: object) -> object:
        threads, switch_s = cv2.getNumThreads(), sys.getswitchinterval()
        cv2.setNumThreads(1)  # both as in the guarded process
        sys.setswitchinterval(0.0005)
        seen = job(lambda _done, _total: None)
        cv2.setNumThreads(threads)
        sys.setswitchinterval(switch_s)
        return seen


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


@dataclasses.dataclass(frozen=True, slots=True)
class Cost:
    """Least seconds, by the clock and of the processor, that decoding and measuring a clip took."""

    decode_s: float
    measure_s: float
    decode_work_s: float
    measure_work_s: float


def compare(path: Path, setup: Setup) -> Cost:
    """Time the three ways and print them side by side."""
    frames = decode(path)
    found = measure(path, setup, child=Here())  # type: ignore[arg-type]  # stands in for a process
    shot = (
        f"{len(found.shots)} shots, {found.shots[0].exit_speed_m_s.value:.3f} m/s" if found.shots else "none"
    )
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
        least = min(took[name])
        by_clock = f"{wall:6.2f} ms a frame (x {median / base:4.2f})"
        at_least = f"{1e3 * least / frames:6.2f} (x {least / min(took['decode']):4.2f})"
        print(f"  {name:14s} {by_clock}, least {at_least}; processor {work:6.2f} (x {busy / base_used:4.2f})")
    least_took, least_used = ({name: min(row) for name, row in rows.items()} for rows in (took, used))
    return Cost(least_took["decode"], least_took["measure"], least_used["decode"], least_used["measure"])


def balls_clip(folder: Path, count: int) -> tuple[Path, Setup]:
    """A clip of the demo's hall at a phone's bit rate, with so many balls in the air together."""
    throws = tuple(
        Throw(0.1316 + 0.121 * k, 0.85, *ball, first_angle_rad=5.0 * k)
        for k, ball in enumerate(BALLS[:count])
    )
    recipe = Recipe(f"balls_{count}", "", throws, SQUARE, seed=20, frames=440, marks=STRIPES, hall_seed=9)
    clean = make(recipe, folder)
    noisy = folder / f"noisy_{clean.name}"
    noisy_clip(clean, noisy, height=720, bits_s=PHONE_BITS_S[720])
    return noisy, read_setup(clean.with_suffix(".setup.toml"))


def command_s(clip: Path, setup: Path) -> float:
    """How long the command takes on a clip, from its start to its end."""
    begin = time.perf_counter()
    code = "import sys; from tracker.cli import main; sys.exit(main())"
    command = [sys.executable, "-c", code, "measure", str(clip), "--setup", str(setup)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=ROOT)
    return time.perf_counter() - begin


def compare_balls(folder: Path) -> None:
    """Six balls in the air against one in the same hall."""
    clips = [balls_clip(folder, count) for count in (1, 6)]
    one, six = (compare(*clip) for clip in clips)
    print(
        f"six balls over one: by the clock x {six.measure_s / one.measure_s:4.2f}, "
        f"processor x {six.measure_work_s / one.measure_work_s:4.2f} (least of the rounds)"
    )
    took: list[list[float]] = [[], []]
    for _ in range(ROUNDS):
        for k, count in enumerate((1, 6)):
            took[k].append(command_s(clips[k][0], folder / f"balls_{count}.setup.toml"))
    alone, together = map(min, took)
    print(f"the command: {alone:.2f} s with one ball, {together:.2f} s with six (x {together / alone:4.2f})")


def main() -> None:
    if len(sys.argv) > 2:
        compare(Path(sys.argv[1]), read_setup(Path(sys.argv[2])))
        return
    setup = read_setup(FIXTURE.with_suffix(".setup.toml"))
    with tempfile.TemporaryDirectory() as folder:
        for height, bits_s in PHONE_BITS_S.items():
            path = Path(folder) / f"noisy_{height}.mp4"
            noisy_clip(FIXTURE.with_suffix(".mp4"), path, height=height, bits_s=bits_s)
            compare(path, enlarged(setup, height / 720))
        compare_balls(Path(folder))


if __name__ == "__main__":
    main()
