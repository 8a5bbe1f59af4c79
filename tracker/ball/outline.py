"""The ball's outline to a fraction of a pixel, many windows at a time.

Rays go out from a first guess of the centre, and along each the ball's edge is found. The rays' edges are
then fitted robustly by a radius, a shift of the centre and an ellipticity. Motion spreads an edge evenly to
both sides of its mid-exposure place, so the centre is that of mid-exposure.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.values import Floats
from tracker.ball.edges import STEPS, find_edges
from tracker.ball.scratch import Bytes, Scratch, Singles

RAYS = 36
RAY_ANGLE = 2 * np.pi * np.arange(RAYS) / RAYS
_COS, _SIN = np.cos(RAY_ANGLE), np.sin(RAY_ANGLE)
_COS_TWICE, _SIN_TWICE = np.cos(2 * RAY_ANGLE), np.sin(2 * RAY_ANGLE)
_SHARE = np.linspace(-1, 1, STEPS, dtype=np.float32)[:, None, None]
_scratch = Scratch()
#: Sharp edges of a decoded picture reach about this far, in pixels (chroma is stored at half size).
EDGE_REACH_PX = 3.0
#: Neighbouring rays share pixels and codec blocks; their scatter understates the error of the mean.
RAY_CORRELATION = 1.6
LEAST_CONTRAST = 8.0
TIE, HELD = 6.0, 1e9  # rays that a likely and a known radius count for
TIED_WITHIN = 0.12
FADED = 0.6  # of the radius
ROUGH, ROUNDS = 2, 4  # of weighing the rays anew, at the first look and later
MOST_ROWS = 30_000  # cv2.remap takes pictures of up to 32767 rows
#: Chroma sample j lies between luma samples 2j and 2j + 1 (ITU-T H.273, 8.7, centre siting; phones
#: that site it to the left shift every centre by the same quarter pixel, which no speed can see).
CHROMA_SHIFT = -0.25


@dataclass(frozen=True, slots=True)
class Windows:
    """N equal windows cut from the planes, and a first guess of the ball in each.

    ``luma`` is (N, h, w), ``chroma_u`` and ``chroma_v`` (N, h/2, w/2); ``behind_...`` is the same of the
    background. The rest has shape (N,) and is in pixels of the window: place and radius of the ball,
    length and direction of its streak, and by which share and in which direction a ball away from the
    middle of the picture looks longer than it is wide.
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
    oblong: Floats
    oblong_rad: Floats


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


@dataclass(frozen=True, slots=True)
class _Rays:
    """Where N outlines are expected along each ray, from the centre, and what would shift them there.

    ``x, y`` (N, RAYS); ``spread`` (N, RAYS) is half the length over which motion spreads the edge;
    ``basis`` (N, RAYS, 5) is what radius, shift and ellipticity do to the edge along its ray.
    """

    x: Floats
    y: Floats
    spread: Floats
    basis: Floats


def _rays(radius: Floats, windows: Windows) -> _Rays:
    """Rays of outlines of the given radius, shape (N,), drawn out by motion and by perspective.

    Half of a ball's light is gone at its rim, or where the ends of a streak longer than the ball are half
    faded: half its length from its middle.
    """
    streak, heading = windows.streak_px[:, None], windows.streak_rad[:, None]
    c, s = np.cos(heading), np.sin(heading)
    turn = RAY_ANGLE - heading
    along, across = np.cos(turn), np.sin(turn)
    a, b = np.maximum(radius[:, None], 0.5 * streak), radius[:, None]
    # A shift moves the edge of a long outline along its ray by more than its own component.
    normal = along**2 / a + across**2 / b
    by_along, by_across = along / a / normal, across / b / normal
    basis = np.empty((*along.shape, 5))
    basis[..., 0] = 1.0
    basis[..., 1] = by_along * c - by_across * s
    basis[..., 2] = by_along * s + by_across * c
    basis[..., 3], basis[..., 4] = _COS_TWICE, _SIN_TWICE
    longer = 1 + windows.oblong[:, None] * np.cos(RAY_ANGLE - windows.oblong_rad[:, None]) ** 2
    return _Rays(
        x=(a * along * c - b * across * s) * longer,
        y=(a * along * s + b * across * c) * longer,
        spread=np.minimum(0.5 * streak * np.abs(along), b),
        basis=basis,
    )


