"""Films with frames left out: which ones were kept is chosen here, and what moves are textbook parabolas."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.cadence import find_cadence

RATE = 30.0  # of the film before frames were left out
NOISE_PX = 0.15


def kept_frames(count: int, taken: int, left_out: list[tuple[int, int]]) -> np.ndarray:
    """Original numbers of the frames kept: from each start on, that one of every ``taken`` is left out."""
    number = np.arange(count)
    out = np.zeros(count, dtype=bool)
    for start, which in left_out:
        out[start:] = number[start:] % taken == which
    return number[~out]


def thrown(original: np.ndarray, seed: int) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """A ball kept in the air: x = v t, y = w t - g t^2 / 2 from touch to touch, as the film shows it."""
    rng = np.random.default_rng(seed)
    touch = 22  # frames of the original from one touch to the next
    t = (original % touch) / RATE
    place = np.stack([300 + 90 * t, 500 - 700 * t + 0.5 * 2050 * t**2], axis=1)
    place += NOISE_PX * rng.standard_normal(place.shape)
    return [np.arange(len(original))], [place]


def true_steps(original: np.ndarray) -> np.ndarray:
    return np.diff(original).astype(float)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("which", range(5))
def test_one_of_five_left_out_is_found(which: int, seed: int) -> None:
    original = kept_frames(250, 5, [(0, which)])
    cadence = find_cadence(*thrown(original, seed), len(original))
    assert cadence is not None
    assert (cadence.kept, cadence.taken, cadence.slips) == (4, 5, ())
    slots = cadence.slots(len(original))
    np.testing.assert_allclose(np.diff(slots) * 5 / 4, true_steps(original), atol=1e-9)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("first", "then"), [(1, 3), (2, 4), (4, 0), (0, 4), (3, 2)])
def test_another_one_is_left_out_after_a_slip(first: int, then: int, seed: int) -> None:
    original = kept_frames(300, 5, [(0, first), (152, then)])
    cadence = find_cadence(*thrown(original, seed), len(original))
    assert cadence is not None
    assert len(cadence.slips) == 1
    found = np.diff(cadence.slots(len(original))) * 5 / 4
    assert found.min() >= 1 - 1e-9  # no time passes twice
    wrong = np.flatnonzero(np.abs(found - true_steps(original)) > 1e-9)
    # A touch near the slip may hide where exactly it was.
    at = int(np.searchsorted(original, 152))
    assert np.all(np.abs(wrong - at) <= 8)
    assert len(wrong) <= 4


@pytest.mark.parametrize("seed", range(6))
def test_an_even_film_has_none(seed: int) -> None:
    original = np.arange(200)
    assert find_cadence(*thrown(original, seed), len(original)) is None


def test_too_little_motion_says_nothing() -> None:
    original = kept_frames(40, 5, [(0, 2)])
    assert find_cadence(*thrown(original, 1), len(original)) is None
    assert find_cadence([], [], 100) is None
