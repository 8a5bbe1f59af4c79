"""The forecast of an uncertainty, against what the same film gives when it is measured."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from own_camera import Pinhole
from own_flight import Film, Filming, Reader, Throw

from calibration.values import CameraStatement, Reference, frozen
from tracker import planning
from tracker.errors import SetupError
from tracker.pipeline import measure
from tracker.plan import outlook
from tracker.values import Ball, Setup

BALL = Ball(0.14, 0.088, u_diameter_m=0.0014, u_mass_kg=0.00088)
PLACE = outlook.Filming(4.2, 1113.6, 1280, 720, 120.0)
WISH = planning.Wish(PLACE, BALL, 6.0, math.radians(55), 1.5, 1.5, 8.4, readout_s=0.0)


def test_the_forecast_is_what_the_measurement_says(tmp_path):
    """Speed and angle uncertainties agree to 25 %: the made noise is another, and so is the lift law."""
    sharp = dataclasses.replace(PLACE, open_s=1e-4)  # the made film has no streaks
    here = planning.forecast(dataclasses.replace(WISH, filming=sharp))
    clip = tmp_path / "made.mp4"
    clip.write_bytes(b"no film")
    camera = Pinhole(1113.6, place_m=(0, -4.2, 1.0))
    seen = here.outlook
    # The exit where the plan puts it.
    exit_x = (seen.exit_px[0] - 639.5) / PLACE.px_per_m
    exit_z = 1.0 - (seen.exit_px[1] - 359.5) / PLACE.px_per_m
    throw = Throw(6.0, math.radians(55), 25.0, exit_m=(exit_x, 0, exit_z))
    film = Film.of(Filming(camera, fps=120.0, noise_px=planning.U_PX), 2)
    fly = throw.fly(1.6)
    film.add(lambda t: fly(t)[:, :3], np.arange(6, 6 + len(seen.time_s)), 0.07, begin_s=5.5 / 120)
    half = 0.75
    ends = camera.project(np.array([[-half, 0, 0.0], [half, 0, 0.0]]))
    ends[:, 1] = 0.93 * 720
    reference = Reference(frozen(ends), (1280, 720), length_m=1.5, u_length_m=0.0009, u_offset_m=0.01)
    stated = CameraStatement(distance_m=4.2, readout_s=0.0)
    found = measure(clip, Setup(BALL, reference, stated), child=Reader(film.seen(150)))
    (shot,) = found.shots
    assert here.launch.exit_speed_m_s.u == pytest.approx(shot.exit_speed_m_s.u, rel=0.25)
    assert here.launch.exit_angle_rad.u == pytest.approx(shot.exit_angle_rad.u, rel=0.4)
    assert here.launch.exit_speed_m_s.value == pytest.approx(6.0, rel=0.01)


def test_a_longer_reference_and_a_stated_readout_help():
    plain = planning.forecast(dataclasses.replace(WISH, reference_m=0.3)).u_share
    assert planning.forecast(WISH).u_share < plain
    unstated = planning.forecast(dataclasses.replace(WISH, readout_s=None))
    assert unstated.u_share > planning.forecast(WISH).u_share
    assert "readout" in {line.source for line in unstated.launch.budget if line.speed_share_m_s > 1e-4}


def test_who_stands_too_near_is_sent_back():
    near = planning.plan(dataclasses.replace(WISH, filming=dataclasses.replace(PLACE, distance_m=2.0)))
    assert near.better is not None
    assert near.better.distance_m > 2.5
    assert near.better.u_share < 0.9 * near.here.u_share
    assert near.better.outlook.ball_px >= outlook.LEAST_BALL_PX


def test_nobody_is_sent_through_a_wall():
    filming = dataclasses.replace(PLACE, distance_m=2.0)
    found = planning.plan(dataclasses.replace(WISH, filming=filming, farthest_m=2.2))
    assert found.better is None or found.better.distance_m <= 2.2


def test_a_reference_longer_than_the_picture_counts_as_far_as_it_is_seen():
    found = planning.forecast(dataclasses.replace(WISH, reference_m=40.0))
    assert found.reference_m == pytest.approx(0.9 * 1280 / PLACE.px_per_m)


def test_too_little_in_view_is_a_forecast_without_a_speed():
    filming = dataclasses.replace(PLACE, distance_m=0.4, fps=30.0)
    found = planning.forecast(dataclasses.replace(WISH, filming=filming))
    assert found.launch is None
    assert math.isinf(found.u_share)


def test_no_throw_is_refused():
    with pytest.raises(SetupError, match="no throw"):
        planning.forecast(dataclasses.replace(WISH, angle_rad=2.0))
