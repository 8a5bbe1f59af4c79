"""A session's control chart: each shot and its limits above, the jumps from shot to shot below."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibration.values import Floats
from tracker.evaluation import ControlChart
from tracker.pictures import look

HEIGHT_IN = 7.4
ROOM_FOR_NAMES = 44  # characters along the axis, one between two names
LEFT, WIDTH = 0.14, 0.65


def control_chart_picture(
    values: Floats, chart: ControlChart, *, title: str, unit: str, names: Sequence[str]
) -> Figure:
    """Two panels over the shots in order.

    Parameters
    ----------
    values : (n,) array
        In ``unit``.
    chart : ControlChart
        Of these values.
    names : sequence of n str
        What each shot is called below the axis.
    """
    figure, _ = look.sheet(HEIGHT_IN)
    figure.text(
        0.03,
        0.965,
        textwrap.shorten(look.readable(title), 68, placeholder=" ..."),
        fontsize=look.BODY_PT,
        fontweight="bold",
        color=look.INK,
        ha="left",
        va="center",
        parse_math=False,
    )
    above = look.plain_axes(figure, LEFT, 0.42, WIDTH, 0.47)
    below = look.plain_axes(figure, LEFT, 0.105, WIDTH, 0.24)
    order = np.arange(1.0, len(values) + 1)
    beyond = {s.shot for s in chart.signals if s.rule == "beyond_limit"}
    runs = {s.shot for s in chart.signals if s.rule == "run"}
    wide = {s.shot - 1 for s in chart.signals if s.rule == "moving_range"}
    _panel(above, order, values, (chart.low, chart.centre, chart.high), beyond | runs)
    _panel(below, order[1:], chart.moving_range, (None, chart.range_centre, chart.range_high), wide)
    for axes in (above, below):
        axes.set_xlim(0.4, len(values) + 0.6)
    below.set_ylim(bottom=0)
    _name_shots(below, names)
    above.set_xticks(below.get_xticks(), [""] * len(below.get_xticks()))
    above.set_ylabel(unit, fontsize=look.BODY_PT, color=look.INK)
    below.set_ylabel(f"jump, {unit}", fontsize=look.BODY_PT, color=look.INK)
    below.set_xlabel("shot, by its number in the log", fontsize=look.BODY_PT, color=look.INK)
    _name_lines(above, ((chart.high, "limit"), (chart.centre, "mean"), (chart.low, "limit")))
    _name_lines(below, ((chart.range_high, "limit"), (chart.range_centre, "mean")))
    if chart.trial:
        figure.text(
            0.03,
            0.93,
            "fewer than 20 shots: the limits are a first trial",
            fontsize=look.SMALL_PT,
            color=look.FAINT,
            ha="left",
            va="center",
        )
    return figure


def _panel(
    axes: Axes, x: Floats, y: Floats, lines: tuple[float | None, float, float], marked: set[int]
) -> None:
    low, centre, high = lines
    axes.axhline(centre, color=look.FAINT, linewidth=1.2, zorder=2)
    for limit in (low, high):
        if limit is not None:
            axes.axhline(limit, color=look.VERMILLION, linewidth=1.2, linestyle=(0, (6, 4)), zorder=2)
    axes.plot(x, y, color=look.SKY, linewidth=1.2, zorder=3)
    here = np.array([k in marked for k in range(len(y))], dtype=bool)
    axes.plot(
        x[~here],
        y[~here],
        linestyle="none",
        marker="o",
        markersize=7,
        markerfacecolor=look.PAPER,
        markeredgecolor=look.BLUE,
        markeredgewidth=1.6,
        zorder=4,
        clip_on=False,
        gid="steady",
    )
    axes.plot(
        x[here],
        y[here],
        linestyle="none",
        marker="D",
        markersize=9,
        color=look.VERMILLION,
        zorder=5,
        clip_on=False,
        gid="signal",
    )
    ends = [value for value in (*y.tolist(), low, high) if value is not None]
    room = 0.08 * (max(ends) - min(ends)) or 0.5
    axes.set_ylim(min(ends) - room, max(ends) + room)


def _name_shots(axes: Axes, names: Sequence[str]) -> None:
    most = ROOM_FOR_NAMES // (max(map(len, names)) + 1)
    step = -(-len(names) // max(most, 1))
    shown = range(0, len(names), step)
    axes.set_xticks([k + 1 for k in shown], [look.readable(names[k]) for k in shown])


def _name_lines(axes: Axes, lines: Sequence[tuple[float, str]]) -> None:
    """Words at the right end of each line, moved apart where the lines lie close."""
    bottom, top = axes.get_ylim()
    least = look.BODY_PT * 1.45 / 72 / (axes.get_position().height * HEIGHT_IN) * (top - bottom)
    places = max(0, 2 - math.floor(math.log10(top - bottom)))
    at: float | None = None
    for value, words in lines:  # from above
        place = value if at is None else min(value, at - least)
        at = place
        axes.annotate(
            f"{words} {value:.{places}f}",
            (1, value),
            xycoords=axes.get_yaxis_transform(),
            xytext=(1.02, place),
            textcoords=axes.get_yaxis_transform(),
            ha="left",
            va="center",
            fontsize=look.SMALL_PT,
            color=look.INK,
            annotation_clip=False,
        )
