"""What was measured -> what the page shows of it."""

from __future__ import annotations

import math
from typing import Any

from tracker.flags import FLAGS
from tracker.report.rounding import plus_minus
from tracker.report.words import headline, spin_rev_s, spin_words, trust, wheel_words
from tracker.values import Measured, Shot

_DEGREES = 180 / math.pi
_DULL = frozenset({"ends_at_contact"})  # flags that ask nothing of anybody


def for_page(measured: Measured) -> dict[str, Any]:
    """Numbers as people read them, and paths to be drawn into the film."""
    return {
        "clip": measured.clip,
        "headline": headline(measured),
        "trust": trust(measured),
        "wheel": wheel_words(measured.shots),
        "warnings": [{"message": w.message, "advice": w.advice} for w in measured.warnings],
        "shots": [_shot(shot) for shot in measured.shots],
    }


def _shot(shot: Shot) -> dict[str, Any]:
    spin = spin_rev_s(shot)
    path = shot.path
    lines = [line for line in shot.budget if line.speed_share_m_s > 0]
    largest = max(lines, key=lambda line: line.speed_share_m_s, default=None)
    flags = [FLAGS[code] for code in shot.flags if code in FLAGS and code not in _DULL]
    return {
        "shot": shot.shot,
        "speed": f"{plus_minus(shot.exit_speed_m_s)} m/s",
        "angle": f"{plus_minus(shot.exit_angle_rad.times(_DEGREES))}°",
        "spin": None if spin is None else f"{plus_minus(spin)} rev/s ({spin_words(shot)})",
        "exit": [shot.exit_x_px, shot.exit_y_px],
        "forward": 1 if shot.direction == "right" else -1,
        "angle_rad": shot.exit_angle_rad.value,
        "radius": float(path.radius_px.mean()),
        "frame": path.frame.tolist(),
        "seen": [[round(x, 2), round(y, 2)] for x, y in zip(path.x_px, path.y_px, strict=True)],
        "fitted": [[round(x, 2), round(y, 2)] for x, y in zip(path.fit_x_px, path.fit_y_px, strict=True)],
        "used": path.used.tolist(),
        "largest": None if largest is None else largest.remedy,
        "flags": [{"message": flag.message, "advice": flag.advice} for flag in flags],
    }
