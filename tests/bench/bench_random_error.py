"""How near the random error comes to the least there can be: ``python tests/bench/bench_random_error.py``.

Films of one throw each. Camera, air, ball and gravity are known, what differs from throw to throw is not:
start, velocity (also out of the plane), drag, lift and its law. Beside the error of the measured
exit speed and angle stands the Cramer-Rao bound (with priors: van Trees' form), computed from finite
differences of this script's own model: textbook equations of motion, scipy's integrator, and a pinhole.
Source: Van Trees, Detection, Estimation, and Modulation Theory I (1968), 2.4.3 (from memory).
"""

from __future__ import annotations

import dataclasses
import math
import sys
import tempfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "textbook")]

from own_camera import Pinhole  # noqa: E402 - it is found only once the path is set
from own_flight import Film, Filming, Reader, Throw  # noqa: E402 - the same

from calibration.camera import PARAMETERS  # noqa: E402 - the same
from calibration.rows import Rows  # noqa: E402 - the same
from calibration.values import CameraStatement, Reference, frozen  # noqa: E402 - the same
from tracker import pipeline  # noqa: E402 - the same
from tracker.flight import adjust  # noqa: E402 - the same
from tracker.values import Ball, Room, Setup  # noqa: E402 - the same

CAMERA = Pinhole(0.87 * 1280, place_m=(0.0, -4.2, 1.0))
CORNERS_M = np.array([[-1.2, 0.1], [1.2, 0.1], [1.2, 1.7], [-1.2, 1.7]])
SETUP = Setup(
    Ball(0.14, 0.088, u_mass_kg=1e-6, u_diameter_m=1e-6),
    Reference(
        frozen(CAMERA.project(np.column_stack([CORNERS_M[:, 0], np.zeros(4), CORNERS_M[:, 1]]))),
        (1280, 720),
        points_m=frozen(CORNERS_M),
        u_click_px=0.01,
        u_length_m=1e-6,
    ),
    CameraStatement(distance_m=4.2, u_distance_m=1e-3, readout_s=0.0),
    room=Room(temperature_k=294.0, pressure_pa=97_500.0, latitude_rad=math.radians(45)),
)
KNOWN = 1e-6  # as an uncertainty: nothing
AIR_KG_M3, GRAVITY_M_S2 = 1.15, 9.8062
#: What differs from throw to throw and is not told, with its standard deviation; infinite is unknown.
UNKNOWNS = {
    "x": (1e-4, math.inf),
    "z": (1e-4, math.inf),
    "vx": (1e-4, math.inf),
    "vz": (1e-4, math.inf),
    "vy_m_s": (1e-3, 0.1),
    "drag": (1e-3, 0.07),
    "lift": (1e-3, 0.225),
    "spin_rad_s": (1e-2, 20.0),
}
FIRST = 3
#: Frames a second, sightings, their noise in pixels, spin. The lift law is none that the program knows: with
#: spin the error holds what that costs, too.
CASES = (
    (120.0, 95, 0.1, 0.0),
    (240.0, 190, 0.1, 0.0),
    (240.0, 60, 0.1, 0.0),
    (120.0, 95, 0.3, 0.0),
    (120.0, 95, 0.1, 35.0),
    (240.0, 60, 0.1, 35.0),
)


def moved(throw: Throw, name: str, by: float) -> Throw:
    """A throw with one unknown changed."""
    if name in {"vx", "vz"}:
        v = np.array(
            [throw.speed_m_s * math.cos(throw.angle_rad), throw.speed_m_s * math.sin(throw.angle_rad)]
        )
        v[["vx", "vz"].index(name)] += by
        return dataclasses.replace(throw, speed_m_s=float(np.hypot(*v)), angle_rad=math.atan2(v[1], v[0]))
    if name in {"x", "z"}:
        x, y, z = throw.exit_m
        return dataclasses.replace(throw, exit_m=(x + by, y, z) if name == "x" else (x, y, z + by))
    return dataclasses.replace(throw, **{name: getattr(throw, name) + by})


def know_all_that_is_common() -> None:
    """Tell the program what it would else have to assume: camera, air, ball, gravity, faultless outlines."""
    expected, found = pipeline.assume, pipeline.camera_prior

    def assume(*told: object) -> object:
        return dataclasses.replace(
            expected(*told),
            g_m_s2=GRAVITY_M_S2,
            u_ln_g=KNOWN,
            air_kg_m3=AIR_KG_M3,
            u_ln_air=KNOWN,
            u_added_mass=KNOWN,
            u_ln_mass=KNOWN,
        )

    def camera_prior(*told: object, **more: object) -> object:
        prior = found(*told, **more)
        anchor = np.asarray(prior.view.anchor_m)
        depth = CAMERA.seen_from(anchor)[0, 2]
        turned = (CAMERA.yaw_rad, CAMERA.pitch_rad, CAMERA.roll_rad)
        scale = math.log(CAMERA.focal_px / depth)
        truth = frozen([scale, *turned, math.log(depth), *CAMERA.project(anchor)[0]])
        u = KNOWN * np.array([1, 1, 1, 1, 1, 1e3, 1e3])
        names = ((("click", 1.0),),) * PARAMETERS
        return dataclasses.replace(
            prior, start=truth, rows=lambda theta: Rows((theta - truth) / u, np.diag(1 / u), names), bent=None
        )

    def no_outline_errors(xy_px: np.ndarray, *_told: object) -> np.ndarray:
        return np.zeros((0, len(xy_px), 2))

    pipeline.assume, pipeline.camera_prior = assume, camera_prior
    adjust.outline_errors = no_outline_errors


