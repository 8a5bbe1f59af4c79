"""Pictures of a flat board in one filming mode -> the lens they were filmed through."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from calibration.errors import CalibrationError
from calibration.lens import Lens
from calibration.values import Floats, frozen

Luma = npt.NDArray[np.uint8]

FEWEST_VIEWS = 6
# Below these the fit converges all the same, but focal length and distortion trade against each other.
_LEAST_TILT_RAD = np.radians(12.0)
_LEAST_COVER = 0.35
_LARGEST_RMS_PX = 3.0
_THIRD_COUNTS = 3.0  # standard uncertainties
_CELLS = (8, 6)  # columns and rows of the grid in which coverage of the picture is counted


@dataclass(frozen=True, slots=True)
class CornerSet:
    """One view of a board: corners in stored pixels, shape (n, 2), and their places on it, (n, 2) metres."""

    points_px: Floats
    points_m: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "points_px", frozen(self.points_px, shape=(None, 2)))
        object.__setattr__(self, "points_m", frozen(self.points_m, shape=(None, 2)))
        if len(self.points_px) != len(self.points_m):
            raise ValueError("as many pixels as places are needed")


Finder = Callable[[Luma], CornerSet | None]


def calibrate_lens(
    pictures: Sequence[Luma],
    *,
    corners: tuple[int, int] = (9, 6),
    square_m: float = 0.025,
    mode: str = "",
    find: Finder | None = None,
) -> Lens:
    """Lens from grey pictures, shape (H, W), of a chessboard with ``corners`` inner corners.

    Two ways of finding corners are tried, because neither is the better one on all pictures: the one
    that finds the board more often is kept, or the one with the smaller residual where they tie.
    ``find`` takes their place for another board.

    Raises
    ------
    CalibrationError
        "lens_views_few", "lens_views_alike", "lens_size", "lens_poor".
    """
    if not pictures:
        raise _too_few(0, 0)
    sizes = {picture.shape[:2] for picture in pictures}
    if len(sizes) > 1:
        raise CalibrationError(
            "lens_size",
            "The pictures of the board are not all of one size.",
            "Take them all from one clip, or all in one filming mode.",
        )
    height_px, width_px = sizes.pop()
    finders = [find] if find else [chessboard_finder(corners, square_m, way) for way in ("sector", "saddle")]
    found = [[seen for seen in map(way, pictures) if seen is not None] for way in finders]
    most = max(len(sets) for sets in found)
    if most < FEWEST_VIEWS:
        raise _too_few(most, len(pictures))
    best = [
        calibrate_from_corners(sets, width_px, height_px, mode=mode) for sets in found if len(sets) == most
    ]
    return min(best, key=lambda lens: lens.rms_px)


def chessboard_finder(corners: tuple[int, int], square_m: float, way: str) -> Finder:
    """A finder of chessboard corners by "sector" or by "saddle" refinement."""
    columns, rows = corners
    grid = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1)
    places = grid.reshape(-1, 2) * float(square_m)
    locate = _sector_corners if way == "sector" else _saddle_corners

    def find(luma: Luma) -> CornerSet | None:
        points = locate(luma, corners)
        return None if points is None else CornerSet(points, frozen(places))

    return find


def _sector_corners(luma: Luma, corners: tuple[int, int]) -> Floats | None:
    flags = cv2.CALIB_CB_ACCURACY | cv2.CALIB_CB_EXHAUSTIVE
    found, points = cv2.findChessboardCornersSB(luma, corners, flags=flags)
    return np.asarray(points, dtype=np.float64).reshape(-1, 2) if found else None


def _saddle_corners(luma: Luma, corners: tuple[int, int]) -> Floats | None:
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, points = cv2.findChessboardCorners(luma, corners, flags=flags)
    if found:
        rough = np.asarray(points, dtype=np.float32).reshape(-1, 2)
    else:
        fallback = _sector_corners(luma, corners)
        if fallback is None:
            return None
        rough = fallback.astype(np.float32)
    grid = rough.reshape(corners[1], corners[0], 2)
    square_px = min(np.linalg.norm(np.diff(grid, axis=axis), axis=-1).min() for axis in (0, 1))
    # A window that reaches the next corner is drawn toward it; a third of a square stays clear.
    half = int(np.clip(0.33 * square_px, 2, 11))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    fine = cv2.cornerSubPix(luma, rough.reshape(-1, 1, 2).copy(), (half, half), (-1, -1), stop)
    return np.asarray(fine, dtype=np.float64).reshape(-1, 2)


def calibrate_from_corners(
    sets: Sequence[CornerSet], width_px: int, height_px: int, *, mode: str = "", third: bool | None = None
) -> Lens:
    """Lens from corners already found, all in one picture size.

    Source: Z. Zhang, A flexible new technique for camera calibration, IEEE TPAMI 22 (2000) 1330,
    as OpenCV does it; the covariance is that of the whole adjustment, poses included. ``third`` is
    whether k3 is fitted; by default where it stands out from its own uncertainty. Left at zero it
    keeps that uncertainty in the covariance.

    Raises
    ------
    CalibrationError
        As ``calibrate_lens``.
    """
    sets = [view for view in sets if len(view.points_px) >= 8]
    if len(sets) < FEWEST_VIEWS:
        raise _too_few(len(sets), len(sets))
    _check_cover(sets, width_px, height_px)
    lens, poses = _adjust(sets, (width_px, height_px), 0 if third in (True, None) else cv2.CALIB_FIX_K3)
    _check_tilt([np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)[:, 2] for turn, _ in poses])
    covariance = _covariance(lens, sets, poses)
    if third is None and abs(lens.distortion[4]) < _THIRD_COUNTS * np.sqrt(covariance[8, 8]):
        # A k3 that is noise bends the outermost corners, which no board ever reached, by a pixel.
        lens, poses = _adjust(sets, (width_px, height_px), cv2.CALIB_FIX_K3)
    return replace(lens, mode=mode, covariance=covariance)


Poses = list[tuple[Floats, Floats]]


def _adjust(sets: Sequence[CornerSet], size_px: tuple[int, int], flags: int) -> tuple[Lens, Poses]:
    """One adjustment of lens and poses together."""
    places = [np.column_stack([s.points_m, np.zeros(len(s.points_m))]).astype(np.float32) for s in sets]
    pixels = [s.points_px.astype(np.float32) for s in sets]
    nothing: Any = None  # OpenCV's documentation allows None here, its type stubs do not
    try:
        rms, matrix, distortion, turns, shifts = cv2.calibrateCamera(
            places, pixels, size_px, nothing, nothing, flags=flags
        )
    except cv2.error as error:
        raise _poor("they do not look like views of one flat board") from error
    if not np.isfinite(rms) or rms > _LARGEST_RMS_PX:
        raise _poor(f"the corners lie {rms:.1f} px from where they should")
    lens = Lens(
        *size_px,
        fx=float(matrix[0, 0]),
        fy=float(matrix[1, 1]),
        cx=float(matrix[0, 2]),
        cy=float(matrix[1, 2]),
        distortion=np.asarray(distortion, dtype=np.float64).ravel()[:5],
        covariance=np.zeros((9, 9)),
        rms_px=float(rms),
        views=len(sets),
    )
    poses = [
        (np.asarray(r, dtype=np.float64), np.asarray(t, dtype=np.float64))
        for r, t in zip(turns, shifts, strict=True)
    ]
    return lens, poses


def _covariance(lens: Lens, sets: Sequence[CornerSet], poses: Poses) -> Floats:
    """(9, 9) covariance of the lens with the poses eliminated (Schur complement of the normal matrix)."""
    normal = np.zeros((9, 9))
    squares, equations = 0.0, 0
    for view, (turn, shift) in zip(sets, poses, strict=True):
        places = np.column_stack([view.points_m, np.zeros(len(view.points_m))])
        seen, slopes = cv2.projectPoints(places, turn, shift, lens.camera_matrix, lens.distortion)
        pose, inner = slopes[:, :6], slopes[:, 6:15]
        coupling = inner.T @ pose
        normal += inner.T @ inner - coupling @ np.linalg.solve(pose.T @ pose, coupling.T)
        squares += float(np.sum((seen.reshape(-1, 2) - view.points_px) ** 2))
        equations += 2 * len(places)
    freedom = equations - 9 - 6 * len(sets)
    # Scaling to a unit diagonal first: pixels and k3 differ by many orders of magnitude.
    size = np.sqrt(np.diag(normal))
    inverse = np.linalg.inv(normal / np.outer(size, size)) / np.outer(size, size)
    return np.asarray(0.5 * (inverse + inverse.T) * squares / freedom)


def cover(sets: Sequence[CornerSet], width_px: int, height_px: int) -> float:
    """Share of the picture's cells in which some view has its board, 0 to 1."""
    columns, rows = _CELLS
    seen = np.zeros((rows, columns), dtype=np.uint8)
    scale = np.array([columns / width_px, rows / height_px])
    for view in sets:
        hull = cv2.convexHull(view.points_px.astype(np.float32)).reshape(-1, 2)
        centres = (
            np.stack(np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5), axis=-1) / scale - 0.5
        )
        for row, column in np.ndindex(rows, columns):
            x, y = centres[row, column]
            if cv2.pointPolygonTest(hull, (float(x), float(y)), measureDist=False) >= 0:
                seen[row, column] = 1
    return float(seen.mean())


