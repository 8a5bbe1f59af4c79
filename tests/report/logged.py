"""Made sessions of the invented launcher in a launch log, for the commands that read one."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np
from examples import DEGREE, make_clip, make_shot

from tracker.setup_file import parse_setup
from tracker.store import Log
from tracker.values import Number

SETUP = """
[ball]
diameter = "140 mm"
mass = "88 g"

[reference]
points_px = [[212, 640], [851, 634]]
picture = [1280, 720]
length = "1.500 m"

[launcher]
wheel_diameter = "96 mm"
wheel_speed = "{rpm} rpm"
gap_exit = "126 mm"

[design]
exit_speed = "7.2 m/s"
exit_angle = "53.4 deg"
"""


def setup(rpm=3200, extra=""):
    return parse_setup(SETUP.replace("{rpm}", str(rpm)) + extra, "setup.toml")


def speeds(seed, mean, sd=0.08, shots=8):
    """Exit speeds whose mean and standard deviation are exactly these."""
    z = np.random.default_rng(seed).standard_normal(shots)
    return mean + sd * (z - z.mean()) / (z.std(ddof=1) if shots > 1 else 1.0)


def clip(values, name="lob.mp4", **changes):
    """One clip with shots of these speeds; keywords replace fields of every shot."""
    shots = [make_shot(k + 1, float(v), **changes) for k, v in enumerate(values)]
    return make_clip(shots, clip=name, sha256=hashlib.sha256(f"{name}{list(values)}".encode()).hexdigest())


def spread_angles(measured, degrees):
    """The same clip with other exit angles."""
    shots = tuple(
        replace(shot, exit_angle_rad=Number.of(a * DEGREE, 0.14 * DEGREE, 0.17 * DEGREE))
        for shot, a in zip(measured.shots, degrees, strict=True)
    )
    return replace(measured, shots=shots)


def fill(where, monday="monday", tuesday="tuesday"):
    """Four sessions: monday and tuesday 0.45 m/s apart, five shots before a match, one shot alone."""
    with Log.open(where) as log:
        log.add(monday, clip(speeds(1, 7.20), "monday.mp4"), setup(3200))
        log.add(tuesday, clip(speeds(2, 7.65), "tuesday.mp4"), setup(3400))
        log.add("before match 3", clip(speeds(3, 7.22, shots=5), "match.mp4"), setup(3200))
        log.add("alone", clip([7.3], "alone.mp4"), setup(3200))
    return where
