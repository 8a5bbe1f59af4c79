"""The pictures of a clip, one after the other, as the decoder's own planes."""

from __future__ import annotations

import os
from bisect import bisect_left
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self, cast

import cv2
import numpy as np
import numpy.typing as npt
from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.plane import VideoPlane
from av.video.stream import VideoStream

from tracker.errors import ClipError
from tracker.film.ahead import Ahead
from tracker.film.container import can_pass_over, decoded, opened
from tracker.film.survey import Survey, survey

Bytes = npt.NDArray[np.uint8]

_PLANAR_8 = frozenset({"yuv420p", "yuvj420p"})
_PLANAR_10 = "yuv420p10le"
#: As many as there are cores; each holds some pictures.
THREADS = max(2, min(os.cpu_count() or 1, 8))
#: Decoding that goes on while one looks takes more of them: one that waits for a core holds up the others.
AHEAD_THREADS = max(4, min(2 * (os.cpu_count() or 1), 8))
#: Decoded frames that may wait until they are looked at.
MOST_AHEAD, AHEAD_BYTES = 24, 48 * 1024**2
_SETTLE = 8  # pictures before the window, so that the decoder's own order has settled when it begins
_FULL_RANGE = 2  # ITU-T H.273, video_full_range_flag, as the decoder numbers it


@dataclass(frozen=True, slots=True)
class Frame:
    """One picture in stored orientation; its planes are read-only, and valid until the next is asked for.

    Parameters
    ----------
    index : int
        Number of the frame among those that the file shows, from 0.
    file_time_s : float
        File time from the first frame that the file shows.
    y : (h, w) uint8 array
    u, v : (h / 2, w / 2) uint8 arrays
    """

    index: int
    file_time_s: float
    y: Bytes
    u: Bytes
    v: Bytes


class Pictures(Iterator[tuple[int, VideoFrame]]):
    """Decoded pictures of a window of a clip, each with its frame number.

    Attributes
    ----------
    lost : int
        Pictures of the window that could not be decoded, so far.
    """

    def __init__(
        self,
        path: Path,
        *,
        start_s: float | None = None,
        end_s: float | None = None,
        threads: int = THREADS,
    ) -> None:
        self.survey = survey(path)
        self._path = path
        self._first, self._end = _window(path, self.survey, start_s, end_s)
        self._threads = threads
        self._given = 0
        self._passed = self._first  # frames before this one have been given or are lost
        self._stream = self._run()

    def __next__(self) -> tuple[int, VideoFrame]:
        return next(self._stream)

    @property
    def lost(self) -> int:
        """Pictures of the window that could not be decoded, so far."""
        lost = self._passed - self._first - self._given
        if self._passed == self._end == len(self.survey.pts):
            lost += self.survey.missing
        return lost

    def close(self) -> None:
        """Let go of the file."""
        self._stream.close()

    def _run(self) -> Generator[tuple[int, VideoFrame], None, None]:
        with opened(self._path, threads=self._threads) as (container, stream):
            source = self._numbered(container, stream, seek=True)
            for index, frame in source:
                if index < self._first:
                    continue
                self._passed = index + 1
                self._given += 1
                yield index, frame
        self._passed = self._end

    def _numbered(
        self, container: InputContainer, stream: VideoStream, *, seek: bool
    ) -> Generator[tuple[int, VideoFrame], None, None]:
        """Whole pictures of the clip's own size in rising order, numbered by their time stamps."""
        seen = self.survey
        size = (seen.picture.stored_width_px, seen.picture.stored_height_px)
        stamps: list[int] = seen.pts.tolist()
        last = -1
        if seek and seen.stamped and (at := _key_before(seen, self._first)) is not None:
            container.seek(at, stream=stream)
        else:
            seek = False
        for frame in self._decoded(container, stream):
            index = last + 1
            if seen.stamped and frame.pts is not None:
                index = max(index, bisect_left(stamps, frame.pts))
            if seek and last < 0 and index > self._first:
                # The seek went too far: begin at the beginning.
                container.seek(int(stamps[0]), stream=stream)
                yield from self._numbered(container, stream, seek=False)
                return
            if index >= self._end:
                return
            last = index
            if not frame.is_corrupt and (frame.width, frame.height) == size:
                yield index, frame

    def _decoded(self, container: InputContainer, stream: VideoStream) -> Iterator[VideoFrame]:
        """Decode the window and what it needs: pictures before it that no other one needs are passed over."""
        seen = self.survey
        passes = seen.stamped and can_pass_over(stream)
        begin = int(seen.pts[max(self._first - _SETTLE, 0)])
        for packet in container.demux(stream):
            early = passes and packet.pts is not None and packet.pts < begin
            stream.codec_context.skip_frame = "NONREF" if early else "DEFAULT"
            yield from decoded(packet)


