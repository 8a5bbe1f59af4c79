"""How the pictures look: colours, sizes, and figures that need no screen.

The colours are the palette of M. Okabe and K. Ito, "Color Universal Design" (2008), made to stay
apart for colour-blind readers; shape and hatching say again whatever a colour says.
"""

from __future__ import annotations

from functools import cache

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.patheffects import AbstractPathEffect, withStroke

ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
INK = "#1D2129"
FAINT = "#6C7078"
PAPER = "#FCFAF5"

WIDTH_IN = 7.2
DOTS_PER_INCH = 150  # 1080 dots across: a phone's width
BIG_PT = 16.0
BODY_PT = 12.5
SMALL_PT = 11.0
FAMILY = "DejaVu Sans"  # comes with matplotlib, so that every machine draws the same


def sheet(height_in: float) -> tuple[Figure, FigureCanvasAgg]:
    """An empty sheet of phone width and its canvas."""
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DOTS_PER_INCH, facecolor=PAPER)
    return figure, FigureCanvasAgg(figure)


def renderer(canvas: FigureCanvasAgg) -> RendererAgg:
    """What measures words before they are drawn."""
    measuring: RendererAgg = canvas.get_renderer()  # type: ignore[no-untyped-call]  # matplotlib gives it no type
    return measuring


def plain_axes(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Axes (in shares of the sheet) with thin ink at the left and below only."""
    axes = figure.add_axes((left, bottom, width, height), facecolor=PAPER)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(FAINT)
    axes.tick_params(colors=FAINT, labelsize=SMALL_PT, labelfontfamily=FAMILY)
    return axes


def casing(width_pt: float) -> list[AbstractPathEffect]:
    """A rim of paper that keeps a line or a word readable on any film."""
    return [withStroke(linewidth=width_pt, foreground=PAPER)]


@cache
def _known_signs() -> frozenset[int]:
    return frozenset(get_font(findfont(FontProperties(family=FAMILY))).get_charmap())


def readable(text: str) -> str:
    """The text with a box for every sign that the font cannot draw."""
    return "".join(sign if ord(sign) in _known_signs() else "□" for sign in text)
