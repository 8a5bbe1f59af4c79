"""Where the ball ends along each ray: samples of a window's planes -> edges.

Every sample is told apart into a share of ball and a share of background. The background is known, sample
by sample, from other frames (or, where it moves, from farther out on the same ray); the ball has the colour
that it has on that very ray, and where a mark lies, that which it has a little farther in. Where the share
falls most steeply, with nothing but background outside, lies the edge.

Samples are arrays (3, STEPS, N, RAYS): luma and both chroma planes, from the inside out. They are worked on
where they lie, as arrays of this size cost more to allocate than to fill.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from calibration.values import Floats, Ints
from tracker.ball.scratch import Scratch, Singles

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

_scratch = Scratch()
_END_PLACE = (np.arange(_ENDS) - 0.5 * (_ENDS - 1)).astype(np.float32)
_OUTWARD = (np.minimum(np.arange(STEPS), STEPS // 2) - 0.5 * (_ENDS - 1)).astype(np.float32)
#: Places between two samples, in steps from the expected rim.
_BETWEEN = np.arange(STEPS - 1, dtype=np.float32) - 0.5 * (STEPS - 2)


@dataclass(frozen=True, slots=True)
class Edges:
    """Edges along the rays of N windows: arrays (N, RAYS), pixels from the expected rim.

    ``width_px`` is that of an even ramp with as much between ball and ground; ``contrast`` is in levels.
    """

    place_px: Singles
    width_px: Singles
    contrast: Singles


def find_edges(profile: Singles, behind: Singles, half: Floats, reach: Floats) -> Edges:
    """The edge on every ray.

    Parameters
    ----------
    profile, behind : (3, STEPS, N, RAYS) float32 arrays
        Samples of the picture and of the background, evenly spaced about the expected rim; overwritten.
    half : (N, RAYS) array
        How far the samples reach to both sides, in pixels.
    reach : (N, RAYS) array
        How far the edge may be spread to both sides, in pixels.
    """
    return _find(profile, behind, half.astype(np.float32), reach.astype(np.float32))


def _find(profile: Singles, behind: Singles, half: Singles, reach: Singles) -> Edges:
    # Where motion fades a ball right to its middle, both sides of a ray must take the same for full.
    faded = np.clip(3 * (reach - SHARP_REACH_PX) / half - 2, 0.0, 1.0)
    share, quiet, contrast = _shares(profile, behind, faded)
    step: Singles = 2 * half / np.float32(STEPS - 1)
    middle = np.multiply(_BETWEEN[:, None, None], step, out=_like("middle", share[1:]))
    place = _steepest(share, quiet, middle, reach)
    # How much ball there is tells a wide ramp's middle better than its slope, which noise outweighs.
    wide = np.maximum(reach - SHARP_REACH_PX, 0.0) ** 2
    if wide.any():
        place = place + wide / (wide + WIDE_PX**2) * (_amount(share, middle, place, reach, step) - place)
    # An even ramp of width w holds w/6 of share times its complement.
    sure = np.clip(share, 0.0, 1.0, out=share)
    sure *= np.subtract(1, sure, out=_like("rest", sure))
    return Edges(place, np.asarray(6 * step * sure.sum(axis=0)), contrast)


def _steepest(share: Singles, quiet: Singles, middle: Singles, reach: Singles) -> Singles:
    """Where shares (STEPS, N, RAYS) fall most steeply, with quiet outside, (N, RAYS), in pixels."""
    steep = np.subtract(share[:-1], share[1:], out=_like("steep", middle))
    np.clip(steep, 0.0, np.inf, out=steep)
    weight = np.add(quiet[1:], quiet[:-1], out=_like("weight", middle))
    steep *= weight
    place = np.zeros_like(reach)
    for wider in (1.7, 1.1, 1.0, 1.0):
        np.subtract(middle, place, out=weight)
        weight *= 1 / (reach * wider)
        weight *= weight
        np.subtract(1, weight, out=weight)
        np.clip(weight, 0.0, np.inf, out=weight)
        weight *= steep
        total = np.maximum(weight.sum(axis=0), 1e-6)
        weight *= middle
        place = weight.sum(axis=0) / total
    return place


def _amount(share: Singles, middle: Singles, place: Singles, reach: Singles, step: Singles) -> Singles:
    """Where a sharp edge would lie that leaves as much ball about a place, (N, RAYS), in pixels."""
    begun = np.subtract(place + reach, middle, out=_like("steep", middle))
    begun /= step
    np.clip(begun, 0.0, 1.0, out=begun)
    other = np.subtract(middle, place, out=_like("weight", middle))
    other += reach
    other /= step
    begun *= np.clip(other, 0.0, 1.0, out=other)
    halves = np.add(share[1:], share[:-1], out=other)
    halves *= 0.5
    begun *= np.clip(halves, -0.2, 1.2, out=halves)
    return np.asarray(place - reach + step * begun.sum(axis=0))


def _like(name: str, values: Singles) -> Singles:
    """Scratch of the shape of ``values``."""
    return _scratch.floats(name, *values.shape)


def _dot(a: Singles, b: Singles, out: Singles) -> Singles:
    product = np.multiply(a, b, out=_like("product", a))
    np.add(product[0], product[1], out=out)
    out += product[2]
    return out


def _ball_colour(profile: Singles, faded: Singles) -> Singles:
    """Colour of the ball along each ray, from its inner end outward, (3, STEPS, N, RAYS).

    Shade grows toward the rim in a way that is the lamp's, not the marks': the same in every window, at
    the same angle. The median over the windows tells it; it is followed as far as the expected rim.
    """
    inner = profile[:, :_ENDS]
    level = inner.mean(axis=1, keepdims=True)
    ball = _like("ball", profile)
    if profile.shape[2] < LEAST_FOR_SHADE:
        ball[:] = level
    else:
        rise = np.tensordot(inner, _END_PLACE, axes=(1, 0))
        slope = np.median(rise, axis=1) / np.float32((_END_PLACE**2).sum())
        smooth = slope[:, _turns(slope.shape[1])].sum(axis=1) / np.float32(5)
        np.multiply(_OUTWARD[None, :, None, None], smooth[:, None, None, :], out=ball)
        ball += level
    if faded.any():
        ball += 0.5 * faded * (np.roll(ball, faded.shape[1] // 2, axis=-1) - ball)
    return ball


@cache
def _turns(rays: int) -> Ints:
    """Indices of each ray's neighbours, from two to one side to two to the other, (5, rays)."""
    return np.stack([(np.arange(rays) - k) % rays for k in (-2, -1, 0, 1, 2)])


