"""Pictures -> how the camera moved since the first one, and taking that out of positions."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import scipy  # its parts load when they are first used

from calibration.steady_fit import FEWEST_PATCHES, difference, fit_all, similarity
from calibration.steady_patches import Bools, Luma, Patches, choose, measure, prepared
from calibration.values import Floats, Ints, frozen

IGNORED_PX = 0.3  # motion that costs less than the other uncertainties
_JUMP_SCALE = 0.003  # between frames: another lens, zoom or focus
_JUMP_PX = 4.0  # between two frames that were looked at
_STILL_PX = 0.03  # per frame, below which fewer frames are looked at
_CALM_PX = 0.4
_STIRS_PX = 0.25  # beyond this, sub-pixel places of the pieces are worth preparing
_STRIDES = (1, 2, 6)
_COARSE = 4  # how much smaller the picture is in which a lost background is searched
_NEAR_PX = 0.4  # a guess this near needs no second look
_FARTHEST_PX = 8.0  # that a piece is expected beyond the common motion
_GLANCES = 8  # measured frames between two searches


@dataclass(frozen=True, slots=True)
class Steadiness:
    """Motion of the background since the first picture: columns of length n, one row a frame.

    Parameters
    ----------
    frame : (n,) int array
    shift_px : (n, 2) array
        Of the picture's centre.
    rotation_rad : (n,) array
        Turning from x toward y, about the picture's centre.
    log_scale : (n,) array
        Logarithm of the magnification.
    u_px : (n,) array
        Standard uncertainty of the shift of the picture's centre per coordinate; infinite where
        nothing was measured.
    residual_px : (n,) array
        Root mean square of what the pieces do beyond that motion, per coordinate.
    jumps : tuple of int
        Frames at which the picture jumped or changed its scale.
    centre_px : (2,) array
    lean_per_px2 : float
        How strongly a shift grows toward the edges, because the camera turns:
        1 / (focal length in px)^2 for pure turning, 0 for pure sideways motion.
    arm_px : float
        Root mean square distance from the centre of the background that carried it.
    patches : int
        Pieces of background that carried it; 0 where the background has nothing to hold on to.
    """

    frame: Ints
    shift_px: Floats
    rotation_rad: Floats
    log_scale: Floats
    u_px: Floats
    residual_px: Floats
    jumps: tuple[int, ...]
    centre_px: Floats
    lean_per_px2: float
    arm_px: float
    patches: int

    @property
    def measured(self) -> bool:
        """Whether there was background enough to say anything."""
        return self.patches >= FEWEST_PATCHES

    @property
    def largest_px(self) -> float:
        """Largest motion of any corner of the picture in any frame."""
        if len(self.frame) == 0:
            return 0.0
        x, y = 2 * self.centre_px
        corners = np.array([[0, 0], [x, 0], [0, y], [x, y]])
        moved = [put_back(self, self.frame, np.broadcast_to(c, (len(self.frame), 2))) - c for c in corners]
        return float(np.linalg.norm(np.array(moved), axis=-1).max())

    def u_at(self, frame: npt.ArrayLike, xy_px: npt.ArrayLike) -> Floats:
        """Standard uncertainty per coordinate, (n,), of motion at frames, (n,), and places, (n, 2).

        A picture that may have turned or grown is less sure far from its middle.
        """
        at = np.interp(np.asarray(frame, dtype=np.float64), self.frame.astype(np.float64), self.u_px)
        arm = np.linalg.norm(np.asarray(xy_px, dtype=np.float64) - self.centre_px, axis=-1)
        turned = bool(np.any(self.rotation_rad) or np.any(self.log_scale))
        return np.asarray(at * np.sqrt(1.0 + turned * (arm / self.arm_px) ** 2))

    @property
    def is_moving(self) -> bool:
        """Whether the motion is worth taking out."""
        return self.measured and self.largest_px > IGNORED_PX


def _motion(steady: Steadiness, frame: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Shifts, (n, 2), and turning-and-scaling matrices, (n, 2, 2), at frames."""
    at = np.asarray(frame, dtype=np.float64)
    if len(steady.frame) == 0:
        return np.zeros((*at.shape, 2)), np.broadcast_to(np.eye(2), (*at.shape, 2, 2))
    known = steady.frame.astype(np.float64)
    columns = [*steady.shift_px.T, steady.rotation_rad, steady.log_scale]
    dx, dy, turn, growth = (np.interp(at, known, column) for column in columns)
    c, s = np.exp(growth) * np.cos(turn), np.exp(growth) * np.sin(turn)
    return np.stack([dx, dy], axis=-1), np.stack([np.stack([c, -s], -1), np.stack([s, c], -1)], -2)


def put_back(steady: Steadiness, frame: npt.ArrayLike, xy_px: npt.ArrayLike) -> Floats:
    """Positions of the first picture, (n, 2), to where they are seen at frames, (n,)."""
    shift, matrix = _motion(steady, frame)
    arm = np.asarray(xy_px, dtype=np.float64) - steady.centre_px
    depth = 1.0 - steady.lean_per_px2 * np.sum(shift * arm, axis=-1, keepdims=True)
    return np.asarray(((matrix @ arm[..., None])[..., 0] + shift) / depth + steady.centre_px)


