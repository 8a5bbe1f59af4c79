"""Launcher, reference staff and lantern basket of *Lantern Run*, made up, as painted pieces."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tracker.demo.paint import Paint, box, clear, ellipse, flat, graded, hole, mottled, polygon, soft_spot
from tracker.demo.scene import upright
from tracker.demo.surfaces import Piece

_PLATE_Y_M = 0.1
_SCALE = 900  # pixels of paint a metre


@dataclass(frozen=True, slots=True)
class LauncherPlace:
    """Where the single driven wheel stands and where its curved backing lets go of the ball.

    The ball runs clockwise round the wheel between it and the backing, and leaves at ``exit_m``.
    """

    exit_x_m: float
    exit_z_m: float
    angle_rad: float
    wheel_radius_m: float = 0.048
    track_radius_m: float = 0.111

    @property
    def hub_m(self) -> tuple[float, float]:
        """Centre (x, z) of the wheel: square to the exit direction, below it."""
        return (
            self.exit_x_m + self.track_radius_m * math.sin(self.angle_rad),
            self.exit_z_m - self.track_radius_m * math.cos(self.angle_rad),
        )


def launcher(place: LauncherPlace) -> tuple[Piece, ...]:
    """Back plate, wheel, stand, and the front plate that hides the ball until it leaves."""
    x, z = place.hub_m
    half = 0.27
    side = int(2 * half * _SCALE)
    back, wheel, plate = (clear(side, side, c) for c in ("#4f6f86", "#2b2b2d", "#4f6f86"))
    _plate(back, place, "#3b5364", half)
    middle = side / 2
    rubber = place.wheel_radius_m * _SCALE
    ellipse(wheel, (middle, middle), (rubber, rubber), "#26272a")
    ellipse(wheel, (middle, middle), (rubber * 0.62, rubber * 0.62), "#8d9296")
    ellipse(wheel, (middle, middle), (rubber * 0.2, rubber * 0.2), "#3a3c3f")
    _plate(plate, place, "#5d7f97", half)
    _trim(plate, place)
    graded(plate, 1.12, 0.85)
    window = np.linspace(0, 2 * math.pi, 60, endpoint=False)
    hole(plate, middle + (rubber * 1.12) * np.column_stack([np.cos(window), np.sin(window)]))
    return (
        *_stand(x, z, +_PLATE_Y_M),
        upright(x - half, z + half, 2 * half, 2 * half, _PLATE_Y_M, back),
        upright(x - half, z + half, 2 * half, 2 * half, 0.0, wheel),
        *(replace(p, front=True) for p in _stand(x, z, -_PLATE_Y_M)),
        upright(x - half, z + half, 2 * half, 2 * half, -_PLATE_Y_M, plate, front=True),
    )


def _plate(paint: Paint, place: LauncherPlace, colour: str, half_m: float) -> None:
    """A round plate with a straight cut square to the exit direction, just past the exit."""
    radius = 0.215
    past = 0.035
    along = np.array([math.cos(place.angle_rad), math.sin(place.angle_rad)])
    a = np.linspace(0, 2 * math.pi, 240, endpoint=False)
    rim = radius * np.column_stack([np.cos(a), np.sin(a)])
    reach = rim @ along
    above = rim @ np.array([-along[1], along[0]]) > -0.07
    limit = np.where(above, past, 0.095)
    rim = rim - np.outer(np.maximum(0.0, reach - limit), along)
    polygon(paint, (np.array([half_m, half_m]) + rim * [1, -1]) * _SCALE, colour)


def _trim(paint: Paint, place: LauncherPlace) -> None:
    """The backing's edge and bolts, drawn on the plate."""
    middle = paint.shape[0] / 2
    start = math.pi / 2 + place.angle_rad
    a = start + np.linspace(0.05, 2.2, 60)
    arc = np.column_stack([np.cos(a), -np.sin(a)])
    band = np.concatenate([arc * 0.188, arc[::-1] * 0.176])
    polygon(paint, middle + band * _SCALE, "#cfd6d8")
    for turn in np.linspace(0.1, 2.1, 6):
        spot = middle + 0.2 * _SCALE * np.array([math.cos(start + turn), -math.sin(start + turn)])
        ellipse(paint, (float(spot[0]), float(spot[1])), (6, 6), "#2d3a43")


def _stand(x_m: float, z_m: float, y_m: float) -> list[Piece]:
    """Two splayed legs and a foot on the floor."""
    width, height = 0.6, z_m - 0.05
    legs = clear(int(height * 500), int(width * 500), "#8a7860")
    h, w = legs.shape[:2]
    for top, low in ((0.42, 0.1), (0.58, 0.9)):
        polygon(legs, [(top * w - 14, 0), (top * w + 14, 0), (low * w + 14, h), (low * w - 14, h)], "#8a7860")
    box(legs, 0.24 * w, 0.62 * h, 0.76 * w, 0.62 * h + 18, "#75654f")
    graded(legs, 0.8, 1.0)
    board = mottled(flat(24, 300, "#6b5d4a"), np.random.default_rng(5), [(6, 60, 0.06)])
    shade = soft_spot(40, 120, 0.5)
    pieces = [
        upright(x_m - width / 2, height, width, height, y_m, legs),
        upright(x_m - 0.34, 0.05, 0.68, 0.05, y_m, board),
    ]
    return (
        [Piece((x_m - 0.5, 0.45, 0.004), (1.05, 0, 0), (0, -0.85, 0), shade), *pieces] if y_m > 0 else pieces
    )


