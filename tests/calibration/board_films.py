"""Drawn films of a wall, with or without a board, and a ball on a path that scipy integrated."""

from __future__ import annotations

import math

import numpy as np
from board_pictures import paper
from own_flight import Throw

from calibration.board_layout import Board
from tracker.demo.balls import BallLook, BallPath
from tracker.demo.camera import Camera
from tracker.demo.colour import Coding
from tracker.demo.containers import Container, write_clip
from tracker.demo.paint import flat, linear, mottled
from tracker.demo.render import Flyer, Piece, Renderer, Room, Shutter
from tracker.demo.scene import upright

FPS, FRAMES, BEGIN_S = 120.0, 96, 0.052
THROW = Throw(5.4, math.radians(54), 25.0, exit_m=(-1.1, 0.0, 0.55))
BOARD = Board(sheets_across=2, sheets_up=2)
BOARD_M = (-0.35, 0.25)  # its lower left marker's lower left corner, in the plane of flight


def camera(yaw_deg: float, pitch_up_deg: float) -> Camera:
    yaw = math.radians(yaw_deg)
    place = (-3.9 * math.sin(yaw), -3.9 * math.cos(yaw), 1.1)
    return Camera(960, 540, 810.0, place, yaw_rad=yaw, pitch_rad=math.radians(pitch_up_deg))


def printed(board: Board, x_m: float, z_m: float) -> Piece:
    """The sheet of paper in the room, by its own geometry."""
    sheet, to_px = paper(board, 24)
    px_per_mm = to_px[0, 0]
    low_x, high_z = -(to_px[0, 2] + 0.5) / px_per_mm / 1000, (to_px[1, 2] + 0.5) / px_per_mm / 1000
    paint = flat(*sheet.shape, "#000000")
    paint[..., :3] = np.where(sheet > 127, 0.7, 0.03)[..., None]
    height, width = (side / px_per_mm / 1000 for side in sheet.shape)
    return upright(x_m + low_x, z_m + high_z, width, height, 0.0, paint)


def path() -> BallPath:
    t = np.linspace(0, 0.9, 181)
    state = THROW.fly(1.0)(t)
    axis = (0.0, -1.0, 0.0)
    return BallPath(t + BEGIN_S, state[:, :3], state[:, 3:6], np.zeros(len(t)), np.zeros(len(t)), axis)


def drawn(folder, name: str, seen_by: Camera, *, board: bool):
    rng = np.random.default_rng(3)
    wall = upright(
        -5, 4.5, 11, 5.5, 1.9, mottled(flat(500, 1000, "#a7b0a6"), rng, [(5, 5, 0.05), (60, 80, 0.06)])
    )
    pieces = (wall, printed(BOARD, *BOARD_M)) if board else (wall,)
    look = BallLook(0.07, linear("#f07818"), ambient=0.75, diffuse=0.3, highlight=0.0)
    renderer = Renderer(seen_by, Room(pieces, shadow=0.0), (Flyer(look, path()),), Shutter(0.001))
    times = np.arange(FRAMES) / FPS
    clip = folder / f"{name}.mp4"
    write_clip(clip, renderer.planes(times, Coding(photons=9000.0), 5), times.tolist(), Container())
    return clip