def _key_before(seen: Survey, first: int) -> int | None:
    """Time stamp of the last frame before ``first`` at which decoding can begin, if not the first."""
    place = int(np.searchsorted(seen.key_pts, seen.pts[first], side="right")) - 1
    if place < 1:
        return None
    return int(seen.key_pts[place])


def _window(path: Path, seen: Survey, start_s: float | None, end_s: float | None) -> tuple[int, int]:
    """First frame and one past the last one of a window, both ends included to half a tick."""
    slack_s = seen.tick_s / 2
    times = seen.file_time_s
    first = 0 if start_s is None else int(np.searchsorted(times, start_s - slack_s))
    end = len(times) if end_s is None else int(np.searchsorted(times, end_s + slack_s, side="right"))
    if first >= end:
        raise ClipError(
            "clip_window_empty",
            f"{path.name} lasts {times[-1]:.3f} s and has no frame in the time asked for.",
            "Give a start before the end, both within the clip.",
        )
    return first, end


class Reel(Iterator[Frame]):
    """The frames of a window of a clip; also a context that lets go of the file.

    Attributes
    ----------
    lost : int
        Pictures of the window that could not be decoded, so far.
    """

    def __init__(self, pictures: Pictures, ahead: int = 0) -> None:
        """``ahead`` is how many frames may be decoded before they are asked for."""
        self._pictures = pictures
        self._times: list[float] = pictures.survey.file_time_s.tolist()
        self._ahead = Ahead(self._frames(), ahead) if ahead else None
        self._source: Iterator[Frame] = self._ahead or self._frames()

    def _frames(self) -> Iterator[Frame]:
        for index, frame in self._pictures:
            y, u, v = planes(frame)
            yield Frame(index, self._times[index], y, u, v)

    def __next__(self) -> Frame:
        return next(self._source)

    @property
    def lost(self) -> int:
        """Pictures of the window that could not be decoded, so far."""
        return self._pictures.lost

    def close(self) -> None:
        """Let go of the file."""
        if self._ahead is not None:
            self._ahead.close()
        self._pictures.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def frames(
    path: Path,
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    threads: int | None = None,
    ahead: bool = False,
) -> Reel:
    """Read the frames of a clip between two file times (both included), in order.

    With ``ahead`` the next frames are decoded while one is looked at.

    Raises
    ------
    ClipError
        If the clip cannot be decoded, or has no frame in that time.
    """
    threads = threads or (AHEAD_THREADS if ahead else THREADS)
    pictures = Pictures(path, start_s=start_s, end_s=end_s, threads=threads)
    size = pictures.survey.picture
    frame_bytes = 3 * size.stored_width_px * size.stored_height_px // 2
    return Reel(pictures, min(MOST_AHEAD, 1 + AHEAD_BYTES // frame_bytes) if ahead else 0)


def planes(frame: VideoFrame) -> tuple[Bytes, Bytes, Bytes]:
    """Luma (h, w) and the two chroma planes (h / 2, w / 2) in 8 bits; views where that is possible."""
    name = frame.format.name
    if name == _PLANAR_10:
        luma, chroma_u, chroma_v = frame.planes
        return _eight_bits(luma), _eight_bits(chroma_u), _eight_bits(chroma_v)
    if name not in _PLANAR_8:
        full = frame.color_range == _FULL_RANGE or name.startswith(("yuvj", "gray"))
        frame = frame.reformat(format="yuvj420p" if full else "yuv420p", threads=1)
    luma, chroma_u, chroma_v = frame.planes
    return _view(luma), _view(chroma_u), _view(chroma_v)


def _view(plane: VideoPlane) -> Bytes:
    rows = np.frombuffer(cast("memoryview", plane), np.uint8).reshape(plane.height, plane.line_size)
    rows.flags.writeable = False  # the decoder predicts later pictures from this memory
    return rows[:, : plane.width]


def _eight_bits(plane: VideoPlane) -> Bytes:
    rows = np.frombuffer(cast("memoryview", plane), np.uint16).reshape(plane.height, plane.line_size // 2)
    return np.asarray(cv2.convertScaleAbs(rows[:, : plane.width], alpha=0.25), dtype=np.uint8)
