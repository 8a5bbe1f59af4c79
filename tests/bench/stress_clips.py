"""Small made clips for the stress table: a ball in a hall of boards, one thing made harder at a time.

Discs over a background, drawn by the ball room's test pictures; the path is that of gravity, buoyancy, added
mass and drag, integrated by scipy. Truth is what was put in.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "ball")]

import made_frames as made  # noqa: E402 - it is found only once the path is set

from tracker.demo.containers import Container, write_clip  # noqa: E402 - the same

BALL = (150.0, 88.0, 192.0)  # orange: luma, U, V
GROUND = (112.0, 126.0, 124.0)
G_M_S2, RHO_KG_M3, DRAG = 9.80665, 1.2, 0.47  # a smooth sphere's drag, handbook value
ADDED_MASS = 0.5  # of a sphere; Lamb, Hydrodynamics, art. 92 (from memory)
MASS_KG = 0.45  # heavy, so that air does little: the parabola of the plain loop is nearly true
EXIT_M = (0.35, 0.55)


@dataclass(frozen=True)
class Case:
    """One clip. Lengths in pixels unless named; ``contrast`` is a share of the ball's full colour."""

    axis: str
    level: float
    seed: int = 0
    diameter_px: float = 20.0
    noise: float = 1.5
    contrast: float = 1.0
    post_diameters: float = 0.0
    clutter: int = 0
    streak_diameters: float = 0.0
    fps: float = 240.0
    px_per_m: float = 150.0
    width_px: int = 640
    height_px: int = 360
    ball: bool = True


AXES: dict[str, tuple[str, list[Case]]] = {
    "blur": (
        "streak (ball diameters)",
        [
            Case(
                "blur",
                long,
                diameter_px=10.0,
                streak_diameters=long,
                fps=fps,
                px_per_m=300.0,
                width_px=1280,
                height_px=720,
            )
            for long, fps in ((0.0, 120.0), (0.5, 120.0), (1.0, 120.0), (2.0, 60.0), (3.0, 60.0), (5.0, 36.0))
        ],
    ),
    "noise": ("noise (levels of 255)", [Case("noise", s, noise=s) for s in (1.0, 4.0, 8.0, 12.0, 16.0)]),
    "size": ("diameter (px)", [Case("size", d, diameter_px=d) for d in (8.0, 12.0, 20.0, 40.0, 80.0)]),
    "contrast": ("colour (share)", [Case("contrast", c, contrast=c) for c in (1.0, 0.6, 0.4, 0.25, 0.15)]),
    "hidden": (
        "post in front (diameters wide)",
        [Case("hidden", w, post_diameters=w) for w in (0.0, 0.5, 1.0, 2.0, 4.0)],
    ),
    "clutter": ("clutter of the ball's colour", [Case("clutter", c, clutter=c) for c in (0, 1, 2, 3)]),
    "no ball": ("clutter, no ball", [Case("no ball", c, clutter=c, ball=False) for c in (0, 1, 2, 3)]),
}


@dataclass(frozen=True)
class Truth:
    """What a clip shows: times (n,), places (n, 2), velocities (n, 2); nothing without a ball."""

    t_s: np.ndarray
    xy_px: np.ndarray
    v_m_s: np.ndarray

    def speed_and_angle(self, time_s: float) -> tuple[float, float]:
        """At a time of the flight: m/s and radians above the horizontal."""
        along, up = (float(np.interp(time_s, self.t_s, self.v_m_s[:, k])) for k in (0, 1))
        return math.hypot(along, up), math.atan2(up, along)


