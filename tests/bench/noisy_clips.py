"""Clips at a phone's bit rate: a fixture with a sensor's noise added, so that coding it takes the bits."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

#: Noise of a small sensor in ordinary indoor light, in levels of 255, luma and chroma. Common practice, no
#: source.
LUMA_NOISE, CHROMA_NOISE = 3.5, 1.5
PATTERNS = 8


def noisy_clip(
    source: Path, target: Path, *, height: int, bits_s: float, seconds: float | None = None
) -> None:
    """Write the source again at another size and bit rate; repeated from its start to last ``seconds``."""
    with av.open(str(source)) as clip:
        planes = [frame.to_ndarray(format="yuv420p") for frame in clip.decode(clip.streams.video[0])]
        fps = round(float(clip.streams.video[0].average_rate or 240))
    old_height, width = planes[0].shape[0] * 2 // 3, planes[0].shape[1]
    width = width * height // old_height
    rng = np.random.default_rng(1)
    noise = [_noise(rng, height, width) for _ in range(PATTERNS)]
    count = len(planes) if seconds is None else round(seconds * fps)
    with av.open(str(target), "w") as out:
        # As phones do: no frames that look ahead, a key frame a second, one slice a frame.
        options = {"preset": "veryfast", "bf": "0", "g": str(fps), "slices": "1", "maxrate": f"{bits_s:.0f}"}
        options["bufsize"] = f"{bits_s:.0f}"
        stream = out.add_stream("libx264", rate=fps, options=options)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.bit_rate = round(bits_s)
        stream.time_base = Fraction(1, fps)
        for k in range(count):
            picture = cv2.add(
                _resized(planes[k % len(planes)], height, width), noise[k % PATTERNS], dtype=cv2.CV_8U
            )
            frame = av.VideoFrame.from_ndarray(picture, format="yuv420p")
            frame.pts = k
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


def _noise(rng: np.random.Generator, height: int, width: int) -> np.ndarray:
    luma = rng.normal(0, LUMA_NOISE, (height, width))
    chroma = rng.normal(0, CHROMA_NOISE, (height // 2, width))
    return np.vstack([luma, chroma]).round().astype(np.int16)


def _resized(planes: np.ndarray, height: int, width: int) -> np.ndarray:
    """A yuv420p picture, (3 h / 2, w), at another size."""
    old_height, old_width = planes.shape[0] * 2 // 3, planes.shape[1]
    if (old_height, old_width) == (height, width):
        return planes
    y = planes[:old_height]
    u, v = planes[old_height:].reshape(2, old_height // 2, old_width // 2)
    sized = [cv2.resize(y, (width, height), interpolation=cv2.INTER_LINEAR)]
    sized += [cv2.resize(p, (width // 2, height // 2), interpolation=cv2.INTER_LINEAR) for p in (u, v)]
    return np.vstack([sized[0], np.concatenate([p.ravel() for p in sized[1:]]).reshape(height // 2, width)])
