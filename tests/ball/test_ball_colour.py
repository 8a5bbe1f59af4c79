"""Colour directions against the standard's formula written out here, and what is learnt from a clip."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tracker.ball.colour import (
    COLOURLESS,
    FAMILIES,
    FAMILY_HALF_WIDTH_RAD,
    Direction,
    direction_of,
    is_colourless,
    learnt_direction,
    named_direction,
)


def bt709(r: float, g: float, b: float) -> tuple[float, float]:
    """Cb and Cr of ITU-R BT.709-6, 3.2 and 3.3, for signals from 0 to 1."""
    luma = 0.2126 * r + 0.7152 * g + 0.0722 * b
    return (b - luma) / (2 * (1 - 0.0722)), (r - luma) / (2 * (1 - 0.2126))


def bt601(r: float, g: float, b: float) -> tuple[float, float]:
    """Cb and Cr of ITU-R BT.601-7, 2.5: what small and old phones write."""
    luma = 0.299 * r + 0.587 * g + 0.114 * b
    return 0.564 * (b - luma), 0.713 * (r - luma)


@pytest.mark.parametrize(
    ("rgb", "u", "v"),
    # The primaries' corners in the U-V plane, from the standard's weights alone.
    [((255, 0, 0), -0.1146, 0.5), ((0, 0, 255), 0.5, -0.0458), ((0, 255, 0), -0.3854, -0.4542)],
)
def test_primaries_point_where_the_standard_puts_them(rgb, u: float, v: float) -> None:
    found = direction_of(rgb)
    assert found is not None
    length = math.hypot(u, v)
    assert (found.du, found.dv) == pytest.approx((u / length, v / length), abs=2e-4)


def test_a_direction_does_not_change_with_brightness_or_paleness() -> None:
    full = direction_of((240, 120, 24))
    dark = direction_of((120, 60, 12))
    pale = direction_of(tuple((c + 240) // 2 for c in (240, 120, 24)))  # type: ignore[arg-type]
    assert full is not None
    assert dark is not None
    assert pale is not None
    assert dark.hue_rad == pytest.approx(full.hue_rad, abs=0.01)
    assert pale.hue_rad == pytest.approx(full.hue_rad, abs=0.01)


@pytest.mark.parametrize("name", list(FAMILIES))
def test_a_family_holds_its_own_colour_by_either_matrix(name: str) -> None:
    family = named_direction(name)
    assert family is not None
    for matrix in (bt709, bt601):
        u, v = matrix(*(c / 255 for c in FAMILIES[name]))
        assert family.holds(np.array([math.atan2(v, u)]))[0]


@pytest.mark.parametrize(
    ("name", "other"),
    [("red", "blue"), ("orange", "green"), ("yellow", "blue"), ("green", "pink"), ("purple", "yellow")],
)
def test_families_far_apart_do_not_mix(name: str, other: str) -> None:
    family, far = named_direction(name), named_direction(other)
    assert family is not None
    assert far is not None
    assert not family.holds(np.array([far.hue_rad]))[0]


def test_the_family_ends_at_its_half_width() -> None:
    family = Direction(1.0, 0.0)
    inside, outside = FAMILY_HALF_WIDTH_RAD - 0.01, FAMILY_HALF_WIDTH_RAD + 0.01
    np.testing.assert_array_equal(
        family.holds(np.array([inside, -inside, outside, -outside, math.pi, 2 * math.pi])),
        [True, True, False, False, False, True],
    )


def test_hex_and_name_mean_the_same() -> None:
    by_hex, by_name = named_direction("#F5821E"), named_direction(" Orange ")
    assert by_hex is not None
    assert by_name is not None
    assert by_hex.hue_rad == pytest.approx(by_name.hue_rad, abs=1e-9)


@pytest.mark.parametrize("name", [*COLOURLESS, "#808080", "#f2efe9", "#101012"])
def test_white_black_and_grey_point_nowhere(name: str) -> None:
    assert named_direction(name) is None
    assert is_colourless(name)


def test_nothing_stated_is_not_colourless() -> None:
    assert named_direction(None) is None
    assert not is_colourless(None)


def test_what_is_learnt_stays_in_the_family() -> None:
    named = Direction(1.0, 0.0)
    rng = np.random.default_rng(1)
    turn = 0.3
    u = 40 * math.cos(turn) + rng.normal(0, 3, 200)
    v = 40 * math.sin(turn) + rng.normal(0, 3, 200)
    learnt = learnt_direction(named, u, v)
    assert learnt.hue_rad == pytest.approx(turn, abs=0.02)
    assert math.hypot(learnt.du, learnt.dv) == pytest.approx(1.0)
    assert learnt_direction(named, -u, v) is named, "another colour was taken for the ball's"
    assert learnt_direction(named, 0.05 * u, 0.05 * v) is named, "grey taught a direction"
