"""Planes and file times -> a video file with the properties of files from phones."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

Planes = tuple[npt.NDArray[np.uint16], ...]

CAPTURE_TAG = "com.android.capture.fps"

# ISO/IEC 23091-2 (and Rec. ITU-T H.273) tables 2 to 4: code points of primaries, transfer, matrix.
_CODE_POINTS = {"bt709": (1, 1, 1), "hlg": (9, 18, 9)}
_RANGE = {False: 1, True: 2}


@dataclass(frozen=True, slots=True)
class Container:
    """How a clip is kept in its file.

    Parameters
    ----------
    codec : str
        "h264" or "hevc".
    bits : int
        8 or 10.
    transfer : str
        "bt709" or "hlg".
    full_range : bool
    ticks : int
        Ticks a second of the file's clock; file times are rounded to it.
    quarter_turns : int
        Counter-clockwise quarter turns that a player applies (written as a display matrix).
    capture_fps_tag : float or None
        Written as metadata.
    quality : float
        Constant-rate factor of the encoder; smaller is better.
    preset : str
        Speed of the encoder.
    """

    codec: str = "h264"
    bits: int = 8
    transfer: str = "bt709"
    full_range: bool = False
    ticks: int = 90_000
    quarter_turns: int = 0
    capture_fps_tag: float | None = None
    quality: float = 17.0
    preset: str = "medium"


def write_clip(
    path: Path, frames: Iterable[Planes], file_time_s: Iterable[float], container: Container
) -> int:
    """Encode frames at the given file times; returns how many were written.

    Parameters
    ----------
    frames : luma (h, w), chroma (h/2, w/2) twice, whole numbers
    file_time_s : seconds, ascending

    Raises
    ------
    ValueError
        If two frames would have the same tick.
    """
    options = {"video_track_timescale": str(container.ticks)}
    if container.capture_fps_tag is not None:
        options["movflags"] = "use_metadata_tags"
    base = Fraction(1, container.ticks)
    count, last = 0, -1
    with av.open(str(path), "w", format="mp4", options=options) as output:
        if container.capture_fps_tag is not None:
            output.metadata[CAPTURE_TAG] = f"{container.capture_fps_tag:f}"
        stream: Any = None
        for planes, time_s in zip(frames, file_time_s, strict=True):
            if stream is None:
                stream = _new_stream(output, planes, container, base)
            pts = round(time_s * container.ticks)
            if pts <= last:
                raise ValueError(f"frame {count} does not come after the one before it")
            frame = _frame(planes, container)
            frame.pts, frame.time_base, last = pts, base, pts
            output.mux(stream.encode(frame))
            count += 1
        if stream is not None:
            output.mux(stream.encode(None))
    return count


def _new_stream(output: Any, planes: Planes, container: Container, base: Fraction) -> Any:
    height, width = planes[0].shape
    name = {"h264": "libx264", "hevc": "libx265"}[container.codec]
    options = {"crf": f"{container.quality:g}", "preset": container.preset}
    if container.codec == "hevc":
        options["x265-params"] = "log-level=none:pools=1:frame-threads=1:bframes=0:aq-mode=0:cutree=0"
    else:
        # Adaptive quantisation and macroblock tree spend the bits on the still wall and smear what moves:
        # with them the decoded ball sits some 0.05 px beside the truth, without them 0.015 px.
        options["x264-params"] = "bframes=0:aq-mode=0:mbtree=0"
    stream = output.add_stream(name, rate=30, options=options)
    stream.width, stream.height = width, height
    stream.pix_fmt = "yuv420p" if container.bits == 8 else "yuv420p10le"
    stream.time_base = base
    context = stream.codec_context
    context.time_base = base
    # One thread: the same pictures must give the same bytes.
    context.thread_count = 1
    context.gop_size = 120
    primaries, transfer, matrix = _CODE_POINTS[container.transfer]
    context.color_primaries, context.color_trc, context.colorspace = primaries, transfer, matrix
    context.color_range = _RANGE[container.full_range]
    if container.quarter_turns % 4:
        stream.set_display_rotation({1: 90, 2: 180, 3: -90}[container.quarter_turns % 4])
    return stream


def _frame(planes: Planes, container: Container) -> Any:
    height, width = planes[0].shape
    packed = np.concatenate([plane.ravel() for plane in planes]).reshape(height * 3 // 2, width)
    if container.bits == 8:
        frame = av.VideoFrame.from_ndarray(packed.astype(np.uint8), format="yuv420p")
    else:
        frame = av.VideoFrame.from_ndarray(packed, format="yuv420p10le")
    primaries, transfer, matrix = _CODE_POINTS[container.transfer]
    frame.color_primaries, frame.color_trc, frame.colorspace = primaries, transfer, matrix
    frame.color_range = _RANGE[container.full_range]
    return frame
