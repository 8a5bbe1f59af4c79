"""Every fixture clip measured from file to shot, against the truth that stands beside it.

The truths are integrated by scipy along textbook equations and drawn; nothing of the package's physics or
picture analysis is in them. The path-traced clips of another renderer are tried too, where they are at hand.
"""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from scipy.interpolate import CubicSpline

from tracker.pipeline import measure
from tracker.setup_file.read import read_setup
from tracker.values import Measured, Number

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
TRACED = FIXTURES.parent.parent / "shared" / "clips"
NAMES = sorted(path.name.removesuffix(".truth.json") for path in FIXTURES.glob("*.truth.json"))
TRACED_NAMES = ("burst", "clutter", "handheld", "nothing", "plain", "rolling", "spin", "session_before")

#: Largest error of speed (a share) and angle (degrees): ordinary clips, and those that are hard.
USUAL = (0.006, 0.4)
HARD = {"leaves_plane": (0.010, 0.7), "low_light_streaks": (0.015, 0.7), "burst": (0.015, 0.7)}
#: Widest 95 % interval of speed (a share) and angle (degrees).
WIDEST, WIDEST_STREAK = (0.04, 2.0), (0.06, 2.0)
#: Warnings that state a missing input or an honest fault of the film; every other clip has none.
EXPECTED_WARNINGS = {
    "hand_held": {"camera_moved"},
    "handheld": {"camera_moved"},
    "no_reference": {"scale_from_ball"},
    "stretched_untagged": {"clock_from_fall"},
    "uneven_times": {"frames_missing"},
    "nothing_moves_like_a_ball": {"no_shot_found"},
    "nothing": {"no_shot_found"},
}
CLOCKS = {"stretched_tagged": ("metadata", 8.0), "stretched_untagged": ("fall", 8.0)}
#: A spin of so small a share off is what marks of a few pixels can tell; what lift tells is not held here.
SPIN_SHARE = 0.02


@cache
def measured(clip: Path) -> tuple[Measured, dict[str, Any]]:
    """A clip measured once, and its truth."""
    truth = json.loads(clip.with_suffix(".truth.json").read_text(encoding="utf-8"))
    return measure(clip, read_setup(clip.with_suffix(".setup.toml"))), truth


def flight_at(truth: dict[str, Any], shot: int, time_s: float) -> tuple[float, float]:
    """True speed in the plane of flight and angle above the horizontal, radians, at a time of the truth's."""
    rows = [
        ball
        for frame in truth["frames"]
        for ball in frame["balls"]
        if ball["shot"] == shot and ball["in_flight"] and not ball["in_launcher"]
    ]
    times = [row["t_ball_s"] for row in rows]
    along, up = (float(CubicSpline(times, [row[key] for row in rows])(time_s)) for key in ("vx", "vz"))
    return math.hypot(along, up), math.atan2(up, abs(along))


def holds(number: Number, truth: float) -> None:
    assert number.low95 is not None
    assert number.high95 is not None
    assert abs(number.value - truth) < 3 * number.u


def check_shots(clip: Path, *, first_row_is_zero: bool) -> None:
    """Every shot's speed, angle, spin and direction.

    ``first_row_is_zero`` says that the truth counts time from the first row, not from the middle one.
    """
    result, truth = measured(clip)
    shift_s = 0.0 if first_row_is_zero else 0.5 * truth.get("readout_s", 0.0)
    most_speed, most_angle = HARD.get(clip.stem, USUAL)
    widest = WIDEST_STREAK if clip.stem == "low_light_streaks" else WIDEST
    for k, (shot, thrown) in enumerate(zip(result.shots, truth["shots"], strict=True)):
        exit_s = shot.exit_time_s.value - shift_s
        # The first clear sighting may come some frames after the ball has left the launcher.
        assert -0.01 < exit_s - thrown["exit_time_s"] < 0.12
        speed, angle = flight_at(truth, k, exit_s)
        assert shot.exit_speed_m_s.value == pytest.approx(speed, rel=most_speed)
        assert math.degrees(abs(shot.exit_angle_rad.value - angle)) < most_angle
        holds(shot.exit_speed_m_s, speed)
        holds(shot.exit_angle_rad, angle)
        assert shot.exit_speed_m_s.high95 - shot.exit_speed_m_s.low95 < widest[0] * speed
        assert math.degrees(shot.exit_angle_rad.high95 - shot.exit_angle_rad.low95) < widest[1]
        assert shot.direction == truth.get("direction", "right")
        if shot.spin_source == "marks":
            assert shot.spin_rad_s is not None
            later = math.exp(-(exit_s - thrown["exit_time_s"]) / thrown["spin_decay_tau_s"])
            assert shot.spin_rad_s.value == pytest.approx(thrown["spin_rad_s"] * later, rel=SPIN_SHARE)


