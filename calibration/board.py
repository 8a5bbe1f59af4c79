"""The printed board: what is on it, and where it is in a picture, found without a click.

Its markers are those of ArUco's dictionary 4x4_50; where each stands is told by ``board_layout``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from calibration.board_align import Luma, align
from calibration.board_layout import MARGIN_MM, MODULES, PAPERS_MM, Board
from calibration.errors import CalibrationError
from calibration.values import Floats, Ints, PlanePoints, frozen

__all__ = [
    "MARGIN_MM",
    "MODULES",
    "PAPERS_MM",
    "Board",
    "BoardSighting",
    "find_board",
    "marker_bits",
    "plane_points",
]

_DICTIONARY = cv2.aruco.DICT_4X4_50
_LEAST_SHARE = 0.4  # of the markers inside the picture; fewer fit boards of another size
_MOST_TRIES = 4  # single markers from which the rest of a board is looked for


@dataclass(frozen=True, slots=True)
class BoardSighting:
    """A board in one picture.

    Parameters
    ----------
    marker : (m,) int array
        Numbers of the markers that were read, ascending.
    corners_px : (m, 4, 2) array
        Their corners, in the order of ``Board.corners_m``.
    centres_px : (m, 2) array
        Where the middle of each marker is seen. Blur and tone move opposite edges of a marker
        against each other, so that its middle is surer than its corners.
    u_px : (m,) array
        Standard uncertainty of a centre from the picture's noise, per coordinate.
    """

    marker: Ints
    corners_px: Floats
    centres_px: Floats
    u_px: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "corners_px", frozen(self.corners_px, shape=(None, 4, 2)))
        object.__setattr__(self, "centres_px", frozen(self.centres_px, shape=(None, 2)))
        object.__setattr__(self, "u_px", frozen(self.u_px, shape=(None,)))


@lru_cache(maxsize=256)
def marker_bits(number: int) -> npt.NDArray[np.bool_]:
    """One marker as modules, shape (6, 6), True is white; the first row is the top one."""
    dictionary = cv2.aruco.getPredefinedDictionary(_DICTIONARY)
    picture = cv2.aruco.generateImageMarker(dictionary, number, MODULES, borderBits=1)
    bits = np.asarray(picture, dtype=np.uint8) > 127
    bits.flags.writeable = False
    return bits


def _detector() -> cv2.aruco.ArucoDetector:
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE  # ours comes after, on the whole board
    settings.minMarkerPerimeterRate = 0.02
    settings.adaptiveThreshWinSizeMin = 5
    settings.adaptiveThreshWinSizeMax = 25
    settings.adaptiveThreshWinSizeStep = 10
    settings.polygonalApproxAccuracyRate = 0.06  # a corner of a small marker is off by a larger share of it
    settings.perspectiveRemovePixelPerCell = 6
    settings.errorCorrectionRate = 1.0  # one module; layout and likeness keep chance out
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(_DICTIONARY), settings)


def read_markers(luma: Luma) -> tuple[Ints, Floats]:
    """Numbers, (m,), and rough corners in pixels, (m, 4, 2), of whatever looks like a marker."""
    quads, numbers, _ = _detector().detectMarkers(luma)
    if numbers is None or len(quads) == 0:
        return np.empty(0, dtype=np.int64), np.empty((0, 4, 2))
    found = np.asarray(numbers).ravel().astype(np.int64)
    corners = np.array([np.asarray(quad, dtype=np.float64).reshape(4, 2) for quad in quads])
    return found, corners


def read_small_markers(luma: Luma) -> tuple[Ints, Floats]:
    """The same for markers too small to be read as they are."""
    numbers, corners = read_markers(_sharpened(luma))
    return numbers, (corners - 0.5) / 2


def _sharpened(luma: Luma) -> Luma:
    """Twice as large, with less noise and blur."""
    twice = cv2.resize(luma, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC).astype(np.float32)
    smooth = cv2.GaussianBlur(twice, (0, 0), 1.2)
    sharp = 3 * smooth - 2 * cv2.GaussianBlur(smooth, (0, 0), 4.0)
    return np.asarray(np.clip(sharp, 0, 255), dtype=np.uint8)


def layout(numbers: Ints, corners: Floats, board: Board) -> tuple[Floats, npt.NDArray[np.bool_]] | None:
    """The homography millimetres -> pixels, (3, 3), on which at least two markers agree, and which do, (m,).

    Numbers that the board does not have agree with nothing.
    """
    ours = numbers < board.markers
    if np.count_nonzero(ours) < 2:
        return None
    agree = np.zeros(len(numbers), dtype=np.bool_)
    numbers, corners = numbers[ours], corners[ours]
    places = board.corners_mm()[numbers]
    side_px = float(np.median(np.linalg.norm(np.roll(corners, 1, axis=1) - corners, axis=2)))
    H, _ = cv2.findHomography(
        places.reshape(-1, 2), corners.reshape(-1, 2), cv2.RANSAC, max(1.5, 0.15 * side_px), maxIters=500
    )
    if H is None:
        return None
    image = cv2.perspectiveTransform(places.reshape(-1, 1, 2), H).reshape(-1, 4, 2)
    good = np.linalg.norm(image - corners, axis=2).max(axis=1) < max(2.0, 0.2 * side_px)
    agree[ours] = good
    return (np.asarray(H, dtype=np.float64), agree) if len(np.unique(numbers[good])) >= 2 else None


def _in_picture(luma: Luma, H: Floats, places: Floats) -> npt.NDArray[np.bool_]:
    """Which markers lie in front of the camera and inside the picture with a little room."""
    flat = places.reshape(-1, 2)
    depth = np.column_stack([flat, np.ones(len(flat))]) @ H[2]
    image = cv2.perspectiveTransform(flat.reshape(-1, 1, 2), H).reshape(-1, 2)
    height, width = luma.shape
    inside = (depth > 0) & np.all((image > 2) & (image < np.array([width - 3, height - 3])), axis=1)
    return np.asarray(inside.reshape(-1, 4).all(axis=1))


def find_board(luma: Luma, board: Board, near: BoardSighting | None = None) -> BoardSighting | None:
    """Where a board is in a picture, shape (H, W), or None where it is not.

    At least two markers must be there and lie as the layout says: a single marker may be a chance
    likeness. Those not read are looked for where they must be, and kept where the picture looks like
    them. Positions come from laying the known pattern over the picture, not from its edges alone. Where the
    board was in an earlier picture, ``near``, is looked first: it stands still as a rule.
    """
    luma = np.ascontiguousarray(luma, dtype=np.uint8)
    if near is not None:
        sighting = _looked_for(luma, _of_sighting(near, board), board)
        if sighting is not None and len(sighting.marker) >= len(near.marker):
            return sighting
    numbers, corners = read_markers(luma)
    sighting = _laid_out(luma, numbers, corners, board)
    if sighting is not None:
        return sighting
    more, sharper = read_small_markers(luma)
    numbers, corners = np.concatenate([numbers, more]), np.concatenate([corners, sharper])
    sighting = _laid_out(luma, numbers, corners, board)
    ours = numbers < board.markers
    numbers, corners = numbers[ours], corners[ours]
    for number, quad in zip(numbers[:_MOST_TRIES], corners[:_MOST_TRIES], strict=True):
        if sighting is not None:
            break
        sighting = _looked_for(luma, _from_one(luma, int(number), quad, board), board)
    return sighting


def _laid_out(luma: Luma, numbers: Ints, corners: Floats, board: Board) -> BoardSighting | None:
    agreed = layout(numbers, corners, board)
    return None if agreed is None else _looked_for(luma, agreed[0], board)


def _of_sighting(seen: BoardSighting, board: Board) -> Floats | None:
    """The homography millimetres -> pixels of a board that was seen."""
    places = board.corners_mm()[seen.marker].reshape(-1, 2)
    H = cv2.findHomography(places, seen.corners_px.reshape(-1, 2))[0]
    return None if H is None else np.asarray(H, dtype=np.float64)


def _from_one(luma: Luma, number: int, corners: Floats, board: Board) -> Floats | None:
    """The homography millimetres -> pixels from a single marker, sure enough to find its neighbours by."""
    place = board.corners_mm()[number]
    H, _ = cv2.findHomography(place, corners)
    if H is None:
        return None
    aligned = align(luma, np.asarray(H), place[None], marker_bits(number)[None], board.gap_mm, fewest=1)
    if aligned is None:
        return None
    return np.asarray(cv2.findHomography(place, aligned.corners_px[0])[0], dtype=np.float64)


def _looked_for(luma: Luma, H: Floats | None, board: Board) -> BoardSighting | None:
    """The markers that are where a homography says, at least two."""
    if H is None:
        return None
    places = board.corners_mm()
    numbers = np.flatnonzero(_in_picture(luma, H, places))
    if len(numbers) < 2:
        return None
    patterns = np.array([marker_bits(int(number)) for number in numbers])
    aligned = align(luma, H, places[numbers], patterns, board.gap_mm)
    if aligned is None or aligned.kept.sum() < _LEAST_SHARE * len(numbers):
        return None
    return BoardSighting(numbers[aligned.kept], aligned.corners_px, aligned.centres_px, aligned.u_px)


# What stays however many pictures are averaged, standard uncertainty per coordinate of one marker's centre:
# the pixel grid and the coder see a still board the same way every time. Measured on made pictures.
_U_GRID_PX = 0.02


def plane_points(sightings: Sequence[BoardSighting], board: Board) -> PlanePoints:
    """A plane reference from every sighting of a board that stands still in pictures that stand still.

    Raises
    ------
    CalibrationError
        "board_not_found" where there is no sighting.
    """
    if not sightings:
        raise CalibrationError(
            "board_not_found",
            "The printed board was not found in the clip.",
            "Let the whole board be seen, flat, evenly lit, and with markers at least 20 pixels wide.",
        )
    places = board.corners_m()
    numbers = np.unique(np.concatenate([s.marker for s in sightings]))
    times = np.array([sum(number in s.marker for s in sightings) for number in numbers])
    numbers = numbers[times >= max(1, len(sightings) // 5)]  # a number read now and then may be misread
    by_centre = len(numbers) >= 4 and _spread(places[numbers].mean(axis=1)) > 0.05
    points, m, noise, sheet = [], [], [], []
    for number in numbers:
        rows = [(s, int(np.flatnonzero(s.marker == number)[0])) for s in sightings if number in s.marker]
        seen = np.array([s.centres_px[i : i + 1] if by_centre else s.corners_px[i] for s, i in rows])
        u = np.array([s.u_px[i] for s, i in rows])
        # The scatter speaks for itself where there are enough pictures; a single one has its own estimate.
        variance = np.mean(u**2) if len(rows) < 4 else max(float(seen.var(axis=0, ddof=1).mean()), 1e-6)
        place = places[number].mean(axis=0, keepdims=True) if by_centre else places[number]
        points.append(seen.mean(axis=0))
        m.append(place)
        noise.append(np.full(2 * len(place), variance / len(rows)))
        sheet.append(np.full(len(place), board.sheet_of(np.array([number]))[0]))
    px, place_m = np.concatenate(points), np.concatenate(m)
    floor = _U_GRID_PX if by_centre else 3 * _U_GRID_PX
    covariance = np.diag(np.concatenate(noise) + floor**2)
    covariance += _joints(px, place_m, np.concatenate(sheet), board)
    return PlanePoints(px, place_m, covariance, board.u_print_scale, len(sightings))


def _joints(px: Floats, m: Floats, sheet: Ints, board: Board) -> Floats:
    """What the taping of the sheets adds: all points of a sheet shift together."""
    if board.sheets == 1:
        return np.zeros((2 * len(px), 2 * len(px)))
    scale_px_m = np.sqrt(
        np.abs(np.linalg.det(np.linalg.lstsq(np.c_[m, np.ones(len(m))], px, rcond=None)[0][:2]))
    )
    together = (sheet[:, None] == sheet[None, :]).astype(np.float64)
    return np.asarray(np.kron(together, np.eye(2)) * (board.u_join_m * scale_px_m) ** 2)


def _spread(points: Floats) -> float:
    """Smaller over larger extent of a cloud of points."""
    s = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return float(s[1] / s[0])