def take_out(steady: Steadiness, frame: npt.ArrayLike, xy_px: npt.ArrayLike) -> Floats:
    """Inverse of ``put_back``: positions seen at frames to where they are in the first picture."""
    shift, matrix = _motion(steady, frame)
    seen = np.asarray(xy_px, dtype=np.float64) - steady.centre_px
    # seen (1 - lean t.r) = M r + t is linear in r
    linear = matrix + steady.lean_per_px2 * seen[..., :, None] * shift[..., None, :]
    return np.asarray(np.linalg.solve(linear, (seen - shift)[..., None])[..., 0] + steady.centre_px)


class SteadyWatch:
    """Sees every picture once, in order, and remembers how pieces of background moved.

    While the picture stands still only every sixth is looked at.
    """

    def __init__(self) -> None:
        self._patches: Patches | None = None
        self._centre: Floats = np.zeros(2)
        self._arms: Floats = np.zeros((0, 2))
        self._design: Floats = np.zeros((0, 4))
        self._coarse: npt.NDArray[np.float32] = np.zeros((0, 0), dtype=np.float32)
        self._beyond: Floats = np.zeros((0, 2))
        self._model: Floats = np.zeros(4)
        self._speed: Floats = np.zeros(4)
        self._last = 0
        self._calls = 0
        self._due = 0
        self._stride = 0
        self._lost = 0
        self._all: list[int] = []
        self._frame: list[int] = []
        self._shift: list[Floats] = []
        self._good: list[Bools] = []
        self._models: list[Floats] = []

    def see(self, index: int, luma: Luma, avoid: npt.ArrayLike | None = None) -> None:
        """Take in one picture, shape (H, W); boxes to avoid, (k, 4), are x0, y0, x1, y1 in pixels."""
        self._all.append(index)
        boxes = None if avoid is None else np.asarray(avoid, dtype=np.float64).reshape(-1, 4)
        if self._patches is None:
            self._begin(index, luma, boxes)
            return
        self._calls += 1
        if self._calls < self._due or len(self._patches) < FEWEST_PATCHES:
            return
        self._learn(index, *self._track(index, luma, boxes))

    def _begin(self, index: int, luma: Luma, boxes: Floats | None) -> None:
        height, width = luma.shape
        self._patches = choose(luma, boxes)
        self._centre = np.array([(width - 1) / 2, (height - 1) / 2])
        self._arms = self._patches.centre_px - self._centre
        self._design = similarity(self._arms, self._patches.strain)
        self._coarse = _small(luma)
        self._last, self._due = index, 1
        n = len(self._patches)
        self._beyond = np.zeros((n, 2))
        self._keep(index, np.zeros((n, 2)), np.ones(n, dtype=np.bool_), np.zeros(4))

    def _keep(self, index: int, shift: Floats, good: Bools, model: Floats) -> None:
        self._frame.append(index)
        self._models.append(model)
        self._shift.append(shift)
        self._good.append(good)

    def _track(self, index: int, luma: Luma, boxes: Floats | None) -> tuple[Floats, Bools, Floats]:
        """Shifts of the pieces, which to believe, and the motion they agree on."""
        patches = self._patches
        assert patches is not None
        model = self._model + self._speed * (index - self._last)
        shift, good = self._measured(luma, model, boxes)
        if good.sum() < 0.4 * len(patches):
            self._lost += 1
            if self._lost % _GLANCES == 1:
                model = self._search(luma)
                shift, good = self._measured(luma, model, boxes)
        else:
            self._lost = 0
        fitted = model
        for _ in range(4):
            fitted = model + difference(shift - self._expected(model), good, self._design, patches.trust)
            if self._pace(fitted - model) < _NEAR_PX:
                break
            model = fitted
            shift, good = self._measured(luma, model, boxes)
        return shift, good, fitted

    def _expected(self, model: Floats) -> Floats:
        """Shifts of the pieces by a motion and by what each last did beyond it."""
        return np.asarray((self._design @ model).reshape(-1, 2) + self._beyond)

    def _measured(self, luma: Luma, model: Floats, boxes: Floats | None) -> tuple[Floats, Bools]:
        assert self._patches is not None
        guess = self._expected(model)
        if self._pace(model) > _STIRS_PX:
            self._patches = prepared(self._patches)
        shift, good = measure(luma, self._patches, guess)
        if boxes is not None and len(boxes):
            good = good & ~_covered(self._patches.centre_px + guess, boxes)
        return shift, good

    def _search(self, luma: Luma) -> Floats:
        """A rough shift from the whole picture, made small."""
        window = cv2.createHanningWindow(self._coarse.shape[::-1], cv2.CV_32F)
        (dx, dy), _ = cv2.phaseCorrelate(self._coarse, _small(luma), window)
        return np.array([dx * _COARSE, dy * _COARSE, 0.0, 0.0])

    def _learn(self, index: int, shift: Floats, good: Bools, model: Floats) -> None:
        self._keep(index, shift, good, model)
        if good.sum() < FEWEST_PATCHES:
            self._due = self._calls + 1
            return
        # How a piece departs from a plain shift and turn changes slowly where the camera is the cause.
        off = np.clip(shift - (self._design @ model).reshape(-1, 2), -_FARTHEST_PX, _FARTHEST_PX)
        self._beyond = np.where(good[:, None], off, 0.5 * self._beyond)
        self._speed = (model - self._model) / max(index - self._last, 1)
        self._model, self._last = model, index
        pace = self._pace(self._speed)
        # Slow down one step at a time, speed up at once.
        wanted = 2 if pace < _STILL_PX else 1 if pace < _CALM_PX else 0
        self._stride = min(wanted, self._stride + 1)
        self._due = self._calls + _STRIDES[self._stride]

    def _pace(self, model: Floats) -> float:
        """Largest shift anywhere in the picture, roughly."""
        return float(np.abs(model[:2]).max()) + float(self._centre.max()) * float(np.abs(model[2:]).max())

    def result(self) -> Steadiness:
        """What was seen, for every frame."""
        frame = np.array(self._all, dtype=np.int64)
        n = len(frame)
        count = 0 if self._patches is None else len(self._patches)
        if self._patches is None or count < FEWEST_PATCHES:
            nothing = frozen(np.zeros(n))
            return Steadiness(
                frame,
                frozen(np.zeros((n, 2))),
                nothing,
                nothing,
                frozen(np.full(n, np.inf)),
                nothing,
                (),
                frozen(self._centre),
                0.0,
                1.0,
                0,
            )
        fits = fit_all(
            np.array(self._models),
            np.array(self._shift),
            np.array(self._good),
            self._arms,
            self._patches.strain,
            self._patches.trust,
        )
        known = np.array(self._frame, dtype=np.float64)[fits.seen]
        models = fits.models[fits.seen]
        breaks = _breaks(models)
        full = _between(known, models, frame, breaks)
        u_px = np.interp(frame, known, fits.u_px[fits.seen])
        for k in breaks:
            unseen = (frame > known[k - 1]) & (frame < known[k])
            u_px[unseen] = np.abs(models[k, :2] - models[k - 1, :2]).max()
        return Steadiness(
            frame,
            frozen(full[:, :2]),
            frozen(np.arctan2(full[:, 3], 1 + full[:, 2])),
            frozen(0.5 * np.log((1 + full[:, 2]) ** 2 + full[:, 3] ** 2)),
            frozen(u_px),
            frozen(np.interp(frame, known, fits.residual_px[fits.seen])),
            tuple(int(known[k]) for k in breaks),
            frozen(self._centre),
            fits.lean_per_px2,
            fits.arm_px,
            fits.patches,
        )


