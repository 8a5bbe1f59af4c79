"""Invented results of the invented game Lantern Run, for tests; nothing here was measured."""

import math
from dataclasses import replace

import numpy as np

from calibration.values import Clock, Picture
from tracker.flags import warn
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

DEGREE = math.pi / 180.0
TURN = 2.0 * math.pi


def make_path(sightings=5, first_frame=31):
    """A path of invented places at 240 frames a second; the last sighting is not used."""
    step = np.arange(sightings, dtype=np.float64)
    return Path(
        frame=np.arange(first_frame, first_frame + sightings, dtype=np.int64),
        t_s=(first_frame + step) / 240.0,
        x_px=204.0 + 5.25 * step,
        y_px=512.0 - 6.5 * step,
        x_m=0.020 * step,
        z_m=0.75 + 0.025 * step,
        fit_x_m=0.020 * step + 0.0005,
        fit_z_m=0.75 + 0.025 * step - 0.0005,
        fit_x_px=204.1 + 5.25 * step,
        fit_y_px=512.1 - 6.5 * step,
        u_m=np.full(sightings, 0.0008),
        radius_px=np.full(sightings, 29.8),
        used=step < sightings - 1,
    )


def make_budget():
    """Four lines whose squares add up to 0.0305**2 (m/s) and about 0.22**2 (deg)."""
    return (
        BudgetLine("length of the reference", 0.018, 0.0, "common", "measure a longer reference"),
        BudgetLine("clicks on the reference", 0.024, 0.15 * DEGREE, "common", "use a longer reference"),
        BudgetLine("sightings", 0.0045, 0.14 * DEGREE, "random", "use more light and a shorter shutter time"),
        BudgetLine("frame rate", 0.003, 0.08 * DEGREE, "common", "state the true rate"),
    )


def make_wheel_budget():
    """16.09 = 7.21 + 6.52 + 2.36 m/s."""
    return WheelBudget(
        wheel_speed_m_s=Number.of(16.09, 0.0, 0.08),
        exit_m_s=Number.of(7.21, 0.006, 0.030),
        spin_loss_m_s=Number.of(6.52, 0.10, 0.62),
        slip_m_s=Number.of(2.36, 0.10, 0.63),
        backing_slip_m_s=Number.of(0.69, 0.10, 0.62),
        spin_loss_share=Number.of(0.405, 0.006, 0.039),
    )


def make_design():
    """Speed within, angle undecided, spin outside what was designed."""
    return {
        "exit_speed_m_s": DesignCheck(7.2, Number.of(0.01, 0.006, 0.030), "within"),
        "exit_angle_rad": DesignCheck(52.0 * DEGREE, Number.of(1.4 * DEGREE, 0.002, 0.003), "undecided"),
        "spin_rad_s": DesignCheck(8.0 * TURN, Number.of(9.5 * TURN, 1.5, 9.0), "outside"),
    }


def make_shot(shot=1, speed_m_s=7.21, **changes):
    """One healthy shot; keywords replace fields."""
    healthy = Shot(
        shot=shot,
        exit_time_s=Number.of(0.1292 + 1.5 * (shot - 1), 0.0003, 0.0001),
        exit_x_m=Number.of(0.001, 0.0006, 0.0015),
        exit_z_m=Number.of(0.75, 0.0006, 0.0021),
        exit_x_px=204.0,
        exit_y_px=512.0,
        direction="right",
        exit_speed_m_s=Number.of(speed_m_s, 0.0045, 0.0301662),
        exit_angle_rad=Number.of(53.4 * DEGREE, 0.14 * DEGREE, 0.17 * DEGREE),
        spin_rad_s=Number(17.5 * TURN, 1.5, 27.0, 8.3 * TURN, 31.0 * TURN),
        spin_source="lift",
        drag_coefficient=Number.of(0.46, 0.02, 0.03),
        lift_coefficient=Number.of(0.25, 0.03, 0.02),
        free_g_m_s2=Number.of(9.78, 0.05, 0.04),
        ball_diameter_m=Number.of(0.1406, 0.0007, 0.0009),
        budget=make_budget(),
        sightings=57,
        chi2_per_dof=1.02,
        flags=("exit_is_first_sighting",),
        path=make_path(first_frame=31 + 360 * (shot - 1)),
    )
    return replace(healthy, **changes)


def make_clip(shots=None, **changes):
    """One healthy clip with one shot; keywords replace fields."""
    healthy = Measured(
        clip="lantern_run_07.mp4",
        sha256="5f" * 32,
        frames=240,
        picture=Picture(stored_width_px=1280, stored_height_px=720),
        clock=Clock(frame_time_s=np.arange(240) / 240.0, capture_fps=240.0, stretch=8.0, source="metadata"),
        scale=Scale(Number.of(0.003561, 0.0, 0.000014), Number.of(0.3 * DEGREE, 0.0, 0.2 * DEGREE), "length"),
        warnings=(),
        shots=(make_shot(),) if shots is None else tuple(shots),
    )
    return replace(healthy, **changes)


def with_everything():
    """One shot with wheel budget and design, its warning a missing input."""
    shot = make_shot(wheel_budget=make_wheel_budget(), design=make_design())
    return make_clip([shot], warnings=(warn("readout_unknown"),))


def in_doubt():
    """Three shots of a clip that should not be believed yet; the last spin has no upper bound."""
    unbounded = Number(21.0 * TURN, 2.0, 40.0, 9.1 * TURN, None)
    shots = [
        make_shot(1, 7.21),
        make_shot(2, 7.384, flags=("poor_fit", "ends_at_contact")),
        make_shot(3, 7.052, sightings=9, spin_rad_s=unbounded, flags=("spin_unbounded",)),
    ]
    doubts = (
        warn("clock_from_fall", fps=239.6),
        warn("plane_disagrees", ratio=1.084),
        warn("few_sightings", shot=3, sightings=9),
    )
    clock = Clock(frame_time_s=np.arange(240) / 239.6, capture_fps=239.6, stretch=7.99, source="fall")
    return make_clip(shots, clip="lantern_run_08.mp4", warnings=doubts, clock=clock)


def without_shot():
    """A clip that honestly holds no shot, and nothing that carries a scale."""
    return make_clip([], clip="empty_room.mp4", scale=None, warnings=(warn("no_shot_found"),))


def failed():
    """A clip that could not be read."""
    return Failed(
        "holiday.txt",
        "clip_not_video",
        "holiday.txt is not a film.",
        "Give a clip as it came from the phone.",
    )