def staff(left_m: tuple[float, float], right_m: tuple[float, float], y_m: float = 0.0) -> tuple[Piece, ...]:
    """A birch staff with lozenges, and at each end a quartered disc whose middle is the mark.

    Parameters
    ----------
    left_m, right_m : (x, z)
        Middles of the two discs.
    """
    a, b = np.asarray(left_m), np.asarray(right_m)
    length = float(np.hypot(*(b - a)))
    along = (b - a) / length
    across = np.array([along[1], -along[0]])
    n = int(length * 700)
    bar = mottled(flat(28, n, "#d2c3a0"), np.random.default_rng(6), [(5, 90, 0.03)])
    for k in range(1, round(length / 0.125)):
        x = k * 0.125 * 700
        size = 10 if k % 2 else 13
        polygon(
            bar,
            [(x - 1.5 * size, 14), (x, 14 - size), (x + 1.5 * size, 14), (x, 14 + size)],
            "#2f4f7d" if k % 2 else "#7d2f4a",
        )
    disc = clear(220, 220, "#efece2")
    ellipse(disc, (110, 110), (108, 108), "#26364f")
    ellipse(disc, (110, 110), (100, 100), "#efece2")
    for start in (0.0, math.pi):
        t = start + np.linspace(0, math.pi / 2, 30)
        wedge = np.concatenate([[[0.0, 0.0]], 90 * np.column_stack([np.cos(t), np.sin(t)])])
        polygon(disc, 110 + wedge, "#26364f")

    def slab(centre: np.ndarray, long_m: float, wide_m: float, lift_m: float, paint: Paint) -> Piece:
        corner = centre - along * long_m / 2 - across * wide_m / 2
        return Piece(
            (float(corner[0]), y_m - lift_m, float(corner[1])),
            (float(along[0] * long_m), 0.0, float(along[1] * long_m)),
            (float(across[0] * wide_m), 0.0, float(across[1] * wide_m)),
            paint,
        )

    pieces = [slab((a + b) / 2, length, 0.04, 0.0, bar)]
    pieces += [slab(p, 0.1, 0.1, 0.0, disc) for p in (a, b)]
    feet = []
    for share in (0.2, 0.8):
        x, z = a + share * (b - a)
        if 0.06 < z < 0.6:
            leg = clear(200, 120, "#6d6557")
            polygon(leg, [(52, 0), (68, 0), (112, 200), (92, 200), (60, 40), (28, 200), (8, 200)], "#6d6557")
            feet.append(
                Piece((x - 0.13, y_m + 0.15, 0.004), (0.26, 0, 0), (0, -0.3, 0), soft_spot(40, 40, 0.4))
            )
            feet.append(upright(float(x) - 0.1, float(z), 0.2, float(z), y_m + 0.02, leg))
    # In front, so that whoever walks behind the plane of flight passes behind the staff.
    return tuple(replace(piece, front=True) for piece in (*feet, *pieces))


def basket(x_m: float, rim_z_m: float, opening_m: float, y_m: float = 0.0) -> tuple[Piece, ...]:
    """A woven basket on a post: the far half of its rim behind the balls, the near half before them."""
    half, depth = opening_m / 2, 0.34
    h, w = 340, 450
    weave = clear(h, w, "#8d7fa0")
    polygon(weave, [(0, 0), (w, 0), (w - 60, h), (60, h)], "#8779a0")
    for k, y in enumerate(range(0, h, 17)):
        for x in range(-30 + 15 * (k % 2), w, 30):
            box(
                weave,
                x,
                y,
                x + 15,
                y + 17,
                "#6a5d84",
                0.75 * float(weave[min(h - 1, y + 8), min(w - 1, max(0, x + 7)), 3]),
            )
    edge = np.zeros((h, w), dtype=np.float32)
    outline = flat(h, w, "#000000", 0)
    polygon(outline, [(0, 0), (w, 0), (w - 60, h), (60, h)], "#000000")
    edge[:] = outline[..., 3]
    weave[..., 3] = edge
    inner = weave.copy()
    inner[..., :3] *= 0.35
    box(weave, 0, 0, w, 22, "#d9c65a")
    graded(weave, 1.05, 0.8, 1.15, 0.7)
    inner_top = inner[:90]
    post = flat(200, 24, "#7c858b")
    graded(post, 1, 0.8, 1.2, 0.6)
    rim = flat(10, w, "#b9a94e")
    foot = rim_z_m - depth
    return (
        Piece((x_m - 0.3, y_m + 0.3, 0.004), (0.6, 0, 0), (0, -0.6, 0), soft_spot(50, 50, 0.5)),
        upright(x_m - 0.025, foot + 0.02, 0.05, foot + 0.02, y_m, post),
        upright(
            x_m - 0.17, 0.04, 0.34, 0.04, y_m - 0.05, rim * np.array([0.4, 0.45, 0.9, 1], dtype=np.float32)
        ),
        upright(x_m - half, rim_z_m, opening_m, 0.09, y_m + 0.03, inner_top),
        upright(x_m - half, rim_z_m + 0.008, opening_m, 0.016, y_m + 0.03, rim),
        upright(x_m - half, rim_z_m, opening_m, depth, y_m - 0.05, weave, front=True),
    )


def mirrored(pieces: tuple[Piece, ...], about_x_m: float) -> tuple[Piece, ...]:
    """The same pieces left for right about a plane of constant x."""
    return tuple(
        replace(
            p,
            corner_m=(2 * about_x_m - p.corner_m[0], p.corner_m[1], p.corner_m[2]),
            across_m=(-p.across_m[0], p.across_m[1], p.across_m[2]),
            down_m=(-p.down_m[0], p.down_m[1], p.down_m[2]),
        )
        for p in pieces
    )
