"""Where the wheel's surface speed goes: exit speed, spin and slip, end to end."""

from __future__ import annotations

import textwrap

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tracker.pictures import look
from tracker.values import Number, WheelBudget

HEIGHT_IN = 4.6
PARTS = (
    ("wheel's surface", look.PAPER, ""),
    ("exit speed", look.BLUE, ""),
    ("spin", look.SKY, "//"),
    ("slip", look.ORANGE, "xx"),
)


def wheel_speed_picture(budget: WheelBudget, *, title: str, words: tuple[str, ...]) -> Figure:
    """Bars in m/s: the wheel's whole, and its parts, each beginning where the one before it ends.

    Parameters
    ----------
    budget : WheelBudget
    words : four str
        Wheel speed, exit speed, spin loss and slip as they were rounded for people.
    """
    figure, _ = look.sheet(HEIGHT_IN)
    figure.text(
        0.03,
        0.94,
        textwrap.shorten(look.readable(title), 68, placeholder=" ..."),
        fontsize=look.BODY_PT,
        fontweight="bold",
        color=look.INK,
        ha="left",
        va="center",
        parse_math=False,
    )
    axes = look.plain_axes(figure, 0.23, 0.17, 0.73, 0.68)
    parts = (budget.wheel_speed_m_s, budget.exit_m_s, budget.spin_loss_m_s, budget.slip_m_s)
    starts = (0.0, 0.0, budget.exit_m_s.value, budget.exit_m_s.value + budget.spin_loss_m_s.value)
    reach = [0.0]
    for row, (part, start) in enumerate(zip(parts, starts, strict=True)):
        _, colour, hatch = PARTS[row]
        axes.barh(
            row,
            part.value,
            left=start,
            height=0.5,
            color=colour,
            hatch=hatch,
            edgecolor=look.INK,
            linewidth=0.9,
        )
        reach += [start, start + part.value, *_whisker(axes, row, start, part)]
    low, high = min(reach), max(reach)
    room = 0.03 * (high - low or 1.0)
    axes.set_xlim(low - (room if low < 0 else 0), high + room)
    axes.set_ylim(len(PARTS) - 0.3, -0.75)
    for row, said in enumerate(words):
        axes.text(
            max(low, 0.0) + room / 2,
            row - 0.43,
            f"{said} m/s",
            ha="left",
            va="center",
            fontsize=look.SMALL_PT,
            color=look.INK,
        )
    axes.set_yticks(range(len(PARTS)), [name for name, _, _ in PARTS])
    axes.tick_params(axis="y", length=0, labelsize=look.BODY_PT, labelcolor=look.INK)
    axes.set_xlabel("m/s; the three parts add up to the first bar", fontsize=look.BODY_PT, color=look.INK)
    return figure


def _whisker(axes: Axes, row: int, start: float, part: Number) -> list[float]:
    """The 95 % interval of a bar's end; what is open has none."""
    if part.low95 is None or part.high95 is None:
        return []
    ends = [start + part.low95, start + part.high95]
    axes.plot(ends, [row + 0.36] * 2, color=look.INK, linewidth=1.8, marker="|", markersize=8, gid="interval")
    return ends
