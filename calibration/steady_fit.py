"""Shifts of pieces of background -> one motion of the picture for each frame, whatever else moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.steady_patches import Bools
from calibration.values import Floats

FEWEST_PATCHES = 6
_ROBUST_PX = 0.12  # residual from which a piece counts for less
_STILL_PX = 0.12  # motion at the corners below which the picture is taken to stand still
_NO_ZOOM_PX = 0.25  # likewise for a change of scale, which a phone that is not touched does not make
_NOISE = 3.0  # standard uncertainties that motion must stand out by
_SELDOM = 0.02  # share of frames in which even noise stands out
_WIDER = (12.0, 4.0, 1.0, 1.0, 1.0)  # times _ROBUST_PX: until the lean is known the edges disagree


@dataclass(frozen=True, slots=True)
class Fits:
    """Motions (dx, dy, a, b) of f measured frames, (f, 4).

    A place r from the centre is seen at r' = ([[1 + a, -b], [b, 1 + a]] r + t) / (1 - lean (t.r)).
    ``arm_px`` is the root mean square distance from the centre of what carried it; ``seen``, (f,), says
    where there was background enough; ``u_px`` and ``residual_px`` are (f,).
    """

    models: Floats
    lean_per_px2: float
    u_px: Floats
    residual_px: Floats
    seen: Bools
    arm_px: float
    patches: int


def similarity(arms: Floats, strain: Floats) -> Floats:
    """Design, (2n, 4), of shift, scale and turning of pieces at places (n, 2) from the picture's centre."""
    out = np.zeros((len(arms), 2, 4))
    out[:, 0, 0] = out[:, 1, 1] = 1
    out[:, :, 2] = arms + strain @ np.array([1.0, 0, 0, 1])
    out[:, :, 3] = np.stack([-arms[:, 1], arms[:, 0]], axis=1) + strain @ np.array([0, -1.0, 1, 0])
    return out.reshape(-1, 4)


def _weighted(design: Floats, shift: Floats, weight: Floats) -> Floats:
    """Weighted least squares for many frames at once: shifts (..., n, 2), weights (..., n) -> (..., k)."""
    w = np.repeat(weight, 2, axis=-1)
    scale = np.sqrt(np.mean(design**2, axis=0)) + 1e-12
    unit = design / scale
    left = unit.T @ (w[..., None] * unit)
    right = (w * shift.reshape(*shift.shape[:-2], -1)) @ unit
    left = left + 1e-9 * np.trace(left, axis1=-2, axis2=-1)[..., None, None] * np.eye(design.shape[1])
    return np.asarray(
        np.linalg.solve(left + 1e-300 * np.eye(design.shape[1]), right[..., None])[..., 0] / scale
    )


def difference(off: Floats, good: Bools, design: Floats, trust: Floats) -> Floats:
    """Quick robust correction of one frame's motion from what the pieces do beyond it, (n, 2)."""
    if good.sum() < FEWEST_PATCHES:
        return np.zeros(4)
    typical = np.median(off[good], axis=0)
    away = np.abs(off - typical).max(axis=1)
    # Wide enough for an unforeseen turn of the picture, too narrow for something that walks through it.
    scale = max(4 * _ROBUST_PX, 2 * float(np.median(away[good])))
    weight = np.where(good, trust / (1 + (away / scale) ** 4), 0.0)
    return _weighted(design, off, weight)


def fit_all(models: Floats, shift: Floats, good: Bools, arms: Floats, strain: Floats, trust: Floats) -> Fits:
    """Robust motions of all frames together, from first guesses, (f, 4), and shifts, (f, n, 2).

    Together, because a piece that usually disagrees lies on something that moves even when it happens to
    agree, and because how shifts grow toward the edges is a property of the camera, not of a frame.
    """
    design = similarity(arms, strain)
    lean = 0.0
    size_px = float(np.abs(arms).max())
    for wider in _WIDER:
        leaning = _leaning(models, arms, shift, strain)
        off = shift - lean * leaning - (models @ design.T).reshape(shift.shape)
        weight = _weights(off, good, trust, wider * _ROBUST_PX)
        lean = _lean(off, weight, leaning, lean, design, size_px)
        models = _weighted(design, shift - lean * leaning, weight)
    total = np.maximum(weight.sum(axis=1), 1e-12)
    # A few strong pieces among many weak ones count as few.
    effective = np.maximum(total**2 / np.maximum(np.sum(weight**2, axis=1), 1e-12) - 2, 1)
    number = (weight > 0.05 * trust).sum(axis=1)
    seen = number >= FEWEST_PATCHES
    seen[0] = True
    residual = np.sqrt(np.einsum("fn,fni->f", weight, off**2) / (2 * total))
    # Where no two pictures share a piece all count, so that no arm is of no length.
    carried = weight.sum(axis=0) if weight.any() else np.ones(len(arms))
    arm_px = float(np.sqrt(np.average(np.sum(arms**2, axis=1), weights=carried)))
    u = np.where(seen, residual / np.sqrt(effective), np.inf)
    models, lean = _simplest(models, shift - lean * leaning, lean, weight, arms, design, u, arm_px)
    models[0], u[0] = 0.0, 0.0
    return Fits(models, lean, u, residual, seen, arm_px, int(np.median(number)))


