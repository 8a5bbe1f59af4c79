"""Stored and upright coordinates against a picture that is turned by numpy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.values import Picture

pictures = st.builds(Picture, st.integers(1, 9), st.integers(1, 9), st.integers(0, 3), st.booleans())


def shown(stored: np.ndarray, picture: Picture) -> np.ndarray:
    """A stored picture (h, w) as a player shows it."""
    flipped = np.fliplr(stored) if picture.mirrored else stored
    return np.rot90(flipped, picture.quarter_turns)  # anticlockwise, says numpy


@settings(max_examples=200, deadline=None)
@given(pictures)
def test_every_pixel_goes_where_numpy_turns_it(picture):
    w, h = picture.stored_width_px, picture.stored_height_px
    stored = np.arange(w * h).reshape(h, w)
    upright = shown(stored, picture)
    assert upright.shape == (picture.height_px, picture.width_px)
    y, x = np.indices(stored.shape)
    went = picture.to_upright(np.stack([x, y], axis=-1))
    assert went.shape == (h, w, 2)
    to = went.astype(int)
    np.testing.assert_array_equal(to, went)
    np.testing.assert_array_equal(upright[to[..., 1], to[..., 0]], stored)


@settings(max_examples=200, deadline=None)
@given(pictures, st.floats(-20, 20), st.floats(-20, 20))
def test_there_and_back_is_the_identity(picture, x, y):
    at = np.array([[x, y]])
    np.testing.assert_allclose(picture.to_stored(picture.to_upright(at)), at, atol=1e-12)
    np.testing.assert_allclose(picture.to_upright(picture.to_stored(at)), at, atol=1e-12)


@pytest.mark.parametrize(
    ("turns", "mirrored", "upright"),
    [
        # A 4 x 3 picture's top-right pixel (3, 0), worked out on paper.
        (0, False, (3, 0)),
        (1, False, (0, 0)),
        (2, False, (0, 2)),
        (3, False, (2, 3)),
        (0, True, (0, 0)),
        (1, True, (0, 3)),
    ],
)
def test_one_corner_on_paper(turns, mirrored, upright):
    picture = Picture(4, 3, turns, mirrored)
    assert tuple(picture.to_upright((3, 0))) == upright
