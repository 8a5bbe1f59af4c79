"""The practice hall of *Lantern Run*, made up: wall, floor and furniture as painted pieces."""

from __future__ import annotations

import numpy as np

from tracker.demo.paint import Paint, box, clear, ellipse, flat, graded, mottled, polygon, soft_spot
from tracker.demo.surfaces import Piece

WALL_Y_M = 1.9
_LEFT_M, _RIGHT_M, _TOP_M = -3.5, 8.0, 6.0


def upright(
    x0_m: float,
    z1_m: float,
    width_m: float,
    height_m: float,
    y_m: float,
    paint: Paint,
    *,
    front: bool = False,
) -> Piece:
    """A piece that stands square to the view: left edge, top edge, size, distance, paint."""
    return Piece((x0_m, y_m, z1_m), (width_m, 0, 0), (0, 0, -height_m), paint, front)


def hall(seed: int = 1, *, furniture: bool = True) -> tuple[Piece, ...]:
    """Wall and floor, and what stands before the wall."""
    rng = np.random.default_rng(seed)
    pieces = [_floor(rng), *_wall(rng)]
    if furniture:
        pieces += [
            *_window(rng, -0.55),
            *_shelf(rng, 3.35),
            *_bench(rng, 1.25),
            *_plant(rng, 5.0),
            *_garland(rng),
        ]
    return tuple(pieces)


def _floor(rng: np.random.Generator) -> Piece:
    """Boards across the picture, staggered joints."""
    near, scale = -2.6, 180
    depth, width = WALL_Y_M - near, _RIGHT_M - _LEFT_M
    h, w = int(depth * scale), int(width * scale)
    paint = mottled(flat(h, w, "#8f8676"), rng, [(3, 240, 0.035), (160, 300, 0.04)])
    board = int(0.17 * scale)
    for k, y in enumerate(range(0, h, board)):
        x = -int(rng.integers(0, 300))
        while x < w:
            length = int(rng.integers(260, 460))
            tone = 1 + 0.07 * float(rng.standard_normal())
            paint[y : y + board, max(0, x) : max(0, x + length), :3] *= tone
            paint[y : y + board, max(0, x + length - 1) : max(0, x + length), :3] *= 0.6
            x += length
        paint[y : y + 1 + k % 2, :, :3] *= 0.62
    graded(paint, 0.72, 1.08)
    return Piece((_LEFT_M, WALL_Y_M, 0.0), (width, 0, 0), (0, -depth, 0), paint)


def _wall(rng: np.random.Generator) -> list[Piece]:
    """Plaster above, painted boards below, a rail between them, a skirting at the floor."""
    scale, dado = 160, 0.92
    width = _RIGHT_M - _LEFT_M
    w = int(width * scale)
    upper = mottled(
        flat(int((_TOP_M - dado) * scale), w, "#bcc4bd"),
        rng,
        [(4, 4, 0.012), (60, 90, 0.02), (300, 500, 0.035)],
    )
    graded(upper, 0.9, 1.02, 1.03, 0.9)
    lower = mottled(flat(int(dado * scale), w, "#4c646a"), rng, [(120, 3, 0.03), (90, 200, 0.03)])
    for x in range(0, w, 22):
        lower[:, x : x + 1, :3] *= 0.5
        lower[:, x + 1 : x + 2, :3] *= 1.25
        lower[:, x : x + 22, :3] *= 1 + 0.03 * float(rng.standard_normal())
    graded(lower, 1.0, 0.8, 1.03, 0.9)
    rail, skirting = flat(12, w, "#d5cfbf"), flat(20, w, "#d5cfbf")
    rail[8:, :, :3] *= 0.55
    skirting[:3, :, :3] *= 1.1
    graded(skirting, 1.0, 0.8)
    return [
        upright(_LEFT_M, _TOP_M, width, _TOP_M - dado, WALL_Y_M, upper),
        upright(_LEFT_M, dado, width, dado, WALL_Y_M, lower),
        upright(_LEFT_M, dado + 0.03, width, 0.075, WALL_Y_M - 0.02, rail),
        upright(_LEFT_M, 0.12, width, 0.12, WALL_Y_M - 0.02, skirting),
    ]


