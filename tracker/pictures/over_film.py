"""The flight drawn over the film it was measured in."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Arc
from matplotlib.text import Text
from matplotlib.transforms import Bbox, IdentityTransform

from calibration.values import Floats
from tracker.pictures import look
from tracker.pictures.captions import Captions
from tracker.pictures.composite import Bgr, paste_balls
from tracker.pictures.placing import Placer
from tracker.values import Path, Shot

MARGIN = 0.40  # of the flight's larger side, shown round the flight
LEAST_SHARE = 0.45  # of the picture's width and height that is shown at least
TALLEST = 1.35  # height over width
FOOT_IN = 0.42
GAP_DOTS = 10.0


@dataclass(frozen=True, slots=True)
class Window:
    """The part of the film that is shown, in upright pixels."""

    left: int
    top: int
    right: int
    bottom: int

    @property
    def width(self) -> int:
        """Columns shown."""
        return self.right - self.left

    @property
    def height(self) -> int:
        """Rows shown."""
        return self.bottom - self.top


@dataclass(frozen=True, slots=True)
class Marks:
    """Where the marks at the exit stand, in upright pixels; lines are (2, 2) arrays of their ends."""

    here: Floats
    posts: tuple[Floats, ...]
    arrow: Floats
    level: Floats
    arc_px: float
    bend: Floats  # the middle of the arc
    forward: float


def flight_over_film(shot: Shot, stills: Mapping[int, Bgr], captions: Captions) -> Figure:
    """The shot's balls pasted into one picture, with path, exit, speed and angle drawn where they belong.

    Parameters
    ----------
    shot : Shot
    stills : mapping of frame to (height, width, 3) uint8 array, blue first
        Upright pictures of the film, such as those ``frames_to_paste`` asks for.
    captions : Captions

    Raises
    ------
    ValueError
        Without stills, or with stills of different sizes.
    """
    film = paste_balls(shot.path, stills)
    window = _window(shot.path, film.shape[1], film.shape[0])
    film_in = look.WIDTH_IN * window.height / window.width
    figure, canvas = look.sheet(film_in + FOOT_IN)
    axes = figure.add_axes((0, FOOT_IN / (film_in + FOOT_IN), 1, film_in / (film_in + FOOT_IN)))
    axes.set_axis_off()
    seen = film[window.top : window.bottom, window.left : window.right, ::-1]
    edges = (window.left - 0.5, window.right - 0.5, window.bottom - 0.5, window.top - 0.5)
    axes.imshow(seen, extent=edges, interpolation="lanczos", aspect="auto")
    axes.set_autoscale_on(False)
    _draw_path(axes, shot.path)
    marks = _marks(shot, window)
    _draw_exit(axes, marks, shot.exit_angle_rad.value)
    placer = _placer(axes, canvas, shot.path, marks)
    _draw_scale_bar(axes, shot.path, window, placer)
    _draw_words(figure, axes, placer, shot, captions, marks)
    figure.text(
        0.02,
        FOOT_IN / (film_in + FOOT_IN) / 2,
        look.readable(captions.title),
        ha="left",
        va="center",
        color=look.INK,
        fontsize=look.BODY_PT,
        parse_math=False,
    )
    return figure


def _window(path: Path, width_px: int, height_px: int) -> Window:
    """The flight with room about it, cut to the film and not taller than a phone's screen."""
    x0, x1 = float(path.x_px.min()), float(path.x_px.max())
    y0, y1 = float(path.y_px.min()), float(path.y_px.max())
    room = MARGIN * max(x1 - x0, y1 - y0) + 4 * float(path.radius_px.max())
    shown_w = min(width_px, max(x1 - x0 + 2 * room, LEAST_SHARE * width_px))
    shown_h = min(height_px, max(y1 - y0 + 2 * room, LEAST_SHARE * height_px))
    shown_w = min(width_px, max(shown_w, shown_h / TALLEST))
    left = min(max((x0 + x1 - shown_w) / 2, 0), width_px - shown_w)
    top = min(max((y0 + y1 - shown_h) / 2, 0), height_px - shown_h)
    return Window(int(left), int(top), int(left + shown_w), int(top + shown_h))


