"""Strips of one flight -> the spin that they show, or why they show none."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from calibration.values import Floats
from tracker.spin.alias import alias_rates, symmetry_of
from tracker.spin.refine import Decay, Refined, refine, refine_views, turned_s
from tracker.spin.search import Scores, peaks, search
from tracker.spin.seen_from import Samples, View, about_pole
from tracker.spin.spectra import Spectra, contrasts, spectra
from tracker.spin.values import MarkedSpin, NoMarks
from tracker.values import Bytes, Number

FEWEST_FRAMES = 10
CLEAR_VISIBLE = 0.8  # share of the outline that must be seen
MOST_FRAMES = 60  # more say little more, and cost time
GOLDEN = (math.sqrt(5) - 1) / 2
VIEW_FRAMES = 24  # enough to say from where the ball is seen
LEAST_STRENGTH = 12.0
#: What the light's polynomial leaves of a slow change looks like a slow turn in each harmonic, but not
#: like the same in all of them; that is asked where the turn is small.
LEAST_TURN_RAD, SMALL_TURN_RAD = math.pi, 3.2 * math.pi
LEAST_AGREEMENT, SMALL_TURN_AGREEMENT = 0.4, 0.75
MOST_SCATTER_RAD = 0.3
BEYOND = 1.5  # of the fastest possible spin
#: Share of the best score from which another spin counts as one that fits too.
FITS_TOO = 0.75
#: What one step of the view's adjustment leaves of its uncertainty.
VIEW_LEFT = 0.35
NO_DECAY = Decay(0.1, 0.1)


@dataclass(frozen=True, slots=True)
class _Ball:
    """One ball's clear sightings: contrasts of its strips, times from the instant asked for, and radius."""

    planes: tuple[Samples, ...]
    time_s: Floats
    radius_px: Floats
    decay: Decay

    def only(self, which: npt.NDArray[np.int64]) -> _Ball:
        """Some of its frames."""
        return _Ball(
            tuple(plane[which] for plane in self.planes),
            self.time_s[which],
            self.radius_px[which],
            self.decay,
        )

    def spectra(self, *views: View) -> Spectra:
        planes = about_pole(self.planes, views, self.radius_px)
        return spectra(planes, self.time_s, float(np.median(self.radius_px)))


def spin_from_marks(
    strips: Bytes,
    time_s: Floats,
    radius_px: Floats,
    sense: int,
    *,
    picture_mirrored: bool = False,
    view: View | None = None,
    decay: Decay = NO_DECAY,
    at_s: float | None = None,
    most_rad_s: float | None = None,
    likely_rad_s: tuple[float, float] = (-math.inf, math.inf),
    u_rate: float = 0.0,
    clear: npt.NDArray[np.bool_] | None = None,
) -> MarkedSpin | NoMarks:
    """Read the spin of one flight.

    Parameters
    ----------
    strips : (n, rings, angles) uint8 array
        As ``Sightings`` has them.
    time_s, radius_px : (n,) arrays
        Real time of mid-exposure of the ball's own row; the outline's radius.
    sense : int
        +1 for a flight toward the right of the upright picture, -1 toward the left.
    picture_mirrored : bool
        Whether the stored picture is the mirror image of the upright one.
    view : View, optional
        From where the ball is seen; by default straight on from far away.
    decay : Decay
        How fast the spin is expected to fall off.
    at_s : float, optional
        When the spin is wanted; by default at the first sighting.
    most_rad_s : float, optional
        The fastest possible spin; by default the fastest that frames can tell from its opposite.
    likely_rad_s : (low, high), optional
        What is known of the spin from elsewhere, as bounds; used only to choose among spins that look
        the same.
    u_rate : float
        Relative standard uncertainty of the clock's rate.
    clear : (n,) bool array, optional
        Sightings that are good for this.
    """
    if len(strips) == 0 or len(strips) != len(time_s):
        return NoMarks("no_strips")
    which = np.arange(len(time_s)) if clear is None else np.flatnonzero(clear)
    which = which[_thinned(len(which))]
    if len(which) < FEWEST_FRAMES:
        return NoMarks("too_few_frames")
    start = float(time_s[0]) if at_s is None else at_s
    ball = _Ball(contrasts(strips[which]), time_s[which] - start, radius_px[which], decay)
    seen = (View.straight_on(len(time_s)) if view is None else view).only(which)
    # Angles grow clockwise in the picture, where backspin of a ball that flies to the right is anticlockwise.
    sign = sense if picture_mirrored else -sense
    low, high = sorted(sign * bound for bound in likely_rad_s)
    step_s = float(np.median(np.diff(time_s)))
    found = _found(ball, seen, math.pi / step_s if most_rad_s is None else most_rad_s, step_s, (low, high))
    if isinstance(found, NoMarks):
        return replace(found, alternatives_rad_s=tuple(sign * rate for rate in found.alternatives_rad_s))
    value = sign * found.refined.rate_rad_s
    aside = 2 * math.pi / (found.symmetry * step_s)
    others = tuple(sign * rate for rate in found.rivals) or (value - aside, value + aside)
    return MarkedSpin(
        spin_rad_s=Number.of(value, found.refined.u_rate_rad_s, abs(value) * u_rate),
        decay_per_s=found.refined.decay_per_s,
        frames=which,
        angle_rad=sign * found.refined.angle_rad,
        scatter_rad=found.refined.scatter_rad,
        strength=found.strength,
        symmetry=found.symmetry,
        alternatives_rad_s=others,
        chosen=bool(found.rivals),
    )


