"""Pictures of a clip in any order and quickly: what lies near the last one asked for is kept decoded.

Files of pictures that were shown already, and of the first and the last one, are kept as well. What is left
is the way from the picture before at which decoding can begin.
"""

from __future__ import annotations

import os
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from av.video.frame import VideoFrame

from tracker.errors import ClipError
from tracker.film.decode import Pictures, planes
from tracker.film.stills import to_bgr, upright
from tracker.film.survey import Survey, survey

Bytes = npt.NDArray[np.uint8]

HELD_BYTES = 192 * 1024**2
FEWEST_HELD, MOST_HELD = 8, 120
NEAR_FRAMES = 30  # decoding on through so many costs no more than a seek
BEFORE_FRAMES = 12  # that come along when one jumps; those farther back follow while nobody waits
FILES_BYTES = 96 * 1024**2
MOST_THREADS = 6  # each holds a picture more
QUALITY = 95  # with full colour resolution, no edge of a mark is off by more than a few levels


class Keeper:
    """A clip whose pictures can be asked for in any order.

    Parameters
    ----------
    path : Path

    Raises
    ------
    ClipError
        If the clip cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.survey: Survey = survey(path)
        self._count = len(self.survey.pts)
        self._keys = self._key_frames()
        area = self.survey.picture.stored_width_px * self.survey.picture.stored_height_px
        a_frame = 1.5 * area * (2 if self.survey.bits > 8 else 1)
        self._room = int(np.clip(HELD_BYTES / a_frame, FEWEST_HELD, MOST_HELD))
        self._held: dict[int, VideoFrame] = {}
        self._lost: set[int] = set()
        self._focus = 0
        self._files: dict[int, bytes] = {}  # the one used last comes last
        self._files_bytes = 0
        self._ahead = _Run(path, self.survey, int(np.clip(os.cpu_count() or 1, 2, MOST_THREADS)))
        self._behind = _Run(path, self.survey, 2)
        self._end: _Run | None = None

    def __len__(self) -> int:
        return self._count

    def picture(self, index: int) -> VideoFrame | None:
        """The decoded frame, None where it is damaged.

        Raises
        ------
        ClipError
            If the clip has no frame of that number.
        """
        if not 0 <= index < self._count:
            raise ClipError(
                "clip_no_such_frame",
                f"{self.path.name} has no frame {index}.",
                f"Name a frame from 0 to {self._count - 1}.",
            )
        self._focus = index
        if index not in self._held and index not in self._lost:
            key = self._key_before(index)
            on = self._ahead.next
            if on is None or not on <= index or not (key <= on or index - on < NEAR_FRAMES):
                self._ahead.begin(max(key, index - BEFORE_FRAMES))
            while index not in self._held and index not in self._lost:
                self._step(self._ahead)
        return self._held.get(index)

    def bgr(self, index: int) -> Bytes | None:
        """The picture as a player shows it, (h, w, 3), blue green red."""
        frame = self.picture(index)
        return None if frame is None else upright(to_bgr(frame), self.survey.picture)

    def jpeg(self, index: int) -> bytes | None:
        """The picture as a player shows it, as a file for a browser.

        Raises
        ------
        ClipError
            If the clip has no frame of that number.
        """
        if index in self._files:
            self._focus = index
            data = self._files[index] = self._files.pop(index)
            return data
        frame = self.picture(index)
        return None if frame is None else self._file(index, frame)

    def _file(self, index: int, frame: VideoFrame) -> bytes | None:
        """Make the file of a picture, and let go of those not used for longest."""
        image = upright(to_bgr(frame), self.survey.picture)
        full = [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
        done, coded = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, QUALITY, *full])
        if not done:
            return None
        data = self._files[index] = coded.tobytes()
        self._files_bytes += len(data)
        while self._files_bytes > FILES_BYTES and len(self._files) > 1:
            self._files_bytes -= len(self._files.pop(next(iter(self._files))))
        return data

    def luma(self, index: int) -> Bytes | None:
        """Luma in stored orientation, (h, w)."""
        frame = self.picture(index)
        return None if frame is None else planes(frame)[0].copy()

    def idle(self) -> bool:
        """Decode one more picture near the last one asked for; False when there is nothing left to do."""
        half = self._room // 2
        last = min(self._focus + half, self._count) - 1
        on = self._ahead.next
        if on is not None and self._focus < on <= last:
            self._step(self._ahead)
            return True
        wanted = range(self._focus - 1, max(self._focus - half, -1), -1)
        missing = next((i for i in wanted if i not in self._held and i not in self._lost), None)
        if missing is None:
            return self._to_the_end()
        on = self._behind.next
        if on is None or not self._key_before(missing) <= on <= missing:
            self._behind.begin(self._key_before(missing))
        self._step(self._behind)
        return True

    def _to_the_end(self) -> bool:
        """Decode one more picture toward the last one, which is often jumped to; False when that is done."""
        last = self._count - 1
        if self._end is None:
            self._end = _Run(self.path, self.survey, 1)
            self._end.begin(self._key_before(last))
        if self._end.next is None or last in self._files:
            return False
        index, frame = self._end.step()
        if index == last and frame is not None:
            self._file(last, frame)
        return True

    def _step(self, run: _Run) -> None:
        """Decode one picture and hold it; let go of the one farthest from where one looks."""
        start, (index, frame) = run.next or 0, run.step()
        self._lost.update(range(start, min(index, self._count)))
        if frame is None:
            return
        self._held[index] = frame
        if len(self._held) > self._room:
            del self._held[max(self._held, key=lambda i: abs(i - self._focus))]

    def _key_frames(self) -> list[int]:
        """Frames at which decoding can begin."""
        if not self.survey.stamped:
            return [0]
        found = np.searchsorted(self.survey.pts, self.survey.key_pts)
        return sorted({0, *(int(i) for i in found)})

    def _key_before(self, index: int) -> int:
        return self._keys[int(np.searchsorted(self._keys, index, side="right")) - 1]


class _Run:
    """A decoder that runs forward from where it was told to begin; ``next`` is the frame it stands before."""

    def __init__(self, path: Path, seen: Survey, threads: int) -> None:
        self._path = path
        self._seen = seen
        self._threads = threads
        self._pictures: Pictures | None = None
        self.next: int | None = None

    def begin(self, index: int) -> None:
        """Begin anew at a frame."""
        if self._pictures is not None:
            self._pictures.close()
        self._pictures = Pictures(
            self._path, start_s=float(self._seen.file_time_s[index]), threads=self._threads
        )
        self.next = index

    def step(self) -> tuple[int, VideoFrame | None]:
        """The next frame that can be decoded; (number of frames, None) at the end of the film."""
        if self._pictures is None:
            raise ValueError("it was not told where to begin")
        found = next(self._pictures, None)
        if found is None:
            self.next = None
            return len(self._seen.pts), None
        self.next = found[0] + 1
        return found
