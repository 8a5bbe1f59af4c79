"""The rolling shutter against the formula, and the formula against a simulated read-out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from calibration.shutter import readout_of, row_share

HEIGHT = 720
FPS = 240.0


def seen_rows(v_rows_s: float, readout_s: float, start_row: float, frames: int = 12) -> np.ndarray:
    """Row at which each frame catches a point that moves evenly from a row; row r is read r/H later."""
    k = readout_s / HEIGHT
    return np.array(
        [
            brentq(
                lambda row, t=n / FPS: start_row + v_rows_s * (t + k * row) - row, -50 * HEIGHT, 50 * HEIGHT
            )
            for n in range(frames)
        ]
    )


@pytest.mark.parametrize("v_rows_s", [-4800.0, -1200.0, 0.0, 900.0, 3000.0])
@pytest.mark.parametrize("readout_s", [0.0, 0.002, 1 / 240])
def test_frame_times_alone_scale_the_speed(v_rows_s, readout_s):
    """Seen speed / true speed = 1 / (1 - k v), k = readout / H: t = t_frame + k row, differentiated."""
    rows = seen_rows(v_rows_s, readout_s, 400.0)
    frame_time = np.arange(len(rows)) / FPS
    naive = np.polyfit(frame_time, rows, 1)[0]
    k = readout_s / HEIGHT
    assert naive == pytest.approx(v_rows_s / (1 - k * v_rows_s), rel=1e-9, abs=1e-6)
    corrected = np.polyfit(frame_time + readout_s * row_share(rows, HEIGHT), rows, 1)[0]
    assert corrected == pytest.approx(v_rows_s, rel=1e-9, abs=1e-6)


def test_both_components_are_scaled_and_the_angle_stays():
    """A ball at (3000, -2400) px/s read at 4 ms over 720 rows: both by 1 / (1 + 0.004 / 720 x 2400)."""
    rows = seen_rows(-2400.0, 0.004, 600.0)
    true_time = np.arange(len(rows)) / FPS + 0.004 * rows / HEIGHT
    columns = 100 + 3000 * true_time
    frame_time = np.arange(len(rows)) / FPS
    vx, vy = np.polyfit(frame_time, columns, 1)[0], np.polyfit(frame_time, rows, 1)[0]
    assert vx / 3000 == pytest.approx(1 / (1 + 0.004 / 720 * 2400), rel=1e-9)
    assert vy / vx == pytest.approx(-2400 / 3000, rel=1e-9)


def test_row_zero_is_time_zero_and_the_row_past_the_last_is_the_whole_readout():
    np.testing.assert_array_equal(row_share(np.array([0.0, 360.0, 720.0]), HEIGHT), [0, 0.5, 1])


def test_an_unknown_readout_is_rectangular_over_one_frame():
    """JCGM 100:2008, 4.3.7: half width a, u = a / sqrt(3). At 240 fps: 2.0833 +- 1.2028 ms."""
    unknown = readout_of(None, 1 / FPS)
    assert unknown.readout_s == pytest.approx(2.083333e-3, rel=1e-6)
    assert unknown.u_readout_s == pytest.approx(1.202813e-3, rel=1e-6)
    assert not unknown.stated


def test_a_stated_readout_stands():
    stated = readout_of(0.004, 1 / FPS)
    assert (stated.readout_s, stated.u_readout_s, stated.stated) == (0.004, 0.0, True)
    none_at_all = readout_of(0.0, 1 / FPS)
    assert none_at_all.stated
    assert none_at_all.readout_s == 0
