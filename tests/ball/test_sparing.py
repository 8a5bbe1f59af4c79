"""Which spots are looked at: paths are textbook parabolas written here, in pixels and pictures."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from tracker.ball.sparing import Sparing
from tracker.ball.spots import Spot

Way = Callable[[int], tuple[float, float] | None]

RADIUS_PX = 18.0
FALL_PX = 0.044  # a picture squared: of 260 pixels a metre at 240 pictures a second
NOISE_PX = 0.3
# What is asked: the first quarter of a second at 240 pictures a second without a gap, then each fourth.
WITHOUT_GAP, EVERY = 60, 4


def spot(x: float, y: float) -> Spot:
    area = math.pi * RADIUS_PX**2
    box = int(x - RADIUS_PX), int(y - RADIUS_PX), int(x + RADIUS_PX), int(y + RADIUS_PX)
    return Spot(x, y, area, *box)


def throw(start: int, lane: float) -> Way:
    """x = x0 + v t, y = y0 - w t + f t^2 / 2."""

    def at(k: int) -> tuple[float, float] | None:
        t = k - start
        return (100 + 3.9 * t, 500 + lane - 5.2 * t + 0.5 * FALL_PX * t * t) if t >= 0 else None

    return at


def watched(ways: list[Way], pictures: int, seed: int = 1) -> list[list[int]]:
    """Pictures in which each way's spot is looked at."""
    rng, sparing = np.random.default_rng(seed), Sparing()
    looked: list[list[int]] = [[] for _ in ways]
    for k in range(pictures):
        there = [(i, place) for i, way in enumerate(ways) if (place := way(k)) is not None]
        spots = [spot(*(np.array(place) + NOISE_PX * rng.standard_normal(2))) for _, place in there]
        for (i, _), worth in zip(there, sparing.worth(k, spots), strict=True):
            if worth:
                looked[i].append(k)
    return looked


@pytest.mark.parametrize("count", [1, 2])
def test_few_balls_are_looked_at_in_every_picture(count: int) -> None:
    looked = watched([throw(0, 60.0 * i) for i in range(count)], 250)
    assert looked == [list(range(250))] * count


def test_of_many_balls_the_later_pictures_are_spared() -> None:
    looked = watched([throw(20 * i, 90.0 * i) for i in range(4)], 260)
    for i, pictures in enumerate(looked):
        begin = 20 * i
        early = [k for k in pictures if k < begin + WITHOUT_GAP]
        assert early == list(range(begin, begin + WITHOUT_GAP))
        late = np.array([k for k in pictures if k >= begin + WITHOUT_GAP])
        left = 260 - begin - WITHOUT_GAP
        assert left / EVERY - 1 <= len(late) < 0.55 * left
        assert np.diff(late).max() <= EVERY


def test_a_ball_that_bounces_is_looked_at_again() -> None:
    bounce = 130

    def bouncing(k: int) -> tuple[float, float]:
        rising = -5.2 * bounce + 0.5 * FALL_PX * bounce**2, 5.2 - FALL_PX * bounce
        t = k - bounce
        if t < 0:
            return 100 + 3.9 * k, 500 - 5.2 * k + 0.5 * FALL_PX * k * k
        return 100 + 3.9 * bounce + 2.5 * t, 500 + rising[0] - 6.0 * t + 0.5 * FALL_PX * t * t

    looked = watched([bouncing, throw(0, 120.0), throw(0, 240.0), throw(0, 360.0)], 190)
    again = [k for k in looked[0] if k > bounce]
    assert again == list(range(bounce + 1, 190))
    assert len([k for k in looked[1] if k > bounce]) < 0.5 * len(again)


@pytest.mark.parametrize(
    "way",
    [
        lambda k: (400.0, 300.0),
        lambda k: (100 + 2.0 * k, 300.0),
        lambda k: (400 + 20 * math.sin(2 * math.pi * k / 460), 300 - 2 * math.cos(4 * math.pi * k / 460)),
    ],
    ids=["rests", "rolls", "swings slowly"],
)
def test_what_does_not_fly_is_always_looked_at(way: Way) -> None:
    others = [throw(0, 120.0 * i) for i in range(1, 4)]
    assert watched([way, *others], 300)[0] == list(range(300))


def test_a_ball_waiting_in_the_launcher_is_looked_at_when_it_leaves() -> None:
    def waits(k: int) -> tuple[float, float] | None:
        return (100.0, 500.0) if k < 150 else throw(150, 0.0)(k)

    others = [throw(0, 120.0 * i) for i in range(1, 4)]
    assert watched([waits, *others], 200)[0] == list(range(200))
