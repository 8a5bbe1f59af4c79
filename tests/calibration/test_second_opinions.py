"""Made opinions in, the one mistake behind them out."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.second_opinions import Cause, Opinions, explain, verdict

NAMES = ("gravity", "gravity", "sideways", "aside", "aside", "size", "bend")
U = np.array([0.02, 0.02, 0.03, 0.1, 0.1, 0.04, 0.01])


def moves(**by):
    return np.array([[by.get(name, 0.0)] for name in NAMES])


ASIDE = np.zeros((7, 2))
ASIDE[3, 0] = ASIDE[4, 1] = 1.0
CAUSES = (
    Cause("scale", moves(gravity=1.0, size=1.0), 0.015, 0.6),
    Cause("clock", moves(gravity=-2.0), 0.12, 3.0),
    Cause("ball", moves(size=1.0), 0.08, 1.5),
    Cause("yaw", moves(sideways=1.0), 0.09, 0.8),
    Cause("plane", ASIDE, 0.35, 5.0),
    Cause("lens", moves(bend=1.0), 0.02, 0.6),
)
SIZES = {"scale": 0.15, "clock": -0.3, "ball": 0.3, "yaw": -0.2, "lens": 0.08}


def opinions(values, seed=None):
    noise = 0.0 if seed is None else np.random.default_rng(seed).normal(0, U)
    return Opinions(NAMES, np.asarray(values) + noise, np.diag(U**2))


@pytest.mark.parametrize("name", list(SIZES))
@pytest.mark.parametrize("seed", [None, 1, 2, 3])
def test_one_mistake_is_named_with_its_size(name, seed):
    cause = next(c for c in CAUSES if c.name == name)
    heard = opinions(cause.effect[:, 0] * SIZES[name], seed)
    found = verdict(heard, CAUSES)
    assert found.name == name
    assert found.best.size[0] == pytest.approx(
        SIZES[name], abs=1e-9 if seed is None else 4 * found.best.u_size[0]
    )


def test_flights_that_leave_the_plane_each_have_their_own_size():
    found = verdict(opinions([0, 0, 0, 0.8, -0.6, 0, 0]), CAUSES)
    assert found.name == "plane"
    assert found.best.size == pytest.approx([0.8, -0.6])
    assert found.best.u_size == pytest.approx([0.1, 0.1])


def test_the_size_is_that_of_weighted_least_squares():
    """Scale from gravity 0.10 +- 0.02 twice and size 0.16 +- 0.04: weights 4, 4 and 1, so 0.96 / 9."""
    found = explain(opinions([0.10, 0.10, 0, 0, 0, 0.16, 0]), CAUSES[0])
    assert found.size[0] == pytest.approx(0.96 / 9)
    assert found.u_size[0] == pytest.approx(0.04 / 3)
    assert found.gain == pytest.approx((0.96 / 9 / (0.04 / 3)) ** 2)


def test_what_hangs_together_is_counted_once():
    """Two opinions that err alike are one: the uncertainty does not shrink by the root of two."""
    alike = np.array([[0.04, 0.0399], [0.0399, 0.04]])
    found = explain(
        Opinions(("gravity", "gravity"), [0.1, 0.1], alike), Cause("scale", np.ones((2, 1)), 0, 1)
    )
    assert found.u_size[0] == pytest.approx(np.sqrt((0.04 + 0.0399) / 2), rel=1e-6)


def test_where_all_is_well_nothing_is_named():
    """Each of six causes passes three standard uncertainties once in 370 by chance."""
    named = [verdict(opinions(np.zeros(7), seed), CAUSES).name for seed in range(300)]
    assert sum(name != "none" for name in named) <= 6
    assert verdict(opinions(np.zeros(7)), CAUSES).best is None


def test_a_mistake_too_small_to_matter_is_not_named():
    """A clock is wrong by a factor or not at all: 2 % is no clock, so that it must be the scale."""
    found = verdict(opinions([0.08, 0.08, 0, 0, 0, 0, 0]), CAUSES)
    assert found.name == "scale"
    assert found.others[0].name in {"scale", "clock"}


def test_of_equals_the_first_is_named():
    twice = (Cause("yaw", moves(sideways=1.0), 0, 9), Cause("lens", moves(sideways=2.0), 0, 9))
    assert verdict(opinions([0, 0, 0.3, 0, 0, 0, 0]), twice).name == "yaw"
    assert verdict(opinions([0, 0, 0.3, 0, 0, 0, 0]), twice[::-1]).name == "lens"


def test_chi_square_counts_every_opinion():
    found = verdict(opinions(2 * U), CAUSES)
    assert found.chi2 == pytest.approx(28.0)
    assert found.freedom == 7


@pytest.mark.parametrize("values", [[0.0], [0.0] * 8])
def test_as_many_values_as_names(values):
    with pytest.raises(ValueError, match="expected an array of shape"):
        Opinions(NAMES, values, np.diag(U**2))
