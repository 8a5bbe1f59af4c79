"""One look through a clip's packets: when its frames are shown, and how its pictures are kept."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
from av.container import InputContainer
from av.sidedata.sidedata import Type
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from calibration.values import Floats, Ints, Picture
from tracker.errors import ClipError
from tracker.film.container import check_size, decoded, opened
from tracker.film.place import check_path
from tracker.film.sniff import COPY_AGAIN

_MAX_CAPTURE_FPS = 1e5
_MAX_TICKS = 2**53  # beyond it a double does not hold every tick
_REORDERED = frozenset({"h264", "hevc"})
_VP8_SHOWN = 0x10  # RFC 6386, 9.1: the show_frame bit of the first byte


@dataclass(frozen=True, slots=True)
class Survey:
    """What one pass over the packets and one decoded picture say.

    Parameters
    ----------
    pts : (n,) int array
        Time stamps by which the decoder's frames are known, ascending, one for each shown frame.
    file_time_s : (n,) array
        When each is shown, in seconds from the first.
    key_pts : (k,) int array
        Time stamps at which decoding can begin.
    stamped : bool
        Whether frames carry presentation times; else they are known by their order.
    missing : int
        Frames that the index lists and the file does not hold.
    """

    pts: Ints
    file_time_s: Floats
    key_pts: Ints
    stamped: bool
    missing: int
    tick_s: float
    picture: Picture
    codec: str
    pixel_format: str
    bits: int
    capture_fps_tag: float | None


def survey(path: Path) -> Survey:
    """Look through a clip; looking again at an unchanged file costs nothing.

    Raises
    ------
    ClipError
        If the file is no clip, or no picture of it can be decoded.
    """
    check_path(path)
    status = path.stat()
    return _survey(path.absolute(), status.st_size, status.st_mtime_ns)


@lru_cache(maxsize=8)
def _survey(path: Path, _size: int, _changed_ns: int) -> Survey:
    with opened(path) as (container, stream):
        stamps = _stamps(container, stream)
        if not len(stamps.pts):
            raise _no_picture(path)
        base = stream.time_base or Fraction(1, 1)
        if int(stamps.times[-1]) - int(stamps.times[0]) > _MAX_TICKS:
            raise ClipError("clip_damaged", f"The frame times of {path.name} are nonsense.", COPY_AGAIN)
        file_time_s = (stamps.times - stamps.times[0]) * float(base.numerator) / float(base.denominator)
        tag = capture_fps_tag({**stream.metadata, **container.metadata})
        codec = stream.codec_context.name
    frame = _first_picture(path)
    for column in (stamps.pts, stamps.key_pts, file_time_s):
        column.flags.writeable = False
    return Survey(
        pts=stamps.pts,
        file_time_s=file_time_s,
        key_pts=stamps.key_pts,
        stamped=stamps.stamped,
        missing=stamps.missing,
        tick_s=float(base),
        picture=Picture(frame.width, frame.height, *turn(_matrix(frame))),
        codec=codec,
        pixel_format=frame.format.name,
        bits=max(c.bits for c in frame.format.components),
        capture_fps_tag=tag,
    )


@dataclass(frozen=True, slots=True)
class _Stamps:
    pts: Ints
    times: Ints
    key_pts: Ints
    stamped: bool
    missing: int


def _stamps(container: InputContainer, stream: VideoStream) -> _Stamps:
    pts: list[int | None] = []
    dts: list[int | None] = []
    keys: list[bool] = []
    packets = 0
    vp8 = stream.codec_context.name == "vp8"
    try:
        for packet in container.demux(stream):
            if not packet.size:
                continue
            packets += 1
            if packet.is_discard or (vp8 and not bytes(packet)[0] & _VP8_SHOWN):
                continue
            pts.append(packet.pts)
            dts.append(packet.dts)
            keys.append(packet.is_keyframe)
    except av.error.FFmpegError:
        pass  # what came before the damage is still good
    # An .avi file keeps no presentation times; the reader guesses them wrongly where frames are reordered.
    avi = container.format.name == "avi"
    stamped = None not in pts and not (avi and stream.codec_context.name in _REORDERED)
    shown = np.array(pts if stamped else range(len(pts)), dtype=np.int64)
    timed = np.array(dts, dtype=np.int64) if (avi or not stamped) and None not in dts else shown
    key_pts = np.sort(shown[np.array(keys, dtype=bool)])
    times = np.sort(timed)
    missing = _missing(container, stream, packets, times)
    return _Stamps(np.sort(shown), times, key_pts, stamped, missing)


def _missing(container: InputContainer, stream: VideoStream, packets: int, times: Ints) -> int:
    """Count the frames that the file's index or header promises and its end does not hold."""
    if "mov" in container.format.name:
        return max(0, len(stream.index_entries) - packets)
    if container.format.name == "avi":
        return max(0, stream.frames - int(times[-1]) - 1) if len(times) else 0
    if len(times) < 2 or len(container.streams) > 1 or not container.duration or not stream.time_base:
        return 0
    step_s = float(np.median(np.diff(times)) * stream.time_base)
    seen_s = float(times[-1] * stream.time_base) + step_s
    short_s = container.duration / av.time_base - seen_s
    # Less than two frames may be how the last one's duration was rounded.
    return round(short_s / step_s) if step_s > 0 and short_s > 1.5 * step_s else 0


def _first_picture(path: Path) -> VideoFrame:
    with opened(path) as (container, stream):
        for packet in container.demux(stream):
            for frame in decoded(packet):
                check_size(path, frame.width, frame.height)
                return frame
    raise _no_picture(path)


def _no_picture(path: Path) -> ClipError:
    return ClipError("clip_no_picture", f"Not one picture of {path.name} can be decoded.", COPY_AGAIN)


def capture_fps_tag(metadata: dict[str, str]) -> float | None:
    """Find the capture rate that the metadata claim, if it is one."""
    for key, value in metadata.items():
        if key.lower().endswith("capture.fps"):
            try:
                rate = float(value)
            except ValueError:
                continue
            if math.isfinite(rate) and 0 < rate < _MAX_CAPTURE_FPS:
                return rate
    return None


def _matrix(frame: VideoFrame) -> npt.NDArray[np.float64]:
    """Read the 2 x 2 part that takes stored (x, y) to shown ones (ISO/IEC 14496-12, 6.2.2: p' = p M)."""
    side = frame.side_data.get(Type.DISPLAYMATRIX)  # type: ignore[call-overload]  # its stub knows only str
    if side is None:
        return np.eye(2)
    return np.frombuffer(bytes(side), "<i4").reshape(3, 3)[:2, :2].T / 65536.0


def turn(matrix: npt.NDArray[np.float64]) -> tuple[int, bool]:
    """Quarter turns counter-clockwise, and whether the picture is flipped left to right before them.

    Parameters
    ----------
    matrix : (2, 2) array
        Takes stored (x, y) to shown ones, y down; need not be exactly a quarter turn.
    """
    mirrored = bool(np.linalg.det(matrix) < 0)
    rotation = matrix @ np.diag([-1.0, 1.0]) if mirrored else matrix
    # With y down, a turn by an angle a counter-clockwise is [[cos a, sin a], [-sin a, cos a]].
    angle_rad = math.atan2(rotation[0, 1] - rotation[1, 0], rotation[0, 0] + rotation[1, 1])
    return round(angle_rad / (math.pi / 2)) % 4, mirrored
