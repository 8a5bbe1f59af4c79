"""A filmed football kept in the air, with only its diameter told: nothing is known of it but that it falls.

The clip was made of a faster one by leaving out every fifth picture; a person and trees are behind the ball.
It is not part of the project: LOBSCOPE_FOOTAGE names the folder that holds ``juggle.mp4``.
"""

import os
from pathlib import Path

import numpy as np
import pytest

from tracker.pipeline import measure
from tracker.setup_file import parse_setup

BESIDE = Path(__file__).parents[3] / "shared" / "real"
FOOTAGE = Path(os.environ.get("LOBSCOPE_FOOTAGE", BESIDE)) / "juggle.mp4"
pytestmark = pytest.mark.skipif(
    not FOOTAGE.exists(), reason="needs juggle.mp4 in the folder LOBSCOPE_FOOTAGE"
)

# Laws of the Game (IFAB), law 2: a circumference of 68 to 70 cm, so 0.216 to 0.223 m across.
SETUP = '[ball]\ndiameter = "0.22 m"\n'
G = 9.80665  # CGPM 1901
WIDTH, HEIGHT = 1280, 720


@pytest.fixture(scope="module")
def juggled():
    return measure(FOOTAGE, parse_setup(SETUP, "football"), every_flight=True)


def test_most_flights_are_found_and_fall_as_they_must(juggled):
    assert len(juggled.shots) >= 10
    g = np.array([shot.free_g_m_s2.value for shot in juggled.shots])
    assert np.median(g) == pytest.approx(G, rel=0.08)
    u = np.array([shot.free_g_m_s2.u for shot in juggled.shots])
    # Each by itself; the scale's own error is common to all of them.
    assert np.all(np.abs(g - G) < 3 * u)


def test_the_pictures_that_were_left_out_are_noticed(juggled):
    assert "uneven_frames" in {doubt.code for doubt in juggled.warnings}


def test_flights_do_not_overlap_and_hold_no_contact(juggled):
    flights = sorted((int(s.path.frame[0]), int(s.path.frame[-1]), s) for s in juggled.shots)
    ends = [last for _, last, _ in flights]
    assert all(first > last for last, (first, _, _) in zip(ends, flights[1:], strict=False))
    for _, _, shot in flights:
        # A kick or a catch turns the vertical velocity round within one or two pictures; free fall never
        # changes it by more than g times the time, in pixels of this ball's own scale.
        path = shot.path
        fall_px = G * np.median(path.radius_px) / 0.11
        dt = np.diff(path.t_s)
        v = np.diff(path.y_px) / dt
        change = np.abs(np.diff(v)) / (0.5 * (dt[1:] + dt[:-1]))
        # Two neighbouring differences of places that are good to about a pixel: 4 px / step^2.
        assert np.all(change < 1.3 * fall_px + 4 / dt.min() ** 2)
        assert np.all((path.x_px > 0) & (path.x_px < WIDTH) & (path.y_px > 0) & (path.y_px < HEIGHT))


def test_what_is_found_is_as_large_as_one_ball(juggled):
    radii = np.array([np.median(shot.path.radius_px) for shot in juggled.shots])
    # The player moves to and fro by well under a fifth of the camera's distance.
    assert radii.max() / radii.min() < 1.35