def _check_cover(sets: Sequence[CornerSet], width_px: int, height_px: int) -> None:
    share = cover(sets, width_px, height_px)
    if share < _LEAST_COVER:
        raise CalibrationError(
            "lens_views_alike",
            f"The board was shown in {100 * share:.0f} % of the picture only.",
            "Bring it closer and show it in the middle, at every edge and in every corner.",
        )


def _check_tilt(normals: Sequence[Floats]) -> None:
    """Views all at one tilt cannot tell a longer focal length from a greater distance."""
    n = np.array([normal / np.linalg.norm(normal) for normal in normals])
    widest = float(np.arccos(np.clip(np.abs(n @ n.T).min(), 0.0, 1.0)))
    if widest < _LEAST_TILT_RAD:
        raise CalibrationError(
            "lens_views_alike",
            f"The board was held nearly the same way in all pictures; its tilts differ by "
            f"{np.degrees(widest):.0f} degrees at most.",
            "Tilt it left, right, up and down by 20 to 40 degrees in some of the pictures.",
        )


def _too_few(found: int, pictures: int) -> CalibrationError:
    return CalibrationError(
        "lens_views_few",
        f"The board was found in {found} of {pictures} pictures; at least {FEWEST_VIEWS} are needed.",
        "Show the whole board, sharp and evenly lit, in 10 to 20 different places and tilts.",
    )


def _poor(why: str) -> CalibrationError:
    return CalibrationError(
        "lens_poor",
        f"The pictures of the board give no lens: {why}.",
        "Check the number of inner corners, keep the board flat and still, and leave blurred pictures out.",
    )
