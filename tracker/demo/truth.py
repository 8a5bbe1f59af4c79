"""What a rendered clip really shows, as a document that stands beside it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from tracker.demo.balls import stamp_ball
from tracker.demo.camera import Camera, Floats, sphere_outline
from tracker.demo.render import Flyer, Renderer, visible_share

_ROUNDS = 30

CONVENTIONS = (
    "Pixels are those of the upright picture, centre of the top-left pixel (0, 0), x right, y down. "
    "t = 0 is the middle of the exposure of frame 0; where the shutter rolls, of its middle row: stored "
    "row r of H has t + ((r + 0.5)/H - 0.5) readout. A ball's t_ball_s is the time of the row its centre "
    "falls on, and its place, velocity and pixels are those of that instant. x_m along the launch, y_m "
    "away from the camera, z_m up, floor z = 0, plane of flight y = 0; speed_mps and angle_deg are those "
    "in that plane. px, py: projection of the centre; px_outline, py_outline: middle of the outline's "
    "area; radius_px: of a disc as large as the outline. visible: share of the outline that nothing "
    "hides. Camera and its matrices are in room coordinates (x to the picture's right) and stored pixels; "
    "a frame of a shaken clip has its own R_room_to_cam."
)


@dataclass(frozen=True, slots=True)
class Launch:
    """What is known about one shot. Spin: positive is backspin; ``laws`` is free text."""

    exit_time_s: float
    exit_x_m: float
    exit_z_m: float
    speed_m_s: float
    angle_rad: float
    spin_rad_s: float
    end_time_s: float
    velocity_y_m_s: float = 0.0
    laws: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Filmed:
    """One clip as it was filmed, for its truth.

    Parameters
    ----------
    times_s : (n,) array
        Real mid-exposure times of the frames' middle rows, first 0.
    launches : tuple of Launch
        One for each of the renderer's flyers that is a shot, in their order.
    x_sign : float
        +1 if the launch goes to the right of the room, -1 if to the left.
    origin_x_m : float
        Room x of the truth's x = 0.
    """

    renderer: Renderer
    times_s: Floats
    launches: tuple[Launch, ...]
    quarter_turns: int = 0
    x_sign: float = 1.0
    origin_x_m: float = 0.0


def upright_px(xy_px: Floats, camera: Camera, quarter_turns: int) -> Floats:
    """Stored pixels, shape (..., 2), after counter-clockwise quarter turns."""
    x, y = xy_px[..., 0], xy_px[..., 1]
    right, bottom = camera.width_px - 1, camera.height_px - 1
    turned = {0: (x, y), 1: (y, right - x), 2: (right - x, bottom - y), 3: (bottom - y, x)}[quarter_turns % 4]
    return np.stack(turned, axis=-1)


def truth_of(filmed: Filmed, reference_m: Floats, notes: dict[str, Any]) -> dict[str, Any]:
    """The document: camera, shutter, reference (points (n, 3) in room coordinates), shots, frames."""
    renderer = filmed.renderer
    camera, shutter = renderer.camera, renderer.shutter
    reference = []
    if len(reference_m):
        pixels = upright_px(camera.project(reference_m), camera, filmed.quarter_turns)
        reference = [
            {"px": _rounded(p), "world_m": _rounded(_launch_axes(filmed, m))}
            for p, m in zip(pixels, reference_m, strict=True)
        ]
    return {
        "conventions": CONVENTIONS,
        "true_capture_fps": round((len(filmed.times_s) - 1) / float(filmed.times_s[-1]), 6),
        "shutter_s": shutter.exposure_s,
        "readout_s": shutter.readout_s,
        "quarter_turns": filmed.quarter_turns,
        "direction": "right" if filmed.x_sign > 0 else "left",
        **notes,
        "camera": {
            "K": _rounded(camera.matrix),
            "R_room_to_cam": [[round(float(v), 12) for v in row] for row in camera.rotation],
            "centre_m": list(camera.centre_m),
            "distortion_k1_k2_p1_p2_k3": list(camera.distortion),
            "stored_width": camera.width_px,
            "stored_height": camera.height_px,
            "x_of_room": {"sign": filmed.x_sign, "origin_m": filmed.origin_x_m},
        },
        "reference": reference,
        "shots": [_shot(launch) for launch in filmed.launches],
        "frames": [f for k, t in enumerate(filmed.times_s) if (f := _frame(filmed, k, float(t)))],
    }


def _launch_axes(filmed: Filmed, place_m: Floats) -> Floats:
    return np.array([filmed.x_sign * (place_m[0] - filmed.origin_x_m), place_m[1], place_m[2]])


def _rounded(values: Floats) -> Any:
    return np.round(np.asarray(values, dtype=np.float64), 6).tolist()


def _shot(launch: Launch) -> dict[str, Any]:
    return {
        "exit_time_s": round(launch.exit_time_s, 7),
        "exit_xz_m": [round(launch.exit_x_m, 6), round(launch.exit_z_m, 6)],
        "speed_mps": round(launch.speed_m_s, 6),
        "angle_deg": round(float(np.degrees(launch.angle_rad)), 6),
        "spin_rad_s": round(launch.spin_rad_s, 6),
        "velocity_y_mps": round(launch.velocity_y_m_s, 6),
        "landing_time_s": round(launch.end_time_s, 7),
        **(launch.laws or {}),
    }


def ball_time(camera: Camera, flyer: Flyer, row_time: Callable[[float], float], start_s: float) -> float:
    """Time at which the row that the ball's centre falls on is exposed, by fixed-point rounds."""
    t = start_s
    for _ in range(_ROUNDS):
        t = row_time(float(camera.project(flyer.path.at(t)[0])[1]))
    return t