def _window(rng: np.random.Generator, x_m: float) -> list[Piece]:
    """An evening sky behind four panes."""
    h, w = 260, 300
    sky = flat(h, w, "#9fbdd0")
    graded(sky, 0.75, 1.25)
    sky = mottled(sky, rng, [(40, 120, 0.05), (14, 60, 0.02)])
    for k in range(3):
        ridge = 205 + 18 * k + 14 * np.sin(np.linspace(0, 4 + k, 30) + 2 * k)
        points = [*zip(np.linspace(0, w, 30), ridge, strict=True), (w, h), (0, h)]
        polygon(sky, points, ("#8ea5a8", "#71898a", "#586f6c")[k])
    frame = clear(h + 40, w + 40, "#d9d6cc")
    box(frame, 0, 0, w + 40, h + 40, "#dcd9cf")
    for x0, x1 in ((20, 164), (176, 320)):
        for y0, y1 in ((20, 142), (154, 280)):
            frame[y0:y1, x0:x1, 3] = 0
    sill = flat(14, w + 80, "#d5cfbf")
    sill[9:, :, :3] *= 0.5
    return [
        upright(x_m, 2.5, 1.15, 1.05, WALL_Y_M - 0.005, sky),
        upright(x_m - 0.075, 2.575, 1.3, 1.2, WALL_Y_M - 0.02, frame),
        upright(x_m - 0.14, 1.39, 1.43, 0.05, WALL_Y_M - 0.1, sill),
    ]


def _shelf(rng: np.random.Generator, x_m: float) -> list[Piece]:
    """Two boards with jars, boxes and books."""
    pieces = []
    for z in (1.42, 1.86):
        board = mottled(flat(16, 520, "#7d6750"), rng, [(4, 90, 0.06)])
        board[11:, :, :3] *= 0.6
        shade = flat(40, 520, "#000000")
        shade[..., 3] = np.linspace(0.35, 0, 40)[:, None] ** 1.3
        pieces += [
            upright(x_m, z - 0.04, 1.3, 0.13, WALL_Y_M - 0.004, shade),
            upright(x_m - 0.02, z, 1.34, 0.045, WALL_Y_M - 0.22, board),
        ]
        x = x_m + 0.05
        while x < x_m + 1.1:
            kind = int(rng.integers(0, 3))
            wide, tall = (0.055, 0.24) if kind == 0 else (0.13, 0.19) if kind == 1 else (0.2, 0.14)
            tall += 0.05 * float(rng.random())
            colour = str(rng.choice(["#6f7f9a", "#8a8f7a", "#a79f8c", "#5f6b63", "#7b6f86", "#93a3a8"]))
            thing = flat(60, 40, colour)
            graded(thing, 1.05, 0.85, 1.15, 0.7)
            if kind == 1:
                box(thing, 0, 0, 40, 9, "#c9c4b4")
            elif kind == 0:
                box(thing, 0, 10, 40, 14, "#d8d4c6")
                box(thing, 0, 46, 40, 49, "#d8d4c6")
            else:
                box(thing, 12, 24, 28, 40, "#d9d5c8")
            pieces.append(upright(x, z + tall, wide, tall, WALL_Y_M - 0.16, thing))
            x += wide + 0.012 + (0.1 if rng.random() < 0.25 else 0)
    return pieces


