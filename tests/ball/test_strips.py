"""Strips of pictures whose every level is known."""

from __future__ import annotations

import numpy as np
import pytest

from tracker.ball.strips import cut_strips
from tracker.values import STRIP_ANGLES, STRIP_RINGS, STRIP_ROWS

ANGLE = 2 * np.pi * np.arange(STRIP_ANGLES) / STRIP_ANGLES


def windows(count: int, size: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Slopes, so that bilinear samples are exact: luma rises to the right, U downward, V counts windows."""
    luma = np.tile(2 * np.arange(size), (count, size, 1)).astype(np.uint8)
    u = np.tile(4 * np.arange(size // 2)[:, None], (count, 1, size // 2)).astype(np.uint8)
    v = np.tile(np.arange(count)[:, None, None], (1, size // 2, size // 2)).astype(np.uint8)
    return luma, u, v


def test_rings_are_where_they_should_be() -> None:
    planes = windows(3, 100)
    x, y, r = np.array([50.0, 45.3, 55.5]), np.array([48.0, 52.4, 50.0]), np.array([30.0, 20.0, 25.0])
    strips = cut_strips(planes, x, y, r)
    assert strips.shape == (3, STRIP_ROWS, STRIP_ANGLES)
    assert strips.dtype == np.uint8
    lumas, chromas = len(STRIP_RINGS[0]), len(STRIP_RINGS[1])
    for k in range(3):
        luma = 2 * (x[k] + r[k] * np.outer(STRIP_RINGS[0], np.cos(ANGLE)))
        # The angle grows from right to down; a chroma sample lies in the middle of two by two luma samples.
        u = 4 * (0.5 * (y[k] + r[k] * np.outer(STRIP_RINGS[1], np.sin(ANGLE))) - 0.25)
        assert np.abs(strips[k, :lumas] - luma).max() <= 1
        assert np.abs(strips[k, lumas : lumas + chromas] - u).max() <= 1
        assert (strips[k, lumas + chromas :] == k).all()


def test_a_ball_at_the_border_does_not_see_the_next_window() -> None:
    planes = windows(2, 40)
    planes[0][0] = 10
    planes[0][1] = 200
    strips = cut_strips(planes, np.array([20.0, 20.0]), np.array([38.0, 1.0]), np.array([15.0, 15.0]))
    lumas = len(STRIP_RINGS[0])
    assert (strips[0, :lumas] == 10).all()
    assert (strips[1, :lumas] == 200).all()


@pytest.mark.parametrize("count", [1, 700])
def test_many_windows_are_cut_like_one(count: int) -> None:
    planes = windows(count, 100)
    at = np.full(count, 50.0)
    strips = cut_strips(planes, at, at, np.full(count, 30.0))
    assert (strips[-1, : len(STRIP_RINGS[0])] == strips[0, : len(STRIP_RINGS[0])]).all()
    assert (strips[-1, -1] == (count - 1) % 256).all()
