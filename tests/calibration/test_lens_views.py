"""A board that is waved: blurred views are left out, and those that are unlike one another are chosen."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.lens_fit import CornerSet
from calibration.lens_views import sharpness, spread_views

PLACES_M = np.stack(np.meshgrid(np.arange(9), np.arange(6)), axis=-1).reshape(-1, 2) * 0.03


def view(x, y, size_px, lean=0.0):
    """Corners of a board at a place, of a size, leaning by a perspective term."""
    px = PLACES_M / 0.24 * size_px
    depth = 1 + lean * (PLACES_M[:, :1] - 0.12)
    return CornerSet(np.array([x, y]) + (px - px.mean(axis=0)) / depth, PLACES_M)


def test_few_views_are_all_taken():
    sets = [view(640 + k, 360, 200) for k in range(5)]
    assert spread_views(sets, [1.0] * 5, 1280, 720) == [0, 1, 2, 3, 4]
    assert spread_views([], [], 1280, 720) == []


def test_the_corners_of_the_picture_are_not_left_out_for_many_views_of_its_middle():
    rng = np.random.default_rng(2)
    middle = [view(640 + rng.normal(0, 20), 360 + rng.normal(0, 20), 250) for _ in range(60)]
    odd = [view(x, y, 250) for x in (180, 1100) for y in (150, 570)] + [
        view(640, 360, 600),
        view(640, 360, 250, 2.0),
        view(640, 360, 250, -2.0),
    ]
    chosen = spread_views(middle + odd, [1.0] * 67, 1280, 720, most=10)
    assert len(chosen) == 10
    assert set(range(60, 67)) <= set(chosen)


def test_blurred_views_are_left_out():
    sets = [view(100 + 20 * k, 360, 250) for k in range(50)]
    sharp = [1.0 if k % 2 else 0.2 for k in range(50)]
    chosen = spread_views(sets, sharp, 1280, 720, most=20)
    assert len(chosen) == 20
    assert all(k % 2 for k in chosen)


def chessboard():
    tiles = np.indices((7, 10)).sum(axis=0) % 2
    luma = np.full((360, 640), 220, np.uint8)
    luma[80:290, 150:450] = np.kron(tiles, np.ones((30, 30))) * 190 + 30
    corners = np.stack(np.meshgrid(np.arange(9), np.arange(6)), axis=-1).reshape(-1, 2) * 30.0 + [
        179.5,
        109.5,
    ]
    return luma, CornerSet(corners, PLACES_M)


def test_motion_in_either_direction_is_seen_as_blur():
    luma, corners = chessboard()
    still = sharpness(luma, corners)
    for size in ((15, 1), (1, 15)):
        assert sharpness(cv2.blur(luma, size), corners) < 0.5 * still
    dark = np.uint8(luma * 0.4 + 20)
    assert 0.8 < sharpness(dark, corners) / still < 1.2  # light is no blur
