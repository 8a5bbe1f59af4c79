"""What reading a clip costs on top of decoding it."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np
import pytest

from tracker.film.decode import frames

COUNT = 200


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("bench") / "clip.mp4"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=240, options={"preset": "ultrafast", "qp": "30"})
        stream.width, stream.height, stream.pix_fmt = 640, 360, "yuv420p"
        for number in range(COUNT):  # easily decoded, so that what comes on top is not lost in the noise
            flat = np.full((540, 640), 50 + number % 100, dtype=np.uint8)
            out.mux(stream.encode(av.VideoFrame.from_ndarray(flat, format="yuv420p")))
        out.mux(stream.encode(None))
    return path


def decode_only(path: Path) -> int:
    with av.open(str(path)) as clip:
        stream = clip.streams.video[0]
        stream.thread_type, stream.codec_context.thread_count = "NONE", 1
        return sum(1 for _ in clip.decode(stream))


def read(path: Path) -> int:
    return sum(1 for _ in frames(path, threads=1))


def least_s(work: Callable[[Path], int], path: Path) -> float:
    best = float("inf")
    for _ in range(7):
        begin = time.process_time()
        assert work(path) == COUNT
        best = min(best, time.process_time() - begin)
    return best


@pytest.mark.skipif(sys.platform == "win32", reason="processor time there is counted in 16 ms")
def test_a_frame_costs_next_to_nothing_beside_its_decoding(clip: Path) -> None:
    # 3 % of the two milliseconds that decoding a picture of 1280 x 720 takes on two slow cores.
    each_s = (least_s(read, clip) - least_s(decode_only, clip)) / COUNT
    assert each_s < 0.03 * 2e-3