def flown(case: Case) -> Truth:
    """The flight of a case: speed and angle differ a little from seed to seed."""
    rng = np.random.default_rng(1000 + case.seed)
    speed, angle = 6.0 + 0.3 * rng.standard_normal(), math.radians(52.0 + 2.0 * rng.standard_normal())
    radius_m = 0.5 * case.diameter_px / case.px_per_m
    air_kg = RHO_KG_M3 * 4 / 3 * math.pi * radius_m**3
    inertia = MASS_KG + ADDED_MASS * air_kg
    pull = 0.5 * RHO_KG_M3 * math.pi * radius_m**2 * DRAG / inertia
    fall = G_M_S2 * (MASS_KG - air_kg) / inertia

    def rates(_t: float, s: np.ndarray) -> np.ndarray:
        v = s[2:]
        return np.concatenate([v, np.array([0.0, -fall]) - pull * float(np.hypot(*v)) * v])

    start = [*EXIT_M, speed * math.cos(angle), speed * math.sin(angle)]
    t = np.arange(round(1.1 * case.fps)) / case.fps
    path = solve_ivp(rates, (0, t[-1]), start, t_eval=t, rtol=1e-9, atol=1e-9).y.T
    xy = np.stack([path[:, 0] * case.px_per_m, case.height_px - 1 - path[:, 1] * case.px_per_m], axis=1)
    last = np.argmax((xy[:, 1] > case.height_px + 60) | (xy[:, 0] > case.width_px + 60)) or len(t)
    return Truth(t[:last], xy[:last], path[:last, 2:])


def clip_of(case: Case, path: Path) -> Truth:
    """Write the clip; returns its truth. The ball appears at 0.1 s."""
    h, w = case.height_px, case.width_px
    rng = np.random.default_rng(case.seed)
    ground = made.plain(h, w, GROUND)
    texture = made.textured(h, w, 7 + case.seed)
    ground += 0.5 * (texture - made.plain(h, w))
    truth = flown(case)
    before = round(0.1 * case.fps)
    yuv = tuple(g + case.contrast * (b - g) for g, b in zip(GROUND, BALL, strict=True))
    step = np.gradient(truth.xy_px, axis=0)
    size = np.hypot(*step.T)[:, None]
    streaks = step / size * case.streak_diameters * case.diameter_px * size / size[0]
    if case.clutter in (1, 3):
        still = made.Disc(0.72 * w, 0.3 * h, 1.3 * case.diameter_px, yuv=BALL)
        ground = made.drawn(ground, [still])
    post = np.zeros((h, w), dtype=bool)
    half = 0.5 * case.post_diameters * case.diameter_px
    post[:, round(0.5 * w - half) : round(0.5 * w + half)] = half > 0

    def frames():
        for k in range(before + len(truth.t_s)):
            discs = []
            if case.clutter in (2, 3):
                # A bag that is carried by: it moves evenly and does not fall.
                discs.append(made.Disc(0.1 * w + 90.0 * k / case.fps, 0.75 * h, case.diameter_px, yuv=BALL))
            if case.ball and k >= before:
                x, y = truth.xy_px[k - before]
                sx, sy = streaks[k - before]
                discs.append(made.Disc(x, y, 0.5 * case.diameter_px, yuv=yuv, streak=(sx, sy), shade=20.0))
            full = np.where(
                post[None], np.array([70.0, 128.0, 126.0])[:, None, None], made.drawn(ground, discs)
            )
            yield tuple(plane.astype(np.uint16) for plane in made.planes(full, rng, case.noise))

    times = [k / case.fps for k in range(before + len(truth.t_s))]
    write_clip(path, frames(), times, Container(quality=18.0, preset="veryfast"))
    if not case.ball:
        return Truth(np.empty(0), np.empty((0, 2)), np.empty((0, 2)))
    return replace(truth, t_s=truth.t_s + before / case.fps)


def setup_text(case: Case) -> str:
    """The setup file that somebody would have typed."""
    a, b = 0.3 * case.width_px, 0.8 * case.width_px
    y = 0.9 * case.height_px
    return "\n".join(
        [
            "[ball]",
            f'diameter = "{1000 * case.diameter_px / case.px_per_m:.3f} mm"',
            f'mass = "{1000 * MASS_KG:g} g"',
            'colour = "orange"',
            "[reference]",
            f"points_px = [[{a}, {y}], [{b}, {y}]]",
            f"picture = [{case.width_px}, {case.height_px}]",
            "frame = 0",
            f'length = "{(b - a) / case.px_per_m:.6f} m"',
            "[camera]",
            'readout = "0 ms"',
        ]
    )
