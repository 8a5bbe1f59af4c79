"""Four or more points of known place -> the homography between a plane in the room and the picture.

Pixels must be straightened already. Places are (x, z) in metres, z up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibration.errors import CalibrationError
from calibration.plane_checks import check_order, check_spread
from calibration.values import Floats, frozen

_ROUNDS = 50
# A misfit beyond this many click uncertainties is no click error but a wrong point or place.
_WRONG_POINT = 6.0


@dataclass(frozen=True, slots=True)
class Plane:
    """A plane of the room as the camera sees it.

    Parameters
    ----------
    H : (3, 3) array
        Metres (x, z, 1) to pixels (x, y, 1), up to scale; H[2, 2] is 1.
    covariance : (8, 8) array
        Of the first eight entries of H, row by row.
    residual_px : float
        Root mean square misfit per coordinate; 0 with four points, which fit exactly.
    """

    H: Floats
    covariance: Floats
    residual_px: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "H", frozen(self.H, shape=(3, 3)))
        object.__setattr__(self, "covariance", frozen(self.covariance, shape=(8, 8)))

    def to_px(self, xz_m: npt.ArrayLike) -> Floats:
        """Places in the plane, shape (n, 2) in metres, to pixels; NaN behind the camera."""
        h = _homogeneous(xz_m) @ self.H.T
        return _divide(h)

    def to_m(self, xy_px: npt.ArrayLike) -> Floats:
        """Pixels, shape (n, 2), to places in the plane in metres; NaN above the plane's horizon."""
        inverse = np.linalg.inv(self.H)
        h = _homogeneous(xy_px) @ inverse.T
        return _divide(h)

    def slopes(self, xz_m: npt.ArrayLike) -> Floats:
        """d(pixel)/d(metre) at places in the plane, shape (n, 2, 2)."""
        h = _homogeneous(xz_m) @ self.H.T
        xy = h[:, :2] / h[:, 2:]
        return np.asarray(
            (self.H[None, :2, :2] - xy[:, :, None] * self.H[None, 2:, :2]) / h[:, 2, None, None]
        )

    def metres_per_px(self, xy_px: npt.ArrayLike) -> Floats:
        """Geometric mean of the two scales at pixels, shape (n,)."""
        return np.asarray(1.0 / np.sqrt(np.abs(np.linalg.det(self.slopes(self.to_m(xy_px))))))

    def sensitivity(self, xy_px: npt.ArrayLike) -> Floats:
        """d(metres)/d(H) of mapped pixels, shape (n, 2, 8)."""
        xz = self.to_m(xy_px)
        return -np.asarray(np.linalg.solve(self.slopes(xz), _pixel_by_entries(self.H, xz)))

    def covariance_at(self, xy_px: npt.ArrayLike) -> Floats:
        """Covariance that the reference leaves in the place of each mapped pixel, shape (n, 2, 2)."""
        s = self.sensitivity(xy_px)
        return np.asarray(np.einsum("nip,pq,njq->nij", s, self.covariance, s))

    def u_at(self, xy_px: npt.ArrayLike) -> Floats:
        """Standard uncertainty of (x, z), (n, 2) metres, of mapped pixels; it grows outside the reference."""
        variances = np.einsum("nii->ni", self.covariance_at(xy_px))
        return np.asarray(np.sqrt(np.maximum(variances, 0.0)))


def _homogeneous(points: npt.ArrayLike) -> Floats:
    p = np.asarray(points, dtype=np.float64)
    if p.ndim != 2 or p.shape[1] != 2:
        raise ValueError(f"expected points of shape (n, 2), got {p.shape}")
    return np.column_stack([p, np.ones(len(p))])


def _divide(h: Floats) -> Floats:
    # H[2, 2] = 1 and an origin in front of the camera make the third component positive for all that it sees.
    w = np.where(h[:, 2] > 0, h[:, 2], np.nan)
    return np.asarray(h[:, :2] / w[:, None])


def _pixel_by_entries(H: Floats, xz_m: Floats) -> Floats:
    """d(pixel)/d(first eight entries of H), shape (n, 2, 8)."""
    p = _homogeneous(xz_m)
    h = p @ H.T
    xy = h[:, :2] / h[:, 2:]
    out = np.zeros((len(p), 2, 8))
    out[:, 0, 0:3] = p
    out[:, 1, 3:6] = p
    out[:, :, 6:8] = -xy[:, :, None] * p[:, None, :2]
    return np.asarray(out / h[:, 2, None, None])


def _normaliser(points: Floats) -> Floats:
    """Similarity to the origin and mean distance sqrt 2. Source: Hartley & Zisserman (2004), 4.4.4."""
    centre = points.mean(axis=0)
    s = np.sqrt(2.0) / np.linalg.norm(points - centre, axis=1).mean()
    return np.array([[s, 0, -s * centre[0]], [0, s, -s * centre[1]], [0, 0, 1.0]])


def _direct(px: Floats, m: Floats) -> Floats:
    """Normalised direct linear transform. Source: Hartley & Zisserman (2004), algorithm 4.2."""
    p, zero = _homogeneous(m), np.zeros((len(m), 3))
    rows = np.vstack(
        [np.hstack([p, zero, -px[:, :1] * p]), np.hstack([zero, p, -px[:, 1:] * p])],
    )
    H = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    # The sign that puts the points in front of the camera.
    return np.asarray(H * np.sign(np.sum(p @ H[2])))


