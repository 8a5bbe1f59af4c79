"""Where the ball ends along each ray: samples of a window's planes -> edges.

Every sample is told apart into a share of ball and a share of background. The background is known, sample
by sample, from other frames (or, where it moves, from farther out on the same ray); the ball has the colour
that it has on that very ray, and where a mark lies, that which it has a little farther in. Where the share
falls most steeply, with nothing but background outside, lies the edge.

Samples are arrays (3, STEPS, N, RAYS): luma and both chroma planes, from the inside out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.values import Floats

STEPS = 25
_ENDS = STEPS // 5
NEAR_LAG, FAR_LAG = 4, 8  # samples
SHARP_REACH_PX, WIDE_PX = 3.0, 2.0
_LAGS = FAR_LAG - NEAR_LAG + 1
#: What may differ between ball colours that count as one: a share of the contrast, and levels squared.
SAME_SHARE, SAME_SQUARE = 0.15, 100.0
LOUD_SHARE, LOUD_SQUARE = 0.25, 60.0
LEAST_SQUARE = 60.0  # of the contrast, below which a share is mostly noise
LEAST_FOR_SHADE = 8  # windows


@dataclass(frozen=True, slots=True)
class Edges:
    """Edges along the rays of N windows: arrays (N, RAYS), pixels from the expected rim.

    ``width_px`` is that of an even ramp with as much between ball and ground; ``contrast`` is in levels.
    """

    place_px: Floats
    width_px: Floats
    contrast: Floats


def find_edges(profile: Floats, behind: Floats, half: Floats, reach: Floats) -> Edges:
    """The edge on every ray.

    Parameters
    ----------
    profile, behind : (3, STEPS, N, RAYS) float32 arrays
        Samples of the picture and of the background, evenly spaced about the expected rim.
    half : (N, RAYS) array
        How far the samples reach to both sides, in pixels.
    reach : (N, RAYS) array
        How far the edge may be spread to both sides, in pixels.
    """
    # Where motion fades a ball right to its middle, both sides of a ray must take the same for full.
    half, reach = np.asarray(half, dtype=np.float32), np.asarray(reach, dtype=np.float32)
    faded = np.asarray(np.clip(3 * (reach - SHARP_REACH_PX) / half - 2, 0.0, 1.0))
    share, quiet, contrast = _shares(profile, behind, faded)
    step = 2 * half / (STEPS - 1)
    steep = np.maximum(share[:-1] - share[1:], 0.0) * (quiet[1:] + quiet[:-1])
    middle = (np.arange(STEPS - 1, dtype=np.float32) - 0.5 * (STEPS - 2))[:, None, None] * step
    place = np.zeros_like(half)
    for wider in (1.7, 1.1, 1.0, 1.0):
        off = (middle - place) * (1 / (reach * wider))
        weight = steep * np.maximum(1 - off * off, 0.0)
        place = (weight * middle).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-6)
    sure = np.clip(share, 0.0, 1.0)
    # How much ball there is tells a wide ramp's middle better than its slope, which noise outweighs.
    begun = np.clip((place + reach - middle) / step, 0.0, 1.0) * np.clip(
        (middle - place + reach) / step, 0.0, 1.0
    )
    halves = 0.5 * (share[1:] + share[:-1])
    amount = place - reach + step * (begun * np.clip(halves, -0.2, 1.2)).sum(axis=0)
    wide = np.maximum(reach - SHARP_REACH_PX, 0.0) ** 2
    place = place + wide / (wide + WIDE_PX**2) * (amount - place)
    # An even ramp of width w holds w/6 of share times its complement.
    width = 6 * step * (sure * (1 - sure)).sum(axis=0)
    return Edges(np.asarray(place), np.asarray(width), contrast)


def _dot(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[0] * b[0] + a[1] * b[1] + a[2] * b[2])


def _ball_colour(profile: Floats) -> Floats:
    """Colour of the ball along each ray, from its inner end outward, (3, STEPS, N, RAYS).

    Shade grows toward the rim in a way that is the lamp's, not the marks': the same in every window, at
    the same angle. The median over the windows tells it; it is followed as far as the expected rim.
    """
    inner = profile[:, :_ENDS]
    level = inner.mean(axis=1, keepdims=True)
    if profile.shape[2] < LEAST_FOR_SHADE:
        return np.asarray(np.repeat(level, STEPS, axis=1))
    place = (np.arange(_ENDS) - 0.5 * (_ENDS - 1)).astype(np.float32)
    slope = np.median(np.tensordot(inner, place, axes=(1, 0)), axis=1) / float((place**2).sum())
    slope = sum(np.roll(slope, k, axis=1) for k in (-2, -1, 0, 1, 2)) / 5
    outward = (np.minimum(np.arange(STEPS), STEPS // 2) - 0.5 * (_ENDS - 1)).astype(np.float32)
    return np.asarray(level + outward[None, :, None, None] * slope[:, None, None, :], dtype=np.float32)


def _shares(profile: Floats, behind: Floats, faded: Floats) -> tuple[Floats, Floats, Floats]:
    """Share of ball and how quiet it is farther out, (STEPS, N, RAYS) each; the contrast (N, RAYS).

    Where a mark begins the share falls, too, but what lies outside is no background: only the rim has
    quiet outside it.
    """
    ball = _ball_colour(profile)
    if faded.any():
        ball += 0.5 * faded * (np.roll(ball, faded.shape[1] // 2, axis=-1) - ball)
    outside = profile[:, -_ENDS:].mean(axis=1, keepdims=True)
    unlike = (profile[:, -_ENDS:] - behind[:, -_ENDS:]).mean(axis=1)
    apart = (ball[:, -1:] - outside)[:, 0]
    # Where the known background is not what is seen outside the ball, the ray's own outside serves.
    known = _dot(unlike, unlike) < np.maximum(0.05 * _dot(apart, apart), 16.0)
    ground = np.where(known, behind, outside)
    change, ball = profile - ground, ball - ground
    local = _inward(change)
    differs = local - ball
    same = 1 / (1 + (_dot(differs, differs) / (SAME_SHARE * _dot(ball, ball) + SAME_SQUARE)) ** 2)
    local -= same * differs
    square = _dot(local, local)
    share = _dot(change, local) / np.maximum(square, LEAST_SQUARE)
    beyond = _outward(_dot(change, change))
    quiet = 1 / (1 + (beyond / (LOUD_SHARE * square + LOUD_SQUARE)) ** 2)
    return np.asarray(share), np.asarray(quiet), np.asarray(np.sqrt(square[STEPS // 2]))


def _inward(values: Floats) -> Floats:
    """Mean of the samples a little farther in, (3, STEPS, ...); the innermost repeat."""
    mean = values[:, : STEPS - FAR_LAG].copy()
    for k in range(1, _LAGS):
        mean += values[:, k : k + STEPS - FAR_LAG]
    mean /= _LAGS
    return np.concatenate([np.repeat(mean[:, :1], FAR_LAG, axis=1), mean], axis=1)


def _outward(values: Floats) -> Floats:
    """Mean of the samples a little farther out, (STEPS, ...); the outermost repeat."""
    mean = values[NEAR_LAG : NEAR_LAG + STEPS - FAR_LAG].copy()
    for k in range(NEAR_LAG + 1, FAR_LAG + 1):
        mean += values[k : k + STEPS - FAR_LAG]
    mean /= _LAGS
    return np.concatenate([mean, np.repeat(mean[-1:], FAR_LAG, axis=0)], axis=0)
