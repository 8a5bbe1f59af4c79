"""What calibration costs on this machine, in processor time. Run it; it asserts nothing.

python tests/bench/bench_calibration.py
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "calibration")]

import board_pictures  # noqa: E402 - it is found only once the path is set
import numpy as np  # noqa: E402 - the same
import test_steady  # noqa: E402 - the same

from calibration.board import Board, find_board  # noqa: E402 - the same
from calibration.lens import Lens, bend, straighten  # noqa: E402 - the same
from calibration.steady import SteadyWatch  # noqa: E402 - the same


def median_ms(task, times: int = 30) -> float:
    taken = []
    for _ in range(times):
        begin = time.thread_time()
        task()
        taken.append(time.thread_time() - begin)
    return 1e3 * float(np.median(taken))


def steadiness_ms(motions) -> float:
    """A frame's share of everything: first picture, following, result."""
    wall, rng = test_steady.room(), np.random.default_rng(1)
    pictures = [test_steady.picture(wall, m, rng) for m in motions]
    watch, begin = SteadyWatch(), time.thread_time()
    for k, luma in enumerate(pictures):
        watch.see(k, luma)
    watch.result()
    return 1e3 * (time.thread_time() - begin) / len(motions)


def main() -> None:
    lens = Lens(1280, 720, 760, 760, 640, 360, np.array([-0.18, 0.03, 0, 0, 0]), np.zeros((9, 9)))
    xy = np.random.default_rng(1).uniform([0, 0], [1279, 719], (3000, 2))
    luma, _ = board_pictures.film(Board(), np.random.default_rng(2), distance_m=3.0)
    print(f"bend 3000 points          {median_ms(lambda: bend(lens, xy)):8.3f} ms")
    print(f"straighten 3000 points    {median_ms(lambda: straighten(lens, xy)):8.3f} ms")
    print(f"find a board              {median_ms(lambda: find_board(luma, Board())):8.1f} ms")
    print(f"steadiness, still         {steadiness_ms([test_steady.motion()] * 200):8.3f} ms a frame")
    shaken = [test_steady.shake(k) for k in range(200)]
    print(f"steadiness, slow shake    {steadiness_ms(shaken):8.3f} ms a frame")


if __name__ == "__main__":
    main()
