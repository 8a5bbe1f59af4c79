"""How hard may it get? This program and the plain loop of the tutorials on the same made clips, side by side.

python tests/bench/bench_stress.py [--clips N] [--picture FILE.png] [AXIS ...]

The plain loop: read with OpenCV, threshold the hue about the ball's own (known exactly), take the largest
contour and its smallest enclosing circle in every frame, fit parabolas to all circles by numpy.polyfit, scale
by the known length. A shot counts as found if its speed is within 5 % and its angle within 3 degrees of the
truth; any other reported shot is false. Errors are medians over all clips; a clip without a result counts as
100 %. Status 1 if the plain loop is ahead anywhere.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]

from stress_clips import AXES, BALL, GROUND, Case, Truth, clip_of, setup_text  # noqa: E402 - path set above

from tracker.pipeline import measure  # noqa: E402 - the same
from tracker.setup_file.read import read_setup  # noqa: E402 - the same

FOUND_SPEED, FOUND_RAD = 0.05, math.radians(3.0)
HUE_REACH, LEAST_SATURATION, LEAST_VALUE = 12, 60, 50
FEWEST_CIRCLES = 8
CLUTTER = ("none", "still", "moving", "both")
NONE = 1.0  # error of a clip without a result


@dataclass(frozen=True)
class Score:
    """One way's result on one clip: whether the shot was found, false shots, and the speed's error."""

    found: bool
    false: int
    error: float


Shots = list[tuple[float, float, float]]  # time, speed, angle


def program(clip: Path, setup: Path) -> Shots:
    """What this program says of a clip."""
    shots = measure(clip, read_setup(setup)).shots
    return [(s.exit_time_s.value, s.exit_speed_m_s.value, s.exit_angle_rad.value) for s in shots]


def plain_loop(clip: Path, case: Case) -> Shots:
    """What the loop of the tutorials says of it."""
    y, u, v = (g + case.contrast * (b - g) for g, b in zip(GROUND, BALL, strict=True))
    # ITU-R BT.709-6, items 3.2 to 3.4, backwards, narrow range.
    luma, cb, cr = (y - 16) / 219, (u - 128) / 224, (v - 128) / 224
    red, blue = luma + 1.5748 * cr, luma + 1.8556 * cb
    green = (luma - 0.2126 * red - 0.0722 * blue) / 0.7152
    bgr = np.clip(np.array([[[blue, green, red]]]) * 255, 0, 255).astype(np.uint8)
    hue = int(cv2.cvtColor(bgr, cv2.COLOR_BGR2HSV)[0, 0, 0])
    low = np.array([max(hue - HUE_REACH, 0), LEAST_SATURATION, LEAST_VALUE])
    high = np.array([hue + HUE_REACH, 255, 255])
    film = cv2.VideoCapture(str(clip))
    rows = []
    k = 0
    while True:
        good, picture = film.read()
        if not good:
            break
        mask = cv2.inRange(cv2.cvtColor(picture, cv2.COLOR_BGR2HSV), low, high)
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        if contours:
            (cx, cy), radius = cv2.minEnclosingCircle(max(contours, key=cv2.contourArea))
            if radius > 2:
                rows.append((k / case.fps, cx, cy))
        k += 1
    if len(rows) < FEWEST_CIRCLES:
        return []
    t, x, height = np.array(rows).T
    along = np.polyfit(t - t[0], x, 1)[0] / case.px_per_m
    up = -np.polyfit(t - t[0], height, 2)[1] / case.px_per_m
    return [(float(t[0]), math.hypot(along, up), math.atan2(up, along))]


def score(shots: Shots, truth: Truth) -> Score:
    """Shots against the truth at the time for which each was reported."""
    found, false, error = False, 0, NONE
    for time_s, speed, angle in shots:
        if len(truth.t_s) == 0:
            false += 1
            continue
        true_speed, true_angle = truth.speed_and_angle(time_s)
        off = abs(speed / true_speed - 1)
        good = off < FOUND_SPEED and abs(angle - true_angle) < FOUND_RAD and not found
        found, false = found or good, false + (not good)
        error = min(error, off)
    return Score(found, false, error)


def run(case: Case) -> tuple[Score, Score]:
    """This program's and the plain loop's score on one case."""
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as folder:
        clip, setup = Path(folder) / "clip.mp4", Path(folder) / "clip.setup.toml"
        truth = clip_of(case, clip)
        setup.write_text(setup_text(case), encoding="utf-8")
        return score(program(clip, setup), truth), score(plain_loop(clip, case), truth)


@dataclass(frozen=True)
class Point:
    """Means and medians at one level, this program first."""

    level: float
    found: tuple[float, float]
    false: tuple[float, float]
    error: tuple[float, float]

    def plain_is_ahead(self) -> bool:
        """Whether the plain loop does better in anything by more than half a thousandth of the speed."""
        return (
            self.found[1] > self.found[0]
            or self.false[1] < self.false[0]
            or self.error[1] < self.error[0] - 0.0005
        )


def point(level: float, scores: list[tuple[Score, Score]]) -> Point:
    """One level from its clips."""

    def both(pick, mean):
        return tuple(float(mean([pick(pair[way]) for pair in scores])) for way in (0, 1))

    return Point(
        level,
        both(lambda s: s.found, np.mean),
        both(lambda s: s.false, np.mean),
        both(lambda s: s.error, np.median),
    )


def table(results: dict[str, list[Point]]) -> str:
    """The stress table as text."""
    lines = [f"{'':28s}{'found':>15s}{'false shots':>15s}{'speed error':>19s}"]
    lines += [f"{'':28s}{'this   plain':>15s}{'this   plain':>15s}{'this     plain':>19s}"]
    for axis, points in results.items():
        for p in points:
            ahead = "  plain is ahead" if p.plain_is_ahead() else ""
            no_ball = axis == "no ball"
            found = f"{'-':>8s}{'-':>7s}" if no_ball else f"{100 * p.found[0]:7.0f}%{100 * p.found[1]:6.0f}%"
            off = f"{'-':>11s}{'-':>9s}" if no_ball else f"{100 * p.error[0]:10.2f}%{100 * p.error[1]:8.2f}%"
            lines.append(
                f"{AXES[axis][0]:>20s} {p.level:6g} {found}{p.false[0]:8.1f}{p.false[1]:7.1f}{off}{ahead}"
            )
    return "\n".join(lines)


def draw(results: dict[str, list[Point]], file: Path) -> None:
    """The stress table as a picture: one column an axis; found, false shots and error from top to bottom."""
    import matplotlib as mpl  # noqa: PLC0415 - only for the picture

    mpl.use("Agg")
    import matplotlib.pyplot as plt  # noqa: PLC0415 - the same

    axes_drawn = [axis for axis in results if axis != "no ball"]
    figure, grid = plt.subplots(
        3, len(axes_drawn), figsize=(2.5 * len(axes_drawn), 6.6), sharey="row", squeeze=False
    )
    rows = (
        ("shots found (%)", "found", 100.0),
        ("false shots a clip", "false", 1.0),
        ("speed error (%)", "error", 100.0),
    )
    for column, axis in enumerate(axes_drawn):
        points = results[axis]
        at = range(len(points))
        for row, (label, name, factor) in enumerate(rows):
            ax = grid[row, column]
            for way, (style, colour, title) in enumerate(
                (("o-", "#14506e", "this program"), ("s--", "#b4552d", "plain loop"))
            ):
                values = [factor * getattr(p, name)[way] for p in points]
                if name == "error":
                    values = [max(value, 0.01) for value in values]
                fill = colour if way == 0 else "white"
                ax.plot(
                    at,
                    values,
                    style,
                    color=colour,
                    markerfacecolor=fill,
                    label=title,
                    linewidth=1.6,
                    zorder=3 - way,
                )
            ax.set_xticks(
                list(at), [CLUTTER[int(p.level)] if axis == "clutter" else f"{p.level:g}" for p in points]
            )
            ax.grid(axis="y", color="#dddddd", linewidth=0.6)
            ax.spines[["top", "right"]].set_visible(False)
            if name == "error":
                ax.set_yscale("log")
                ax.set_ylim(0.008, 170)
                ax.set_yticks([0.01, 0.1, 1, 10, 100], ["0.01", "0.1", "1", "10", "100"])
            elif name == "found":
                ax.set_ylim(-6, 106)
            else:
                ax.set_ylim(-0.06, 1.1)
            if column == 0:
                ax.set_ylabel(label)
            if row == len(rows) - 1:
                ax.set_xlabel(AXES[axis][0])
    handles, labels = grid[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="upper center", ncol=2, frameon=False)
    figure.tight_layout(rect=(0, 0, 1, 0.96))
    figure.savefig(file, dpi=110)


def main() -> int:
    """Run the axes; 1 if the plain loop is ahead anywhere."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("axis", nargs="*", help=f"what is made harder: {', '.join(AXES)}; all without")
    parser.add_argument("--clips", type=int, default=4, help="clips a level")
    parser.add_argument("--picture", type=Path, help="where to draw the table")
    asked = parser.parse_args()
    if unknown := [axis for axis in asked.axis if axis not in AXES]:
        parser.error(f"nothing is called {unknown[0]!r}")
    results: dict[str, list[Point]] = {}
    with ProcessPoolExecutor(2) as workers:
        for axis in asked.axis or AXES:
            cases = AXES[axis][1]
            each = [replace(case, seed=seed) for case in cases for seed in range(asked.clips)]
            scores = list(workers.map(run, each))
            results[axis] = [
                point(case.level, scores[k * asked.clips : (k + 1) * asked.clips])
                for k, case in enumerate(cases)
            ]
            print(table({axis: results[axis]}), flush=True)
    if asked.picture is not None:
        draw(results, asked.picture)
    return int(any(p.plain_is_ahead() for points in results.values() for p in points))


if __name__ == "__main__":
    sys.exit(main())
