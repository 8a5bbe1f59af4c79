"""What a film will show, against closed forms: parabolas in vacuum, similar triangles, speed and opening."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from tracker.plan.outlook import Expected, Filming, flight_of, outlook

G = 9.80665
VACUUM = Expected(7.0, math.radians(52), 0.14, G, 0.0, 0.0)
FILMING = Filming(4.2, 1113.6, 1280, 720, 240.0)


@pytest.mark.parametrize("angle_deg", [20.0, 45.0, 52.0, 70.0])
@pytest.mark.parametrize("speed", [3.0, 7.0, 12.0])
def test_in_vacuum_the_ball_comes_back_after_two_v_sin_over_g(speed, angle_deg):
    a = math.radians(angle_deg)
    t, places, velocities = flight_of(dataclasses.replace(VACUUM, speed_m_s=speed, angle_rad=a))
    assert t[-1] == pytest.approx(2 * speed * math.sin(a) / G, rel=2e-3)
    assert places[-1, 0] == pytest.approx(speed**2 * math.sin(2 * a) / G, rel=2e-3)
    assert places[:, 1].max() == pytest.approx((speed * math.sin(a)) ** 2 / (2 * G), rel=1e-4)
    assert velocities[0] == pytest.approx([speed * math.cos(a), speed * math.sin(a)])


def test_similar_triangles_and_speed_times_opening():
    seen = outlook(dataclasses.replace(FILMING, open_s=0.002), VACUUM)
    px_per_m = 1113.6 / 4.2
    assert seen.ball_px == pytest.approx(0.14 * px_per_m)
    assert seen.streak_px == pytest.approx(7.0 * 0.002 * px_per_m, rel=1e-3)
    assert seen.streak == pytest.approx(7.0 * 0.002 / 0.14, rel=1e-3)
    assert seen.shutter_s == pytest.approx(0.25 * 0.14 / 7.0, rel=1e-3)


def test_an_unknown_shutter_may_be_open_for_the_whole_frame():
    assert outlook(FILMING, VACUUM).streak_px == pytest.approx(7.0 / 240 * 1113.6 / 4.2, rel=1e-3)


def test_what_is_in_view_is_in_the_picture_frame_by_frame():
    seen = outlook(FILMING, VACUUM)
    radius = 0.5 * seen.ball_px
    # It leaves at the right side, at constant speed, before it has come v^2 sin(2 a) / g far.
    to_side_m = (1279 - radius - seen.exit_px[0]) * 4.2 / 1113.6
    assert seen.share == pytest.approx(to_side_m / (49 * math.sin(math.radians(104)) / G), abs=0.002)
    inside = (seen.place_px > radius) & (seen.place_px < np.array([1279, 719]) - radius)
    assert inside.all()
    assert np.diff(seen.time_s) == pytest.approx(1 / 240)
    x = 7.0 * math.cos(math.radians(52)) * seen.time_s
    assert seen.place_px[:, 0] - seen.exit_px[0] == pytest.approx(x * 1113.6 / 4.2, abs=0.05)


def test_from_near_less_is_in_view_and_it_ends_where_the_ball_leaves():
    near = outlook(dataclasses.replace(FILMING, distance_m=2.0), VACUUM)
    assert near.share < 0.7
    assert near.ball_px > 70
    # One more frame and the ball would touch the picture's upper or right side.
    step = near.place_px[-1] + 1.5 * (near.place_px[-1] - near.place_px[-2])
    radius = 0.5 * near.ball_px
    assert step[1] < radius + 2 or step[0] > 1279 - radius - 2


def test_drag_shortens_and_backspin_lengthens():
    drag = dataclasses.replace(VACUUM, drag_per_m=0.05)
    far = flight_of(VACUUM)[1][-1, 0]
    assert flight_of(drag)[1][-1, 0] < 0.95 * far
    spun = dataclasses.replace(VACUUM, lift_per_m=0.1, spin_rad_s=40.0)
    assert flight_of(spun)[0][-1] > flight_of(VACUUM)[0][-1]
