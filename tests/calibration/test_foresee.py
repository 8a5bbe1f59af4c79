"""What marks are worth, before a ball is seen: held to simple geometry and to trials."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calibration.foresee import foresee
from calibration.reference import camera_prior
from calibration.rows import met
from calibration.stands_still import between
from calibration.values import CameraStatement, Picture, Reference, frozen

PICTURE = Picture(1280, 720)
HERE, THERE = np.array([400.0, 500.0]), np.array([700.0, 400.0])


def staff(u_click_px=1.0, u_length_m=0.001, u_offset_m=0.01):
    return Reference(
        points_px=frozen([[340.0, 600.0], [740.0, 596.0]]),
        picture_px=(1280, 720),
        length_m=1.5,
        u_length_m=u_length_m,
        u_offset_m=u_offset_m,
        u_click_px=u_click_px,
    )


def frame():
    return Reference(
        points_px=frozen([[300.0, 600.0], [700.0, 604.0], [702.0, 300.0], [298.0, 305.0]]),
        picture_px=(1280, 720),
        points_m=frozen([[0, 0], [1.5, 0], [1.5, 1.1], [0, 1.1]]),
        u_length_m=0.001,
        u_offset_m=0.01,
    )


def share(foreseen, name):
    return {row[0]: row[1] for row in foreseen.shares}[name]


def test_a_staffs_clicks_act_by_its_length_in_pixels():
    # Both ends' errors along the staff add in quadrature: u(L)/L = sqrt(2) u_click / L_px.
    found = foresee(PICTURE, staff(), CameraStatement(), HERE, THERE)
    expected = math.sqrt(2) / math.hypot(400, 4)
    assert share(found, "click") == pytest.approx(expected, rel=0.01)
    assert found.marks[:, 0] == pytest.approx(expected / math.sqrt(2), rel=0.01)
    assert share(found, "length") == pytest.approx(0.001 / 1.5, rel=0.01)


def test_shares_add_up_to_the_whole():
    for reference in (staff(), frame()):
        found = foresee(PICTURE, reference, CameraStatement(distance_m=4.2), HERE, THERE)
        speed, angle = np.array([row[1:] for row in found.shares]).T
        assert math.hypot(*speed) == pytest.approx(found.u_length, rel=1e-6)
        assert math.hypot(*angle) == pytest.approx(found.u_angle_rad, rel=1e-6)


def test_an_offset_acts_by_its_share_of_the_distance():
    # Seen from 4.2 m, 42 mm nearer or farther is one per cent.
    found = foresee(PICTURE, staff(u_offset_m=0.042), CameraStatement(distance_m=4.2), HERE, THERE)
    assert share(found, "offset") == pytest.approx(0.01, rel=0.1)


def test_a_plumb_line_makes_the_angle_surer():
    without = foresee(PICTURE, staff(), CameraStatement(), HERE, THERE)
    line = CameraStatement(plumb_px=frozen([[640, 40], [640, 690]]))
    found = foresee(PICTURE, staff(), line, HERE, THERE)
    # Without one the picture's vertical is the room's to +-1 degree, rectangular (JCGM 100:2008, 4.3.7).
    assert without.u_angle_rad > math.radians(1) / math.sqrt(3) * 0.95
    assert share(found, "tilt") < 1e-6
    tilt = {row[0]: row[2] for row in found.shares}["tilt"]
    assert tilt == pytest.approx(math.sqrt(2) / 650, rel=0.05)
    assert found.plumb[:, 1] == pytest.approx([1 / 650, 1 / 650], rel=0.05)


@pytest.mark.parametrize("reference", [staff(), frame()], ids=["staff", "frame"])
def test_click_shares_are_those_of_trials(reference):
    # Clicked anew many times, the length of one motion scatters as foreseen.
    from dataclasses import replace  # noqa: PLC0415 - only here

    from calibration.camera import to_plane  # noqa: PLC0415 - only here

    rng = np.random.default_rng(7)
    lengths = []
    for _ in range(150):
        clicked = frozen(reference.points_px + rng.normal(0, 1, reference.points_px.shape))
        prior = camera_prior(PICTURE, replace(reference, points_px=clicked), CameraStatement())
        theta = met([prior.rows], prior.start)
        a, b = np.real(to_plane(theta, prior.view, np.array([HERE, THERE])))
        lengths.append(math.log(math.dist(a, b)))
    found = foresee(PICTURE, reference, CameraStatement(), HERE, THERE)
    # The standard deviation of 150 trials is known to 6 %; three of that.
    assert float(np.hypot.reduce(found.marks[:, 0])) == pytest.approx(np.std(lengths), rel=0.18)


def textured(seed=3):
    rng = np.random.default_rng(seed)
    coarse = rng.uniform(40, 210, (46, 62))
    return np.kron(coarse, np.ones((16, 16))).round().astype(np.uint8)


def test_a_camera_that_stands_is_told_from_one_that_moved():
    first = textured()
    noisy = (first + np.random.default_rng(5).normal(0, 2, first.shape)).clip(0, 255).round().astype(np.uint8)
    assert between(first, noisy).stands
    moved = between(first, np.roll(first, (3, 5), axis=(0, 1)))
    assert moved.comparable
    assert not moved.stands
    assert moved.moved_px == pytest.approx(math.hypot(3, 5), abs=0.2)


def test_another_view_cannot_be_compared():
    assert not between(textured(3), textured(4)).stands
    assert not between(textured(), textured()[:640]).comparable