def _leaning(models: Floats, arms: Floats, shift: Floats, strain: Floats) -> Floats:
    """(t.r) r' for all pieces in all frames, (f, n, 2), strain included: what the lean multiplies."""
    t = models[:, None, :2]
    along = np.sum(t * arms, axis=-1)[..., None]
    # The slopes of (t.r) r are (t.r) 1 + r t, row by row.
    slopes = along[..., None] * np.eye(2) + arms[:, :, None] * t[..., None, :]
    bent = np.einsum("nik,fnk->fni", strain, slopes.reshape(*slopes.shape[:2], 4))
    return np.asarray(along * (arms + shift) + bent)


def _weights(off: Floats, good: Bools, trust: Floats, scale_px: float) -> Floats:
    size = np.abs(off).max(axis=-1)
    # In a dim, noisy picture every piece scatters; only what scatters more than most is under suspicion.
    scale_px = max(scale_px, 1.5 * float(np.median(size[good]))) if good.any() else scale_px
    usual = np.array([np.median(size[g, i]) if g.sum() > 1 else np.inf for i, g in enumerate(good.T)])
    steady = 1 / (1 + (usual / scale_px) ** 4)
    return np.where(good, trust * steady / (1 + (size / (2 * scale_px)) ** 4), 0.0)


def _lean(off: Floats, weight: Floats, leaning: Floats, lean: float, design: Floats, size_px: float) -> float:
    """One step of least squares for the lean, each frame's motion free; none while nothing moves."""
    column = leaning - (_weighted(design, leaning, weight) @ design.T).reshape(leaning.shape)
    w = weight[..., None] / max(float(weight.max()), 1e-12)
    power = float(np.sum(w * column**2))
    # A focal length of half the picture's larger side is the widest lens; with 0.05 px for a shift's error
    # this prior matters only while the motion is too small to tell.
    prior = (0.05 * size_px**2) ** 2
    step = (float(np.sum(w * column * off)) - prior * lean) / (power + prior)
    return float(np.clip(lean + step, 0.0, 4.0 / size_px**2))


def _simplest(
    models: Floats,
    unleaned: Floats,
    lean: float,
    weight: Floats,
    arms: Floats,
    design: Floats,
    u_px: Floats,
    arm_px: float,
) -> tuple[Floats, float]:
    """Leave out scaling, then turning, then all motion, where it is too small to be told from errors.

    A parameter that is only noise does harm in the corners, where it has the longest arm.
    """
    size_px = float(np.abs(arms).max())
    noise = _NOISE * u_px[:, None] * np.array([1, 1, size_px / arm_px, size_px / arm_px])
    least = np.maximum(noise, [0.5 * _STILL_PX, 0.5 * _STILL_PX, _NO_ZOOM_PX, _STILL_PX])
    stands_out = np.abs(models) * np.array([1, 1, size_px, size_px]) > least
    free = stands_out.mean(axis=0) > _SELDOM
    free[:2] = True
    if not free.all():
        fewer = _weighted(design[:, free], unleaned, weight)
        models = np.zeros_like(models)
        models[:, free] = fewer
    # Anew, because what turning and scaling made up for has come back into the shift.
    shifted = np.mean(np.abs(models[:, :2]) > least[:, :2], axis=0) > _SELDOM
    if not free[2:].any() and not shifted.any():
        return np.zeros_like(models), 0.0
    return models, lean
