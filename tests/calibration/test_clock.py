"""Real times from file times, with made clocks whose true rate is known."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.clock import clock_at, find_grid, rate_from_fall, set_clock
from calibration.errors import CalibrationError

TICK = 1 / 90_000


def rounded(times: np.ndarray, tick_s: float) -> np.ndarray:
    return np.round(times / tick_s) * tick_s


# -- the grid -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fps", [24.0, 59.94, 119.88, 239.76, 240.0, 960.0])
def test_an_even_clip_has_its_own_rate(fps):
    truth = np.arange(300) / fps
    grid = find_grid(rounded(truth, TICK), TICK)
    # Errors of up to half a tick move the slope of a line through n even places by 1.5 ticks / n at most.
    assert grid.interval_s == pytest.approx(1 / fps, abs=1.5 * TICK / 300)
    np.testing.assert_allclose(grid.time_s, truth, rtol=0, atol=TICK)
    assert grid.missing == ()


def test_a_coarse_clock_is_taken_out():
    """240 frames a second on a clock of 1/600 s alternate between 2 and 3 ticks; the median says 200."""
    truth = np.arange(240) / 240
    file_time = rounded(truth + 1e-7, 1 / 600)
    assert 1 / np.median(np.diff(file_time)) == pytest.approx(200, rel=1e-6)
    assert np.abs(file_time - truth).max() > 0.8e-3
    grid = find_grid(file_time, 1 / 600)
    assert 1 / grid.interval_s == pytest.approx(240, rel=1e-4)
    off = grid.time_s - truth
    assert np.ptp(off) < 0.05e-3
    assert grid.jitter_s == 0


def test_gaps_are_kept():
    there = np.delete(np.arange(100), [20, 41, 42])
    grid = find_grid(rounded(there / 240, TICK), TICK)
    assert 1 / grid.interval_s == pytest.approx(240, rel=1e-5)
    np.testing.assert_allclose(grid.time_s, there / 240, rtol=0, atol=TICK)
    assert grid.missing == (19, 39)


def test_gaps_are_kept_on_a_coarse_clock_too():
    there = np.delete(np.arange(200), [50, 120, 121, 122])
    grid = find_grid(rounded(there / 240 + 1e-7, 1 / 600), 1 / 600)
    assert 1 / grid.interval_s == pytest.approx(240, rel=1e-4)
    assert np.ptp(grid.time_s - there / 240) < 0.05e-3
    assert grid.missing == (49, 118)


@pytest.mark.parametrize("jitter_s", [0.2e-3, 0.5e-3])
def test_honest_jitter_is_kept(jitter_s):
    rng = np.random.default_rng(5)
    file_time = np.sort(np.arange(400) / 240 + rng.normal(0, jitter_s, 400))
    file_time -= file_time[0]
    grid = find_grid(file_time, TICK)
    np.testing.assert_array_equal(grid.time_s, file_time)
    # The sample standard deviation of 400 normal deviates is good to 1 / sqrt(800) = 3.5 %; four of them.
    assert grid.jitter_s == pytest.approx(jitter_s, rel=0.14)
    assert 1 / grid.interval_s == pytest.approx(240, rel=1e-3)
    assert grid.missing == ()


@pytest.mark.parametrize("times", [[0.0], [0.0, 1 / 120]])
def test_a_clip_of_one_or_two_frames_has_a_clock(times):
    grid = find_grid(np.array(times), TICK)
    np.testing.assert_array_equal(grid.time_s, times)
    assert np.isfinite(grid.interval_s)
    assert grid.interval_s > 0


# -- what the file says ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("capture_fps", "stretch"), [(30, 1), (120, 4), (240, 8), (480, 16), (960, 32)])
def test_a_tag_that_fits_tells_the_stretch(capture_fps, stretch):
    """Real time = file time x container rate / capture rate."""
    file_time = rounded(np.arange(100) / 30, TICK)
    clock = set_clock(find_grid(file_time, TICK), stated_fps=None, tag_fps=float(capture_fps))
    assert clock.source == "metadata"
    assert clock.stretch == pytest.approx(stretch, rel=1e-6)
    assert clock.capture_fps == pytest.approx(capture_fps, rel=1e-6)
    np.testing.assert_allclose(clock.frame_time_s, np.arange(100) / capture_fps, atol=TICK)


@pytest.mark.parametrize(("file_fps", "tag"), [(239.76, 240.0), (120.3, 120.0)])
def test_beside_a_nominal_tag_true_timestamps_are_the_finer_statement(file_fps, tag):
    clock = set_clock(find_grid(np.arange(100) / file_fps, TICK), stated_fps=None, tag_fps=tag)
    assert clock.stretch == 1
    assert clock.capture_fps == pytest.approx(file_fps, rel=1e-6)


@pytest.mark.parametrize("tag", [30.0, 100.0, 0.0, -240.0, 1e9, float("nan"), float("inf")])
def test_a_tag_that_no_stretch_explains_is_not_believed(tag):
    """30 stands on ordinary clips; here the timestamps say 240."""
    clock = set_clock(find_grid(np.arange(100) / 240, TICK), stated_fps=None, tag_fps=tag)
    assert clock.source == "container"
    assert clock.capture_fps == pytest.approx(240, rel=1e-6)
    assert clock.stretch == pytest.approx(1)


def test_what_the_user_states_wins():
    clock = set_clock(find_grid(np.arange(100) / 30, TICK), stated_fps=120.0, tag_fps=240.0)
    assert (clock.source, clock.capture_fps) == ("stated", 120.0)
    assert clock.stretch == pytest.approx(4, rel=1e-6)
    np.testing.assert_allclose(clock.frame_time_s, np.arange(100) / 120, atol=1e-9)


@pytest.mark.parametrize("fps", [0.0, -240.0, float("nan"), float("inf"), 1e7])
def test_a_stated_rate_that_is_none_is_refused(fps):
    with pytest.raises(CalibrationError, match="frames a second is not possible") as caught:
        set_clock(find_grid(np.arange(100) / 30, TICK), stated_fps=fps, tag_fps=None)
    assert caught.value.code == "capture_rate_nonsense"


def test_a_stated_rate_below_the_files_own_is_refused():
    """A film that holds 240 pictures of a second cannot have been filmed at 30."""
    with pytest.raises(CalibrationError, match="holds 240 frames a second") as caught:
        set_clock(find_grid(np.arange(100) / 240, TICK), stated_fps=30.0, tag_fps=None)
    assert caught.value.code == "capture_rate_low"


def test_jitter_and_gaps_reach_the_clock_in_real_time():
    there = np.delete(np.arange(60), [30])
    rng = np.random.default_rng(2)
    file_time = there / 30 + rng.normal(0, 2e-3, len(there))
    grid = find_grid(np.sort(file_time - file_time[0]), TICK)
    clock = clock_at(grid, 240.0, "stated")
    assert clock.jitter_s == pytest.approx(grid.jitter_s / clock.stretch)
    assert clock.jitter_s == pytest.approx(0.25e-3, rel=0.4)  # 2 ms over 8, 59 deviates
    assert clock.missing == (29,)


# -- what the fall says -----------------------------------------------------------------------------------


@pytest.mark.parametrize("stretch", [2, 4, 8, 32])
@pytest.mark.parametrize("scale", [1.0, 0.9, 1.1])
def test_the_fall_tells_a_stretched_clock(stretch, scale):
    """Time stretched s times makes g read s^2 times too small; lengths act once only."""
    grid = find_grid(np.arange(100) / 30, TICK)
    clock = set_clock(grid, stated_fps=None, tag_fps=None)
    rate = rate_from_fall(grid, clock, scale / stretch**2, 0.02)
    assert rate == pytest.approx(30 * stretch, rel=1e-9)


@pytest.mark.parametrize("g_ratio", [0.9, 0.95, 1.0, 1.05, 1.1, 0.8, 1.25])
def test_a_wrong_scale_is_no_wrong_clock(g_ratio):
    grid = find_grid(np.arange(100) / 240, TICK)
    clock = set_clock(grid, stated_fps=None, tag_fps=None)
    assert rate_from_fall(grid, clock, g_ratio, 0.02) is None


def test_a_fall_that_no_camera_explains_changes_nothing():
    """A ratio of 1/32 asks for 170 frames a second, as far from 120 as from 240."""
    grid = find_grid(np.arange(100) / 30, TICK)
    clock = set_clock(grid, stated_fps=None, tag_fps=None)
    assert rate_from_fall(grid, clock, 1 / 32, 0.02) is None


def test_a_vague_fall_changes_nothing():
    grid = find_grid(np.arange(100) / 60, TICK)
    clock = set_clock(grid, stated_fps=None, tag_fps=None)
    assert rate_from_fall(grid, clock, 0.25, 0.6) is None
