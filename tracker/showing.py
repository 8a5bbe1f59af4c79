"""What is done in the guarded child to pictures, or a clip, of a board that is shown to the camera.

Pictures and clips come from somewhere else, so they are decoded there, and only the lens comes back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from calibration.board import find_board
from calibration.board_layout import Board
from calibration.errors import CalibrationError
from calibration.lens import Lens
from calibration.lens_fit import CornerSet, Finder, calibrate_lens, chessboard_finder, cover
from calibration.lens_views import sharpness, spread_views
from tracker.errors import ClipError
from tracker.film.decode import frames
from tracker.film.facts import read_facts

Luma = npt.NDArray[np.uint8]

PICTURES = frozenset({".jpg", ".jpeg", ".png", ".bmp", ".tif", ".tiff", ".webp"})
LARGEST_BYTES = 200_000_000
LOOKS = 90  # frames of a clip in which the board is looked for
MOST_VIEWS = 20


@dataclass(frozen=True, slots=True)
class Shown:
    """A lens and what it rests on: pictures looked at, share of the picture the board covered."""

    lens: Lens
    looked_at: int
    cover: float
    unread: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Showing:
    """The child's job: files, and the board in them: a chessboard, or one of our own.

    Parameters
    ----------
    paths : tuple of Path
        Pictures, or clips of a board that is being waved.
    corners, square_m
        Inner corners and squares of a chessboard.
    board : Board or None
        Takes the chessboard's place.
    mode : str
        The filming mode in the user's words.
    """

    paths: tuple[Path, ...]
    corners: tuple[int, int] = (9, 6)
    square_m: float = 0.025
    board: Board | None = None
    mode: str = ""

    def __call__(self, progress: Callable[[int, int], None]) -> Shown:
        """Look at everything and work out the lens; ``progress`` hears of things done and in all."""
        pictures: list[Luma] = []
        looked_at, unread = 0, []
        still = [path for path in self.paths if path.suffix.lower() in PICTURES]
        for number, path in enumerate(still):
            luma = read_picture(path)
            looked_at += 1
            if luma is None:
                unread.append(path.name)
            else:
                pictures.append(luma)
            progress(number, len(still))
        for path in self.paths:
            if path not in still:
                views, count = self._waved(path, progress)
                pictures += views
                looked_at += count
        if not pictures:
            raise CalibrationError(
                "lens_views_few",
                "No picture of a board could be read.",
                "Give pictures (.jpg, .png) taken in the filming mode, or a clip of the board being waved.",
            )
        lens = calibrate_lens(
            pictures,
            corners=self.corners,
            square_m=self.square_m,
            mode=self.mode,
            find=None if self.board is None else self._finder(),
        )
        find = self._finder()
        seen = [found for found in map(find, pictures) if found is not None]
        return Shown(lens, looked_at, cover(seen, lens.width_px, lens.height_px), tuple(unread))

    def _finder(self) -> Finder:
        if self.board is not None:
            return board_finder(self.board)
        return chessboard_finder(self.corners, self.square_m, "saddle")

    def _waved(self, path: Path, progress: Callable[[int, int], None]) -> tuple[list[Luma], int]:
        """Spread views of a board in a clip, and how many frames were looked at."""
        facts = read_facts(path)
        total = len(facts.file_time_s)
        step = max(1, total // LOOKS)
        find = self._quick_finder()
        seen: list[tuple[CornerSet, float, Luma]] = []
        count = 0
        with frames(path) as reel:
            for frame in reel:
                if frame.index % step:
                    continue
                progress(frame.index, total)
                count += 1
                found = find(frame.y)
                if found is not None:
                    seen.append((found, sharpness(frame.y, found), frame.y.copy()))
        size = facts.picture.stored_width_px, facts.picture.stored_height_px
        chosen = spread_views([s for s, _, _ in seen], [q for _, q, _ in seen], *size, MOST_VIEWS)
        return [seen[k][2] for k in chosen], count

    def _quick_finder(self) -> Finder:
        """Good enough to choose by; the lens is worked out with better ones."""
        if self.board is not None:
            return board_finder(self.board)
        slow = chessboard_finder(self.corners, self.square_m, "saddle")

        def find(luma: Luma) -> CornerSet | None:
            # The quick check finds most frames without any board, which would cost the most.
            flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
            there, _ = cv2.findChessboardCorners(luma, self.corners, flags=flags)
            return slow(luma) if there else None

        return find


def board_finder(board: Board) -> Finder:
    """A finder of the corners of a printed board's markers."""
    places = board.corners_m()

    def find(luma: Luma) -> CornerSet | None:
        sighting = find_board(luma, board)
        if sighting is None or len(sighting.marker) < 2:
            return None
        return CornerSet(sighting.corners_px.reshape(-1, 2), places[sighting.marker].reshape(-1, 2))

    return find


def read_picture(path: Path) -> Luma | None:
    """A picture's luma as it is stored, (h, w); None if it is none.

    Raises
    ------
    ClipError
        If there is no such file, or it is far too large for a picture.
    """
    if not path.is_file():
        raise ClipError(
            "picture_not_found", f"There is no picture {path.name}.", "Check the name and the folder."
        )
    if path.stat().st_size > LARGEST_BYTES:
        raise ClipError(
            "picture_too_large", f"{path.name} is too large for a picture.", "Give a .jpg or .png picture."
        )
    raw = np.fromfile(path, dtype=np.uint8)
    try:
        # As it is stored: a lens belongs to the sensor, not to how the phone was held.
        luma = cv2.imdecode(raw, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION) if raw.size else None
    except cv2.error:
        return None
    return None if luma is None else np.asarray(luma, dtype=np.uint8)


def files_in(paths: Sequence[Path]) -> tuple[Path, ...]:
    """The pictures of folders in place of the folders, in order of names."""
    out: list[Path] = []
    for path in paths:
        if path.is_dir():
            out += sorted(file for file in path.iterdir() if file.suffix.lower() in PICTURES)
        else:
            out.append(path)
    return tuple(out)
