"""The ball room's one loop: frames in, sightings out, in a single pass with flat memory."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from calibration.values import Floats
from tracker.ball.colour import Direction, is_colourless, learnt_direction, named_direction
from tracker.ball.outline import Outlines, Windows, fit_outlines
from tracker.ball.rounds import RoundFinder
from tracker.ball.scratch import Scratch
from tracker.ball.sparing import Sparing
from tracker.ball.spots import Plane, Spot, SpotFinder
from tracker.ball.streaks import Shutter, agreement, long_spots, steps
from tracker.ball.strips import cut_strips
from tracker.values import Bytes, Sightings, no_strips

#: Windows that are worked on together: fewer while the ball's size is to be learnt, and of large ones.
FEW, MANY = 48, 96
LARGE_HALF_PX = 64
LARGEST_SHARE = 0.15  # of the picture; a larger spot is no ball in flight
LEAST_VISIBLE = 0.35
RADIUS_TOLERANCE, UNSTEADY_TOLERANCE, RADIUS_TOLERANCE_PX = 0.03, 0.1, 0.3
LIKELY_QUANTILE, FEWEST_ALIKE, HINTED_WITHIN = 0.7, 5, 0.06
LIKELY_FOCAL = 0.95  # focal length of a phone's main lens over the longer side of its films, roughly
GOOD_VISIBLE = 0.65
CLEAR_VISIBLE = 0.88
WORSE_VISIBLE = 0.12
HIDDEN_VISIBLE = 0.5  # of a ball of which a part is hidden
RADIUS_WIDTH = 0.035
FEWEST_FOR_RADIUS, MOST_FOR_RADIUS = 12, 3000
ODD_RADIUS = 1.4
_scratch = Scratch()
MOST_LOOKS = 3  # at the first windows, until the streaks are as long as their edges are wide
#: What is round by chance has a vaguer outline than a ball.
VAGUE_PX, VAGUE_SHARE = 0.5, 0.018


@dataclass(frozen=True, slots=True)
class BallHint:
    """What is known of the ball before the film is seen.

    ``radius_px`` is its radius in the picture where a reference tells it, else None; ``steady`` whether it
    stays about the same. What is only what many sightings share is the mean of a ball that comes and goes.
    """

    colour: str | None = None
    radius_px: float | None = None
    steady: bool = True


def common_radius(sightings: Sightings) -> float | None:
    """The radius in pixels that the clearest round things of a clip share; None if too few are clear.

    A large circle rests on more of the picture than a small one, so each counts by its radius.
    """
    clear = np.flatnonzero(sightings.visible > CLEAR_VISIBLE)
    if len(clear) < FEWEST_FOR_RADIUS:
        return None
    radii = sightings.radius_px[clear[:: max(1, len(clear) // MOST_FOR_RADIUS)]]
    apart = np.log(radii)[:, None] - np.log(radii)[None]
    crowd = np.exp(-0.5 * (apart / RADIUS_WIDTH) ** 2) @ radii
    near = np.abs(apart[int(np.argmax(crowd))]) < 2 * RADIUS_WIDTH
    return float(np.median(radii[near]))


def needs_survey(hint: BallHint) -> bool:
    """Whether the ball's size must be learnt from the film before the ball can be looked for."""
    return hint.radius_px is None and named_direction(hint.colour) is None


class FrameLike(Protocol):
    """What a frame must offer: its index and its three 8-bit planes."""

    @property
    def index(self) -> int: ...  # noqa: D102  # a protocol's members are its documentation
    @property
    def y(self) -> Plane: ...  # noqa: D102  # as above
    @property
    def u(self) -> Plane: ...  # noqa: D102  # as above
    @property
    def v(self) -> Plane: ...  # noqa: D102  # as above


@dataclass(slots=True)
class _Cut:
    """One window waiting for its outline."""

    frame: int
    x0: int
    y0: int
    spot: Spot
    planes: tuple[Plane, ...]  # luma, U, V of the frame, then of the background