def _shares(profile: Singles, behind: Singles, faded: Singles) -> tuple[Singles, Singles, Singles]:
    """Share of ball and how quiet it is farther out, (STEPS, N, RAYS) each; the contrast (N, RAYS).

    Where a mark begins the share falls, too, but what lies outside is no background: only the rim has
    quiet outside it.
    """
    ball = _ball_colour(profile, faded)
    outside = profile[:, -_ENDS:].mean(axis=1, keepdims=True)
    unlike = (profile[:, -_ENDS:] - behind[:, -_ENDS:]).mean(axis=1)
    apart = (ball[:, -1:] - outside)[:, 0]
    # Where the known background is not what is seen outside the ball, the ray's own outside serves.
    known = (unlike**2).sum(axis=0) < np.maximum(0.05 * (apart**2).sum(axis=0), 16.0)
    if not known.all():
        behind *= known.astype(np.float32)
        behind += outside * ~known
    profile -= behind
    ball -= behind
    local = _inward(profile)
    # The share and the quiet come where the background was.
    share, quiet, square = behind
    same = _dot(ball, ball, share)
    same *= SAME_SHARE
    same += SAME_SQUARE
    differs = np.subtract(local, ball, out=ball)
    np.divide(_dot(differs, differs, quiet), same, out=same)
    differs *= _less_by_square(same)
    local -= differs
    _dot(local, local, square)
    contrast = np.sqrt(square[STEPS // 2])
    beyond = _outward(_dot(profile, profile, share))
    _dot(profile, local, share)
    share /= np.clip(square, LEAST_SQUARE, np.inf, out=quiet)
    square *= LOUD_SHARE
    square += LOUD_SQUARE
    return share, _less_by_square(np.divide(beyond, square, out=quiet)), contrast


def _less_by_square(values: Singles) -> Singles:
    """1 / (1 + values^2), in place."""
    values *= values
    values += 1.0
    return np.reciprocal(values, out=values)


def _inward(values: Singles) -> Singles:
    """Mean of the samples a little farther in, (3, STEPS, ...); the innermost repeat."""
    out = _like("inward", values)
    _mean_of_lags(values.swapaxes(0, 1), out[:, FAR_LAG:].swapaxes(0, 1))
    out[:, :FAR_LAG] = out[:, FAR_LAG : FAR_LAG + 1]
    return out


def _outward(values: Singles) -> Singles:
    """Mean of the samples a little farther out, (STEPS, ...); the outermost repeat."""
    out = _like("outward", values)
    _mean_of_lags(values[NEAR_LAG:], out[: STEPS - FAR_LAG])
    out[STEPS - FAR_LAG :] = out[STEPS - FAR_LAG - 1]
    return out


def _mean_of_lags(values: Singles, out: Singles) -> None:
    """Means of each sample and the ``_LAGS`` - 1 after it, along the first axis, as far as ``out`` goes."""
    count = len(out)
    np.add(values[:count], values[1 : count + 1], out=out)
    for k in range(2, _LAGS):
        out += values[k : k + count]
    out /= _LAGS
