"""Single pictures of a clip as a player shows them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
from av.video.frame import VideoFrame
from av.video.reformatter import Colorspace

from calibration.values import Picture
from tracker.errors import ClipError
from tracker.film.decode import Pictures
from tracker.film.digest import fingerprint
from tracker.film.hdr import hdr_to_bgr, is_hdr
from tracker.film.survey import survey

__all__ = ["fingerprint", "stills", "to_bgr", "upright"]

_UNTAGGED = 2  # ITU-T H.273, table 4: unspecified
_HD_SIDE_PX = 720
_NEAR_FRAMES = 30  # decoding on through so many costs no more than a seek


def stills(path: Path, indices: Sequence[int]) -> dict[int, npt.NDArray[np.uint8]]:
    """Pictures by frame number: (h, w, 3) arrays, blue green red, upright; lost ones are left out.

    Raises
    ------
    ClipError
        If the clip cannot be decoded or has no frame of that number.
    """
    seen = survey(path)
    wanted = sorted(set(indices))
    if wanted and (wanted[0] < 0 or wanted[-1] >= len(seen.pts)):
        wrong = wanted[0] if wanted[0] < 0 else wanted[-1]
        raise ClipError(
            "clip_no_such_frame",
            f"{path.name} has no frame {wrong}.",
            f"Name a frame from 0 to {len(seen.pts) - 1}.",
        )
    found: dict[int, npt.NDArray[np.uint8]] = {}
    for run in _runs(wanted):
        times = seen.file_time_s
        pictures = Pictures(path, start_s=float(times[run[0]]), end_s=float(times[run[-1]]))
        try:
            for index, frame in pictures:
                if index in run:
                    found[index] = upright(to_bgr(frame), seen.picture)
        finally:
            pictures.close()
    return found


def _runs(wanted: list[int]) -> list[list[int]]:
    runs: list[list[int]] = []
    for index in wanted:
        if runs and index - runs[-1][-1] <= _NEAR_FRAMES:
            runs[-1].append(index)
        else:
            runs.append([index])
    return runs


def to_bgr(frame: VideoFrame) -> npt.NDArray[np.uint8]:
    """Blue, green, red in stored orientation, in the colours of an ordinary screen.

    High-definition pictures that do not name their matrix are taken to be BT.709, as players do
    (common practice, no source).
    """
    if is_hdr(frame):
        return hdr_to_bgr(frame)
    hd = min(frame.width, frame.height) >= _HD_SIDE_PX
    source = Colorspace.ITU709 if frame.colorspace == _UNTAGGED and hd else None
    shown = frame.reformat(format="bgr24", src_colorspace=source, threads=1)
    return np.asarray(shown.to_ndarray(threads=1), dtype=np.uint8)


def upright(image: npt.NDArray[np.uint8], picture: Picture) -> npt.NDArray[np.uint8]:
    """Flip and turn a stored picture as a player does."""
    if picture.mirrored:
        image = image[:, ::-1]
    return np.ascontiguousarray(np.rot90(image, picture.quarter_turns))