def _small(luma: Luma) -> npt.NDArray[np.float32]:
    small = cv2.resize(luma, None, fx=1 / _COARSE, fy=1 / _COARSE, interpolation=cv2.INTER_AREA)
    return small.astype(np.float32)


def _covered(centre_px: Floats, boxes: Floats) -> Bools:
    x, y = centre_px[:, :1], centre_px[:, 1:]
    room = 12.0
    inside = (
        (x > boxes[:, 0] - room)
        & (x < boxes[:, 2] + room)
        & (y > boxes[:, 1] - room)
        & (y < boxes[:, 3] + room)
    )
    return np.asarray(inside.any(axis=1))


def _between(known: Floats, models: Floats, frame: Ints, breaks: Ints) -> Floats:
    """Motion at every frame, from those that were measured; smooth but for the breaks.

    ``breaks`` are the indices of measured frames that come after a jump.
    """
    at = frame.astype(np.float64)
    full = np.zeros((len(at), models.shape[1]))
    for first, last in zip([0, *breaks], [*breaks, len(known)], strict=True):
        t, m = known[first:last], models[first:last]
        until = known[last] if last < len(known) else np.inf
        mine = (at >= t[0]) & (at < until)
        inner = np.minimum(at[mine], t[-1])
        if len(t) < 4 or not m.any():
            full[mine] = np.stack([np.interp(inner, t, column) for column in m.T], axis=1)
        else:
            full[mine] = scipy.interpolate.CubicSpline(t, m)(inner)
        if last == len(known) and len(t) > 1:
            # The last few frames may not have been looked at: go on as the picture last moved.
            beyond = np.clip(at[mine] - t[-1], 0.0, float(_STRIDES[-1]))
            full[mine] += beyond[:, None] * (m[-1] - m[-2]) / (t[-1] - t[-2])
    return full


def _breaks(models: Floats) -> Ints:
    """Indices of measured frames before which the picture jumped.

    Not per frame: the picture is looked at less often only while it stands still.
    """
    change = np.abs(np.diff(models, axis=0))
    jumped = (change[:, 2] > _JUMP_SCALE) | (change[:, :2].max(axis=1) > _JUMP_PX)
    return np.flatnonzero(jumped) + 1