def _thinned(count: int) -> npt.NDArray[np.bool_]:
    """Which of so many frames are looked at: unevenly, and neighbours among them.

    Every other frame would show more spins alike than all of them do.
    """
    return np.asarray(np.arange(count) * GOLDEN % 1 < MOST_FRAMES / max(count, 1))


@dataclass(frozen=True, slots=True)
class _Found:
    """A rate in the stored picture's own sense, and the other rates that are possible and fit too."""

    refined: Refined
    strength: float
    symmetry: int
    rivals: tuple[float, ...]


def _found(  # noqa: PLR0911 - each return is a reason of its own why no spin can be read
    ball: _Ball, view: View, most: float, step_s: float, likely: tuple[float, float]
) -> _Found | NoMarks:
    harmonics = ball.spectra(view).one(0)
    turned = turned_s(ball.time_s, ball.decay.per_s)
    span = float(np.ptp(turned))
    # What is a little faster than a ball can turn must be seen to be so.
    scores = search(harmonics, turned, max(most, min(BEYOND * most, math.pi / step_s)))
    lobe = 4 * math.pi / span
    places = peaks(scores, lobe, 2)
    strength = _strength(scores, places[0])
    rate = float(scores.rate_rad_s[places[0]])
    if strength < LEAST_STRENGTH:
        return NoMarks("no_marks", strength)
    agreement = scores.agreement(places[0])
    if agreement < LEAST_AGREEMENT:
        return NoMarks("no_marks", strength)
    turn = abs(rate) * span
    if turn < LEAST_TURN_RAD or (turn < SMALL_TURN_RAD and agreement < SMALL_TURN_AGREEMENT):
        return NoMarks("too_little_turn", strength)
    refined = _with_view(ball, view, refine(harmonics, ball.time_s, rate, ball.decay))
    if refined.scatter_rad > MOST_SCATTER_RAD or abs(refined.rate_rad_s - rate) > lobe:
        return NoMarks("unsteady", strength)
    symmetry = symmetry_of(refined.gain)
    total = scores.total[places]
    rivals = alias_rates(harmonics, refined, ball.time_s, step_s, most, FITS_TOO)
    if len(total) > 1 and total[1] > FITS_TOO * total[0]:
        rivals.append(float(scores.rate_rad_s[places[1]]))
    if not rivals:
        code = "too_fast" if abs(refined.rate_rad_s) > most else ""
        return NoMarks(code, strength) if code else _Found(refined, strength, symmetry, ())
    fitting = [refined.rate_rad_s, *rivals]
    left = [other for other in fitting if likely[0] <= other <= likely[1] and abs(other) <= most]
    apart = [other for other in left if abs(other - left[0]) > lobe]
    if not left or apart:
        return NoMarks("alias", strength, tuple(fitting))
    others = tuple(other for other in fitting if abs(other - left[0]) > lobe)
    chosen = refined
    if abs(left[0] - refined.rate_rad_s) > lobe:
        chosen = _with_view(ball, view, refine(harmonics, ball.time_s, left[0], ball.decay))
    return _Found(chosen, strength, symmetry, others)


def _strength(scores: Scores, place: int) -> float:
    """How far a rate stands out of all others, in standard deviations of their scores."""
    sure = scores.sure
    middle = float(np.median(sure))
    spread = 1.4826 * float(np.median(np.abs(sure - middle)))
    return (float(sure[place]) - middle) / max(spread, 1e-9)


def _with_view(ball: _Ball, view: View, first: Refined) -> Refined:
    """Let the marks say from where they are seen: the view under which they turn most evenly.

    One step of Newton's method in each of focal length and tilt; what it may leave is added to the
    uncertainty.
    """
    which = np.arange(len(ball.time_s))[:: max(1, len(ball.time_s) // VIEW_FRAMES)]
    few, seen = ball.only(which), view.only(which)
    u = np.array(view.u)
    unsure = np.flatnonzero(u > 0)
    sides = np.concatenate([sign * np.diag(u)[unsure] for sign in (-1.0, 1.0)])
    # All sides together take little longer than one.
    views = few.spectra(seen, *map(seen.moved, sides))
    rates, gains = refine_views(views, few.time_s, first, few.decay)
    (low, high), rate = gains[1:].reshape(2, -1), rates[1:].reshape(2, -1)
    bend = 2 * gains[0] - low - high
    step = np.where(bend > 0, 0.5 * (high - low) / np.where(bend > 0, bend, 1.0), np.sign(high - low))
    change = np.zeros(3)
    change[unsure] = u[unsure] * np.clip(step, -1.5, 1.5)
    left = VIEW_LEFT * 0.5 * float(np.linalg.norm(rate[1] - rate[0]))
    best = _again(ball, view.moved(change), first)
    if best.gain.sum() < first.gain.sum():
        best = first
    return replace(best, u_rate_rad_s=math.hypot(best.u_rate_rad_s, left))


def _again(ball: _Ball, view: View, found: Refined) -> Refined:
    """Refined from what was found under another view."""
    harmonics = ball.spectra(view).one(0)
    return refine(harmonics, ball.time_s, found.rate_rad_s, ball.decay, found.decay_per_s)
