"""Clips written on the fly, each with the truth about it as the writer knows it."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

LOSSLESS = {
    "libx264": {"qp": "0", "bf": "0", "g": "8", "sc_threshold": "0"},
    "libx265": {"x265-params": "lossless=1:bframes=0:keyint=8:scenecut=0:log-level=none"},
    "libvpx-vp9": {"lossless": "1", "g": "8"},
    "libvpx": {"crf": "4", "b": "4000000", "g": "8", "auto-alt-ref": "1", "lag-in-frames": "10"},
    "ffv1": {},
    "mjpeg": {"qmin": "1", "qmax": "1"},
    "mpeg4": {"qmin": "1", "qmax": "1", "g": "8"},
    "rawvideo": {},
}


@dataclass(frozen=True)
class Made:
    """A clip and what was written: times from its first frame, and each frame's planes."""

    path: Path
    times_s: list[float]
    planes: list[list[np.ndarray]]


def picture_planes(number: int, width: int, height: int, bits: int = 8) -> list[np.ndarray]:
    """Luma and chroma of a frame: blocks that differ from frame to frame, never the same twice."""
    rng = np.random.default_rng(1000 + number)
    top = 2**bits
    kind = np.uint8 if bits == 8 else np.uint16
    blocks = []
    for w, h in ((width, height), (width // 2, height // 2), (width // 2, height // 2)):
        coarse = rng.integers(top // 8, top * 7 // 8, size=(-(-h // 8), -(-w // 8)))
        fine = np.kron(coarse, np.ones((8, 8), dtype=int))[:h, :w]
        blocks.append((fine + rng.integers(0, 3, size=(h, w))).astype(kind))
    return blocks


def frame_of(planes: list[np.ndarray], pixel_format: str) -> av.VideoFrame:
    """A frame that holds exactly these planes."""
    height, width = planes[0].shape
    frame = av.VideoFrame(width, height, pixel_format)
    for plane, values in zip(frame.planes, planes, strict=True):
        row_bytes = values.shape[1] * values.itemsize
        rows = np.zeros((plane.height, plane.line_size), dtype=np.uint8)
        rows[:, :row_bytes] = np.ascontiguousarray(values).view(np.uint8).reshape(plane.height, row_bytes)
        plane.update(rows.tobytes())
    return frame


def write_clip(
    path: Path,
    ticks: list[int],
    *,
    clock: Fraction = Fraction(1, 90000),
    size: tuple[int, int] = (64, 48),
    codec: str = "libx264",
    pixel_format: str = "yuv420p",
    options: dict[str, str] | None = None,
    container: dict[str, str] | None = None,
    metadata: dict[str, str] | None = None,
    turned_deg: int = 0,
    mirrored: bool = False,
    color: dict[str, int] | None = None,
    pictures: list[list[np.ndarray]] | None = None,
) -> Made:
    """Write a clip whose frames are shown at ``ticks`` of ``clock``."""
    bits = 10 if "10" in pixel_format else 8
    planes = pictures or [picture_planes(k, *size, bits) for k in range(len(ticks))]
    settings = dict(container or {})
    if path.suffix in {".mp4", ".mov", ".m4v"}:
        settings.setdefault("video_track_timescale", str(clock.denominator))
    with av.open(str(path), "w", container_options=settings) as out:
        if metadata:
            out.metadata.update(metadata)
        rate = (
            Fraction(clock.denominator, clock.numerator * max(1, ticks[1] - ticks[0]))
            if len(ticks) > 1
            else 30
        )
        stream = out.add_stream(codec, rate=rate, options={**LOSSLESS[codec], **(options or {})})
        stream.width, stream.height, stream.pix_fmt = size[0], size[1], pixel_format
        stream.codec_context.time_base = clock
        for name, value in (color or {}).items():
            setattr(stream.codec_context, name, value)
        if turned_deg or mirrored:
            stream.set_display_rotation(turned_deg, hflip=mirrored)
        for tick, values in zip(ticks, planes, strict=True):
            frame = frame_of(values, pixel_format)
            frame.pts, frame.time_base = tick, clock
            for name, value in (color or {}).items():
                setattr(frame, name, value)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return Made(path, [float((t - ticks[0]) * clock) for t in ticks], planes)


def steady(count: int, step: int = 375, start: int = 0) -> list[int]:
    """Ticks of a steady rate; 375 of 1/90000 s are 240 frames a second."""
    return [start + k * step for k in range(count)]


def write_sound(path: Path) -> Path:
    """A file that holds nothing but a second of sound."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream("aac", rate=44100, layout="mono")
        for k in range(10):
            wave = np.sin(np.arange(1024) * 0.05 + k).astype(np.float32)[None]
            frame = av.AudioFrame.from_ndarray(wave, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = 44100, k * 1024
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def find_box(data: bytes, kind: bytes) -> int:
    """Where the only box of this kind begins (its size field)."""
    at = data.index(kind) - 4
    assert data.count(kind) == 1, f"{kind!r} is not unique"
    return at


def patch(path: Path, at: int, new: bytes) -> None:
    """Overwrite bytes of a file."""
    data = bytearray(path.read_bytes())
    data[at : at + len(new)] = new
    path.write_bytes(bytes(data))


def patch_edit_list(path: Path, was: int, media_time: int) -> None:
    """Let the only edit begin at this tick of the media (ISO/IEC 14496-12, 8.6.6, version 0)."""
    data = path.read_bytes()
    at = find_box(data, b"elst")
    count, _, begins = struct.unpack(">IIi", data[at + 12 : at + 24])
    assert (count, begins) == (1, was)
    patch(path, at + 20, struct.pack(">i", media_time))


def patch_capture_tag(path: Path, text: bytes, rate: float) -> None:
    """Turn the four-letter text value of a metadata item into a 32-bit float (type 23).

    Source of the type number: QuickTime File Format, well-known types.
    """
    data = path.read_bytes()
    value = data.index(text, data.index(b"ilst"))
    assert len(text) == 4
    assert data[value - 16 : value - 4] == struct.pack(">I4sI", 20, b"data", 1)
    patch(path, value - 8, struct.pack(">I", 23))
    patch(path, value, struct.pack(">f", rate))