class BallWatch:
    """Watches a film frame by frame and ends with every sighting of something like the ball."""

    def __init__(self, hint: BallHint) -> None:
        self._hint = hint
        self._named: Direction | None = named_direction(hint.colour)
        self._finder: SpotFinder | None = None
        # Without a colour to go by, what is round and moves may be the ball.
        self._rounds = RoundFinder(hint.radius_px) if self._named is None else None
        self._use_spots = not is_colourless(hint.colour)
        self._surveys = self._rounds is not None and hint.radius_px is None
        self._sparing = Sparing()
        self._cuts: dict[int, list[_Cut]] = {}
        self._recent: dict[int, list[Spot]] = {}
        self._rows: list[Floats] = []
        self._strips: list[Bytes] = [no_strips()]
        self._radius: float | None = None
        self._shutter = Shutter(sure=hint.colour is not None)

    def see(self, frame: FrameLike) -> Floats:
        """Take in the next frame; returns boxes (k, 4) of what may be the ball: x0, y0, x1, y1."""
        height, width = frame.y.shape
        if self._finder is None:
            self._finder = SpotFinder(self._named, self._areas(width, height), self._hint.radius_px)
        spots = self._finder.see(frame.y, frame.u, frame.v)
        if not self._use_spots:
            spots = []
        if self._rounds is not None:
            spots = spots + self._rounds.see(frame.y)
        if spots:
            self._recent[frame.index] = spots
        planes = (frame.y, frame.u, frame.v, *self._finder.background)
        for spot, worth in zip(spots, self._sparing.worth(frame.index, spots), strict=True):
            if worth:
                self._cut(frame.index, planes, spot)
        return np.array([(s.left_px, s.top_px, s.right_px, s.bottom_px) for s in spots], dtype=float).reshape(
            -1, 4
        )

    def result(self) -> Sightings:
        """All sightings, ordered by frame."""
        for half in list(self._cuts):
            self._fit(half)
        rows = np.concatenate(self._rows) if self._rows else np.empty((0, 12))
        if self._rounds is not None and self._hint.radius_px is not None:
            radius = self._hint.radius_px
            like = np.abs(np.log(rows[:, 4] / radius)) < math.log(ODD_RADIUS)
            rows = rows[like & (rows[:, 3] < max(VAGUE_PX, VAGUE_SHARE * radius))]
        rows = _without_twins(rows[np.lexsort((rows[:, 1], rows[:, 0]))])
        return Sightings(
            frame=rows[:, 0].astype(np.int64),
            x_px=rows[:, 1],
            y_px=rows[:, 2],
            u_px=rows[:, 3],
            radius_px=rows[:, 4],
            streak_px=rows[:, 5],
            streak_rad=rows[:, 6],
            visible=rows[:, 7],
            contrast=rows[:, 8],
            hue_rad=rows[:, 9],
            at_border=rows[:, 10] > 0,
            strips=np.concatenate(self._strips)[rows[:, 11].astype(np.int64)],
        )

    def _areas(self, width: int, height: int) -> tuple[float, float]:
        largest = LARGEST_SHARE * width * height
        if self._hint.radius_px is None:
            return 0.0, largest
        disc = math.pi * self._hint.radius_px**2
        return 0.25 * disc, min(9.0 * disc, largest)

    def _cut(self, frame: int, planes: tuple[Plane, ...], spot: Spot) -> None:
        """Keep a window round the spot, of one of a few sizes so that windows can be stacked."""
        height, width = planes[0].shape
        radius = self._guess_radius(spot)
        reach = max(1.25 * radius, 0.5 * max(spot.right_px - spot.left_px, spot.bottom_px - spot.top_px)) + 12
        half = min(8 * math.ceil(reach / 8), 2 * (min(width, height) // 4))
        x0 = min(max(2 * round(spot.x_px / 2) - half, 0), (width - 2 * half) // 2 * 2)
        y0 = min(max(2 * round(spot.y_px / 2) - half, 0), (height - 2 * half) // 2 * 2)
        luma = slice(y0, y0 + 2 * half), slice(x0, x0 + 2 * half)
        chroma = slice(y0 // 2, y0 // 2 + half), slice(x0 // 2, x0 // 2 + half)
        windows = (luma, chroma, chroma, luma, chroma, chroma)
        copies = tuple([planes[k][windows[k]].copy() for k in range(6)])
        cuts = self._cuts.setdefault(half, [])
        cuts.append(_Cut(frame, x0, y0, spot, copies))
        self._size = (width, height)
        # A ball without a colour is known by its size, which changes as it comes nearer.
        few = self._radius is None or self._rounds is not None or half > LARGE_HALF_PX
        if len(cuts) >= (FEW if few else MANY):
            self._fit(half)

    def _guess_radius(self, spot: Spot) -> float:
        if self._radius is not None:
            return self._radius
        alone = math.sqrt(spot.area_px / math.pi)
        if self._hint.radius_px is None:
            return max(alone, 2.0)
        return min(max(alone, 0.8 * self._hint.radius_px), 1.25 * self._hint.radius_px)

    def _fit(self, half: int) -> None:
        cuts = self._cuts.pop(half, [])
        if not cuts:
            return
        step, heading = steps([cut.frame for cut in cuts], [cut.spot for cut in cuts], self._recent)
        oldest = min((c.frame for waiting in self._cuts.values() for c in waiting), default=cuts[-1].frame)
        self._recent = {k: spots for k, spots in self._recent.items() if k >= oldest - 1}
        if self._hint.radius_px is not None and long_spots(
            [c.spot for c in cuts], step, self._hint.radius_px
        ):
            self._try_streaks(cuts, step, heading, self._hint.radius_px)
        windows = self._windows(cuts, self._shutter.open_share * step, heading)
        found = fit_outlines(windows, likely_radius_px=self._radius)
        for _ in range(MOST_LOOKS):
            longer = self._shutter.learn(found, step, heading, self._radius or self._hint.radius_px)
            if not self._learn_radius(windows, found) and not longer:
                break
            windows = self._windows(cuts, self._shutter.open_share * step, heading)
            found = fit_outlines(windows, likely_radius_px=self._radius)
        self._keep(cuts, windows, self._hold_radius(windows, found))

    def _try_streaks(self, cuts: list[_Cut], step: Floats, heading: Floats, radius: float) -> None:
        """Choose how long streaks longer than the ball are by how well their outlines agree."""

        def merit(share: float) -> float:
            windows = self._windows(cuts, share * step, heading)
            found = fit_outlines(windows, likely_radius_px=self._radius)
            return agreement(found, _round_radius(windows, found), step, radius)

        self._shutter.choose(merit)
        assert self._finder is not None
        self._finder.draw_out(self._shutter.open_share * float(np.median(step[step > 0])))

    def _windows(self, cuts: list[_Cut], streak: Floats, heading: Floats) -> Windows:
        sizes = [(len(cuts), *plane.shape) for plane in cuts[0].planes]
        planes = [np.concatenate([cut.planes[k] for cut in cuts]).reshape(sizes[k]) for k in range(6)]
        # A sphere off the axis by an angle is drawn out by the inverse of its cosine.
        off_x = np.array([cut.spot.x_px for cut in cuts]) - 0.5 * self._size[0]
        off_y = np.array([cut.spot.y_px for cut in cuts]) - 0.5 * self._size[1]
        away = np.hypot(off_x, off_y) / (LIKELY_FOCAL * max(self._size))
        return Windows(
            luma=planes[0],
            chroma_u=planes[1],
            chroma_v=planes[2],
            behind_luma=planes[3],
            behind_u=planes[4],
            behind_v=planes[5],
            x_px=np.array([cut.spot.x_px - cut.x0 for cut in cuts]),
            y_px=np.array([cut.spot.y_px - cut.y0 for cut in cuts]),
            radius_px=np.array([self._guess_radius(cut.spot) for cut in cuts]),
            streak_px=streak,
            streak_rad=heading,
            oblong=np.sqrt(1 + away**2) - 1,
            oblong_rad=np.arctan2(off_y, off_x),
        )

    def _learn_radius(self, windows: Windows, found: Outlines) -> bool:
        """Learn the radius that the well seen balls have; True if that was not known before.

        Marks and shade at the rim make an outline smaller, hardly anything makes it larger.
        """
        good = (found.visible > GOOD_VISIBLE) & (found.u_px < 0.5)
        if good.sum() < FEWEST_ALIKE or self._surveys:
            return False
        radii = _round_radius(windows, found)[good]
        if self._hint.radius_px is not None:
            # Somebody's head may be as round and nearly as large; the reference tells which is the ball.
            off = np.abs(np.log(radii / self._hint.radius_px))
            most = HINTED_WITHIN if (off < HINTED_WITHIN).sum() >= FEWEST_ALIKE else math.log(ODD_RADIUS)
            radii = radii[off < most]
            if len(radii) < FEWEST_ALIKE:
                return False
        new = self._radius is None
        self._radius = float(np.quantile(radii, LIKELY_QUANTILE))
        return new

    def _hold_radius(self, windows: Windows, found: Outlines) -> Outlines:
        """Fit partly hidden balls again with the radius that the well seen ones have."""
        if self._radius is None:
            return found
        good = (found.visible > GOOD_VISIBLE) & (found.u_px < 0.5)
        tolerance = RADIUS_TOLERANCE if self._hint.steady else UNSTEADY_TOLERANCE
        most = max(tolerance, RADIUS_TOLERANCE_PX / self._radius)
        odd = (np.abs(_round_radius(windows, found) / self._radius - 1) > most) | ~good
        if not odd.any():
            return found
        some = Windows(*(getattr(windows, name)[odd] for name in Windows.__slots__))
        again = fit_outlines(some, held_radius_px=np.full(int(odd.sum()), self._radius))
        # What is seen well with a larger radius and badly with the others' is no ball like them; what looks
        # smaller may be one of which a part is hidden.
        smaller = _round_radius(windows, found)[odd] < self._radius
        better = (smaller & (again.visible > HIDDEN_VISIBLE)) | (
            again.visible > found.visible[odd] - WORSE_VISIBLE
        )
        columns = []
        for name in Outlines.__slots__:
            column = getattr(found, name).copy()
            column[np.flatnonzero(odd)[better]] = getattr(again, name)[better]
            columns.append(column)
        return Outlines(*columns)

    def _keep(self, cuts: list[_Cut], windows: Windows, found: Outlines) -> None:
        """Turn outlines into rows; learn the ball's colour from the good ones."""
        x0 = np.array([cut.x0 for cut in cuts], dtype=float)
        y0 = np.array([cut.y0 for cut in cuts], dtype=float)
        x, y, r = found.x_px + x0, found.y_px + y0, found.radius_px
        reach = r + 0.5 * windows.streak_px + 2
        width, height = self._size
        border = (x < reach) | (y < reach) | (x > width - 1 - reach) | (y > height - 1 - reach)
        mean_u, mean_v = _mean_chroma(windows, found)
        moved = np.hypot(found.x_px - windows.x_px, found.y_px - windows.y_px)
        sound = (found.visible >= LEAST_VISIBLE) & (moved < 1.2 * r + 0.5 * windows.streak_px)
        if self._hint.radius_px is not None:
            sound &= np.abs(np.log(r / self._hint.radius_px)) < math.log(ODD_RADIUS)
        hue = np.arctan2(mean_v, mean_u)
        if self._named is not None:
            # A ball drawn out to more than its own length is mostly what lies behind it.
            faint = (np.hypot(mean_u, mean_v) < 4) | (windows.streak_px > 2 * r)
            sound &= self._named.holds(hue) | faint
        rows = np.stack(
            [
                np.array([cut.frame for cut in cuts], dtype=float),
                x,
                y,
                found.u_px,
                r,
                windows.streak_px,
                windows.streak_rad,
                found.visible,
                found.contrast,
                hue,
                border.astype(float),
                sum(map(len, self._strips)) + np.cumsum(sound) - 1.0,
            ],
            axis=1,
        )
        self._rows.append(rows[sound])
        self._strips.append(
            cut_strips((windows.luma, windows.chroma_u, windows.chroma_v), found.x_px, found.y_px, r)[sound]
        )
        good = sound & (found.visible > 0.9) & ~border
        if self._named is not None and self._finder is not None and good.sum() >= 8:
            self._finder.learn(learnt_direction(self._named, mean_u[good], mean_v[good]))


def _round_radius(windows: Windows, found: Outlines) -> Floats:
    """Radii of the outlines as they would be in the middle of the picture, shape (N,)."""
    return np.asarray(found.radius_px / (1 + 0.5 * windows.oblong))


def _without_twins(rows: Floats) -> Floats:
    """Rows without those that lie within a better one of the same frame; ``rows`` is ordered by frame."""
    keep = np.ones(len(rows), dtype=bool)
    edges = np.flatnonzero(np.diff(rows[:, 0])) + 1
    shared = np.concatenate([edges, [len(rows)]]) - np.concatenate([[0], edges]) > 1
    for few in itertools.compress(np.split(np.arange(len(rows)), edges), shared):
        if not _any_near(rows[few]):
            continue
        best_first = few[np.argsort(rows[few, 3] / np.maximum(rows[few, 7], 0.1))]
        for i, row in enumerate(best_first):
            better = [b for b in best_first[:i] if keep[b]]
            apart = np.hypot(rows[better, 1] - rows[row, 1], rows[better, 2] - rows[row, 2])
            if (apart < 0.6 * rows[row, 4]).any():
                keep[row] = False
    return rows[keep]


def _any_near(rows: Floats) -> bool:
    """Whether any two rows of a frame lie within one another."""
    place = rows[:, 1] + 1j * rows[:, 2]
    apart = np.abs(place[:, None] - place)
    return int((apart < 0.6 * rows[:, 4]).sum()) > len(rows)


def _mean_chroma(windows: Windows, found: Outlines) -> tuple[Floats, Floats]:
    """Mean of U - 128 and V - 128 over the inner part of each ball, shape (N,) each."""
    half = windows.chroma_u.shape[1]
    grid = np.arange(half, dtype=float)
    dx = grid[None, :] - 0.5 * (found.x_px[:, None] - 0.5)
    dy = grid[None, :] - 0.5 * (found.y_px[:, None] - 0.5)
    square = _scratch.doubles("square", len(dx), half, half)
    np.add((dx * dx)[:, None, :], (dy * dy)[:, :, None], out=square)
    inside = (square < (0.35 * found.radius_px[:, None, None]) ** 2).astype(np.float32)
    total = np.maximum(inside.sum(axis=(1, 2)), 1)
    u, v = (
        np.einsum("nij,nij->n", inside, plane.astype(np.float32)) / total - 128
        for plane in (windows.chroma_u, windows.chroma_v)
    )
    return u, v
