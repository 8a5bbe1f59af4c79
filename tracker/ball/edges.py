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

from calibration.values import Floats
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
_END_PLACE = np.arange(_ENDS, dtype=np.float32) - 0.5 * (_ENDS - 1)
#: Samples at an end of a ray -> their mean, and how much they rise a step.
_MEAN: Singles = np.full((1, _ENDS), 1 / _ENDS, dtype=np.float32)
_MEAN_AND_RISE: Singles = np.concatenate([_MEAN, _END_PLACE[None] / np.sum(_END_PLACE**2)])
_OUTWARD = np.minimum(np.arange(STEPS, dtype=np.float32), STEPS // 2) - 0.5 * (_ENDS - 1)
#: Places between two samples, in steps from the expected rim; sums over them, plain and by place.
_BETWEEN = np.arange(STEPS - 1, dtype=np.float32) - 0.5 * (STEPS - 2)
_SUMS = np.stack([np.ones_like(_BETWEEN), _BETWEEN])


@dataclass(frozen=True, slots=True)
class Edges:
    """Edges along the rays of N windows: arrays (N, RAYS), pixels from the expected rim.

    ``width_px`` is that of an even ramp with as much between ball and ground; ``contrast`` is in levels.
    """

    place_px: Floats
    width_px: Floats
    contrast: Floats


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
    step: Singles = half * np.float32(2 / (STEPS - 1))
    place = step * _steepest(share, quiet, reach / step)
    # How much ball there is tells a wide ramp's middle better than its slope, which noise outweighs.
    wide = np.maximum(reach - SHARP_REACH_PX, 0.0) ** 2
    if wide.any():
        amount = step * _amount(share, (place - reach) / step, (place + reach) / step)
        place += wide / (wide + WIDE_PX**2) * (amount - place)
    # An even ramp of width w holds w/6 of share times its complement.
    np.clip(share, 0.0, 1.0, out=share)
    share -= np.multiply(share, share, out=_like("square", share))
    width = 6 * step * share.sum(axis=0)
    return Edges(place.astype(float), width.astype(float), contrast.astype(float))


def _steepest(share: Singles, quiet: Singles, reach: Singles) -> Singles:
    """Where shares (STEPS, N, RAYS) fall most steeply, with quiet outside, (N, RAYS); all in steps."""
    steep = np.subtract(share[:-1], share[1:], out=_like("steep", share[1:]))
    np.clip(steep, 0.0, np.inf, out=steep)
    weight = np.add(quiet[1:], quiet[:-1], out=_like("weight", steep))
    steep *= weight
    place = np.zeros_like(reach)
    for wider in (1.7, 1.1, 1.0, 1.0):
        square = (wider * reach) ** 2
        np.subtract(_BETWEEN[:, None, None], place, out=weight)
        weight *= weight
        np.subtract(square, weight, out=weight)
        np.clip(weight, 0.0, np.inf, out=weight)
        weight *= steep
        total, moment = (_SUMS @ weight.reshape(STEPS - 1, -1)).reshape(2, *reach.shape)
        place = moment / np.maximum(total, 1e-6 * square)
    return place


def _amount(share: Singles, begin: Singles, end: Singles) -> Singles:
    """Where a sharp edge would lie that leaves as much ball between two places, (N, RAYS); all in steps."""
    begun = np.subtract(end, _BETWEEN[:, None, None], out=_like("steep", share[1:]))
    np.clip(begun, 0.0, 1.0, out=begun)
    other = np.subtract(_BETWEEN[:, None, None], begin, out=_like("weight", begun))
    begun *= np.clip(other, 0.0, 1.0, out=other)
    halves = np.add(share[1:], share[:-1], out=other)
    halves *= 0.5
    begun *= np.clip(halves, -0.2, 1.2, out=halves)
    return np.asarray(begin + begun.sum(axis=0))


def _like(name: str, values: Singles) -> Singles:
    """Scratch of the shape of ``values``."""
    return _scratch.floats(name, *values.shape)


def _dot(a: Singles, b: Singles, out: Singles) -> Singles:
    product = np.multiply(a, b, out=_like("product", a))
    np.add(product[0], product[1], out=out)
    out += product[2]
    return out


def _ends(weights: Singles, samples: Singles) -> Singles:
    """Weighted sums (3, k, N, RAYS) of the samples at one end; ``weights`` is (k, _ENDS)."""
    flat = samples.reshape(3, _ENDS, -1)
    sums: Singles = np.matmul(weights, flat)
    return sums.reshape((3, len(weights), *samples.shape[2:]))


def _ball_colour(profile: Singles, faded: Singles) -> Singles:
    """Colour of the ball along each ray, from its inner end outward, (3, STEPS, N, RAYS).

    Shade grows toward the rim in a way that is the lamp's, not the marks': the same in every window, at
    the same angle. The median over the windows tells it; it is followed as far as the expected rim.
    """
    ends = _ends(_MEAN_AND_RISE, profile[:, :_ENDS])
    level, rise = ends[:, 0], ends[:, 1]
    if level.shape[1] < LEAST_FOR_SHADE:
        rise = np.zeros_like(rise)
    else:
        common = np.median(rise, axis=1)
        smooth = common @ _neighbours(common.shape[1])
        rise = np.broadcast_to(smooth[:, None], level.shape)
    if faded.any():
        level, rise = (one + 0.5 * faded * (_opposite(one) - one) for one in (level, rise))
    ball = np.multiply(_OUTWARD[:, None, None], rise[:, None], out=_like("ball", profile))
    ball += level[:, None]
    return ball


@cache
def _neighbours(rays: int) -> Singles:
    """What takes the mean over each ray and the two to both sides, (rays, rays)."""
    apart = np.abs(np.subtract.outer(np.arange(rays), np.arange(rays)))
    near = np.minimum(apart, rays - apart) <= 2
    return np.asarray(near / 5, dtype=np.float32)


def _opposite(values: Singles) -> Singles:
    """What the ray to the other side has, (..., RAYS)."""
    return np.roll(values, values.shape[-1] // 2, axis=-1)


def _shares(profile: Singles, behind: Singles, faded: Singles) -> tuple[Singles, Singles, Singles]:
    """Share of ball and how quiet it is farther out, (STEPS, N, RAYS) each; the contrast (N, RAYS).

    Where a mark begins the share falls, too, but what lies outside is no background: only the rim has
    quiet outside it.
    """
    ball = _ball_colour(profile, faded)
    outside = _ends(_MEAN, profile[:, -_ENDS:])
    unlike = (outside - _ends(_MEAN, behind[:, -_ENDS:]))[:, 0]
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
