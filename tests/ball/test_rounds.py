"""Round moving things of any colour in made luma; and nothing where nothing is round."""

from __future__ import annotations

import math

import cv2
import made_frames as made
import numpy as np
import pytest

from tracker.ball.rounds import RoundFinder
from tracker.ball.spots import Spot

H, W = 240, 480
WHITE, BLACK, GREY = (225.0, 128.0, 128.0), (28.0, 128.0, 128.0), (150.0, 128.0, 128.0)
PATCHES = [(0.0, 0.0, 0.35, BLACK), (0.7, 0.3, 0.3, BLACK), (-0.5, 0.6, 0.3, BLACK), (-0.4, -0.6, 0.3, BLACK)]


def look(frames: list[np.ndarray], radius: float | None) -> list[list[Spot]]:
    finder = RoundFinder(radius)
    return [finder.see(luma) for luma in frames]


def filmed(balls: list[made.Disc], seed: int = 3) -> list[np.ndarray]:
    frames = made.film(made.textured(H, W, seed), [[], [], *([b] for b in balls)], seed=seed)
    return [f.y for f in frames]


@pytest.mark.parametrize(
    ("colour", "marks"),
    [(WHITE, []), (BLACK, []), (GREY, []), (WHITE, PATCHES)],
    ids=["white", "black", "grey", "patterned"],
)
@pytest.mark.parametrize("known", [True, False], ids=["radius known", "radius unknown"])
def test_a_ball_without_colour_is_found(colour, marks, known: bool) -> None:
    balls = [made.Disc(b.x, b.y, 14.0, yuv=colour, marks=marks) for b in made.thrown(30, 14.0, vx=9.0)]
    found = look(filmed(balls), 14.0 if known else None)[2:]
    near = [
        min((math.hypot(s.x_px - b.x, s.y_px - b.y) for s in spots), default=math.inf)
        for b, spots in zip(balls, found, strict=True)
    ]
    # A vote is as good as a pixel or two of the reduced picture; the outline does the rest.
    assert sum(d < 4.0 for d in near) >= 28


def test_a_large_picture_is_reduced_and_places_are_those_of_the_full_one() -> None:
    big = made.textured(2 * H, 2 * W, 5)
    balls = [made.Disc(2 * b.x, 2 * b.y, 30.0, yuv=WHITE) for b in made.thrown(12, 30.0, vx=9.0)]
    frames = [f.y for f in made.film(big, [[], [], *([b] for b in balls)])]
    for ball, spots in zip(balls[1:], look(frames, 30.0)[3:], strict=True):
        assert min(math.hypot(s.x_px - ball.x, s.y_px - ball.y) for s in spots) < 6.0


def test_nothing_that_moves_gives_nothing() -> None:
    assert all(spots == [] for spots in look(filmed([]) * 10, None))
    still = [made.Disc(200.0, 100.0, 14.0, yuv=WHITE)] * 10
    frames = [f.y for f in made.film(made.plain(H, W), [[b] for b in still])]
    assert all(spots == [] for spots in look(frames, 14.0))


def test_what_moves_and_is_not_round_gives_nothing() -> None:
    # A board that is carried by: long straight edges, no centre that they agree on. (A plank just as
    # wide as the ball has a whole line of such centres; its outline gives it away later on.)
    ground = made.plain(H, W)[0]
    rng = np.random.default_rng(0)
    frames = []
    for k in range(20):
        picture = ground.copy()
        corners = np.array([[40 + 8 * k, 60], [130 + 8 * k, 60], [130 + 8 * k, 200], [40 + 8 * k, 200]])
        cv2.fillPoly(picture, [corners.astype(np.int32)], 215.0)
        picture += rng.normal(0, 1, picture.shape)
        frames.append(np.clip(picture, 0, 255).astype(np.uint8))
    assert sum(map(len, look(frames, 14.0))) <= 2


def test_a_flash_of_all_the_picture_does_not_take_for_ever() -> None:
    # Every edge of the hall has changed: no more votes are counted than the limit, and no error comes.
    rng = np.random.default_rng(0)
    ground = (rng.random((H, W)) * 255).astype(np.uint8)
    found = look([ground, 255 - ground, ground], None)
    assert all(len(spots) <= 6 for spots in found)
