"""Laying a known pattern of markers over a picture until it fits: positions to hundredths of a pixel.

The pattern is blurred in closed form (a Gaussian over squares is a product of error functions) and
compared with the picture at points of the board, each marker with its own brightness and contrast.
Source of the method: Lucas & Kanade (1981); Baker & Matthews, Lucas-Kanade 20 years on, IJCV 56 (2004) 221.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import scipy  # its parts load when they are first used

from calibration.values import Floats

Luma = npt.NDArray[np.uint8]
Bits = npt.NDArray[np.bool_]
Mapped = tuple[Floats, Floats, Floats]

_ROUNDS = 12
_AROUND = 0.7  # modules of white round a marker that take part; the gap to the next one is 1.5
_LEAST_LIKENESS = 0.75  # correlation of picture and pattern
_BLUR_PX = (0.3, 6.0)


@dataclass(frozen=True, slots=True)
class Aligned:
    """Markers after alignment: which were kept, (m,) bool, and where they are."""

    kept: Bits
    corners_px: Floats
    centres_px: Floats
    u_px: Floats


@dataclass(frozen=True, slots=True)
class _Grid:
    """Points of every marker: places, (m, k, k, 2), and modules with the white round them, (m, 8, 8)."""

    places_mm: Floats
    along: Floats  # (k,) coordinate in modules from the marker's left or upper side
    modules: Floats
    module_mm: float


def _grid(corners_mm: Floats, patterns: Bits, H: Floats) -> _Grid:
    modules = patterns.shape[1]
    side_mm = float(corners_mm[0, 1, 0] - corners_mm[0, 0, 0])
    image = cv2.perspectiveTransform(corners_mm.reshape(-1, 1, 2), H).reshape(-1, 4, 2)
    module_px = float(np.linalg.norm(np.roll(image, 1, axis=1) - image, axis=2).max()) / modules
    # A sample a pixel or so; a large marker is sure enough with fewer.
    per_module = int(np.clip(np.ceil(module_px), 3, 6))
    span = modules + 2 * _AROUND
    k = int(np.ceil(span * per_module))
    along = (np.arange(k) + 0.5) * span / k - _AROUND
    module_mm = side_mm / modules
    x = corners_mm[:, 0, 0, None] + along * module_mm
    z = corners_mm[:, 0, 1, None] - along * module_mm
    places = np.stack(np.broadcast_arrays(x[:, None, :], z[:, :, None]), axis=-1)
    framed = np.ones((len(patterns), modules + 2, modules + 2))
    framed[:, 1:-1, 1:-1] = patterns
    return _Grid(places, along, framed, module_mm)


def _steps(along: Floats, modules: int, blur: float) -> tuple[Floats, Floats]:
    """Share of each module in each point after blurring, (k, modules + 2), and its slope along the points."""
    edges = np.arange(modules + 1, dtype=np.float64)
    t = (along[:, None] - edges) / blur
    rise = 0.5 * (1 + scipy.special.erf(t / np.sqrt(2)))
    bell = np.exp(-0.5 * t * t) / (blur * np.sqrt(2 * np.pi))
    one, zero = np.ones((len(along), 1)), np.zeros((len(along), 1))
    full = np.hstack([one, rise, zero])
    slope = np.hstack([zero, bell, zero])
    return full[:, :-1] - full[:, 1:], slope[:, :-1] - slope[:, 1:]


def _pattern(grid: _Grid, blur_x: float, blur_z: float) -> tuple[Floats, Floats, Floats]:
    """Blurred pattern, (m, k, k), and its slopes along x and z in 1/mm."""
    modules = grid.modules.shape[1] - 2
    across, across_slope = _steps(grid.along, modules, blur_x)
    down, down_slope = _steps(grid.along, modules, blur_z)
    value = down @ grid.modules @ across.T
    # z runs up, rows of modules run down
    return (
        value,
        down @ grid.modules @ across_slope.T / grid.module_mm,
        -(down_slope @ grid.modules @ across.T) / grid.module_mm,
    )


def _mapped(H: Floats, places: Floats) -> Mapped:
    """Pixels of places, slopes d(px)/d(mm) (..., 2, 2), and depth."""
    x, z = places[..., 0], places[..., 1]
    h = [H[i, 0] * x + H[i, 1] * z + H[i, 2] for i in range(3)]
    px = np.stack([h[0] / h[2], h[1] / h[2]], axis=-1)
    slopes = (H[:2, :2] - px[..., :, None] * H[2, :2]) / h[2][..., None, None]
    return px, slopes, h[2]


def _over(rows: tuple[Floats, Floats], matrices: Floats) -> Floats:
    """Rows (x, z) times the inverses of as many (2, 2) matrices, (..., 2); far quicker written out."""
    x, z = rows
    (a, b), (c, d) = np.moveaxis(matrices, (-2, -1), (0, 1))
    whole = a * d - b * c
    return np.stack([(x * d - z * c) / whole, (z * a - x * b) / whole], axis=-1)


def _sampled(luma: Luma, px: Floats) -> Floats:
    at = px.astype(np.float32).reshape(len(px), -1, 2)
    picture = cv2.remap(luma, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(picture, dtype=np.float64).reshape(px.shape[:-1])


@dataclass(frozen=True, slots=True)
class _Linear:
    """Picture less pattern, (m, p), brightness and contrast of each marker fitted, and how it changes.

    ``by_px``, (m, p, 2), is for a shift of the pattern in pixels and ``by_blur``, (m, p), for its blur.
    """

    residual: Floats
    by_px: Floats
    by_blur: Floats
    likeness: Floats
    px: Floats
    depth: Floats
    flat: Floats  # the pattern, (m, p), without its mean

    def without_tone(self, columns: Floats) -> Floats:
        """Columns, (m, p, c), with what brightness and contrast could explain taken out."""
        columns = columns - columns.mean(axis=1, keepdims=True)
        power = np.einsum("mp,mp->m", self.flat, self.flat)
        share = (self.flat[:, None] @ columns)[:, 0] / power[:, None]
        columns -= self.flat[:, :, None] * share[:, None, :]
        return np.asarray(columns)


def _linear(
    luma: Luma, mapped: Mapped, grid: _Grid, blur_px: float, shift_px: Floats | None = None
) -> _Linear:
    px, slopes, depth = mapped
    if shift_px is not None:
        px = px + shift_px[:, None, None, :]
    m = len(px)
    scale = np.sqrt((slopes**2).sum(axis=-2)).reshape(-1, 2).mean(axis=0) * grid.module_mm
    blur_x, blur_z = blur_px / scale
    value, along_x, along_z = _pattern(grid, blur_x, blur_z)
    wider = _pattern(grid, blur_x * 1.05, blur_z * 1.05)[0]
    seen = _sampled(luma, px).reshape(m, -1)
    flat = value.reshape(m, -1)
    by_blur = (wider.reshape(m, -1) - flat) / (0.05 * blur_px)
    flat = flat - flat.mean(axis=1, keepdims=True)
    seen = seen - seen.mean(axis=1, keepdims=True)
    power = np.einsum("mp,mp->m", flat, flat)
    contrast = np.einsum("mp,mp->m", flat, seen) / power
    brightness = np.einsum("mp,mp->m", seen, seen)
    # Chain rule: slopes of the pattern on paper, through the inverse of d(px)/d(mm).
    by_px = _over((along_x, along_z), slopes).reshape(m, -1, 2)
    return _Linear(
        residual=seen - contrast[:, None] * flat,
        by_px=by_px * contrast[:, None, None],
        by_blur=-by_blur * contrast[:, None],
        likeness=contrast * np.sqrt(power / np.maximum(brightness, 1e-9)),
        px=px.reshape(m, -1, 2),
        depth=depth.reshape(m, -1),
        flat=flat,
    )


def align(
    luma: Luma, H: Floats, corners_mm: Floats, patterns: Bits, gap_mm: float, *, fewest: int = 2
) -> Aligned | None:
    """Refine a homography millimetres -> pixels on a picture, then each marker's place by itself.

    The second step lets a bent lens or paper move each marker, which one homography cannot. ``None``
    where fewer than ``fewest`` markers look like themselves.
    """
    centre = corners_mm.reshape(-1, 2).mean(axis=0)
    size = float(np.ptp(corners_mm.reshape(-1, 2), axis=0).max()) + gap_mm
    unit = (corners_mm - centre) / size
    H = H @ np.array([[size, 0, centre[0]], [0, size, centre[1]], [0, 0, 1]])
    H = H / H[2, 2]
    grid = _grid(unit, patterns, H)
    fitted = _fit(luma, H, grid, fewest)
    if fitted is None:
        return None
    H, blur_px, kept = fitted
    shift, u_px = _shifts(luma, H, grid, blur_px)
    corners_px = _mapped(H, unit)[0] + shift[:, None, :]
    centres_px = _mapped(H, unit.mean(axis=1))[0] + shift
    kept &= np.hypot(shift[:, 0], shift[:, 1]) < 0.15 * np.linalg.norm(
        corners_px[:, 1] - corners_px[:, 0], axis=1
    )
    if kept.sum() < fewest:
        return None
    return Aligned(kept, corners_px[kept], centres_px[kept], u_px[kept])


def _fit(luma: Luma, H: Floats, grid: _Grid, fewest: int) -> tuple[Floats, float, Bits] | None:
    """Homography, blur and which markers look like themselves."""
    blur_px = 1.0
    m = len(grid.places_mm)
    use: Bits = np.ones(m, dtype=np.bool_)
    p = np.concatenate([grid.places_mm, np.ones((*grid.places_mm.shape[:-1], 1))], axis=-1).reshape(m, -1, 3)
    mapped = _mapped(H, grid.places_mm)
    for turn in range(_ROUNDS):
        now = _linear(luma, mapped, grid, blur_px)
        use = now.likeness > (0.3 if turn < 3 else _LEAST_LIKENESS)
        if use.sum() < fewest:
            return None
        scaled = p / now.depth[..., None]
        tilt = -np.einsum("mpi,mpi->mp", now.by_px, now.px)[..., None] * scaled[..., :2]
        J = np.concatenate(
            [now.by_px[..., :1] * scaled, now.by_px[..., 1:] * scaled, tilt, now.by_blur[..., None]], axis=-1
        )
        J = now.without_tone(J)[use].reshape(-1, 9)
        normal = J.T @ J
        size = np.sqrt(np.diag(normal)) + 1e-12
        normal = normal / np.outer(size, size) + 1e-9 * np.eye(9)
        step = np.linalg.solve(normal, -(J.T @ now.residual[use].ravel()) / size) / size
        H = (H.ravel() + np.append(step[:8], 0.0)).reshape(3, 3)
        blur_px = float(np.clip(blur_px + step[8], *_BLUR_PX))
        mapped = _mapped(H, grid.places_mm)
        moved = mapped[0].reshape(m, -1, 2) - now.px
        if turn >= 3 and np.abs(moved).max() < 5e-3:
            break
    return H, blur_px, use


def _shifts(luma: Luma, H: Floats, grid: _Grid, blur_px: float) -> tuple[Floats, Floats]:
    """How far each marker lies from where the homography puts it, (m, 2) px, and its uncertainty, (m,)."""
    m = len(grid.places_mm)
    shift = np.zeros((m, 2))
    u_px = np.zeros(m)
    mapped = _mapped(H, grid.places_mm)
    for _ in range(2):
        now = _linear(luma, mapped, grid, blur_px, shift)
        J = now.without_tone(now.by_px)
        normal = np.einsum("mpi,mpj->mij", J, J) + 1e-9 * np.eye(2)
        shift = shift - np.einsum("mij,mpj,mp->mi", np.linalg.inv(normal), J, now.residual)
        # Points closer than a pixel share a pixel's noise: count pixels, not points.
        corners = now.px[:, [0, -1]]
        pixels = 0.5 * np.sum((corners[:, 1] - corners[:, 0]) ** 2, axis=1)
        share = np.maximum(1.0, now.residual.shape[1] / pixels)
        variance = np.einsum("mii->mi", np.linalg.inv(normal)).mean(axis=1) * now.residual.var(axis=1) * share
        u_px = np.sqrt(variance)
    return shift, u_px
