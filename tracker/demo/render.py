"""Room, camera and given positions -> the pictures of a clip, in linear light or as planes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from tracker.demo.balls import BallLook, BallPath, Stamp, stamp_ball
from tracker.demo.camera import Camera, Floats
from tracker.demo.colour import Coding, NoiseField
from tracker.demo.containers import Planes
from tracker.demo.movers import Mover, stamp_mover
from tracker.demo.surfaces import Pictures, Still, still_picture
from tracker.demo.surfaces import Piece as Piece  # noqa: PLC0414 - part of what callers build a room from

Rect = tuple[int, int, int, int]  # x0, y0, x1, y1

_SHAKE_MARGIN_PX = 48
_GAIN_SAMPLES = 8
_SHADOW_SOFTNESS = 0.16  # penumbra per metre of distance from the ball


@dataclass(frozen=True, slots=True)
class Shutter:
    """When light is gathered.

    Parameters
    ----------
    exposure_s : float
    readout_s : float
        Row r of H is exposed ((r + 0.5)/H - 0.5) readout after the frame's middle.
    gain : callable or None
        Relative light (lamp flicker, drifting exposure) at times (n,); None is 1.
    shake : callable or None
        (yaw, pitch, roll) in radians added to the camera's pose, at a frame's time.
    """

    exposure_s: float
    readout_s: float = 0.0
    gain: Callable[[Floats], Floats] | None = None
    shake: Callable[[float], tuple[float, float, float]] | None = None

    def row_times(self, frame_time_s: float, height_px: int) -> Floats:
        """Mid-exposure time of every stored row, shape (H,)."""
        rows = (np.arange(height_px) + 0.5) / height_px - 0.5
        return frame_time_s + rows * self.readout_s


@dataclass(frozen=True, slots=True)
class Flyer:
    """One ball: how it looks and where it is."""

    look: BallLook
    path: BallPath


@dataclass(frozen=True, slots=True)
class Room:
    """What the camera sees besides the balls; ``light`` points toward the lamp."""

    pieces: tuple[Piece, ...]
    light: tuple[float, float, float] = (-0.36, -0.58, 0.73)
    shadow: float = 0.45
    movers: tuple[Mover, ...] = ()


class Renderer:
    """Pictures of one clip; only what changes from frame to frame is drawn anew.

    Parameters
    ----------
    camera : Camera
    room : Room
    flyers : tuple of Flyer
    shutter : Shutter
    """

    def __init__(self, camera: Camera, room: Room, flyers: tuple[Flyer, ...], shutter: Shutter) -> None:
        self.camera, self.room, self.flyers, self.shutter = camera, room, flyers, shutter
        # A shaken picture is cut from a larger still one.
        self._margin = _SHAKE_MARGIN_PX if shutter.shake else 0
        self._wide = camera.widened(self._margin) if self._margin else camera
        self.still: Still = still_picture(self._wide, room.pieces)
        self._base = self._over(self.still.behind, self.still.front)

    @staticmethod
    def _over(behind: Pictures, front: Pictures) -> Pictures:
        return behind * (1 - front[..., 3:]) + front[..., :3]

    @property
    def front(self) -> Pictures:
        """What stands before the balls, (H, W, 4) premultiplied, with the camera at rest."""
        m = self._margin
        return self.still.front[m : m + self.camera.height_px, m : m + self.camera.width_px]

    def light(self, time_s: float) -> Pictures:
        """Linear light (H, W, 3) of the frame whose middle row is exposed about ``time_s``."""
        picture, _ = self._draw(time_s)
        return picture

    def planes(self, times_s: Floats, coding: Coding, seed: int) -> Iterator[Planes]:
        """Luma and chroma planes of every frame, noise included."""
        rng = np.random.default_rng(seed)
        h, w = self.camera.height_px, self.camera.width_px
        grain = NoiseField(h, w, seed + 1) if coding.photons > 0 else None
        resting = coding.planes(self._base) if not self._margin else None
        for time_s in times_s:
            picture, changed = self._draw(float(time_s))
            if changed is None or resting is None:
                signal = coding.planes(picture)
            else:
                signal = (resting[0].copy(), resting[1].copy(), resting[2].copy())
                for x0, y0, x1, y1 in changed:
                    # One more pair around, because the chroma filter looks across its window.
                    a, b = max(0, y0 - 2), min(h, y1 + 2)
                    c, d = max(0, x0 - 2), min(w, x1 + 2)
                    part = coding.planes(picture[a:b, c:d])
                    signal[0][a:b, c:d] = part[0]
                    inner = np.s_[(y0 - a) // 2 : (y1 - a) // 2, (x0 - c) // 2 : (x1 - c) // 2]
                    for k in (1, 2):
                        signal[k][y0 // 2 : y1 // 2, x0 // 2 : x1 // 2] = part[k][inner]
            yield coding.stored(signal, rng, grain)

    # -- one frame ------------------------------------------------------------------------------

    def _draw(self, time_s: float) -> tuple[Pictures, list[Rect] | None]:
        """The frame, and the windows that differ from the still picture (None: all of it)."""
        shutter, shaken = self.shutter, self.camera
        if shutter.shake:
            shaken = self.camera.turned(*shutter.shake(time_s))
        rows = shutter.row_times(time_s, self.camera.height_px)
        movers = [
            (m, stamp_mover(self._wide if not m.front else shaken, m, time_s, shutter.exposure_s))
            for m in self.room.movers
        ]
        flying = [f for f in self.flyers if f.path.covers(time_s)]
        flying.sort(key=lambda f: -float(f.path.at(time_s)[0][1]))
        stamps = [
            stamp_ball(shaken, f.look, f.path, rows, shutter.exposure_s, self.room.light) for f in flying
        ]
        shadows = [shadow for f in flying for shadow in self._shadows(f, time_s)]
        hinder = [stamp for m, stamp in movers if stamp is not None and not m.front]
        over = [stamp for m, stamp in movers if stamp is not None and m.front]
        drawn = [s for s in stamps if s is not None]
        if shutter.shake:
            return self._gained(self._shaken_frame(shaken, hinder, shadows, drawn, over), rows), None
        rects = [_even(_rect(s), self.camera) for s in (*hinder, *shadows, *drawn, *over)]
        windows = _merged(rects)
        picture = self._base.copy()
        for window in windows:
            cut = np.s_[window[1] : window[3], window[0] : window[2]]
            picture[cut] = self.still.behind[cut]
        for stamp in (*hinder, *shadows, *drawn):
            _lay(picture, stamp)
        for window in windows:
            cut = np.s_[window[1] : window[3], window[0] : window[2]]
            picture[cut] = self._over(picture[cut], self.still.front[cut])
        for stamp in over:
            _lay(picture, stamp)
        if shutter.gain:
            return self._gained(picture, rows), None
        return picture, windows

    def _gained(self, picture: Pictures, rows: Floats) -> Pictures:
        if self.shutter.gain is None:
            return picture
        offsets = ((np.arange(_GAIN_SAMPLES) + 0.5) / _GAIN_SAMPLES - 0.5) * self.shutter.exposure_s
        gain = self.shutter.gain((rows[:, None] + offsets).ravel()).reshape(len(rows), -1).mean(axis=1)
        lit: Pictures = picture * gain[:, None, None].astype(np.float32)
        return lit

    def _shaken_frame(
        self, shaken: Camera, hinder: list[Stamp], shadows: list[Stamp], balls: list[Stamp], over: list[Stamp]
    ) -> Pictures:
        behind = self.still.behind.copy()
        for stamp in (*hinder, *shadows):
            _lay(behind, stamp)
        h, w = self.camera.height_px, self.camera.width_px
        x, y = np.arange(w, dtype=np.float64)[None, :], np.arange(h, dtype=np.float64)[:, None]
        dx, dy = np.broadcast_arrays(*shaken.directions(x, y))
        rays = np.stack([dx, dy, np.ones_like(dx)], axis=-1)
        back = rays @ (self._wide.rotation @ shaken.rotation.T).T
        where = self._wide.project_directions(back).astype(np.float32)
        if where.min() < 0 or np.any(
            where.max(axis=(0, 1)) > [self._wide.width_px - 1, self._wide.height_px - 1]
        ):
            raise ValueError(f"the camera shakes by more than {self._margin} px")
        picture, front = (
            np.asarray(cv2.remap(layer, where[..., 0], where[..., 1], cv2.INTER_CUBIC), dtype=np.float32)
            for layer in (behind, self.still.front)
        )
        for stamp in balls:
            _lay(picture, stamp)
        picture = self._over(picture, np.clip(front, 0, 1))
        for stamp in over:
            _lay(picture, stamp)
        return np.maximum(picture, 0)

    # -- shadows --------------------------------------------------------------------------------

    def _shadows(self, flyer: Flyer, time_s: float) -> list[Stamp]:
        """Soft shadow of a ball wherever the still picture is hidden from the lamp by it."""
        if self.room.shadow <= 0:
            return []
        centre = flyer.path.at(time_s)[0]
        radius = flyer.look.radius_m
        lamp = np.asarray(self.room.light)
        out = []
        for length in self._reaches(centre, lamp):
            spot = centre - length * lamp
            if self._wide.to_camera(spot)[2] < 0.2:
                continue
            x, y = self._wide.project(spot)
            spread = (radius * 2.2 + _SHADOW_SOFTNESS * length) * 1.6
            reach = spread * self._wide.focal_px / float(self._wide.to_camera(spot)[2])
            x0, x1 = max(0, int(x - reach)), min(self._wide.width_px, int(x + reach) + 1)
            y0, y1 = max(0, int(y - reach)), min(self._wide.height_px, int(y + reach) + 1)
            if x0 < x1 and y0 < y1:
                out.append(self._shadow_window(centre, radius, (x0, y0, x1, y1)))
        return out

    def _reaches(self, centre: Floats, lamp: Floats) -> list[float]:
        """Distances along the light from the ball to the floor (z = 0) and to the deepest wall."""
        reaches = [float(centre[2] / lamp[2])] if lamp[2] > 0.05 else []
        wall_y = float(np.nanpercentile(self.still.place_m[::16, ::16, 1], 60))
        if lamp[1] < -0.05 and np.isfinite(wall_y):
            reaches.append(float((wall_y - centre[1]) / -lamp[1]))
        return [min(reaches)] if reaches else []

    def _shadow_window(self, centre: Floats, radius: float, rect: Rect) -> Stamp:
        x0, y0, x1, y1 = rect
        place = self.still.place_m[y0:y1, x0:x1]
        lamp = np.asarray(self.room.light, dtype=np.float32)
        offset = centre.astype(np.float32) - place
        along = offset @ lamp
        across = np.sqrt(np.maximum(0, (offset * offset).sum(axis=-1) - along * along))
        soft = _SHADOW_SOFTNESS * np.maximum(along, 0.0) + 1e-3
        edge = np.clip((radius + soft - across) / (2 * soft), 0, 1)
        # A penumbra wider than the ball never gets fully dark.
        full = np.minimum(1.0, (radius / soft) ** 0.5)
        dark = self.room.shadow * edge * edge * (3 - 2 * edge) * full * (along > 0)
        dark = np.nan_to_num(dark).astype(np.float32)
        return Stamp(x0, y0, np.zeros((*dark.shape, 3), dtype=np.float32), dark)


def _lay(picture: Pictures, stamp: Stamp) -> None:
    h, w = stamp.cover.shape
    window = picture[stamp.y0 : stamp.y0 + h, stamp.x0 : stamp.x0 + w]
    window *= 1 - stamp.cover[..., None]
    window += stamp.rgb


def _rect(stamp: Stamp) -> Rect:
    h, w = stamp.cover.shape
    return stamp.x0, stamp.y0, stamp.x0 + w, stamp.y0 + h


def _even(rect: Rect, camera: Camera) -> Rect:
    """Grown to even pixels, so that whole chroma samples change."""
    x0, y0, x1, y1 = rect
    return (
        x0 // 2 * 2,
        y0 // 2 * 2,
        min(camera.width_px, (x1 + 1) // 2 * 2),
        min(camera.height_px, (y1 + 1) // 2 * 2),
    )


def _merged(rects: list[Rect]) -> list[Rect]:
    """Rectangles joined until none overlap."""
    left = list(rects)
    done: list[Rect] = []
    while left:
        a = left.pop()
        touching = [b for b in (*left, *done) if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]]
        if touching:
            left = [b for b in left if b not in touching]
            done = [b for b in done if b not in touching]
            low, high = np.min([a, *touching], axis=0), np.max([a, *touching], axis=0)
            left.append((int(low[0]), int(low[1]), int(high[2]), int(high[3])))
        else:
            done.append(a)
    return done


def visible_share(stamp: Stamp, front: npt.NDArray[np.float32]) -> float:
    """Share of a ball's stamp that the things before it leave in sight."""
    h, w = stamp.cover.shape
    hidden = front[stamp.y0 : stamp.y0 + h, stamp.x0 : stamp.x0 + w, 3]
    total = float(stamp.cover.sum())
    return float((stamp.cover * (1 - hidden)).sum()) / total if total else 0.0
