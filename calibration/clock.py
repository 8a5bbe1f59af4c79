"""File times -> real times: the grid the frames stand on, and how much slower than life they play.

Order of trust: what the user states; the capture rate in the metadata where the timestamps can be
brought to agree with it; the fall of the ball; the container's own times.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.cadence import Cadence
from calibration.errors import CalibrationError
from calibration.values import Clock, Floats, frozen

#: Rates that cameras film at. Common practice, no source.
CAPTURE_RATES = (60.0, 120.0, 240.0, 480.0, 960.0)
#: Rates of crystal clocks: a phone's is good to some ten parts in a million; 0.01 % covers NTSC-like rates.
U_RATE = 1e-4
SLOWEST_FPS, FASTEST_FPS = 1.0, 100_000.0
#: A tag is believed when rate and times agree to this, or one is this near to a whole multiple of the other.
AGREEMENT = 0.03


@dataclass(frozen=True, slots=True)
class Grid:
    """File times brought onto their grid where they are one, else as they are.

    ``time_s`` (n,), ``interval_s`` the mean step of consecutive frames, ``jitter_s`` the root mean
    square distance of the file times from the grid, ``missing`` the frames after which one is lost.
    """

    time_s: Floats
    interval_s: float
    jitter_s: float
    missing: tuple[int, ...]


def find_grid(file_time_s: Floats, tick_s: float) -> Grid:
    """Straight line through frame times, counting lost frames, by least squares.

    Where the times keep to the line within their clock's resolution they are replaced by it: that
    takes the rounding of the file's clock out. Honest jitter and gaps stay.
    """
    t = np.asarray(file_time_s, dtype=np.float64)
    if len(t) < 3:
        interval = float(t[-1] - t[0]) / max(len(t) - 1, 1) or 1 / 30
        return Grid(frozen(t), interval, 0.0, ())
    d = np.diff(t)
    interval = float(d[d < 1.5 * np.median(d)].mean())
    slot = np.arange(len(t), dtype=np.float64)
    start = float(t[0])
    for _ in range(5):
        slot = np.concatenate([[0.0], np.cumsum(np.maximum(1.0, np.rint(d / interval)))])
        interval, start = (float(c) for c in np.polyfit(slot, t, 1))
    off = t - (start + interval * slot)
    jitter = float(np.sqrt(np.mean(off**2)))
    missing = tuple(int(i) for i in np.flatnonzero(np.diff(slot) > 1.5))
    on_grid = float(np.max(np.abs(off))) <= 1.01 * max(tick_s, 1e-9)
    times = interval * slot if on_grid else t - t[0]
    return Grid(frozen(times), interval, 0.0 if on_grid else jitter, missing)


def set_clock(grid: Grid, *, stated_fps: float | None, tag_fps: float | None) -> Clock:
    """Real times before the fall has been heard: stated, metadata or container.

    Raises
    ------
    CalibrationError
        If the stated rate is no rate, or slower than the file's own.
    """
    if stated_fps is not None:
        if not (math.isfinite(stated_fps) and SLOWEST_FPS <= stated_fps <= FASTEST_FPS):
            raise CalibrationError(
                "capture_rate_nonsense",
                f"A capture rate of {stated_fps:g} frames a second is not possible.",
                "State how many frames a second the camera took, for example 240.",
            )
        own_fps = 1 / grid.interval_s
        if len(grid.time_s) >= 3 and stated_fps < (1 - AGREEMENT) * own_fps:
            raise CalibrationError(
                "capture_rate_low",
                f"The clip holds {own_fps:.4g} frames a second, more than the {stated_fps:g} stated.",
                "State how many frames a second the camera took, or leave it out.",
            )
        return clock_at(grid, stated_fps, "stated")
    if tag_fps is not None and _tag_fits(tag_fps * grid.interval_s):
        return clock_at(grid, tag_fps, "metadata")
    return clock_at(grid, 1 / grid.interval_s, "container")


def _tag_fits(stretch: float) -> bool:
    if not 1 - AGREEMENT < stretch < 64:
        return False
    return abs(stretch / round(stretch) - 1) < AGREEMENT


def clock_at(grid: Grid, capture_fps: float, source: str) -> Clock:
    """The clock that plays the grid at this capture rate."""
    stretch = capture_fps * grid.interval_s
    if source in {"stated", "metadata"} and abs(stretch - 1) < AGREEMENT:
        # A nominal rate beside true-rate timestamps: the timestamps are the finer statement.
        capture_fps, stretch = 1 / grid.interval_s, 1.0
    return Clock(
        frame_time_s=frozen(grid.time_s / stretch),
        capture_fps=capture_fps,
        stretch=stretch,
        source=source,
        jitter_s=grid.jitter_s / stretch,
        missing=grid.missing,
        u_rate=U_RATE,
    )


def rate_from_fall(grid: Grid, clock: Clock, g_ratio: float, u_ln_ratio: float) -> float | None:
    """The capture rate that makes the ball fall as it should, if the present one does not.

    Parameters
    ----------
    g_ratio : float
        Freely fitted acceleration of gravity over the true one, with the present clock.
    u_ln_ratio : float
        Standard uncertainty of its natural logarithm.

    Returns
    -------
    float or None
        One of the container's own rate and `CAPTURE_RATES`; None if the present clock is the nearest,
        or none is near: time acts squared, so a wrong clock is out by a factor of four and more.
    """
    wanted = clock.capture_fps / math.sqrt(g_ratio)
    candidates = [1 / grid.interval_s, *CAPTURE_RATES]
    nearest = min(candidates, key=lambda fps: abs(math.log(fps / wanted)))
    off = abs(2 * math.log(nearest / wanted))
    present = abs(2 * math.log(clock.capture_fps / wanted))
    if present < max(3 * u_ln_ratio, 0.35) or off > max(3 * u_ln_ratio, 0.25) or off >= present:
        return None
    return nearest


def with_cadence(grid: Grid, cadence: Cadence) -> Grid:
    """The grid with its frames at their true times."""
    slots = cadence.slots(len(grid.time_s))
    even = grid.time_s / grid.interval_s
    return Grid(
        frozen((even - np.arange(len(even)) + slots) * grid.interval_s), grid.interval_s, 0.0, grid.missing
    )