def _frame(filmed: Filmed, index: int, time_s: float) -> dict[str, Any] | None:
    renderer = filmed.renderer
    shutter, camera = renderer.shutter, renderer.camera
    if shutter.shake:
        camera = camera.turned(*shutter.shake(time_s))
    height = camera.height_px

    def row_time(row: float) -> float:
        return time_s + ((row + 0.5) / height - 0.5) * shutter.readout_s

    balls = []
    for number, launch in enumerate(filmed.launches):
        flyer = renderer.flyers[number]
        if not flyer.path.covers(time_s):
            continue
        t = ball_time(camera, flyer, row_time, time_s)
        place, speed, angle, _ = (np.asarray(v) for v in flyer.path.at(t))
        outline = sphere_outline(camera, place, flyer.look.radius_m)
        both = np.array([camera.project(place), [outline.x_px, outline.y_px]])
        centre, middle = upright_px(both, camera, filmed.quarter_turns)
        rim = outline.points_px
        inside = bool(
            np.all((rim > -0.5) & (rim < [camera.width_px - 0.5, height - 0.5])) if len(rim) else False
        )
        rows = shutter.row_times(time_s, height)
        stamp = stamp_ball(camera, flyer.look, flyer.path, rows, shutter.exposure_s, renderer.room.light, 2)
        x, y, z = _launch_axes(filmed, place)
        balls.append(
            {
                "shot": number,
                "t_ball_s": round(t, 7),
                "x_m": round(float(x), 6),
                "y_m": round(float(y), 6),
                "z_m": round(float(z), 6),
                "vx": round(filmed.x_sign * float(speed[0]), 6),
                "vy": round(float(speed[1]), 6),
                "vz": round(float(speed[2]), 6),
                "px": round(float(centre[0]), 4),
                "py": round(float(centre[1]), 4),
                "px_outline": round(float(middle[0]), 4),
                "py_outline": round(float(middle[1]), 4),
                "radius_px": round(outline.radius_px, 4),
                "spin_angle_rad": round(filmed.x_sign * float(angle), 5),
                "in_flight": launch.exit_time_s <= t <= launch.end_time_s,
                "in_launcher": t < launch.exit_time_s,
                "visible": round(visible_share(stamp, renderer.front), 3) if stamp else 0.0,
                "fully_in_picture": inside,
            }
        )
    if not balls:
        return None
    frame: dict[str, Any] = {"frame": index, "t_s": round(time_s, 7), "balls": balls}
    if shutter.shake:
        frame["R_room_to_cam"] = np.round(camera.rotation, 9).tolist()
    return frame
