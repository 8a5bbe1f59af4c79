"""Spin of whole clips, from the file to the shot; the truth was put into the pictures."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from tracker.pipeline import measure
from tracker.setup_file import read_setup

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.mark.parametrize("name", ["plain_240", "leftward", "portrait_120", "two_shots_bounce"])
def test_spin_of_a_clip(name: str) -> None:
    clip = FIXTURES / f"{name}.mp4"
    truth = json.loads(clip.with_suffix(".truth.json").read_text(encoding="utf-8"))
    measured = measure(clip, read_setup(clip.with_suffix(".setup.toml")))
    assert len(measured.shots) == len(truth["shots"])
    for shot, thrown in zip(measured.shots, truth["shots"], strict=True):
        later_s = shot.exit_time_s.value - thrown["exit_time_s"]
        spin = thrown["spin_rad_s"] * math.exp(-later_s / thrown["spin_decay_tau_s"])
        assert shot.spin_source == "marks"
        assert shot.spin_rad_s is not None
        assert shot.spin_rad_s.value == pytest.approx(spin, rel=0.005)
        assert abs(shot.spin_rad_s.value - spin) < 3 * shot.spin_rad_s.u
        assert shot.spin_rad_s.u < 0.005 * spin
        assert not {"spin_disagrees", "spin_alias"} & set(shot.flags)
