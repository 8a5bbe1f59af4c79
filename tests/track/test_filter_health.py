"""Is the filter as sure as it says? Normalised innovations over the fixtures against the chi-square band.

Source of the test: Bar-Shalom, Li & Kirubarajan, Estimation with Applications to Tracking and Navigation
(2001), 5.4.2: the mean over N runs of the innovation squared, normalised, lies 95 times in a hundred between
the 2.5 % and 97.5 % points of chi-square with N times 2 degrees of freedom, over N (from memory). Every
flight of the fixtures is a run.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from calibration.clock import find_grid
from tracker.ball.watch import BallHint
from tracker.setup_file.read import read_setup
from tracker.track import motion
from tracker.track.follow import follow
from tracker.values import Setup
from tracker.viewing import Seen, Viewing

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
#: Ordinary films: an even grid of times, a camera that stands, a shutter of a millisecond.
CLIPS = ("plain_240", "burst", "leftward", "leaves_plane", "clock_600", "two_shots_bounce", "uneven_times")
#: The first innovations test the prior alone, which is wide on purpose.
SETTLING = 5
STEPS = 200
#: Marks that turn and a background that changes make each flight's noise its own, and innovations of
#: neighbouring frames somewhat alike: a perfect filter would be inside 95 times in a hundred.
LEAST_INSIDE = 0.8


@cache
def seen(name: str) -> tuple[Setup, Seen, dict[int, list[dict[str, float]]]]:
    setup = read_setup(FIXTURES / f"{name}.setup.toml")
    reference = setup.reference
    assert reference is not None
    assert reference.length_m is not None
    px_per_m = float(np.hypot(*(reference.points_px[1] - reference.points_px[0]))) / reference.length_m
    hint = BallHint(setup.ball.colour, 0.5 * setup.ball.diameter_m * px_per_m)
    truth = json.loads((FIXTURES / f"{name}.truth.json").read_text(encoding="utf-8"))
    return (
        setup,
        Viewing(FIXTURES / f"{name}.mp4", hint)(lambda _done, _all: None),
        {frame["frame"]: frame["balls"] for frame in truth["frames"]},
    )


def innovations() -> list[np.ndarray]:
    """Each flight's normalised innovations squared, in order, while the truth says that it flies."""
    runs = []
    for name in CLIPS:
        setup, film, truth = seen(name)
        grid = find_grid(film.facts.file_time_s, film.facts.tick_s)
        s = film.sightings
        radius_m = 0.5 * setup.ball.diameter_m
        for track in follow(s, grid.interval_s, grid.time_s, ball_radius_m=radius_m):
            flies = np.array(
                [_flies(truth.get(int(s.frame[r]), []), s.x_px[r], s.y_px[r]) for r in track.rows]
            )
            nis = track.nis[np.flatnonzero(flies)[SETTLING:]] if flies.sum() > STEPS else np.empty(0)
            if len(nis) >= STEPS:
                runs.append(nis[:STEPS])
    return runs


def _flies(balls: list[dict[str, float]], x: float, y: float) -> bool:
    return any(
        ball["in_flight"]
        and ball["visible"] > 0.99
        and ball["fully_in_picture"]
        and np.hypot(ball["px_outline"] - x, ball["py_outline"] - y) < 5
        for ball in balls
    )


def share_inside() -> tuple[float, float, int]:
    """Share of steps whose mean over the flights lies in the 95 % band, that mean over all, and flights."""
    runs = np.array(innovations())
    flights = len(runs)
    low, high = chi2.ppf([0.025, 0.975], 2 * flights) / flights
    mean = runs.mean(axis=0)
    return float(((mean > low) & (mean < high)).mean()), float(runs.mean()), flights


def test_the_band_is_that_of_the_table() -> None:
    # Chi-square table (any handbook): 20 degrees of freedom, 9.591 and 34.170.
    np.testing.assert_allclose(chi2.ppf([0.025, 0.975], 20), [9.591, 34.170], atol=5e-4)


def test_innovations_are_as_large_as_the_filter_says(capsys: pytest.CaptureFixture[str]) -> None:
    inside, mean, flights = share_inside()
    with capsys.disabled():
        print(f"\n  {flights} flights: {100 * inside:.0f} % of steps in the 95 % band, mean {mean:.2f} for 2")
    assert flights >= 10
    assert inside >= LEAST_INSIDE
    assert 1.5 < mean < 2.5


@pytest.mark.parametrize("times", [0.5, 2.0], ids=["over-confident", "under-confident"])
def test_a_filter_that_is_surer_or_less_sure_is_found_out(
    times: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(motion, "FRESH_SHARE", times * motion.FRESH_SHARE)
    inside, _, _ = share_inside()
    assert inside < LEAST_INSIDE - 0.2