@pytest.mark.parametrize("name", NAMES)
def test_as_many_shots_as_there_were(name: str) -> None:
    result, truth = measured(FIXTURES / f"{name}.mp4")
    assert len(result.shots) == len(truth["shots"])
    assert [shot.shot for shot in result.shots] == list(range(1, len(result.shots) + 1))


@pytest.mark.parametrize("name", NAMES)
def test_shots_are_those_of_the_truth(name: str) -> None:
    check_shots(FIXTURES / f"{name}.mp4", first_row_is_zero=False)


@pytest.mark.parametrize("name", NAMES)
def test_warnings_are_the_expected_ones(name: str) -> None:
    result, _ = measured(FIXTURES / f"{name}.mp4")
    assert {doubt.code for doubt in result.warnings} == EXPECTED_WARNINGS.get(name, set())


@pytest.mark.parametrize("name", NAMES)
def test_the_clock_is_found_and_its_source_told(name: str) -> None:
    result, truth = measured(FIXTURES / f"{name}.mp4")
    source, stretch = CLOCKS.get(name, ("container", 1.0))
    assert result.clock.source == source
    assert result.clock.stretch == pytest.approx(stretch, rel=1e-3)
    # All were filmed at 120 or 240 a second; the truth's mean is lower where frames were lost.
    true_fps = 120 * round(truth["true_capture_fps"] / 120)
    assert result.clock.capture_fps == pytest.approx(true_fps, rel=2e-3)


@pytest.mark.parametrize("name", ["plain_240", "leftward", "portrait_120", "two_shots_bounce", "burst"])
def test_marks_are_read_where_there_are_some(name: str) -> None:
    result, _ = measured(FIXTURES / f"{name}.mp4")
    assert {shot.spin_source for shot in result.shots} == {"marks"}


def test_shots_of_a_burst_are_not_swapped_or_merged() -> None:
    result, truth = measured(FIXTURES / "burst.mp4")
    for k, shot in enumerate(result.shots):
        centres = {
            frame["frame"]: (ball["px_outline"], ball["py_outline"])
            for frame in truth["frames"]
            for ball in frame["balls"]
            if ball["shot"] == k
        }
        off = [
            math.hypot(x - centres[f][0], y - centres[f][1])
            for f, x, y, used in zip(
                shot.path.frame.tolist(), shot.path.x_px, shot.path.y_px, shot.path.used, strict=True
            )
            if used
        ]
        assert max(off) < 3.0, "a sighting of another ball"
        there = sorted(f for f in centres if f >= shot.path.frame[0])
        seen = set(shot.path.frame[shot.path.used].tolist())
        # Of many balls in flight at once, each is later on looked at in every fourth picture only.
        early, late = there[:60], there[60:]
        assert len(seen.intersection(early)) > 0.8 * len(early)
        assert len(seen.intersection(late)) > 0.8 * len(late) / 4


def test_why_flights_were_refused_can_be_read() -> None:
    result, _ = measured(FIXTURES / "two_shots_bounce.mp4")
    assert any("begins where another flight ends" in line for line in result.refused)
    nothing, _ = measured(FIXTURES / "nothing_moves_like_a_ball.mp4")
    assert nothing.refused


# -- the other renderer's clips -----------------------------------------------------------------


@pytest.mark.parametrize("name", TRACED_NAMES)
def test_traced_clips(name: str) -> None:
    clip = TRACED / f"{name}.mp4"
    if not clip.is_file():
        pytest.skip(f"{name}: the path-traced clips are not beside the repository")
    result, truth = measured(clip)
    assert len(result.shots) == len(truth["shots"])
    check_shots(clip, first_row_is_zero=True)
    assert {doubt.code for doubt in result.warnings} == EXPECTED_WARNINGS.get(name, set())
