"""Words of a picture: inside it, clear of one another, and saying what they should."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from tracker.pictures import (
    Captions,
    budget_bars,
    flight_over_film,
    frames_to_paste,
    path_and_residuals,
    png,
    save,
)
from tracker.pictures.budget import bars
from tracker.values import BudgetLine, Shot

CAPTIONS = Captions(
    "Shot 1 of float.mp4", "7.200 ± 0.078 m/s", "52.00 ± 0.77°", "spin 6.4 (1.2 to 19.8) rev/s"
)
SMALLEST_PT = 11.0  # 23 dots of 1080: about 8 points on a phone held upright

FLIGHTS = {
    "lob to the right": {},
    "lob to the left": {"left": True},
    "steep": {"angle_rad": math.radians(82), "frames": 200},
    "flat": {"angle_rad": math.radians(3), "speed_m_s": 9.0, "frames": 90},
    "short": {"frames": 12},
    "large ball": {"radius_px": 45.0},
    "slow and falling": {"angle_rad": math.radians(-10), "speed_m_s": 3.0, "frames": 60},
}


def flight(shot: Shot, size: tuple[int, int] = (720, 1280), captions: Captions = CAPTIONS) -> Figure:
    stills = {frame: np.full((*size, 3), 120, np.uint8) for frame in frames_to_paste(shot.path)}
    return flight_over_film(shot, stills, captions)


def words_of(figure: Figure) -> dict[str, Bbox]:
    """Every word that is drawn, with the room it takes in dots."""
    drawn: list[Text] = []
    draw = Text.draw
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Text, "draw", lambda text, renderer: (drawn.append(text), draw(text, renderer))[1])
        png(figure)
    renderer = figure.canvas.get_renderer()
    shown = [text for text in drawn if text.get_text() and text.get_visible()]
    assert all(text.get_fontsize() >= SMALLEST_PT for text in shown)
    return {f"{k} {text.get_text()}": text.get_window_extent(renderer) for k, text in enumerate(shown)}


def check_layout(figure: Figure) -> dict[str, Bbox]:
    words = words_of(figure)
    width, height = figure.get_size_inches() * figure.dpi
    assert width == pytest.approx(1080)
    for text, box in words.items():
        assert box.x0 >= 0, text
        assert box.y0 >= 0, text
        assert box.x1 <= width, text
        assert box.y1 <= height, text
    for (one, box), (other, other_box) in itertools.combinations(words.items(), 2):
        assert not box.overlaps(other_box), f"{one!r} lies over {other!r}"
    return words


@pytest.mark.parametrize("name", FLIGHTS)
def test_words_over_the_film_are_readable(made_shot: Callable[..., Shot], name: str) -> None:
    said = " | ".join(check_layout(flight(made_shot(**FLIGHTS[name]))))
    for words in (CAPTIONS.title, CAPTIONS.speed, CAPTIONS.angle, str(CAPTIONS.spin)):
        assert words in said
    assert " m" in said


@pytest.mark.parametrize("name", FLIGHTS)
def test_speed_stands_beside_its_arrow(made_shot: Callable[..., Shot], name: str) -> None:
    figure = flight(made_shot(**FLIGHTS[name]))
    box = next(box for words, box in words_of(figure).items() if CAPTIONS.speed in words)
    arrow = next(text for text in figure.axes[0].texts if getattr(text, "arrow_patch", None) is not None)
    x, y = figure.axes[0].transData.transform(arrow.xy)
    away = math.hypot(max(box.x0 - x, 0, x - box.x1), max(box.y0 - y, 0, y - box.y1))
    assert away < 130  # an eighth of the picture's width


def test_upright_film_is_not_stretched(made_shot: Callable[..., Shot]) -> None:
    shot = made_shot(angle_rad=math.radians(80), frames=180)
    path = replace(shot.path, x_px=shot.path.x_px + 150, fit_x_px=shot.path.fit_x_px + 150)
    figure = flight(replace(shot, path=path, exit_x_px=shot.exit_x_px + 150), size=(1280, 720))
    check_layout(figure)
    to_dots = figure.axes[0].transData.transform
    right, down = to_dots((101, 100)) - to_dots((100, 100)), to_dots((100, 101)) - to_dots((100, 100))
    assert np.linalg.norm(right) == pytest.approx(np.linalg.norm(down), rel=0.01)


def test_scale_bar_is_as_long_as_it_says(made_shot: Callable[..., Shot]) -> None:
    figure = flight(made_shot())
    bar = next(line for line in figure.axes[0].lines if line.get_gid() == "scale bar")
    said = next(words for words in words_of(figure) if words.endswith((" cm", " m")))
    number, unit = said.split()[1:]
    length_m = float(number) * {"m": 1.0, "cm": 0.01}[unit]
    # The made camera sees 4 mm in each pixel.
    assert np.ptp(bar.get_xdata()) * 0.004 == pytest.approx(length_m, rel=1e-6)


def test_the_exit_and_the_path_are_marked(made_shot: Callable[..., Shot]) -> None:
    shot = made_shot()
    lines = {line.get_gid(): line for line in flight(shot).axes[0].lines}
    assert {"exit", "fitted path", "left out", "scale bar"} <= set(lines)
    assert len(lines["left out"].get_xdata()) == np.count_nonzero(~shot.path.used)


@pytest.mark.parametrize("name", FLIGHTS)
def test_words_of_path_and_residuals_are_readable(made_shot: Callable[..., Shot], name: str) -> None:
    figure = path_and_residuals(made_shot(**FLIGHTS[name]), CAPTIONS)
    said = " | ".join(check_layout(figure))
    assert CAPTIONS.speed in said
    above = figure.axes[0]
    along, up = np.diff(above.transData.transform([(0, 0), (1, 1)]), axis=0)[0]
    assert along == pytest.approx(up, rel=1e-6)  # to scale


def test_a_wild_sighting_does_not_squeeze_the_residuals(made_shot: Callable[..., Shot]) -> None:
    shot = made_shot()
    x_m = shot.path.x_m.copy()
    wild = int(np.flatnonzero(~shot.path.used)[0])
    x_m[wild] += 5.0
    figure = path_and_residuals(replace(shot, path=replace(shot.path, x_m=x_m)), CAPTIONS)
    assert figure.axes[1].get_ylim()[1] < 20  # millimetres
    assert any("1 left out lie outside" in words for words in words_of(figure))


def test_words_of_the_budget_are_readable(made_shot: Callable[..., Shot]) -> None:
    shot = made_shot()
    lines = [
        BudgetLine(
            f"{name} of the whole reference", 0.03 / (k + 1), 0.001 * (k + 1), kind, "Do it better. " * 9
        )
        for k, (name, kind) in enumerate(
            itertools.product(("length", "offset", "click", "tilt", "drag"), ("random", "common"))
        )
    ]
    check_layout(budget_bars(replace(shot, budget=tuple(lines)), CAPTIONS))
    check_layout(budget_bars(shot, CAPTIONS))


def test_an_empty_budget_is_drawn_too(made_shot: Callable[..., Shot]) -> None:
    check_layout(budget_bars(replace(made_shot(), budget=()), CAPTIONS))


def test_bars_add_up_in_squares_and_come_largest_first() -> None:
    shares = [0.001 * k for k in (3, 9, 1, 4, 2, 8, 5, 7, 6, 1)]
    lines = [
        BudgetLine(str(k), share, 0.0, "random" if k % 2 else "common", "") for k, share in enumerate(shares)
    ]
    made = bars([(line, line.speed_share_m_s) for line in lines])
    assert math.hypot(*(bar.share for bar in made)) == pytest.approx(math.hypot(*shares))
    assert [bar.share for bar in made[:6]] == sorted(shares, reverse=True)[:6]
    assert len(made) == 8


def test_signs_that_the_font_lacks_are_no_trouble(made_shot: Callable[..., Shot]) -> None:
    captions = replace(CAPTIONS, title="Shot 1 of 球_$5_\U0001f3c0.mp4")
    check_layout(flight(made_shot(), captions=captions))


def test_saving_writes_a_whole_picture_or_nothing(
    made_shot: Callable[..., Shot], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    figure = budget_bars(made_shot(), CAPTIONS)
    file = tmp_path / "budget.png"
    save(figure, file)
    assert imread(file).shape[1] == 1080
    before = file.read_bytes()
    monkeypatch.setattr(Figure, "savefig", lambda *_, **__: (_ for _ in ()).throw(OSError(28, "disk full")))
    with pytest.raises(OSError, match="disk full"):
        save(figure, file)
    assert file.read_bytes() == before
    assert list(tmp_path.iterdir()) == [file]
