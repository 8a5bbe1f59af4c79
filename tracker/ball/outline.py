"""The ball's outline to a fraction of a pixel, many windows at a time.

Rays go out from a first guess of the centre. Along each ray every sample is told apart into a share of
ball and a share of background: the background is known, sample by sample, from other frames (or, where
it moves, from farther out on the same ray), and the ball has the colour that it has on that very ray, so
stripes, dots and shade do not matter. Where that share falls most steeply lies the edge. The rays' edges
are then fitted robustly by a radius, a shift of the centre and an ellipticity. Motion spreads an edge
evenly to both sides of its mid-exposure place, so the centre is that of mid-exposure.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.values import Floats

Bytes = np.typing.NDArray[np.uint8]

RAYS = 36
STEPS = 25
RAY_ANGLE = 2 * np.pi * np.arange(RAYS) / RAYS
_COS, _SIN = np.cos(RAY_ANGLE), np.sin(RAY_ANGLE)
_BASIS = np.stack([np.ones(RAYS), _COS, _SIN, np.cos(2 * RAY_ANGLE), np.sin(2 * RAY_ANGLE)], axis=1)
#: Sharp edges of a decoded picture reach about this far, in pixels (chroma is stored at half size).
EDGE_REACH_PX = 3.0
#: Neighbouring rays share pixels and codec blocks; their scatter understates the error of the mean.
RAY_CORRELATION = 1.6
LEAST_CONTRAST = 8.0
LEAST_SQUARE = 60.0  # of the contrast, below which a share is mostly noise
LEAST_FOR_SHADE = 8  # windows
MOST_ROWS = 30_000  # cv2.remap takes pictures of up to 32767 rows
#: Chroma sample j lies between luma samples 2j and 2j + 1 (ITU-T H.273, 8.7, centre siting; phones
#: that site it to the left shift every centre by the same quarter pixel, which no speed can see).
CHROMA_SHIFT = -0.25


@dataclass(frozen=True, slots=True)
class Windows:
    """N equal windows cut from the planes, and a first guess of the ball in each.

    ``luma`` is (N, h, w), ``chroma_u`` and ``chroma_v`` (N, h/2, w/2); ``behind_...`` is the same of the
    background. The rest has shape (N,) and is in pixels of the window.
    """

    luma: Bytes
    chroma_u: Bytes
    chroma_v: Bytes
    behind_luma: Bytes
    behind_u: Bytes
    behind_v: Bytes
    x_px: Floats
    y_px: Floats
    radius_px: Floats
    streak_px: Floats
    streak_rad: Floats


@dataclass(frozen=True, slots=True)
class Outlines:
    """What was found in each window: arrays of shape (N,), window pixels."""

    x_px: Floats
    y_px: Floats
    u_px: Floats
    radius_px: Floats
    visible: Floats
    contrast: Floats
    misfit_px: Floats
    edge_width_px: Floats  # (N, RAYS): inverse of the steepest slope; NaN where a ray has no edge


def _sample(stack: Bytes, x: Floats, y: Floats) -> Floats:
    """Bilinear samples (N, RAYS, STEPS) of N windows (N, h, w) at window coordinates."""
    count, height, width = stack.shape
    rows = y + (np.arange(count) * height)[:, None, None]
    np.clip(rows, (np.arange(count) * height)[:, None, None], None, out=rows)
    out = cv2.remap(
        stack.reshape(count * height, width),
        x.reshape(count, -1).astype(np.float32),
        rows.reshape(count, -1).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.reshape(np.asarray(out, dtype=np.float32), x.shape)


def _profile(planes: tuple[Bytes, Bytes, Bytes], px: Floats, py: Floats) -> Floats:
    """Samples (N, RAYS, STEPS, 3) of luma and both chroma planes."""
    half_x, half_y = 0.5 * px + CHROMA_SHIFT, 0.5 * py + CHROMA_SHIFT
    luma, u, v = planes
    return np.stack([_sample(luma, px, py), _sample(u, half_x, half_y), _sample(v, half_x, half_y)], axis=-1)


def _ball_colour(profile: Floats, ends: int) -> Floats:
    """Colour of the ball along each ray, from its inner end outward, (N, RAYS, STEPS, 3).

    Shade grows toward the rim in a way that is the lamp's, not the marks': the same in every window, at
    the same angle. The median over the windows tells it; it is followed as far as the expected rim.
    """
    inner = profile[:, :, :ends]
    level = inner.mean(axis=2, keepdims=True)
    if len(profile) < LEAST_FOR_SHADE:
        return np.asarray(level)
    place = np.arange(ends) - 0.5 * (ends - 1)
    slope = np.median(np.einsum("nksc,s->nkc", inner, place), axis=0) / (place**2).sum()
    slope = sum(np.roll(slope, k, axis=0) for k in (-2, -1, 0, 1, 2)) / 5
    outward = np.minimum(np.arange(STEPS), STEPS // 2) - 0.5 * (ends - 1)
    return np.asarray(level + slope[None, :, None, :] * outward[None, None, :, None], dtype=np.float32)


def _shares(profile: Floats, behind: Floats) -> tuple[Floats, Floats]:
    """Share of ball in each sample (N, RAYS, STEPS), and each ray's contrast (N, RAYS) in levels."""
    ends = STEPS // 5
    ball = _ball_colour(profile, ends)
    outside = profile[:, :, -ends:].mean(axis=2, keepdims=True)
    unlike = profile[:, :, -ends:] - behind[:, :, -ends:]
    off = np.einsum("nkc,nkc->nk", unlike.mean(axis=2), unlike.mean(axis=2))
    apart = np.einsum("nkc,nkc->nk", (ball - outside)[:, :, -1], (ball - outside)[:, :, -1])
    # Where the known background is not what is seen outside the ball, the ray's own outside serves.
    known = (off < np.maximum(0.05 * apart, 16.0))[:, :, None, None]
    ground = np.where(known, behind, outside)
    toward = ball - ground
    square = np.einsum("nksc,nksc->nks", toward, toward)
    share = np.einsum("nksc,nksc->nks", profile - ground, toward) / np.maximum(square, LEAST_SQUARE)
    return np.asarray(share), np.asarray(np.sqrt(square[:, :, STEPS // 2]))


def _edges(share: Floats, offset: Floats, reach: Floats) -> tuple[Floats, Floats]:
    """Place and width of the steepest fall of the ball's share along each ray, (N, RAYS) each.

    ``offset`` (N, STEPS) is from the expected radius, ``reach`` (N, RAYS) how far the edge is spread.
    """
    step = (offset[:, 1] - offset[:, 0])[:, None, None]
    slope = (share[:, :, :-1] - share[:, :, 1:]) / step
    middle = 0.5 * (offset[:, 1:] + offset[:, :-1])[:, None, :]
    steep = np.maximum(slope, 0.0)
    edge = np.zeros(share.shape[:2], dtype=np.float32)
    for wider in (1.7, 1.1, 1.0, 1.0):
        weight = steep * np.maximum(1 - ((middle - edge[:, :, None]) / (reach[:, :, None] * wider)) ** 2, 0.0)
        edge = (weight * middle).sum(axis=2) / np.maximum(weight.sum(axis=2), 1e-6)
    near = np.maximum(1 - ((middle - edge[:, :, None]) / 1.5) ** 2, 0.0)
    steepest = (near * steep).sum(axis=2) / np.maximum(near.sum(axis=2), 1e-6)
    return np.asarray(edge), np.asarray(1 / np.maximum(steepest, 1e-3))


def _fit_rays(edge: Floats, weight: Floats, loose: float) -> tuple[Floats, Floats, Floats]:
    """Robust coefficients (N, 5) of the rays' edges, their scatter (N,) and weights (N, RAYS).

    ``loose`` is how far the edges may lie from their median before the centre is known, in pixels.
    """
    middle = np.median(edge, axis=1, keepdims=True)
    trust = weight / (1 + ((edge - middle) / loose) ** 2) ** 2
    coefficients = np.zeros((len(edge), 5))
    scatter = np.ones(len(edge))
    for _ in range(4):
        normal = np.einsum("nk,ki,kj->nij", trust, _BASIS, _BASIS)
        normal += np.diag([1e-6, 1e-6, 1e-6, 3.0, 3.0])  # ellipticity is small unless many rays say so
        right = np.einsum("nk,ki,nk->ni", trust, _BASIS, edge)
        coefficients = np.linalg.solve(normal, right[..., None])[..., 0]
        misfit = np.abs(edge - coefficients @ _BASIS.T)
        scatter = 1.4826 * np.median(np.where(weight > 0, misfit, 0.3), axis=1) + 0.04
        trust = weight / (1 + (misfit / (2 * scatter[:, None])) ** 2) ** 2
    return coefficients, scatter, trust


def fit_outlines(windows: Windows, *, known_radius_px: Floats | None = None) -> Outlines:
    """Centre, radius and visible share of the ball in each window.

    Parameters
    ----------
    windows : Windows
    known_radius_px : (N,) array, optional
        Holds the radius; for balls that are partly hidden.
    """
    most = max(1, MOST_ROWS // windows.luma.shape[1])
    count = len(windows.x_px)
    if count > most:
        parts = [
            fit_outlines(
                Windows(*(getattr(windows, name)[a : a + most] for name in Windows.__slots__)),
                known_radius_px=None if known_radius_px is None else known_radius_px[a : a + most],
            )
            for a in range(0, count, most)
        ]
        return Outlines(*(np.concatenate([getattr(p, name) for p in parts]) for name in Outlines.__slots__))
    return _fit_batch(windows, known_radius_px)


def _fit_batch(windows: Windows, known_radius_px: Floats | None) -> Outlines:
    x, y = windows.x_px.copy(), windows.y_px.copy()
    radius = (windows.radius_px if known_radius_px is None else known_radius_px).astype(float).copy()
    spread = 0.5 * windows.streak_px[:, None] * np.abs(np.cos(RAY_ANGLE[None] - windows.streak_rad[:, None]))
    reach = EDGE_REACH_PX + spread
    for first in (True, False):
        half = EDGE_REACH_PX + 2.8 + 0.5 * windows.streak_px + (2.5 if first else 0.0)
        half = np.minimum(half, np.maximum(0.9 * radius, 4.0))
        offset = half[:, None] * np.linspace(-1, 1, STEPS)[None]
        at = (radius[:, None] + offset)[:, None, :]
        px, py = x[:, None, None] + at * _COS[None, :, None], y[:, None, None] + at * _SIN[None, :, None]
        profile = _profile((windows.luma, windows.chroma_u, windows.chroma_v), px, py)
        behind = _profile((windows.behind_luma, windows.behind_u, windows.behind_v), px, py)
        share, contrast = _shares(profile, behind)
        edge, width = _edges(share, offset.astype(np.float32), reach.astype(np.float32))
        sound = (contrast > LEAST_CONTRAST) & (np.abs(edge) < 0.85 * half[:, None])
        weight = sound * np.minimum(contrast / 40.0, 1.0) ** 2
        coefficients, scatter, trust = _fit_rays(edge, weight, 1.2 if first else 0.6)
        step = np.clip(coefficients[:, :3], -half[:, None], half[:, None])
        if known_radius_px is None:
            radius = np.maximum(radius + step[:, 0], 1.5)
        x, y = x + step[:, 1], y + step[:, 2]
    agreeing = trust > 0.25 * np.maximum(weight, 1e-9)
    total = np.maximum(trust.sum(axis=1), 0.3)
    return Outlines(
        x_px=x,
        y_px=y,
        u_px=RAY_CORRELATION * scatter * np.sqrt(2.0 / total),
        radius_px=radius,
        visible=(sound & agreeing).mean(axis=1),
        contrast=contrast.mean(axis=1),
        misfit_px=scatter,
        edge_width_px=np.where(sound & agreeing, width, np.nan),
    )
