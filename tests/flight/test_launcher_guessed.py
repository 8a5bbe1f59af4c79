"""Flights that begin in several places: which are shots, and when the choice is worth a word."""

from __future__ import annotations

import numpy as np
import pytest

from tracker.flight.choose import ELSEWHERE, choose
from tracker.flight.doubts import launcher_doubts
from tracker.flight.observed import Flight

RADIUS_PX = 12.0


def thrown(start_s: float, x_px: float, y_px: float, *, sense: int = 1, count: int = 60) -> Flight:
    """A flight of a quarter of a second that begins at a place, in frames 1/240 s apart."""
    t = start_s + np.arange(count) / 240
    fallen = t - t[0]
    xy = np.stack([x_px + sense * 900 * fallen, y_px - 1200 * fallen + 1300 * fallen**2], axis=1)
    u = np.full(count, 0.1)
    return Flight(
        np.arange(count), t, np.zeros(count), xy, u, np.full(count, RADIUS_PX), np.zeros(count), sense
    )


def chosen(flights: list[Flight], exit_px: np.ndarray | None = None):
    return choose(flights, exit_px, [round(240 * float(f.frame_time_s[0])) for f in flights])


LAUNCHER, HAND = (150.0, 450.0), (1100.0, 420.0)


def test_a_ball_thrown_back_is_no_shot_where_most_flights_begin_at_the_launcher() -> None:
    flights = [thrown(0.1, *LAUNCHER), thrown(1.0, *HAND, sense=-1), thrown(2.0, 155.0, 447.0)]
    kept, refused = chosen(flights)
    assert kept == [0, 2]
    assert [r.reason for r in refused] == [ELSEWHERE]
    assert launcher_doubts([flights[i] for i in kept], refused, exit_stated=False) == []


def test_where_none_leads_the_output_says_so() -> None:
    flights = [thrown(0.1, *HAND, sense=-1), thrown(1.0, *LAUNCHER)]
    kept, refused = chosen(flights)
    assert kept == [0], "the first, for want of anything better"
    doubts = launcher_doubts([flights[0]], refused, exit_stated=False)
    assert [doubt.code for doubt in doubts] == ["launcher_guessed"]
    assert "exit_px" in doubts[0].advice


@pytest.mark.parametrize("first", [LAUNCHER, HAND])
def test_a_stated_exit_settles_it(first) -> None:
    second = HAND if first == LAUNCHER else LAUNCHER
    flights = [thrown(0.1, *first), thrown(1.0, *second)]
    kept, refused = chosen(flights, np.array(LAUNCHER))
    assert kept == [0 if first == LAUNCHER else 1]
    assert launcher_doubts([flights[kept[0]]], refused, exit_stated=True) == []


def test_scraps_of_a_flight_are_not_worth_a_word() -> None:
    flights = [thrown(0.1, *LAUNCHER), thrown(1.0, *HAND, count=10)]
    kept, refused = chosen(flights)
    assert kept == [0]
    assert launcher_doubts([flights[0]], refused, exit_stated=False) == []
