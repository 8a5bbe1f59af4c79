"""Bent pixels of a real lens <-> straight pixels of an ideal pinhole: radial and tangential distortion.

Coordinates are those of the *stored* picture, because that is what the lens and its file belong to;
``Lens.turned`` gives the same lens for a picture turned by quarter turns.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import numpy.typing as npt

from calibration.errors import CalibrationError
from calibration.values import Floats, frozen

PARAMETERS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
_CONVERGED = 1e-14  # in units of the focal length: far below 1e-10 px
_ROUNDS = 100
_NO_BEND = 1e-12  # a coefficient this small bends nothing within hundreds of focal lengths


@dataclass(frozen=True, slots=True)
class Lens:
    """A camera matrix and a Brown-Conrady distortion, for one picture size and one filming mode.

    Parameters
    ----------
    width_px, height_px : int
        Size of the stored picture.
    fx, fy, cx, cy : float
        Focal lengths and principal point in pixels.
    distortion : (5,) array
        k1, k2, p1, p2, k3 in coordinates divided by the focal length.
    covariance : (9, 9) array
        Of fx, fy, cx, cy, k1, k2, p1, p2, k3 in that order.
    mode : str
        The filming mode in the user's words.
    rms_px : float
        Root mean square distance of the board's corners from where the model puts them.
    views : int
        How many pictures it rests on.
    """

    width_px: int
    height_px: int
    fx: float
    fy: float
    cx: float
    cy: float
    distortion: Floats
    covariance: Floats
    mode: str = ""
    rms_px: float = 0.0
    views: int = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "distortion", frozen(self.distortion, shape=(5,)))
        object.__setattr__(self, "covariance", frozen(self.covariance, shape=(9, 9)))
        if not (self.fx > 0 and self.fy > 0 and self.width_px > 0 and self.height_px > 0):
            raise CalibrationError(
                "lens_impossible",
                "A lens needs a picture size and focal lengths above zero.",
                "Make the lens file again from pictures of a board.",
            )

    @property
    def camera_matrix(self) -> Floats:
        """The (3, 3) pinhole matrix."""
        return np.array([[self.fx, 0.0, self.cx], [0.0, self.fy, self.cy], [0.0, 0.0, 1.0]])

    @property
    def parameters(self) -> Floats:
        """The nine parameters in the order of ``PARAMETERS``."""
        return np.concatenate([[self.fx, self.fy, self.cx, self.cy], self.distortion])

    def with_parameters(self, values: npt.ArrayLike) -> Self:
        """The same lens with other values of the nine parameters, to see what an error of them does."""
        p = frozen(values, shape=(9,))
        fx, fy, cx, cy = (float(v) for v in p[:4])
        return replace(self, fx=fx, fy=fy, cx=cx, cy=cy, distortion=p[4:])

    @property
    def corner_radius(self) -> float:
        """Bent distance of the farthest corner from the principal point, in focal lengths."""
        x = max(self.cx, self.width_px - 1 - self.cx) / self.fx
        y = max(self.cy, self.height_px - 1 - self.cy) / self.fy
        return float(np.hypot(x, y))

    @property
    def u_k1_corner_px(self) -> float:
        """Standard uncertainty of k1 as the shift it makes in the corner of the picture."""
        return float(np.sqrt(self.covariance[4, 4]) * self.corner_radius**3 * np.sqrt(self.fx * self.fy))

    def turned(self, quarter_turns: int) -> Lens:
        """The lens of the picture turned counter-clockwise by that many quarter turns."""
        lens: Lens = self
        for _ in range(quarter_turns % 4):
            lens = _turned_once(lens)
        return lens


def _turned_once(lens: Lens) -> Lens:
    """One counter-clockwise quarter turn: (x, y) -> (y, W - 1 - x)."""
    k1, k2, p1, p2, k3 = lens.distortion
    swap = np.zeros((9, 9))
    # new order: fx <- fy, fy <- fx, cx <- cy, cy <- W - 1 - cx; p1 <- -p2 and p2 <- p1 (y runs backward)
    for row, (column, sign) in enumerate(
        [(1, 1), (0, 1), (3, 1), (2, -1), (4, 1), (5, 1), (7, -1), (6, 1), (8, 1)]
    ):
        swap[row, column] = sign
    return replace(
        lens,
        width_px=lens.height_px,
        height_px=lens.width_px,
        fx=lens.fy,
        fy=lens.fx,
        cx=lens.cy,
        cy=lens.width_px - 1 - lens.cx,
        distortion=np.array([k1, k2, -p2, p1, k3]),
        covariance=swap @ lens.covariance @ swap.T,
    )


def require(lens: Lens, width_px: int, height_px: int) -> None:
    """Refuse a lens made for another stored picture size.

    Raises
    ------
    CalibrationError
        "lens_size" when the sizes differ.
    """
    if (lens.width_px, lens.height_px) == (width_px, height_px):
        return
    if (lens.height_px, lens.width_px) == (width_px, height_px):
        raise CalibrationError(
            "lens_size",
            f"The lens file is for {lens.width_px} x {lens.height_px} px, and the clip is stored turned, "
            f"{width_px} x {height_px} px.",
            "Make the lens file from a clip of the board filmed in the same mode and not turned afterwards.",
        )
    raise CalibrationError(
        "lens_size",
        f"The lens file is for a picture of {lens.width_px} x {lens.height_px} px, "
        f"and the clip's is {width_px} x {height_px} px.",
        "Film the board in the same mode as the shots and make a lens file from that.",
    )


def fold_radius(lens: Lens) -> float:
    """Straight radius, in focal lengths, at which the model bends outer points back inward (inf: never).

    The first positive zero of d(r (1 + k1 r^2 + k2 r^4 + k3 r^6))/dr.
    """
    k1, k2, _, _, k3 = lens.distortion
    coefficients = np.array([7 * k3, 5 * k2, 3 * k1, 1.0])
    coefficients = np.trim_zeros(np.where(np.abs(coefficients) < _NO_BEND, 0.0, coefficients), "f")
    roots = np.roots(coefficients)
    real = roots[np.abs(roots.imag) <= 1e-9 * np.maximum(np.abs(roots), 1e-30)].real
    positive = real[real > 0]
    return float(np.sqrt(positive.min())) if positive.size else float("inf")


def _bend_unit(d: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Brown-Conrady in coordinates divided by the focal length. Source: OpenCV, calib3d reference."""
    k1, k2, p1, p2, k3 = d
    x2, y2, xy = x * x, y * y, x * y
    r2 = x2 + y2
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return (
        x * radial + 2 * p1 * xy + p2 * (r2 + 2 * x2),
        y * radial + p1 * (r2 + 2 * y2) + 2 * p2 * xy,
    )


