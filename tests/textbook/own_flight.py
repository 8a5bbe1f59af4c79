"""Flights of a ball by textbook equations of motion and a library's integrator, and films of them.

(m + C_a m_a) dv/dt = (m - m_a) g + drag + lift, with m_a the mass of the displaced air, C_a the added mass,
drag = -(rho A C_D / 2) |v| v and lift = (rho A C_L / 2) |v| (w x v), w the unit spin axis; the lift law is
C_L = k S / (1 + 1.2 S) with S = r omega / |v|, which is none of the package's.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Self

import numpy as np
from own_camera import Pinhole
from scipy.integrate import solve_ivp

from calibration.steady import Steadiness
from calibration.values import Picture
from tracker.values import ClipFacts, Sightings
from tracker.viewing import Seen

G_M_S2 = 9.80665
Places = Callable[[np.ndarray], np.ndarray]  # times (n,) -> centres (n, 3)


@dataclass(frozen=True)
class Throw:
    """A launch at time 0. ``sense`` is +1 to the right of the picture, -1 to the left."""

    speed_m_s: float = 6.0
    angle_rad: float = math.radians(52)
    spin_rad_s: float = 40.0
    vy_m_s: float = 0.0
    sense: int = 1
    exit_m: tuple[float, float, float] = (-1.6, 0.0, 0.5)
    radius_m: float = 0.07
    mass_kg: float = 0.088
    drag: float = 0.48
    lift: float = 0.9
    air_kg_m3: float = 1.15
    added_mass: float = 0.5
    g_m_s2: float = G_M_S2
    spin_tau_s: float = 9.0

    def rates(self, _t: float, s: np.ndarray) -> np.ndarray:
        """Time derivatives of (x, y, z, vx, vy, vz, omega)."""
        v, omega = s[3:6], s[6]
        speed = np.linalg.norm(v)
        volume, area = 4 / 3 * math.pi * self.radius_m**3, math.pi * self.radius_m**2
        air_kg = self.air_kg_m3 * volume
        S = self.radius_m * abs(omega) / max(speed, 1e-12)
        lift = math.copysign(self.lift * S / (1 + 1.2 * S), omega)
        axis = np.array([0.0, -self.sense, 0.0])
        force = np.array([0, 0, -(self.mass_kg - air_kg) * self.g_m_s2])
        force = force - 0.5 * self.air_kg_m3 * area * self.drag * speed * v
        force = force + 0.5 * self.air_kg_m3 * area * lift * speed * np.cross(axis, v)
        inertia = self.mass_kg + self.added_mass * air_kg
        return np.concatenate([v, force / inertia, [-omega / self.spin_tau_s]])

    def fly(self, seconds: float) -> Callable[[np.ndarray], np.ndarray]:
        """The state (n, 7) at times (n,)."""
        along, up = self.speed_m_s * math.cos(self.angle_rad), self.speed_m_s * math.sin(self.angle_rad)
        start = [*self.exit_m, self.sense * along, self.vy_m_s, up, self.spin_rad_s]
        run = solve_ivp(
            self.rates, (0, seconds), start, method="DOP853", rtol=1e-9, atol=1e-11, dense_output=True
        )
        return lambda t: run.sol(np.asarray(t)).T


@dataclass(frozen=True)
class Filming:
    """How a film is taken; an upright picture unless ``picture`` says otherwise."""

    camera: Pinhole = field(default_factory=Pinhole)
    picture: Picture = field(default_factory=lambda: Picture(1280, 720))
    fps: float = 120.0
    readout_s: float = 0.0
    noise_px: float = 0.1
    stretch: float = 1.0
    waves: tuple[tuple[float, float, float, float, float], ...] = ()

    def row_times(self, places: Places, frame_time_s: np.ndarray, radius_m: float) -> np.ndarray:
        """When the ball's own row is exposed in each frame, (n,): row r of H is r/H of the readout later.

        Each round multiplies the error by readout / H times the ball's rows a second, a few hundredths.
        """
        t = frame_time_s.copy()
        for _ in range(12 if self.readout_s else 0):
            stored = self.stored(self.camera.outline(places(t), radius_m)[0])
            t = frame_time_s + self.readout_s * stored[:, 1] / self.picture.stored_height_px
        return t

    def outline_error(self, upright_px: np.ndarray) -> np.ndarray:
        """What backgrounds do to outlines at a place, the same each time, (n, 2).

        ``waves`` are (x amplitude, y amplitude, wave numbers in x and y in rad/px, phase).
        """
        error = np.zeros_like(upright_px)
        for ax, ay, kx, ky, phase in self.waves:
            wave = np.cos(upright_px @ [kx, ky] + phase)
            error += wave[:, None] * [ax, ay]
        return error

    def stored(self, upright_px: np.ndarray) -> np.ndarray:
        """Upright pixels as the file keeps them; only the turns that tests need."""
        if self.picture.quarter_turns == 0:
            return upright_px
        assert self.picture.quarter_turns == 1  # shown upright by turning it anticlockwise
        return np.stack([self.picture.stored_width_px - 1 - upright_px[:, 1], upright_px[:, 0]], axis=1)


@dataclass
class Film:
    """Sightings gathered so far, as columns, and what belongs to them."""

    filming: Filming
    rng: np.random.Generator
    rows: list[np.ndarray]

    @classmethod
    def of(cls, filming: Filming, seed: int) -> Film:
        return cls(filming, np.random.default_rng(seed), [])

    def add(
        self,
        places: Places,
        frames: np.ndarray,
        radius_m: float,
        *,
        begin_s: float = 0.0,
        visible: float = 1.0,
    ) -> np.ndarray:
        """See a ball in these frames; ``places`` counts from ``begin_s``. Returns its rows' times (n,)."""
        f = self.filming
        shifted: Places = lambda t: places(t - begin_s)  # noqa: E731 - one line says it
        t = f.row_times(shifted, np.asarray(frames) / f.fps, radius_m)
        xy, radius = f.camera.outline(shifted(t), radius_m)
        xy = f.stored(xy + f.outline_error(xy))
        inside = (xy > -radius[:, None]).all(axis=1) & (
            xy < np.array([f.picture.stored_width_px, f.picture.stored_height_px]) + radius[:, None]
        ).all(axis=1)
        border = (xy < radius[:, None] + 2).any(axis=1) | (
            xy > np.array([f.picture.stored_width_px, f.picture.stored_height_px]) - radius[:, None] - 3
        ).any(axis=1)
        xy = xy + self.rng.normal(0, 1, xy.shape) * f.noise_px
        columns = [frames, xy[:, 0], xy[:, 1], radius, np.full(len(t), visible), border]
        self.rows.append(np.stack(columns, axis=1)[inside])
        return t

    def sightings(self, u_px: float | None = None) -> Sightings:
        """All of them in order of frames."""
        r = np.concatenate(self.rows) if self.rows else np.empty((0, 6))
        r = r[np.argsort(r[:, 0], kind="stable")]
        n = len(r)
        return Sightings(
            frame=r[:, 0].astype(np.int64),
            x_px=r[:, 1],
            y_px=r[:, 2],
            u_px=np.full(n, self.filming.noise_px if u_px is None else u_px),
            radius_px=r[:, 3],
            streak_px=np.zeros(n),
            streak_rad=np.zeros(n),
            visible=r[:, 4],
            contrast=np.full(n, 100.0),
            hue_rad=np.zeros(n),
            at_border=r[:, 5] > 0,
        )

    def seen(self, frames: int, *, u_px: float | None = None, tag_fps: float | None = None) -> Seen:
        """What a reader of the film would hand on."""
        f = self.filming
        times = np.arange(frames) / f.fps * f.stretch
        facts = ClipFacts("made.mp4", f.picture, times, 1 / 90_000, tag_fps, "h264", "yuv420p", 8)
        return Seen(facts, self.sightings(u_px), still(frames), frames, 0)


