"""Two sessions side by side: every shot, the means, and the difference beside what was expected."""

from __future__ import annotations

import textwrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibration.values import Floats
from tracker.evaluation import Comparison
from tracker.pictures import look
from tracker.values import Number

HEIGHT_IN = 6.4
NAME_WIDTH = 16
UNBROKEN = "\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}"
COLOURS = ((look.BLUE, "o"), (look.GREEN, "^"))


def before_after(
    values: tuple[Floats, Floats],
    result: Comparison,
    *,
    names: tuple[str, str],
    title: str,
    label: str,
    unit: str,
) -> Figure:
    """Left: the shots of both sessions as dots with their means. Right: the difference with its interval.

    Parameters
    ----------
    values : pair of arrays, shapes (n,) and (m,)
    result : Comparison
        Of these values.
    """
    figure, _ = look.sheet(HEIGHT_IN)
    figure.text(
        0.03,
        0.985,
        textwrap.fill(look.readable(title.replace(" ± ", UNBROKEN)), 62, max_lines=2, placeholder=" ..."),
        fontsize=look.BODY_PT,
        fontweight="bold",
        color=look.INK,
        ha="left",
        va="top",
        parse_math=False,
    )
    shots = look.plain_axes(figure, 0.13, 0.14, 0.42, 0.72)
    change = look.plain_axes(figure, 0.72, 0.14, 0.25, 0.72)
    for k, (session, mean) in enumerate(zip(values, (result.before, result.after), strict=True)):
        _draw_session(shots, k, session, mean)
    shots.set_xlim(-0.55, 1.55)
    words = [
        textwrap.fill(look.readable(name), NAME_WIDTH, max_lines=2, placeholder=" ...") for name in names
    ]
    shots.set_xticks([0, 1], words)
    shots.set_ylabel(label, fontsize=look.BODY_PT, color=look.INK)
    _draw_change(change, result, unit)
    return figure


def _draw_session(axes: Axes, k: int, values: Floats, mean: Number) -> None:
    colour, marker = COLOURS[k]
    axes.plot(
        k - 0.17 + side_steps(values),
        values,
        linestyle="none",
        marker=marker,
        markersize=7,
        markerfacecolor=look.PAPER,
        markeredgecolor=colour,
        markeredgewidth=1.6,
        zorder=4,
        gid="shots",
    )
    axes.plot([k + 0.2, k + 0.42], [mean.value] * 2, color=colour, linewidth=2.4, zorder=4)
    if mean.low95 is not None and mean.high95 is not None:
        axes.plot([k + 0.31] * 2, [mean.low95, mean.high95], color=colour, linewidth=1.6, zorder=4)


def side_steps(values: Floats) -> Floats:
    """Small steps to the side, shape (n,), that keep dots of nearly equal height apart."""
    reach = float(np.ptp(values)) / 14 or 1.0
    steps = np.zeros(len(values))
    last: dict[int, float] = {}
    for k in np.argsort(values, kind="stable"):
        lane = 0
        while lane in last and values[k] - last[lane] < reach:
            lane += 1
        last[lane] = float(values[k])
        steps[k] = 0.1 * ((lane + 1) // 2) * (1 if lane % 2 else -1)
    return np.clip(steps, -0.34, 0.34)


def _draw_change(axes: Axes, result: Comparison, unit: str) -> None:
    change = result.difference.number
    ends = [0.0, change.value, *(bound for bound in (change.low95, change.high95) if bound is not None)]
    if result.expected is not None and result.within is not None:
        least, most = result.expected - result.within, result.expected + result.within
        axes.axhspan(
            least, most, facecolor=look.ORANGE, alpha=0.3, hatch="//", edgecolor=look.ORANGE, gid="expected"
        )
        axes.axhline(result.expected, color=look.ORANGE, linewidth=1.6)
        ends += [least, most]
    axes.axhline(0, color=look.FAINT, linewidth=1.2)
    if change.low95 is not None and change.high95 is not None:
        axes.plot(
            [0, 0], [change.low95, change.high95], color=look.INK, linewidth=2, zorder=4, gid="interval"
        )
    axes.plot([0], [change.value], marker="s", markersize=9, color=look.INK, zorder=5)
    room = 0.1 * (max(ends) - min(ends)) or 0.5
    axes.set_ylim(min(ends) - room, max(ends) + room)
    axes.set_xlim(-1, 1)
    band = "shaded: as expected" if result.expected is not None else "line: no change"
    axes.set_xticks([0], [f"after less before\n{band}"])
    axes.set_ylabel(f"change, {unit}", fontsize=look.BODY_PT, color=look.INK)
