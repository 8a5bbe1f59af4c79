"""The path in metres, and how far each sighting lies from the fit."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibration.values import Floats
from tracker.pictures import look
from tracker.pictures.captions import Captions
from tracker.values import COVERAGE_FACTOR_95, Path, Shot

MM_PER_M = 1000.0
HEIGHT_IN = 9.2
PATH_SHARE = 0.44


def path_and_residuals(shot: Shot, captions: Captions) -> Figure:
    """Two panels: the path to scale, and the residuals in millimetres with the 95 % band of a sighting.

    Parameters
    ----------
    shot : Shot
    captions : Captions
    """
    figure, _ = look.sheet(HEIGHT_IN)
    figure.text(
        0.03,
        0.972,
        look.readable(captions.title),
        fontsize=look.BODY_PT,
        fontweight="bold",
        color=look.INK,
        ha="left",
        va="center",
        parse_math=False,
    )
    above = look.plain_axes(figure, 0.13, 0.96 - PATH_SHARE, 0.84, PATH_SHARE - 0.035)
    below = look.plain_axes(figure, 0.13, 0.075, 0.84, 0.315)
    _draw_path(above, shot, captions)
    _draw_residuals(below, shot.path)
    return figure


def _draw_path(axes: Axes, shot: Shot, captions: Captions) -> None:
    path = shot.path
    axes.plot(path.fit_x_m, path.fit_z_m, color=look.BLUE, linewidth=1.6, zorder=4.5, gid="fitted path")
    _dots(axes, (path.x_m, path.z_m), path.used, "o", look.BLUE)
    x, z = shot.exit_x_m.value, shot.exit_z_m.value
    axes.plot(x, z, marker="D", markersize=9, color=look.VERMILLION, linestyle="none", zorder=5, gid="exit")
    # The same scale both ways, so that the angle looks as it is, and room above for the words.
    low, high = min(path.z_m.min(), z), max(path.z_m.max(), z)
    left, right = min(path.x_m.min(), x), max(path.x_m.max(), x)
    box = axes.get_window_extent()
    metres_high = max(1.5 * (high - low), 1.12 * (right - left) * box.height / box.width, 0.05)
    metres_wide = metres_high * box.width / box.height
    axes.set_ylim(low - 0.07 * metres_high, low + 0.93 * metres_high)
    axes.set_xlim((left + right - metres_wide) / 2, (left + right + metres_wide) / 2)
    axes.text(
        0.5,
        0.99,
        f"leaves at {captions.speed},\n{captions.angle} above level",
        transform=axes.transAxes,
        ha="center",
        va="top",
        fontsize=look.BODY_PT,
        fontweight="bold",
        color=look.VERMILLION,
        parse_math=False,
    )
    axes.set_xlabel("along the launch, m", fontsize=look.BODY_PT, color=look.INK)
    axes.set_ylabel("height, m", fontsize=look.BODY_PT, color=look.INK)


def _dots(
    axes: Axes, xy: tuple[Floats, Floats], used: np.typing.NDArray[np.bool_], marker: str, colour: str
) -> None:
    x, y = xy
    axes.plot(
        x[used],
        y[used],
        linestyle="none",
        marker=marker,
        markersize=4.6,
        markerfacecolor=look.PAPER,
        markeredgecolor=colour,
        markeredgewidth=1.2,
        zorder=4,
    )
    axes.plot(x[~used], y[~used], linestyle="none", marker="x", markersize=5.5, color=look.FAINT, zorder=4)


def _draw_residuals(axes: Axes, path: Path) -> None:
    time_ms = (path.t_s - path.t_s[0]) * 1000
    along_mm = (path.x_m - path.fit_x_m) * MM_PER_M
    up_mm = (path.z_m - path.fit_z_m) * MM_PER_M
    band_mm = COVERAGE_FACTOR_95 * path.u_m * MM_PER_M
    axes.fill_between(time_ms, -band_mm, band_mm, color=look.SKY, alpha=0.35, linewidth=0, gid="band")
    axes.axhline(0, color=look.FAINT, linewidth=1)
    _dots(axes, (time_ms, along_mm), path.used, "o", look.BLUE)
    _dots(axes, (time_ms, up_mm), path.used, "^", look.VERMILLION)
    # A wild sighting that was left out anyway must not squeeze the others flat.
    taken = np.concatenate([np.abs(along_mm[path.used]), np.abs(up_mm[path.used]), band_mm])
    reach = 1.15 * float(np.nanmax(taken, initial=0.0)) or 1.0
    axes.set_ylim(-reach, 1.5 * reach)
    length = float(time_ms[-1]) or 1.0
    axes.set_xlim(-0.03 * length, 1.03 * length)
    _outside(axes, along_mm, up_mm, reach)
    for share, sign, words, colour in ((0.02, "o", "along", look.BLUE), (0.24, "^", "up", look.VERMILLION)):
        axes.plot(
            share + 0.01,
            0.95,
            marker=sign,
            markersize=7,
            markerfacecolor=look.PAPER,
            markeredgecolor=colour,
            markeredgewidth=1.6,
            transform=axes.transAxes,
            linestyle="none",
        )
        axes.text(
            share + 0.04,
            0.95,
            words,
            transform=axes.transAxes,
            ha="left",
            va="center",
            color=colour,
            fontsize=look.BODY_PT,
            fontweight="bold",
        )
    axes.text(
        0.40,
        0.95,
        "band: 95 % of sightings",
        transform=axes.transAxes,
        ha="left",
        va="center",
        color=look.FAINT,
        fontsize=look.BODY_PT,
    )
    axes.set_xlabel("time since the first sighting, ms", fontsize=look.BODY_PT, color=look.INK)
    axes.set_ylabel("seen minus fitted, mm", fontsize=look.BODY_PT, color=look.INK)


def _outside(axes: Axes, along_mm: Floats, up_mm: Floats, reach: float) -> None:
    """Say how many sightings the panel cannot show."""
    outside = int(np.count_nonzero(np.maximum(np.abs(along_mm), np.abs(up_mm)) > reach))
    if outside:
        axes.text(
            0.99,
            0.02,
            f"{outside} left out lie outside",
            transform=axes.transAxes,
            ha="right",
            va="bottom",
            color=look.FAINT,
            fontsize=look.SMALL_PT,
        )
