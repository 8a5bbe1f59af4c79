"""Made results: a flight without air, seen by a camera square to it, so that every number is plain."""

from __future__ import annotations

import math
import os
from collections.abc import Callable

# Before numpy is loaded: threads of the linear algebra library make small matrices slower.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pytest

from calibration.values import Clock, Picture
from tracker.values import BudgetLine, Measured, Number, Path, Scale, Shot

G_M_S2 = 9.80665  # CGPM 1901, standard acceleration of free fall
M_PER_PX = 0.004
FLOOR_PX = 660.0


def made_path(
    speed_m_s: float, angle_rad: float, left: bool, frames: int, fps: float, radius_px: float, seed: int
) -> Path:
    t = np.arange(frames) / fps
    x = speed_m_s * math.cos(angle_rad) * t
    z = 0.6 + speed_m_s * math.sin(angle_rad) * t - G_M_S2 * t**2 / 2
    start_px, sign = (1100.0, -1.0) if left else (180.0, 1.0)
    rng = np.random.default_rng(seed)
    u_px = 0.3
    noise = rng.normal(0, u_px, (2, frames))
    used = np.ones(frames, bool)
    used[5::17] = False
    x_px, y_px = start_px + sign * x / M_PER_PX, FLOOR_PX - z / M_PER_PX
    return Path(
        frame=np.arange(31, 31 + frames),
        t_s=t + 31 / fps,
        x_px=x_px + noise[0],
        y_px=y_px + noise[1],
        x_m=x + sign * noise[0] * M_PER_PX,
        z_m=z - noise[1] * M_PER_PX,
        fit_x_m=x,
        fit_z_m=z,
        fit_x_px=x_px,
        fit_y_px=y_px,
        u_m=np.full(frames, u_px * M_PER_PX),
        radius_px=np.full(frames, radius_px),
        used=used,
    )


def made_shot(
    number: int = 1,
    *,
    speed_m_s: float = 7.2,
    angle_rad: float = math.radians(52),
    left: bool = False,
    frames: int = 120,
    fps: float = 240.0,
    radius_px: float = 17.5,
    seed: int = 20,
) -> Shot:
    path = made_path(speed_m_s, angle_rad, left, frames, fps, radius_px, seed)
    return Shot(
        shot=number,
        exit_time_s=Number.of(path.t_s[0], 0.0002, 0.0001),
        exit_x_m=Number.of(0.0, 0.001, 0.002),
        exit_z_m=Number.of(0.6, 0.001, 0.002),
        exit_x_px=float(path.fit_x_px[0]),
        exit_y_px=float(path.fit_y_px[0]),
        direction="left" if left else "right",
        exit_speed_m_s=Number.of(speed_m_s, 0.021, 0.034),
        exit_angle_rad=Number.of(angle_rad, 0.003, 0.006),
        spin_rad_s=Number.of(40.0, 6.0, 11.0),
        spin_source="lift",
        drag_coefficient=Number.of(0.45, 0.05, 0.02),
        lift_coefficient=Number.of(0.12, 0.04, 0.02),
        free_g_m_s2=Number.of(9.79, 0.06, 0.08),
        ball_diameter_m=Number.of(0.1403, 0.0008, 0.001),
        budget=(
            BudgetLine("scale", 0.030, 0.0002, "common", "Film a longer reference, or measure it better."),
            BudgetLine("sightings", 0.021, 0.0030, "random", "Film more frames of the flight."),
            BudgetLine("tilt", 0.012, 0.0058, "common", "Give a plumb line in the setup."),
            BudgetLine("yaw", 0.009, 0.0015, "common", "Stand square to the flight."),
            BudgetLine("drag", 0.004, 0.0001, "common", "Weigh the ball."),
        ),
        sightings=int(path.used.sum()),
        chi2_per_dof=1.02,
        flags=(),
        path=path,
    )


def made_clip(*shots: Shot, name: str = "shot.mp4") -> Measured:
    return Measured(
        clip=name,
        sha256="ab" * 32,
        frames=240,
        picture=Picture(1280, 720),
        clock=Clock(np.arange(240) / 240.0, 240.0, 1.0, "container"),
        scale=Scale(Number.of(M_PER_PX, 1e-6, 1.2e-5), Number.of(0.0, 0.001, 0.004), "length"),
        warnings=(),
        shots=shots,
        trust="Nothing speaks against these numbers.",
    )


@pytest.fixture(name="made_shot")
def made_shot_fixture() -> Callable[..., Shot]:
    return made_shot


@pytest.fixture(name="made_clip")
def made_clip_fixture() -> Callable[..., Measured]:
    return made_clip