def plane_homography(
    points_px: npt.ArrayLike,
    points_m: npt.ArrayLike,
    u_click_px: float,
    *,
    covariance_px: npt.ArrayLike | None = None,
) -> Plane:
    """Least-squares homography from straightened pixels, (n, 2), and their places (x, z), (n, 2) metres.

    ``covariance_px``, shape (2n, 2n) in the order x0, y0, x1, y1, ..., takes the place of independent
    clicks of standard uncertainty ``u_click_px``. The places are taken as exact; if the points fit worse
    than their uncertainty allows, the covariance grows by the misfit (Birge ratio).

    Raises
    ------
    CalibrationError
        "reference_few", "reference_degenerate", "reference_order" or "reference_wrong_point".
    """
    px, m = frozen(points_px, shape=(None, 2)), frozen(points_m, shape=(None, 2))
    check_spread(px, m, u_click_px)
    n = len(px)
    covariance = (
        np.eye(2 * n) * u_click_px**2
        if covariance_px is None
        else frozen(covariance_px, shape=(2 * n, 2 * n))
    )
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    to_px, to_m = _normaliser(px), _normaliser(m)
    px_n = px @ to_px[:2, :2].T + to_px[:2, 2]
    m_n = m @ to_m[:2, :2].T + to_m[:2, 2]
    H = _direct(px_n, m_n)
    check_order(px, m, _homogeneous(m_n) @ H[2], fit=lambda order: _misfit(px_n[order], m_n, to_px[0, 0]))
    H = _refine(H / H[2, 2], px_n, m_n, whiten / to_px[0, 0])
    misfit = (_image(H, m_n) - px_n) / to_px[0, 0]
    _check_points(px, m, misfit, u_click_px)
    full = np.linalg.inv(to_px) @ H @ to_m
    return _plane(full, px, m, whiten, misfit)


def _plane(full: Floats, px: Floats, m: Floats, whiten: Floats, misfit: Floats) -> Plane:
    if abs(full[2, 2]) < 1e-9 * np.abs(full[2]).max():
        raise CalibrationError(
            "reference_degenerate",
            "The origin of the reference's places lies on the plane's horizon.",
            "Count the places from a point that is in the picture.",
        )
    H = full / full[2, 2]
    if H[2] @ np.array([*m.mean(axis=0), 1.0]) <= 0:
        raise CalibrationError(
            "reference_degenerate",
            "The origin of the reference's places lies behind the camera.",
            "Count the places from a point that is in the picture.",
        )
    jacobian = whiten @ _pixel_by_entries(H, m).reshape(-1, 8)
    size = np.linalg.norm(jacobian, axis=0)
    normal = (jacobian / size).T @ (jacobian / size)
    covariance = np.linalg.inv(normal) / np.outer(size, size)
    freedom = 2 * len(px) - 8
    if freedom > 0:
        covariance = covariance * max(1.0, float(np.sum((whiten @ misfit.ravel()) ** 2)) / freedom)
    rms = float(np.sqrt(np.mean(misfit**2))) if freedom > 0 else 0.0
    return Plane(H, 0.5 * (covariance + covariance.T), rms)


def _image(H: Floats, m: Floats) -> Floats:
    h = _homogeneous(m) @ H.T
    return np.asarray(h[:, :2] / h[:, 2:])


def _refine(H: Floats, px: Floats, m: Floats, whiten: Floats) -> Floats:
    """Gauss-Newton on the reprojection error; the direct solution is close, so no damping is needed."""
    for _ in range(_ROUNDS):
        residual = whiten @ (px - _image(H, m)).ravel()
        jacobian = whiten @ _pixel_by_entries(H, m).reshape(-1, 8)
        step = np.linalg.lstsq(jacobian, residual, rcond=None)[0]
        H = (H.ravel() + np.append(step, 0.0)).reshape(3, 3)
        if np.abs(step).max() < 1e-13:
            break
    return H


def _misfit(px: Floats, m: Floats, scale: float) -> tuple[float, bool]:
    """Root mean square misfit in pixels of a direct fit, and whether it has all points in front."""
    H = _direct(px, m)
    in_front = bool(np.all(_homogeneous(m) @ H[2] > 0))
    return float(np.sqrt(np.mean((_image(H, m) - px) ** 2))) / scale, in_front


def _check_points(px: Floats, m: Floats, misfit: Floats, u_click_px: float) -> None:
    """Name a point that the others contradict."""
    rms = float(np.sqrt(np.mean(misfit**2)))
    if len(px) == 4 or rms <= _WRONG_POINT * u_click_px:
        return
    if len(px) == 5:  # leaving one out leaves four, which fit whatever they are
        worst = int(np.argmax(np.linalg.norm(misfit, axis=1)))
    else:
        left = [_misfit(np.delete(px, k, axis=0), np.delete(m, k, axis=0), 1.0)[0] for k in range(len(px))]
        worst = int(np.argmin(left))
    raise CalibrationError(
        "reference_wrong_point",
        f"The reference points contradict one another by {rms:.1f} px; point {worst + 1} looks wrong.",
        f"Point at point {worst + 1} again, and check its place in metres.",
    )