def _slopes_unit(d: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """d(xd)/dx, d(xd)/dy = d(yd)/dx, d(yd)/dy of ``_bend_unit``."""
    k1, k2, p1, p2, k3 = d
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    twice_slope = 2.0 * (k1 + r2 * (2 * k2 + r2 * 3 * k3))
    return (
        radial + x * x * twice_slope + 2 * p1 * y + 6 * p2 * x,
        x * y * twice_slope + 2 * p1 * x + 2 * p2 * y,
        radial + y * y * twice_slope + 6 * p1 * y + 2 * p2 * x,
    )


def _unit(lens: Lens, xy_px: npt.ArrayLike) -> tuple[Floats, Floats]:
    xy = np.asarray(xy_px, dtype=np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2:
        raise ValueError(f"expected points of shape (n, 2), got {xy.shape}")
    return (xy[:, 0] - lens.cx) / lens.fx, (xy[:, 1] - lens.cy) / lens.fy


def _pixels(lens: Lens, x: Floats, y: Floats) -> Floats:
    return np.stack([x * lens.fx + lens.cx, y * lens.fy + lens.cy], axis=1)


def bend(lens: Lens, xy_px: npt.ArrayLike) -> Floats:
    """Straight pixels, shape (n, 2), to those of the real picture; NaN at and beyond the model's fold."""
    x, y = _unit(lens, xy_px)
    bent = _pixels(lens, *_bend_unit(lens.distortion, x, y))
    fold = fold_radius(lens)
    if np.isfinite(fold):
        bent[x * x + y * y >= fold * fold] = np.nan
    return bent


def straighten(lens: Lens, xy_px: npt.ArrayLike) -> Floats:
    """Pixels of the real picture, shape (n, 2), to those of an ideal pinhole with the same camera matrix.

    Newton's method on the exact model, to rounding. NaN where no straight point short of the model's
    fold leads there.
    """
    xd, yd = _unit(lens, xy_px)
    d, fold = lens.distortion, fold_radius(lens)
    x, y = xd.copy(), yd.copy()
    # Starting inside the fold keeps Newton on the branch that holds the picture's middle.
    limit = 0.999 * fold
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        if np.isfinite(fold):
            shrink = np.minimum(1.0, 0.9 * fold / np.maximum(np.hypot(x, y), 1e-30))
            x, y = x * shrink, y * shrink
        for _ in range(_ROUNDS):
            bx, by = _bend_unit(d, x, y)
            a, b, c = _slopes_unit(d, x, y)
            ex, ey = xd - bx, yd - by
            det = a * c - b * b
            sx, sy = (c * ex - b * ey) / det, (a * ey - b * ex) / det
            nx, ny = x + sx, y + sy
            if np.isfinite(fold):
                r = np.hypot(nx, ny)
                # Half way to the limit at most, so that a wild step cannot jump the fold.
                over = r > limit
                pull = np.where(over, 0.5 * (np.hypot(x, y) + limit) / np.maximum(r, 1e-30), 1.0)
                nx, ny = nx * pull, ny * pull
            moved = np.maximum(np.abs(nx - x), np.abs(ny - y))
            x, y = nx, ny
            if not np.any(moved > _CONVERGED * (1.0 + np.hypot(x, y))):
                break
        bx, by = _bend_unit(d, x, y)
        good = (np.hypot(bx - xd, by - yd) <= 1e-11) & (np.hypot(x, y) < fold)
    out = _pixels(lens, x, y)
    out[~good] = np.nan
    return out


def bend_slopes(lens: Lens, xy_px: npt.ArrayLike) -> Floats:
    """d(bent)/d(straight) at straight pixels, shape (n, 2, 2): [i, j] is d bent_i / d straight_j."""
    x, y = _unit(lens, xy_px)
    a, b, c = _slopes_unit(lens.distortion, x, y)
    out = np.empty((len(x), 2, 2))
    out[:, 0, 0], out[:, 0, 1] = a, b * (lens.fx / lens.fy)
    out[:, 1, 0], out[:, 1, 1] = b * (lens.fy / lens.fx), c
    return out


def bend_sensitivity(lens: Lens, xy_px: npt.ArrayLike) -> Floats:
    """d(bent)/d(parameters) at fixed straight pixels, shape (n, 2, 9), in the order of ``PARAMETERS``."""
    x, y = _unit(lens, xy_px)
    r2 = x * x + y * y
    slopes = bend_slopes(lens, xy_px)
    bx, by = _bend_unit(lens.distortion, x, y)
    out = np.zeros((len(x), 2, 9))
    # The straight pixel is fixed, so x = (u - cx)/fx itself changes with the camera matrix.
    out[:, 0, 0] = bx - slopes[:, 0, 0] * x
    out[:, 1, 0] = -slopes[:, 1, 0] * x
    out[:, 0, 1] = -slopes[:, 0, 1] * y
    out[:, 1, 1] = by - slopes[:, 1, 1] * y
    out[:, 0, 2], out[:, 1, 2] = 1 - slopes[:, 0, 0], -slopes[:, 1, 0]
    out[:, 0, 3], out[:, 1, 3] = -slopes[:, 0, 1], 1 - slopes[:, 1, 1]
    for column, power in ((4, 1), (5, 2), (8, 3)):
        out[:, 0, column] = lens.fx * x * r2**power
        out[:, 1, column] = lens.fy * y * r2**power
    out[:, 0, 6], out[:, 1, 6] = lens.fx * 2 * x * y, lens.fy * (r2 + 2 * y * y)
    out[:, 0, 7], out[:, 1, 7] = lens.fx * (r2 + 2 * x * x), lens.fy * 2 * x * y
    return out


def straighten_sensitivity(lens: Lens, xy_px: npt.ArrayLike) -> Floats:
    """d(straight)/d(parameters) at fixed pixels of the real picture, shape (n, 2, 9); NaN beyond the fold."""
    straight = straighten(lens, xy_px)
    out = np.full((len(straight), 2, 9), np.nan)
    good = np.isfinite(straight[:, 0])
    slopes = bend_slopes(lens, straight[good])
    out[good] = -np.linalg.solve(slopes, bend_sensitivity(lens, straight[good]))
    return out


def u_straight_px(lens: Lens, xy_px: npt.ArrayLike) -> Floats:
    """Standard uncertainty, shape (n, 2), that the lens leaves in straightened pixels."""
    s = straighten_sensitivity(lens, xy_px)
    variance = np.einsum("nip,pq,niq->ni", s, lens.covariance, s)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))