def _bench(rng: np.random.Generator, x_m: float) -> list[Piece]:
    """A low bench with a crate under it."""
    y = WALL_Y_M - 0.42
    top = mottled(flat(18, 500, "#8b7a63"), rng, [(4, 120, 0.06)])
    top[12:, :, :3] *= 0.6
    seat = mottled(flat(60, 500, "#9b8a72"), rng, [(5, 130, 0.06)])
    leg = flat(60, 10, "#66727a")
    graded(leg, 1, 0.8, 1.1, 0.7)
    crate = mottled(flat(100, 160, "#77837c"), rng, [(60, 90, 0.04)])
    for y0 in (0, 34, 68):
        box(crate, 0, y0 + 29, 160, y0 + 34, "#3a4140")
    graded(crate, 1, 0.75)
    return [
        Piece((x_m - 0.1, y + 0.45, 0.003), (1.75, 0, 0), (0, -0.62, 0), soft_spot(60, 160, 0.5)),
        upright(x_m + 0.75, 0.3, 0.5, 0.29, y + 0.12, crate),
        Piece((x_m, y + 0.36, 0.46), (1.5, 0, 0), (0, -0.36, 0), seat),
        upright(x_m, 0.46, 1.5, 0.055, y, top),
        *(upright(x, 0.41, 0.05, 0.41, y + 0.02, leg) for x in (x_m + 0.08, x_m + 1.37)),
    ]


def _plant(rng: np.random.Generator, x_m: float) -> list[Piece]:
    """Broad leaves in a glazed pot."""
    h, w = 420, 300
    leaves = clear(h, w, "#4f6a4c")
    for _ in range(34):
        turn = float(rng.uniform(-2.9, -0.25))
        reach = float(rng.uniform(70, 190))
        x, y = 150 + 0.55 * reach * np.cos(turn), 330 + reach * 1.25 * np.sin(turn)
        colour = str(rng.choice(["#4c6b49", "#5b7a54", "#3f5a41", "#6a875f"]))
        ellipse(
            leaves,
            (float(x), float(y)),
            (float(rng.uniform(34, 52)), float(rng.uniform(11, 17))),
            colour,
            turn,
        )
    pot = clear(120, 130, "#6d7f8c")
    polygon(pot, [(4, 0), (126, 0), (108, 120), (22, 120)], "#6d7f8c")
    box(pot, 0, 0, 130, 18, "#7d909d")
    graded(pot, 1, 0.85, 1.15, 0.65)
    y = WALL_Y_M - 0.4
    return [
        Piece((x_m - 0.28, y + 0.3, 0.003), (0.62, 0, 0), (0, -0.6, 0), soft_spot(60, 60, 0.55)),
        upright(x_m - 0.5, 1.62, 1.05, 1.45, y, leaves),
        upright(x_m - 0.2, 0.42, 0.42, 0.42, y - 0.05, pot),
    ]


def _garland(rng: np.random.Generator) -> list[Piece]:
    """Unlit paper lanterns on a cord along the wall: decoration, and round things that stay still."""
    pieces = []
    cord = clear(160, 1600, "#4a4a46")
    for x in range(1600):
        sag = 20 + 110 * (1 - (2 * ((x % 534) / 534) - 1) ** 2)
        cord[int(sag) : int(sag) + 2, x] = (0.03, 0.03, 0.03, 0.9)
    pieces.append(upright(-1.6, 2.92, 8.0, 0.8, WALL_Y_M - 0.25, cord))
    for k in range(15):
        x = 100 * k + 55
        sag = 20 + 110 * (1 - (2 * ((x % 534) / 534) - 1) ** 2)
        radius = float(rng.uniform(0.085, 0.12))
        lantern = clear(100, 100, "#cfc8b4")
        colour = str(rng.choice(["#d6d0bd", "#c7ccd0", "#cfc3c6", "#c9d0c0"]))
        ellipse(lantern, (50, 50), (48, 42), colour)
        for y in range(12, 92, 8):
            lantern[y, :, :3] *= 0.8
        lantern[..., :3] *= np.linspace(1.12, 0.72, 100, dtype=np.float32)[None, :, None]
        z = 2.92 - 0.8 * sag / 160
        pieces.append(upright(-1.6 + x / 200 - radius, z, 2 * radius, 2 * radius, WALL_Y_M - 0.26, lantern))
    return pieces