@dataclass(frozen=True, slots=True)
class _Stacks:
    """The planes of N windows one above the other, so that one call samples them all.

    ``luma`` and ``behind`` are (N h, w); ``chroma`` (N h/2, w/2, 4) is U and V of the picture and of what is
    behind it: to find where a sample lies costs as much as to take it.
    """

    luma: Bytes
    behind: Bytes
    chroma: Bytes


def _stacks(windows: Windows) -> _Stacks:
    width = windows.luma.shape[2]
    planes = (windows.chroma_u, windows.chroma_v, windows.behind_u, windows.behind_v)
    return _Stacks(
        luma=windows.luma.reshape(-1, width),
        behind=windows.behind_luma.reshape(-1, width),
        chroma=np.asarray(cv2.merge([plane.reshape(-1, width // 2) for plane in planes]), dtype=np.uint8),
    )


def _sample(name: str, stack: Bytes, x: Singles, y: Singles) -> Bytes:
    """Bilinear samples (STEPS, N, RAYS, ...) of stacked windows, at columns and rows of the stack."""
    out = _scratch.bytes(name, *x.shape, *stack.shape[2:])
    # Long rows are sampled faster.
    wide = -1, STEPS * x.shape[-1]
    cv2.remap(
        stack,
        x.reshape(wide),
        y.reshape(wide),
        cv2.INTER_LINEAR,
        dst=out.reshape(*wide, *stack.shape[2:]),
        borderMode=cv2.BORDER_REPLICATE,
    )
    return out


def _stacked_rows(y: Singles, height: int) -> Singles:
    """Rows of the stack for rows of its windows, (STEPS, N, RAYS); none may look into its neighbour."""
    rows = np.clip(y, 0, height - 1, out=_scratch.floats("rows", *y.shape))
    rows += (np.arange(y.shape[1], dtype=np.float32) * height)[:, None]
    return rows


def _fit_rays(
    edge: Singles,
    weight: Singles,
    basis: Floats,
    loose: float,
    tie: Floats | float,
    toward: Floats | float,
    rounds: int,
) -> tuple[Floats, Floats, Floats]:
    """Robust coefficients (N, 5) of the rays' edges, their scatter (N,) and weights (N, RAYS).

    ``loose`` is how far the edges may lie from their median before the centre is known, in pixels; ``tie``
    is how many rays a likely radius counts for, ``toward`` that number times what it is off.
    """
    least = np.diag([1e-6, 1e-6, 1e-6, 3.0, 3.0])  # ellipticity is small unless many rays say so
    outer = _scratch.doubles("outer", *basis.shape, basis.shape[2])
    np.multiply(basis[..., :, None], basis[..., None, :], out=outer)
    outer = outer.reshape(*edge.shape, -1)
    middle = _median(edge)[:, None]
    trust = weight / (1 + ((edge - middle) / loose) ** 2) ** 2
    coefficients = np.zeros((len(edge), 5))
    scatter = np.ones(len(edge))
    for _ in range(rounds):
        normal = np.matmul(trust[:, None, :], outer).reshape(-1, 5, 5) + least
        right = np.matmul((trust * edge)[:, None, :], basis)[:, 0]
        normal[:, 0, 0] += tie
        right[:, 0] += toward
        coefficients = np.linalg.solve(normal, right[..., None])[..., 0]
        misfit = np.abs(edge - np.matmul(basis, coefficients[..., None])[..., 0])
        scatter = 1.4826 * _median(np.where(weight > 0, misfit, 0.3)) + 0.04
        trust = weight / (1 + (misfit / (2 * scatter[:, None])) ** 2) ** 2
    return coefficients, scatter, trust


def _median(values: npt.NDArray[np.floating]) -> Floats:
    """Median of each row, shape (N,): for short rows ``np.median`` takes longer to check than to sort."""
    ordered: npt.NDArray[np.floating] = np.sort(values, axis=1)
    count = values.shape[1]
    return np.asarray(0.5 * (ordered[:, (count - 1) // 2] + ordered[:, count // 2]))


def fit_outlines(
    windows: Windows, *, held_radius_px: Floats | None = None, likely_radius_px: float | None = None
) -> Outlines:
    """Centre, radius and visible share of the ball in each window.

    Parameters
    ----------
    windows : Windows
    held_radius_px : (N,) array, optional
        Holds the radius; for balls that are partly hidden.
    likely_radius_px : float, optional
        What the radius probably is; counts like a few rays.
    """
    most = max(1, MOST_ROWS // windows.luma.shape[1])
    count = len(windows.x_px)
    if count <= most:
        return _fit_batch(windows, held_radius_px, likely_radius_px)
    parts = [
        _fit_batch(
            Windows(*(getattr(windows, name)[a : a + most] for name in Windows.__slots__)),
            None if held_radius_px is None else held_radius_px[a : a + most],
            likely_radius_px,
        )
        for a in range(0, count, most)
    ]
    return Outlines(*(np.concatenate([getattr(p, name) for p in parts]) for name in Outlines.__slots__))


def _fit_batch(windows: Windows, held: Floats | None, likely: float | None) -> Outlines:
    x, y = windows.x_px.astype(float), windows.y_px.astype(float)
    radius = (windows.radius_px if held is None else held).astype(float)
    tie = np.zeros(len(x)) if likely is None else np.full(len(x), TIE)
    # Where motion fades a ball right to its middle, its colour is sampled on the fade: each look halves
    # what is left of the first guess's error.
    faded = float(np.median(windows.streak_px / radius)) > FADED
    stacks = _stacks(windows)
    for first in (True, False, False, False) if faded else (True, False):
        rays = _rays(radius, windows)
        half = EDGE_REACH_PX + 2.8 + rays.spread + (2.5 if first else 0.0)
        half = np.minimum(half, np.maximum(0.9 * np.hypot(rays.x, rays.y), 4.0))
        profile, behind = _look_along(stacks, x, y, rays, half)
        edges = find_edges(profile, behind, half, EDGE_REACH_PX + rays.spread)
        sound = (edges.contrast > LEAST_CONTRAST) & (np.abs(edges.place_px) < 0.85 * half)
        weight = sound * np.minimum(edges.contrast / 40.0, 1.0) ** 2
        if likely is not None:
            tie = np.where(np.abs(radius / likely - 1) < TIED_WITHIN, tie, 0.0)
        toward = 0.0 if likely is None else tie * (likely - radius)
        coefficients, scatter, trust = _fit_rays(
            edges.place_px,
            weight,
            rays.basis,
            1.2 if first else 0.6,
            tie if held is None else HELD,
            toward,
            ROUGH if first else ROUNDS,
        )
        most = half.min(axis=1, keepdims=True)
        step = np.clip(coefficients[:, :3], -most, most)
        if held is None:
            radius = np.maximum(radius + step[:, 0], 1.5)
        x, y = x + step[:, 1], y + step[:, 2]
    agreeing = trust > 0.25 * np.maximum(weight, 1e-9)
    total = np.maximum(trust.sum(axis=1), 0.3)
    return Outlines(
        x_px=x,
        y_px=y,
        u_px=RAY_CORRELATION * scatter * np.sqrt(2.0 / total),
        radius_px=radius * (1 + 0.5 * windows.oblong),
        visible=(sound & agreeing).mean(axis=1),
        contrast=edges.contrast.mean(axis=1),
        misfit_px=scatter,
        edge_width_px=np.where(sound & agreeing, edges.width_px, np.nan),
    )


def _look_along(stacks: _Stacks, x: Floats, y: Floats, rays: _Rays, half: Floats) -> tuple[Singles, Singles]:
    """Samples of picture and background along the rays, (3, STEPS, N, RAYS) each, in scratch."""
    shape = (STEPS, *half.shape)
    px = np.multiply(_SHARE, (half * _COS).astype(np.float32), out=_scratch.floats("px", *shape))
    py = np.multiply(_SHARE, (half * _SIN).astype(np.float32), out=_scratch.floats("py", *shape))
    px += (x[:, None] + rays.x).astype(np.float32)
    py += (y[:, None] + rays.y).astype(np.float32)
    profile, behind = (_scratch.floats(name, 3, *shape) for name in ("profile", "ground"))
    height = len(stacks.luma) // len(x)
    rows = _stacked_rows(py, height)
    profile[0] = _sample("luma", stacks.luma, px, rows)
    behind[0] = _sample("luma", stacks.behind, px, rows)
    px *= 0.5
    py *= 0.5
    px += CHROMA_SHIFT
    py += CHROMA_SHIFT
    chroma = _sample("chroma", stacks.chroma, px, _stacked_rows(py, height // 2))
    profile[1], profile[2], behind[1], behind[2] = (chroma[..., k] for k in range(4))
    return profile, behind
