"""Where the uncertainty of speed and angle comes from."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tracker.pictures import look
from tracker.pictures.captions import Captions
from tracker.values import BudgetLine, Shot

MOST_BARS = 6
ROW_IN = 0.42
HEAD_IN = 0.62
FOOT_IN = 0.95
KINDS = {
    "random": (look.SKY, "", "differs from shot to shot"),
    "common": (look.ORANGE, "//", "the same for every shot"),
}


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar: what it is called, how long it is, and of which kind."""

    name: str
    share: float
    kind: str


def budget_bars(shot: Shot, captions: Captions) -> Figure:
    """Two sets of bars, largest first: shares of the standard uncertainty of exit speed and exit angle.

    The squares of the bars of a set add up to the square of its whole.

    Parameters
    ----------
    shot : Shot
    captions : Captions
    """
    speed = bars([(line, line.speed_share_m_s) for line in shot.budget])
    angle = bars([(line, math.degrees(line.angle_share_rad)) for line in shot.budget])
    rows = max(len(speed), 1) + max(len(angle), 1)
    height_in = 2 * HEAD_IN + rows * ROW_IN + FOOT_IN + 0.5
    figure, _ = look.sheet(height_in)
    top = height_in - 0.5
    figure.text(
        0.03,
        1 - 0.25 / height_in,
        look.readable(captions.title),
        fontsize=look.BODY_PT,
        fontweight="bold",
        color=look.INK,
        ha="left",
        va="center",
        parse_math=False,
    )
    for words, set_of_bars, unit in (
        (f"Exit speed {captions.speed}: its uncertainty comes from", speed, " m/s"),
        (f"Exit angle {captions.angle}: its uncertainty comes from", angle, "°"),
    ):
        figure.text(
            0.03,
            (top - 0.36) / height_in,
            words,
            fontsize=look.BODY_PT,
            color=look.INK,
            ha="left",
            va="center",
            parse_math=False,
        )
        tall = max(len(set_of_bars), 1) * ROW_IN
        top -= HEAD_IN + tall
        axes = figure.add_axes((0.27, top / height_in, 0.58, tall / height_in), facecolor=look.PAPER)
        _draw_bars(axes, set_of_bars, unit)
    _draw_foot(figure, shot.budget, height_in)
    return figure


def bars(shares: Sequence[tuple[BudgetLine, float]]) -> list[Bar]:
    """The largest shares as bars; the rest of each kind is summed in squares into one more.

    Parameters
    ----------
    shares : sequence of (BudgetLine, share)
    """
    ordered = sorted(shares, key=lambda pair: -abs(pair[1]))
    made = [
        Bar(line.source.replace("_", " "), abs(share), line.kind)
        for line, share in ordered[:MOST_BARS]
        if share
    ]
    for kind in KINDS:
        rest = math.hypot(*(share for line, share in ordered[MOST_BARS:] if line.kind == kind))
        if rest:
            made.append(Bar(f"other ({kind})", rest, kind))
    return made


def _draw_bars(axes: Axes, set_of_bars: Sequence[Bar], unit: str) -> None:
    axes.set_axis_off()
    longest = max((bar.share for bar in set_of_bars), default=1.0)
    axes.set_xlim(0, longest)
    axes.set_ylim(max(len(set_of_bars), 1) - 0.5, -0.5)
    if not set_of_bars:
        axes.text(0, 0, "nothing was said", color=look.FAINT, fontsize=look.BODY_PT, va="center")
    for row, bar in enumerate(set_of_bars):
        colour, hatch, _ = KINDS[bar.kind]
        axes.barh(row, bar.share, height=0.62, color=colour, hatch=hatch, edgecolor=look.INK, linewidth=0.8)
        axes.annotate(
            textwrap.fill(look.readable(bar.name), 20, max_lines=2, placeholder=" ..."),
            (0, row),
            xytext=(-8, 0),
            textcoords="offset points",
            ha="right",
            va="center",
            fontsize=look.BODY_PT,
            color=look.INK,
            annotation_clip=False,
        )
        axes.annotate(
            f"{_two_figures(bar.share)}{unit}",
            (bar.share, row),
            xytext=(6, 0),
            textcoords="offset points",
            ha="left",
            va="center",
            fontsize=look.BODY_PT,
            color=look.INK,
            annotation_clip=False,
        )


def _two_figures(share: float) -> str:
    """A positive number with two significant figures, also where the last of them is a zero."""
    return f"{share:#.2g}".rstrip(".")


def _draw_foot(figure: Figure, budget: Sequence[BudgetLine], height_in: float) -> None:
    x = 0.03
    for colour, hatch, words in KINDS.values():
        axes = figure.add_axes((x, 0.66 / height_in, 0.035, 0.16 / height_in))
        axes.set_axis_off()
        axes.barh(0, 1, height=1, color=colour, hatch=hatch, edgecolor=look.INK, linewidth=0.8)
        figure.text(
            x + 0.05, 0.74 / height_in, words, fontsize=look.SMALL_PT, color=look.INK, ha="left", va="center"
        )
        x += 0.5
    largest = max(budget, key=lambda line: line.speed_share_m_s, default=None)
    if largest is not None:
        words = textwrap.fill(look.readable(f"What helps most: {largest.remedy}"), 76, max_lines=2)
        figure.text(
            0.03,
            0.3 / height_in,
            words,
            fontsize=look.SMALL_PT,
            color=look.INK,
            ha="left",
            va="center",
            parse_math=False,
        )
