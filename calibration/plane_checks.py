"""Whether points can carry a homography at all, said in words about the points themselves."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

import numpy as np

from calibration.errors import CalibrationError
from calibration.values import Floats

_LEAST_HEIGHT = 0.02  # of a triangle over its longest side: below this three points are "in one line"
_STEEPEST_UP = np.cos(np.radians(60.0))

_MANY = 8  # points, from which trying all fours costs more than it tells

Fit = Callable[[list[int]], tuple[float, bool]]


def _degenerate(message: str) -> CalibrationError:
    return CalibrationError(
        "reference_degenerate",
        message,
        "Use four or more points spread out like the corners of a large rectangle.",
    )


def _flatness(a: Floats, b: Floats, c: Floats) -> float:
    """Height of a triangle over its longest side."""
    sides = [np.linalg.norm(b - a), np.linalg.norm(c - b), np.linalg.norm(a - c)]
    longest = float(max(sides))
    area = abs((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))
    return float(area) / longest**2 if longest > 0 else 0.0


def _thickness(points: Floats) -> float:
    """Smaller over larger extent of a cloud of points."""
    s = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return float(s[1] / s[0])


def check_spread(px: Floats, m: Floats, u_click_px: float) -> None:
    """Refuse too few, coincident and lined-up points.

    Raises
    ------
    CalibrationError
        "reference_few" or "reference_degenerate".
    """
    if len(px) != len(m):
        raise CalibrationError(
            "reference_few",
            f"There are {len(px)} reference points in the picture but {len(m)} places in metres.",
            "Give one place for each point, in the same order.",
        )
    if len(px) < 4:
        raise CalibrationError(
            "reference_few",
            f"A plane needs four reference points or more, and there are {len(px)}.",
            "Add points, or give two points and the length between them.",
        )
    if not (np.all(np.isfinite(px)) and np.all(np.isfinite(m))):
        raise _degenerate("A reference point is not a number.")
    size_m = float(np.ptp(m, axis=0).max())
    for a, b in combinations(range(len(px)), 2):
        if np.linalg.norm(px[a] - px[b]) < max(3 * u_click_px, 1.0):
            raise _degenerate(f"Reference points {a + 1} and {b + 1} are the same point of the picture.")
        if np.linalg.norm(m[a] - m[b]) <= 1e-3 * size_m:
            raise _degenerate(f"Reference points {a + 1} and {b + 1} have the same place in metres.")
    _check_lines(px, "in the picture")
    _check_lines(m, "by their places in metres")


def _check_lines(points: Floats, where: str) -> None:
    """Four points no three of which are in line must be among them."""
    n = len(points)
    if n > _MANY:
        if min(_thickness(np.delete(points, k, axis=0)) for k in range(n)) < _LEAST_HEIGHT:
            raise _degenerate(f"All or all but one of the reference points lie in one line {where}.")
        return
    flat = {t for t in combinations(range(n), 3) if _flatness(*(points[i] for i in t)) < _LEAST_HEIGHT}
    if not flat:
        return
    if n == 4:
        a, b, c = (i + 1 for i in min(flat))
        raise _degenerate(f"Reference points {a}, {b} and {c} lie in one line {where}.")
    if not any(flat.isdisjoint(combinations(four, 3)) for four in combinations(range(n), 4)):
        raise _degenerate(f"All or all but one of the reference points lie in one line {where}.")


def check_order(px: Floats, m: Floats, depths: Floats, *, fit: Fit) -> None:
    """Refuse points given in an order in which no camera can see them.

    ``depths`` are the points' relative depths after the direct fit; ``fit`` gives misfit and visibility
    for another order of the points in the picture.

    Raises
    ------
    CalibrationError
        "reference_order" or "reference_degenerate".
    """
    if np.all(depths > 0):
        _check_up(px, m)
        return
    for a, b in combinations(range(len(px)), 2):
        order = list(range(len(px)))
        order[a], order[b] = order[b], order[a]
        misfit, in_front = fit(order)
        if in_front and misfit < 0.02 * float(np.ptp(px, axis=0).max()) and _up(px[order], m) > 0:
            raise CalibrationError(
                "reference_order",
                f"Reference points {a + 1} and {b + 1} seem to be exchanged: their lines cross.",
                "Point at the points in the order of their places.",
            )
    raise _degenerate(
        "The reference points in the picture and their places in metres are of different shape."
    )


def _up(px: Floats, m: Floats) -> float:
    """Cosine of the angle between the places' z axis and up in the picture, by the best affine map."""
    design = np.column_stack([m, np.ones(len(m))])
    affine = np.linalg.lstsq(design, px, rcond=None)[0]
    along_z = affine[1]
    return float(-along_z[1] / np.linalg.norm(along_z))


def _check_up(px: Floats, m: Floats) -> None:
    """A mirrored order turns z upside down; one shifted by a place turns it sideways."""
    up = _up(px, m)
    if up >= _STEEPEST_UP:
        return
    how = "down" if up <= -_STEEPEST_UP else "sideways"
    raise CalibrationError(
        "reference_order",
        f"By the order of the reference points, up points {how} in the picture.",
        "Point at the points in the order of their places; the second number of a place is its height.",
    )