def _draw_path(axes: Axes, path: Path) -> None:
    axes.plot(
        path.fit_x_px,
        path.fit_y_px,
        color=look.BLUE,
        linewidth=2.2,
        path_effects=look.casing(4.6),
        zorder=3,
        gid="fitted path",
    )
    axes.plot(
        path.x_px[~path.used],
        path.y_px[~path.used],
        linestyle="none",
        marker="x",
        markersize=4,
        color=look.INK,
        markeredgewidth=1.0,
        zorder=4,
        gid="left out",
    )


def _marks(shot: Shot, window: Window) -> Marks:
    forward = 1.0 if shot.direction == "right" else -1.0
    angle = shot.exit_angle_rad.value
    here = np.array([shot.exit_x_px, shot.exit_y_px])
    along = np.array([forward * math.cos(angle), -math.sin(angle)])
    across = np.array([-along[1], along[0]])
    radius = float(np.median(shot.path.radius_px))
    reach = max(0.2 * math.hypot(window.width, window.height), 4 * radius)
    # The arrow stands beside the path, at the gate's upper post, so that it hides no ball.
    foot = here - forward * 2.1 * radius * across
    half = angle / 2
    return Marks(
        here=here,
        posts=tuple(
            here + side * across * np.array([[1.25 * radius], [2.5 * radius]]) for side in (-1.0, 1.0)
        ),
        arrow=np.array([foot, foot + reach * along]),
        level=np.array([here, here + np.array([forward * 0.75 * reach, 0.0])]),
        arc_px=0.6 * reach,
        bend=here + 0.6 * reach * np.array([forward * math.cos(half), -math.sin(half)]),
        forward=forward,
    )


def _draw_exit(axes: Axes, marks: Marks, angle_rad: float) -> None:
    """Gate and arrow at the exit, and the arc of the angle above the level line."""
    for post in marks.posts:
        axes.plot(
            *post.T,
            color=look.VERMILLION,
            linewidth=4.0,
            solid_capstyle="butt",
            path_effects=look.casing(6.5),
            zorder=5,
            gid="exit",
        )
    arrow = {
        "arrowstyle": "-|>,head_length=0.8,head_width=0.32",
        "color": look.VERMILLION,
        "linewidth": 2.4,
        "shrinkA": 0,
        "shrinkB": 0,
        "path_effects": look.casing(4.8),
    }
    axes.annotate("", xy=tuple(marks.arrow[1]), xytext=tuple(marks.arrow[0]), arrowprops=arrow, zorder=5)
    axes.plot(
        *marks.level.T, color=look.INK, linewidth=1.4, dashes=(5, 3), path_effects=look.casing(3.2), zorder=4
    )
    turn = math.degrees(angle_rad)
    # y runs down in the picture, so that angles above the horizontal are negative there.
    first, last = sorted((-turn, 0.0) if marks.forward > 0 else (180.0, 180.0 + turn))
    wide = 2 * marks.arc_px
    arc = Arc(
        tuple(marks.here), wide, wide, theta1=first, theta2=last, color=look.INK, linewidth=1.6, zorder=4
    )
    axes.add_patch(arc)


def _placer(axes: Axes, canvas: FigureCanvasAgg, path: Path, marks: Marks) -> Placer:
    """What words must keep clear of: balls, path, arrow, level line."""
    to_dots = axes.transData.transform
    placer = Placer(canvas, axes.get_window_extent(look.renderer(canvas)).padded(-GAP_DOTS))
    dots_per_px = float(np.hypot(*(to_dots((1.0, 0.0)) - to_dots((0.0, 0.0)))))
    places = to_dots(np.column_stack([path.x_px, path.y_px]))
    for (x, y), radius_px in zip(places, path.radius_px, strict=True):
        placer.keep_clear(x, y, 0.8 * float(radius_px) * dots_per_px)
    for first, last in (marks.arrow, marks.level, *marks.posts):
        for x, y in to_dots(first + np.linspace(0, 1, 16)[:, np.newaxis] * (last - first)):
            placer.keep_clear(x, y, GAP_DOTS / 2)
    return placer