def seen(throw: Throw, t: np.ndarray) -> np.ndarray:
    """Where the throw is seen at times after its exit, pixels in one row."""
    return CAMERA.outline(throw.fly(float(t[-1]) + 0.1)(t)[:, :3], throw.radius_m)[0].ravel()


def at_exit(throw: Throw, t: float) -> np.ndarray:
    """Speed and angle at a time after the exit."""
    state = throw.fly(t + 0.1)(t)
    return np.array([np.linalg.norm(state[3:6]), math.atan2(state[5], state[3])])


def bound(throw: Throw, t: np.ndarray, exit_s: float, noise_px: float) -> np.ndarray:
    """Least standard deviations of speed and angle at ``exit_s``, (2,)."""
    columns, gradient, prior = [], [], []
    for name, (step, sd) in UNKNOWNS.items():
        more, less = moved(throw, name, step), moved(throw, name, -step)
        columns.append((seen(more, t) - seen(less, t)) / (2 * step))
        gradient.append((at_exit(more, exit_s) - at_exit(less, exit_s)) / (2 * step))
        prior.append(sd**-2)
    J = np.array(columns).T / noise_px
    covariance = np.linalg.inv(J.T @ J + np.diag(prior))
    G = np.array(gradient)
    return np.sqrt(np.einsum("ik,ij,jk->k", G, covariance, G))


def one(
    seed: int, clip: Path, fps: float, frames: int, noise_px: float, spin_rad_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Errors of speed and angle of one film, and their bounds."""
    rng = np.random.default_rng([5, seed])
    vy = rng.normal(0, UNKNOWNS["vy_m_s"][1])
    throw = Throw(
        # In the plane where the program takes it to be there: when it is first seen clear of the launcher.
        exit_m=(-1.6, -1.5 * vy / fps, 0.5),
        speed_m_s=rng.uniform(4.8, 5.6),
        angle_rad=math.radians(rng.uniform(48, 62)),
        spin_rad_s=spin_rad_s,
        vy_m_s=vy,
        drag=0.488 + rng.normal(0, UNKNOWNS["drag"][1]),
        lift=0.9 + rng.normal(0, UNKNOWNS["lift"][1]),
        air_kg_m3=AIR_KG_M3,
        g_m_s2=GRAVITY_M_S2,
    )
    film = Film.of(Filming(CAMERA, fps=fps, noise_px=noise_px), seed)
    fly = throw.fly(frames / fps + 0.2)
    begin = FIRST / fps - 0.5 / fps
    film.add(lambda t: fly(t)[:, :3], np.arange(FIRST, FIRST + frames), throw.radius_m, begin_s=begin)
    (shot,) = pipeline.measure(clip, SETUP, child=Reader(film.seen(frames + 10))).shots
    exit_s = float(shot.path.frame[0]) / fps - begin
    error = np.array([shot.exit_speed_m_s.value, shot.exit_angle_rad.value]) - at_exit(throw, exit_s)
    # The bound may use every sighting, also those that the program leaves out.
    t = np.arange(FIRST, FIRST + frames) / fps - begin
    return error, bound(throw, t, exit_s, noise_px)


def main() -> None:
    shots = int(sys.argv[1]) if len(sys.argv) > 1 else 120
    know_all_that_is_common()
    with tempfile.TemporaryDirectory() as folder:
        clip = Path(folder) / "made.mp4"
        clip.write_bytes(b"no film")
        for fps, frames, noise_px, spin_rad_s in CASES:
            case = (clip, fps, frames, noise_px, spin_rad_s)
            errors, bounds = zip(*(one(k, *case) for k in range(shots)), strict=True)
            error = np.sqrt(np.mean(np.square(errors), axis=0))
            least = np.sqrt(np.mean(np.square(bounds), axis=0))
            print(
                f"{fps:.0f} fps, {frames} sightings of {noise_px} px, {spin_rad_s:.0f} rad/s, {shots} shots:"
            )
            for name, unit, k, scale in (
                ("speed", "mm/s", 0, 1e3),
                ("angle", "mdeg", 1, 1e3 * math.degrees(1)),
            ):
                print(
                    f"  {name} {scale * error[k]:6.2f} {unit}, bound {scale * least[k]:6.2f}, "
                    f"ratio {error[k] / least[k]:.2f} +- {1 / math.sqrt(2 * shots):.2f}"
                )


if __name__ == "__main__":
    main()