def drawn_waves(rng: np.random.Generator, sd_px: float, count: int = 12) -> tuple[tuple[float, ...], ...]:
    """A smooth error of this standard deviation per coordinate: waves of 600 px and more, any heading."""
    amplitude = rng.normal(0, sd_px * np.sqrt(2 / count), (count, 2))
    number = 2 * np.pi / 600 * np.sqrt(rng.uniform(0, 1, count))
    heading, phase = rng.uniform(0, 2 * np.pi, (2, count))
    columns = [amplitude, number * np.cos(heading), number * np.sin(heading), phase]
    return tuple(map(tuple, np.column_stack(columns).tolist()))


def still(frames: int) -> Steadiness:
    """A camera that does not move before a plain wall."""
    none = np.zeros(frames)
    return Steadiness(
        frame=np.arange(frames),
        shift_px=np.zeros((frames, 2)),
        rotation_rad=none,
        log_scale=none,
        u_px=np.full(frames, np.inf),
        residual_px=none,
        jumps=(),
        centre_px=np.zeros(2),
        lean_per_px2=0.0,
        arm_px=1.0,
        patches=0,
    )


class Reader:
    """Stands in for the process that reads a film."""

    def __init__(self, seen: Seen) -> None:
        self.seen = seen

    def run(self, _job: object, **_limits: object) -> Seen:
        return self.seen

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        pass
