"""Coloured spots in made frames: what moves is found, what stands still or drifts with the light is not."""

from __future__ import annotations

import math

import made_frames as made
import numpy as np
import pytest

from tracker.ball.colour import named_direction
from tracker.ball.spots import Spot, SpotFinder

H, W = 200, 320
ORANGE = (150.0, 90.0, 190.0)
WHITE = (230.0, 128.0, 128.0)


def find(
    frames: list[made.Frame], *, radius: float | None = 10.0, colour: str | None = "orange"
) -> list[list[Spot]]:
    least = 0.25 * math.pi * radius**2 if radius else 0.0
    finder = SpotFinder(named_direction(colour), (least, 0.15 * H * W), radius)
    return [finder.see(f.y, f.u, f.v) for f in frames]


def still(count: int, *discs: made.Disc) -> list[list[made.Disc]]:
    return [list(discs) for _ in range(count)]


def test_a_flying_ball_is_found_in_every_frame() -> None:
    balls = made.thrown(30, 10.0)
    frames = made.film(made.textured(H, W, 1), [[], *([b] for b in balls)])
    found = find(frames)
    assert found[0] == [], "there is nothing to compare the first frame with"
    for ball, spots in zip(balls, found[1:], strict=True):
        assert len(spots) == 1
        # A coloured region thresholded at quarter size: half a chroma pixel.
        assert math.hypot(spots[0].x_px - ball.x, spots[0].y_px - ball.y) < 1.0
        assert spots[0].area_px == pytest.approx(math.pi * ball.radius**2, rel=0.35)
        assert spots[0].left_px < ball.x < spots[0].right_px
        assert spots[0].top_px < ball.y < spots[0].bottom_px


def test_still_things_of_the_ball_s_colour_are_no_spots() -> None:
    lantern = made.Disc(200.0, 60.0, 12.0)
    found = find(made.film(made.plain(H, W), still(20, lantern)))
    assert all(spots == [] for spots in found)


def test_what_was_put_down_fades_into_the_background() -> None:
    bag = made.Disc(200.0, 60.0, 12.0, yuv=(120.0, 112.0, 146.0))
    found = find(made.film(made.plain(H, W), [[], *still(139, bag)]))
    assert found[5], "it was new"
    # One level in four frames, against a change of some 20 levels down to the threshold of 7.
    assert all(spots == [] for spots in found[110:])


def test_light_that_drifts_makes_no_spots() -> None:
    # Automatic exposure: 30 % in 60 frames. Colours grow with the light, too.
    gain = list(np.linspace(0.85, 1.15, 60))
    lamp = made.Disc(200.0, 60.0, 14.0)
    found = find(made.film(made.textured(H, W, 4), still(60, lamp), gain=gain))
    assert sum(map(len, found)) == 0


def test_flicker_makes_no_spots_and_hides_no_ball() -> None:
    # A lamp on 50 Hz mains at 240 frames a second: the beat repeats every 12 frames.
    gain = [1 + 0.15 * math.cos(2 * math.pi * 100 * k / 240) for k in range(31)]
    balls = made.thrown(30, 10.0)
    frames = made.film(made.textured(H, W, 4), [[], *([b] for b in balls)], gain=gain)
    found = find(frames)[1:]
    assert [len(spots) for spots in found] == [1] * 30


def test_other_colours_are_not_looked_at() -> None:
    balls = [made.Disc(b.x, b.y, b.radius, yuv=(90.0, 190.0, 100.0)) for b in made.thrown(20, 10.0)]
    assert sum(map(len, find(made.film(made.plain(H, W), [[], *([b] for b in balls)])))) == 0


def test_without_a_colour_any_change_of_colour_counts() -> None:
    balls = [made.Disc(b.x, b.y, b.radius, yuv=(90.0, 190.0, 100.0)) for b in made.thrown(20, 10.0)]
    found = find(made.film(made.plain(H, W), [[], *([b] for b in balls)]), colour=None)
    assert [len(spots) for spots in found[1:]] == [1] * 20


def test_pieces_of_a_striped_ball_are_one_spot() -> None:
    # A white band through the middle leaves two caps of the ball's colour.
    balls = [made.Disc(b.x, b.y, 12.0, stripe=(0.0, 0.32, WHITE)) for b in made.thrown(20, 12.0)]
    found = find(made.film(made.plain(H, W, (90.0, 128.0, 128.0)), [[], *([b] for b in balls)]), radius=12.0)
    for ball, spots in zip(balls, found[1:], strict=True):
        assert len(spots) == 1
        assert math.hypot(spots[0].x_px - ball.x, spots[0].y_px - ball.y) < 2.0


def test_two_balls_side_by_side_are_two_spots() -> None:
    # Ten pixels apart, rim to rim: five of chroma, which blur and the threshold leave open.
    first = made.thrown(20, 10.0)
    second = [made.Disc(b.x + 30.0, b.y, 10.0) for b in first]
    frames = made.film(made.plain(H, W), [[], *([a, b] for a, b in zip(first, second, strict=True))])
    assert [len(spots) for spots in find(frames)[1:]] == [2] * 20


def test_pieces_of_a_long_streak_belong_together_once_it_is_known() -> None:
    finder = SpotFinder(named_direction("orange"), (20.0, 0.15 * H * W), 6.0)
    ground = made.plain(H, W)
    pieces = [made.Disc(100.0, 100.0, 5.0), made.Disc(121.0, 100.0, 5.0)]
    frames = made.film(ground, [[], pieces, pieces])
    finder.see(frames[0].y, frames[0].u, frames[0].v)
    assert len(finder.see(frames[1].y, frames[1].u, frames[1].v)) == 2
    finder.draw_out(40.0)
    assert len(finder.see(frames[2].y, frames[2].u, frames[2].v)) == 1


def test_specks_and_floods_are_no_balls() -> None:
    speck, flood = made.Disc(60.0, 60.0, 1.5), made.Disc(160.0, 100.0, 90.0)
    assert sum(map(len, find(made.film(made.plain(H, W), [[], *still(3, speck)])))) == 0
    assert sum(map(len, find(made.film(made.plain(H, W), [[], *still(3, flood)])))) == 0


def test_noise_alone_is_no_spot() -> None:
    assert sum(map(len, find(made.film(made.textured(H, W, 2), still(30), noise=6.0)))) == 0


def test_the_background_forgets_what_flew_by() -> None:
    finder = SpotFinder(named_direction("orange"), (78.0, 9600.0), 10.0)
    ground = made.textured(H, W, 6)
    for frame in made.film(ground, [[], *([b] for b in made.thrown(40, 10.0))], noise=0.0):
        finder.see(frame.y, frame.u, frame.v)
    luma, u, v = finder.background
    empty = made.planes(ground)
    for kept, true in zip((luma, u, v), empty, strict=True):
        assert np.abs(kept.astype(int) - true).max() <= 2
