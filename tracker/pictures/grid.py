"""A film picture with a grid to read places in pixels from."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from tracker.pictures import look
from tracker.pictures.composite import Bgr

EDGE_PX = 64  # for the numbers round the picture
NARROWEST_PX = 900  # smaller parts are shown larger
GRID_STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500)
LEAST_APART_PX = 46  # between two lines with numbers
TITLE_SHARE = 0.5


def still_with_grid(
    image: Bgr, title: str, *, around: tuple[float, float] | None = None, reach_px: int = 32
) -> Figure:
    """The picture, or what lies round a place of it, with lines at round pixel numbers.

    Parameters
    ----------
    image : (h, w, 3) uint8 array
        Upright, blue first.
    title : str
    around : (x, y), optional
        A place to be shown so large that single pixels can be told apart.
    reach_px : int
        How far from it is shown.
    """
    height, width = image.shape[:2]
    left, top, right, bottom = 0, 0, width, height
    if around is not None:
        x, y = (round(c) for c in around)
        left, right = max(0, x - reach_px), min(width, x + reach_px + 1)
        top, bottom = max(0, y - reach_px), min(height, y + reach_px + 1)
    part = image[top:bottom, left:right, ::-1]
    power = max(1, round(NARROWEST_PX / part.shape[1]))
    wide, high = part.shape[1] * power, part.shape[0] * power
    dpi = look.DOTS_PER_INCH
    figure = Figure(
        figsize=((wide + 2 * EDGE_PX) / dpi, (high + 2 * EDGE_PX) / dpi), dpi=dpi, facecolor=look.PAPER
    )
    across, up = wide + 2 * EDGE_PX, high + 2 * EDGE_PX
    axes = figure.add_axes((EDGE_PX / across, EDGE_PX / up, wide / across, high / up))
    # The middle of the first pixel is (0, 0), so that its edges lie half a pixel out.
    axes.imshow(
        part,
        extent=(left - 0.5, right - 0.5, bottom - 0.5, top - 0.5),
        interpolation="nearest",
        aspect="auto",
    )
    step = next(s for s in (*GRID_STEPS, 1000) if s * power >= LEAST_APART_PX)
    axes.set_xticks(np.arange(-(-left // step) * step, right, step))
    axes.set_yticks(np.arange(-(-top // step) * step, bottom, step))
    axes.grid(visible=True, color=look.PAPER, linewidth=0.7, alpha=0.75)
    axes.tick_params(
        labelsize=7, labelfontfamily=look.FAMILY, labeltop=True, labelright=True, top=True, right=True
    )
    axes.tick_params(axis="x", labelrotation=90)
    figure.text(
        0.5,
        TITLE_SHARE * 14 / up,
        look.readable(title),
        ha="center",
        va="bottom",
        color=look.INK,
        fontsize=6.5,
    )
    return figure
