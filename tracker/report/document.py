"""Measured and Failed -> the one document other programs read.

Keys are stable and keep their order. What is not a finite number is null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

from calibration.values import Clock
from tracker import __version__
from tracker.values import (
    BudgetLine,
    DesignCheck,
    Failed,
    Measured,
    Number,
    Path,
    Scale,
    Shot,
    WheelBudget,
)

PER_DEGREE = 180.0 / math.pi
PER_TURN = 0.5 / math.pi
QUARTER_TURN_DEG = 90

# key of a design check -> key in the document and the factor to its unit
DESIGN_KEYS = {
    "exit_speed_m_s": ("exit_speed_m_s", 1.0),
    "exit_angle_rad": ("exit_angle_deg", PER_DEGREE),
    "spin_rad_s": ("spin_rev_s", PER_TURN),
}

Json = dict[str, Any]


def document(results: Sequence[Measured | Failed]) -> Json:
    """The document of all clips, in their order; only what JSON can hold."""
    return {
        "lobscope": __version__,
        "clips": [_failed(each) if isinstance(each, Failed) else _measured(each) for each in results],
    }


def as_json(results: Sequence[Measured | Failed]) -> str:
    """The document as text: ASCII only, so that no terminal or pipe can spoil it."""
    return json.dumps(document(results), allow_nan=False, ensure_ascii=True, indent=1)


def _failed(clip: Failed) -> Json:
    return {"clip": clip.clip, "error": {"code": clip.code, "message": clip.message, "advice": clip.advice}}


def _measured(clip: Measured) -> Json:
    return {
        "clip": clip.clip,
        "sha256": clip.sha256,
        "frames": int(clip.frames),
        "width_px": int(clip.picture.width_px),
        "height_px": int(clip.picture.height_px),
        "rotation_deg": int(clip.picture.quarter_turns) % 4 * QUARTER_TURN_DEG,
        "clock": _clock(clip.clock),
        "scale": None if clip.scale is None else _scale(clip.scale),
        "warnings": [{"code": w.code, "message": w.message, "advice": w.advice} for w in clip.warnings],
        "shots": [_shot(shot) for shot in clip.shots],
    }


def _clock(clock: Clock) -> Json:
    return {"capture_fps": real(clock.capture_fps), "stretch": real(clock.stretch), "source": clock.source}


def _scale(scale: Scale) -> Json:
    return {
        "m_per_px": number_document(scale.m_per_px),
        "source": scale.source,
        "tilt_deg": number_document(scale.tilt_rad, PER_DEGREE),
    }


def _shot(shot: Shot) -> Json:
    return {
        "shot": int(shot.shot),
        "exit_time_s": number_document(shot.exit_time_s),
        "exit_x_m": number_document(shot.exit_x_m),
        "exit_z_m": number_document(shot.exit_z_m),
        "exit_x_px": real(shot.exit_x_px),
        "exit_y_px": real(shot.exit_y_px),
        "direction": shot.direction,
        "exit_speed_m_s": number_document(shot.exit_speed_m_s),
        "exit_angle_deg": number_document(shot.exit_angle_rad, PER_DEGREE),
        "spin_rev_s": number_document(shot.spin_rad_s, PER_TURN),
        "spin_source": shot.spin_source,
        "drag_coefficient": number_document(shot.drag_coefficient),
        "lift_coefficient": number_document(shot.lift_coefficient),
        "second_opinions": {
            "free_g_m_s2": number_document(shot.free_g_m_s2),
            "ball_diameter_m": number_document(shot.ball_diameter_m),
        },
        "budget": [_budget_line(line) for line in shot.budget],
        "wheel_budget": None if shot.wheel_budget is None else _wheel_budget(shot.wheel_budget),
        "design": None if shot.design is None else _design(shot.design),
        "sightings": int(shot.sightings),
        "chi2_per_dof": real(shot.chi2_per_dof),
        "flags": [str(flag) for flag in shot.flags],
        "path": _path(shot.path),
    }


def _budget_line(line: BudgetLine) -> Json:
    return {
        "source": line.source,
        "speed_share_m_s": real(line.speed_share_m_s),
        "angle_share_deg": real(line.angle_share_rad * PER_DEGREE),
        "kind": line.kind,
    }


def _wheel_budget(budget: WheelBudget) -> Json:
    return {
        "wheel_speed_m_s": number_document(budget.wheel_speed_m_s),
        "exit_m_s": number_document(budget.exit_m_s),
        "spin_loss_m_s": number_document(budget.spin_loss_m_s),
        "slip_m_s": number_document(budget.slip_m_s),
        "backing_slip_m_s": number_document(budget.backing_slip_m_s),
        "spin_loss_share": number_document(budget.spin_loss_share),
    }


def _design(checks: dict[str, DesignCheck]) -> Json:
    """Every compared quantity, null where nothing was designed."""
    found: Json = {}
    for key, (name, factor) in DESIGN_KEYS.items():
        check = checks.get(key)
        found[name] = (
            None
            if check is None
            else {
                "designed": real(check.designed * factor),
                "difference": number_document(check.difference, factor),
                "verdict": check.verdict,
            }
        )
    return found


def _path(path: Path) -> list[Json]:
    columns = zip(path.frame, path.t_s, path.x_px, path.y_px, path.x_m, path.z_m, path.used, strict=True)
    return [
        {
            "frame": int(frame),
            "t_s": real(t),
            "x_px": real(x_px),
            "y_px": real(y_px),
            "x_m": real(x),
            "z_m": real(z),
            "used": bool(used),
        }
        for frame, t, x_px, y_px, x, z, used in columns
    ]


def number_document(number: Number | None, factor: float = 1.0) -> Json | None:
    """A number in the document's unit; the object stays when its parts are null."""
    if number is None:
        return None
    number = number.times(factor)
    return {
        "value": real(number.value),
        "u_random": real(number.u_random),
        "u_common": real(number.u_common),
        "u": real(number.u),
        "low95": real(number.low95),
        "high95": real(number.high95),
    }


def real(value: float | None) -> float | None:
    """A finite float, or null."""
    if value is None:
        return None
    number = float(value)
    return number if math.isfinite(number) else None