def _draw_words(
    figure: Figure, axes: Axes, placer: Placer, shot: Shot, captions: Captions, marks: Marks
) -> None:
    to_dots = axes.transData.transform
    foot, tip = to_dots(marks.arrow)
    away = math.atan2(tip[1] - foot[1], tip[0] - foot[0]) + marks.forward * math.pi / 3
    _say(figure, placer, captions.speed, (*tip, away), look.VERMILLION)
    outward = math.atan2(*(to_dots(marks.bend) - to_dots(marks.here))[::-1])
    _say(figure, placer, captions.angle, (*to_dots(marks.bend), outward), look.INK)
    if captions.spin is not None:
        i = len(shot.path.x_px) * 2 // 3
        place = to_dots((shot.path.fit_x_px[i], shot.path.fit_y_px[i]))
        _say(figure, placer, captions.spin, (*place, math.pi / 2), look.BLUE)


def _say(figure: Figure, placer: Placer, words: str, where: tuple[float, float, float], colour: str) -> None:
    """Put words near a place in dots, preferably in a direction from it."""
    x, y, start_rad = where
    text = Text(
        x,
        y,
        look.readable(words),
        color=colour,
        fontsize=look.BIG_PT,
        fontweight="bold",
        ha="center",
        va="center",
        parse_math=False,
        path_effects=look.casing(4.5),
        zorder=7,
    )
    text.set_transform(IdentityTransform())
    figure.add_artist(text)
    placer.place(text, x, y, start_rad, GAP_DOTS)


def _draw_scale_bar(axes: Axes, path: Path, window: Window, placer: Placer) -> None:
    """A bar of a round length in the corner that the flight leaves free."""
    moved_px = np.hypot(np.diff(path.fit_x_px), np.diff(path.fit_y_px)).sum()
    moved_m = np.hypot(np.diff(path.fit_x_m), np.diff(path.fit_z_m)).sum()
    if not moved_px > 0 or not moved_m > 0:
        return
    m_per_px = moved_m / moved_px
    length_m = _round_length(0.28 * window.width * m_per_px)
    long_px = length_m / m_per_px
    edge = 0.04 * window.width
    low = window.bottom - 0.07 * window.height
    left_free = np.hypot(path.x_px - window.left - edge, path.y_px - low).min()
    right_free = np.hypot(path.x_px - window.right + edge, path.y_px - low).min()
    x0 = window.left + edge if left_free >= right_free else window.right - edge - long_px
    x = [x0, x0, x0, x0 + long_px, x0 + long_px, x0 + long_px]
    tick = 0.012 * window.height
    y = [low - tick, low + tick, low, low, low - tick, low + tick]
    axes.plot(x, y, color=look.INK, linewidth=2.0, path_effects=look.casing(4.4), zorder=5, gid="scale bar")
    words = f"{length_m:g} m" if length_m >= 1 else f"{length_m * 100:g} cm"
    axes.annotate(
        words,
        (x0 + long_px / 2, low),
        xytext=(0, 5),
        textcoords="offset points",
        ha="center",
        va="bottom",
        color=look.INK,
        fontsize=look.BODY_PT,
        path_effects=look.casing(3.6),
        zorder=5,
    )
    corner, other = axes.transData.transform([(x0, low + tick), (x0 + long_px, low - tick)])
    taken = Bbox.from_extents(corner[0], corner[1], other[0], other[1] + 3 * look.BODY_PT)
    placer.taken.append(taken)


def _round_length(at_most_m: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is not longer."""
    power = 10.0 ** math.floor(math.log10(at_most_m))
    return float(max(step * power for step in (1, 2, 5) if step * power <= at_most_m))
