"""Made measurements: every field said, from a seeded generator, none of it measured."""

from __future__ import annotations

import dataclasses
import hashlib

import numpy as np

from calibration.values import CameraStatement, Clock, Picture, Reference
from tracker.flags import Doubt
from tracker.values import (
    Ball,
    BudgetLine,
    Design,
    DesignCheck,
    Launcher,
    Measured,
    Number,
    Onward,
    Path,
    Scale,
    Setup,
    Shot,
    WheelBudget,
)


def number(rng, size=1.0):
    return Number.of(*(size * rng.normal(5, 1), *(size * abs(rng.normal(0, 0.05, 2)))))


def path(rng, first, n=40):
    columns = {name: rng.normal(3, 1, n) for name in (f.name for f in dataclasses.fields(Path))}
    columns |= {"frame": np.arange(first, first + n), "used": rng.random(n) < 0.9}
    return Path(**columns)


def shot(rng, k, first, n=40):
    named = ("exit_time_s", "exit_x_m", "exit_z_m", "exit_speed_m_s", "exit_angle_rad")
    numbers = {name: number(rng) for name in (*named, "drag_coefficient", "lift_coefficient", "free_g_m_s2")}
    wheel = WheelBudget(*(number(rng) for _ in dataclasses.fields(WheelBudget)))
    return Shot(
        shot=k,
        exit_x_px=float(rng.uniform(0, 1280)),
        exit_y_px=float(rng.uniform(0, 720)),
        direction="right" if k % 2 else "left",
        spin_rad_s=None if k % 3 == 0 else Number(210.1, 3.0, 60.0, 95.5, None),
        spin_source="none" if k % 3 == 0 else "lift",
        ball_diameter_m=number(rng, 0.03) if k % 2 else None,
        budget=(BudgetLine("scale", float(rng.random()), 0.0, "common", "film a longer reference"),),
        sightings=n,
        chi2_per_dof=float(rng.uniform(0.5, 1.5)),
        flags=("exit_is_first_sighting", "cut_by_picture") if k % 2 else (),
        path=path(rng, first, n),
        wheel_budget=wheel if k % 2 else None,
        design={"exit_speed_m_s": DesignCheck(7.2, number(rng), "within")} if k % 2 else None,
        onward=Onward(0.1 * k, -1.5, -1.2) if k % 3 else None,
        **numbers,
    )


def measured(seed=1, shots=3, clip="lob.mp4", sha256=None, n=40):
    rng = np.random.default_rng(seed)
    return Measured(
        clip=clip,
        sha256=sha256 or hashlib.sha256(f"clip {seed}".encode()).hexdigest(),
        frames=240,
        picture=Picture(1280, 720, quarter_turns=1, mirrored=True),
        clock=Clock(
            np.arange(240) / 240 + rng.normal(0, 1e-5, 240), 240.0, 8.0, "metadata", 1e-5, (17,), 1e-4
        ),
        scale=Scale(number(rng, 1e-3), number(rng, 0.01), "length"),
        warnings=(Doubt("readout_unknown", "How long it takes is not stated.", "State it."),),
        shots=tuple(shot(rng, k + 1, 60 * k + 3, n) for k in range(shots)),
        trust="Scale first.",
        refused=("too slow",),
    )


def setup(wheel_speed_rad_s=335.0, text="[ball]\ndiameter = '140 mm'\n", click=212.0, **other):
    return Setup(
        ball=Ball(0.14, 0.088, "orange"),
        reference=Reference(np.array([[click, 640.0], [851.0, 634.0]]), (1280, 720), length_m=1.5),
        camera=CameraStatement(distance_m=4.2, plumb_px=np.array([[640.0, 40.0], [642.0, 690.0]])),
        launcher=Launcher(
            wheel_diameter_m=0.096,
            wheel_speed_rad_s=wheel_speed_rad_s,
            gap_exit_m=0.126,
            deflector_angle_rad=0.66,
        ),
        design=Design(exit_speed_m_s=7.2),
        text=text,
        **other,
    )


def same(a, b):  # noqa: PLR0911 - one return a kind of value
    """Whether two values agree in every field, bit for bit in every float (any NaN equals any NaN)."""
    if dataclasses.is_dataclass(a):
        return type(a) is type(b) and all(
            same(getattr(a, f.name), getattr(b, f.name)) for f in dataclasses.fields(a)
        )
    if isinstance(a, np.ndarray):
        if a.dtype != b.dtype or a.shape != b.shape:
            return False
        if a.dtype.kind != "f":
            return bool((a == b).all())
        return all(map(same, a.ravel().tolist(), b.ravel().tolist()))
    if isinstance(a, tuple):
        return isinstance(b, tuple) and len(a) == len(b) and all(map(same, a, b))
    if isinstance(a, dict):
        return a.keys() == b.keys() and all(same(a[key], b[key]) for key in a)
    if isinstance(a, float):
        return isinstance(b, float) and ((a != a and b != b) or a.hex() == b.hex())  # noqa: PLR0124 - NaN
    return type(a) is type(b) and a == b
