"""Marks beside lift: which of them becomes the shot's spin, and what is said about it."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from examples import make_shot

from tracker.flags import FLAGS
from tracker.spin.judge import likely_spin, with_marks
from tracker.spin.values import MARKING_ADVICE, MarkedSpin, NoMarks
from tracker.values import Number

LIFT = Number(100.0, 5.0, 20.0, 40.0, 180.0)


def seen(value: float, *, chosen: bool = False) -> MarkedSpin:
    none = np.empty(0)
    return MarkedSpin(
        Number.of(value, 0.1, 0.0), 0.1, none.astype(np.int64), none, 0.01, 100.0, 1, (), chosen
    )


def test_marks_win_over_lift() -> None:
    shot = with_marks(make_shot(spin_rad_s=LIFT), seen(110.0))
    assert shot.spin_source == "marks"
    assert shot.spin_rad_s == Number.of(110.0, 0.1, 0.0)
    assert shot.flags == make_shot().flags


@pytest.mark.parametrize(
    ("marks_rad_s", "disagrees"),
    # The lift's interval reaches 80 up and 60 down, each 1.96 standard uncertainties; 2.5 are 102 and 77.
    [(200.0, False), (205.0, True), (25.0, False), (20.0, True)],
)
def test_disagreement_is_said(marks_rad_s: float, disagrees: bool) -> None:
    shot = with_marks(make_shot(spin_rad_s=LIFT), seen(marks_rad_s))
    assert ("spin_disagrees" in shot.flags) is disagrees
    assert shot.spin_source == "marks"


def test_a_lift_without_bound_does_not_disagree_beyond_it() -> None:
    shot = with_marks(make_shot(spin_rad_s=Number(100.0, 5.0, 20.0, 40.0, None)), seen(400.0))
    assert "spin_disagrees" not in shot.flags


def test_marks_bound_what_the_lift_leaves_open() -> None:
    shot = with_marks(make_shot(spin_rad_s=None, spin_source="none", flags=("spin_unbounded",)), seen(90.0))
    assert shot.flags == ()
    assert shot.spin_source == "marks"


def test_without_marks_nothing_changes() -> None:
    shot = make_shot(spin_rad_s=LIFT)
    assert with_marks(shot, NoMarks("no_marks")) == shot


def test_an_alias_leaves_the_lift_and_says_so() -> None:
    shot = with_marks(make_shot(spin_rad_s=LIFT), NoMarks("alias", 100.0, (40.0, -148.0)))
    assert shot.spin_source == "lift"
    assert shot.spin_rad_s == LIFT
    assert shot.flags[-1] == "spin_alias"


def test_a_spin_that_was_chosen_says_so() -> None:
    shot = with_marks(make_shot(spin_rad_s=LIFT), seen(90.0, chosen=True))
    assert shot.flags[-1] == "spin_alias"


def test_lift_bounds_what_is_likely() -> None:
    assert likely_spin(LIFT) == pytest.approx((-20.0, 260.0))
    assert likely_spin(Number(100.0, 5.0, 20.0, None, None)) == (-math.inf, math.inf)
    assert likely_spin(None) == (-math.inf, math.inf)


def test_flags_are_registered_and_the_readme_says_how_to_mark() -> None:
    assert {"spin_alias", "spin_disagrees"} <= FLAGS.keys()
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    assert MARKING_ADVICE in " ".join(readme.split())
