import math
from dataclasses import replace

import pytest
from examples import (
    in_doubt,
    make_budget,
    make_clip,
    make_shot,
    make_wheel_budget,
    with_everything,
    without_shot,
)

from tracker.flags import FLAGS, WARNINGS, Doubt
from tracker.report import headline, trust
from tracker.report.health import checks, healthy
from tracker.report.words import GRAVEST_FIRST, spin_words, typical_budget, wheel_words
from tracker.values import BudgetLine, Number, Scale


def doubt(code):
    return Doubt(code, WARNINGS[code].message, WARNINGS[code].advice)


def test_headlines():
    assert headline(make_clip()) == (
        "One shot left at 7.210 m/s (give or take 0.060), "
        "53.40 degrees (give or take 0.43) above the horizontal."
    )
    assert headline(in_doubt()) == "3 shots left at 7.052 to 7.384 m/s."
    assert headline(without_shot()) == "No shot was found in this clip."


def test_trust_of_a_healthy_clip_names_the_best_thing_to_do():
    text = trust(make_clip())
    # 0.060 of 7.21 is 0.83 %; 0.024 squared is 62 % of 0.0305 squared, so "most".
    assert text.startswith(
        "The exit speed is good: 19 times out of 20 the true one lies within 0.060 m/s (0.83 %)"
    )
    assert (
        "Most of the doubt about the speed comes from this: clicks on the reference; it is the same" in text
    )
    assert text.endswith("The best single thing to do next time: use a longer reference.")
    assert "Be careful" not in text


def test_trust_of_a_random_doubt_asks_for_more_shots():
    lines = (BudgetLine("sightings", 0.03, 0.0, "random", "Use more light."), *make_budget()[:1])
    text = trust(make_clip([make_shot(budget=lines)]))
    assert "it differs from shot to shot, so the mean of more shots makes it smaller" in text
    assert text.endswith("next time: use more light.")


def test_trust_of_a_doubtful_clip_says_so_first():
    text = trust(in_doubt())
    assert text.startswith(
        "Be careful with these numbers: the frame rate is not certain, the ball does not look"
    )
    assert "Leaving that aside, the exit speed is good" in text
    assert text.endswith(
        "put right: put the reference into the plane in which the ball flies, or state its offset."
    )


def test_trust_without_a_shot():
    assert trust(without_shot()).startswith(
        "There is nothing to trust yet: no shot was found. Check that the ball's"
    )


@pytest.mark.parametrize(("share", "grade"), [(0.010, "good"), (0.03, "fair"), (0.2, "rough")])
def test_grades(share, grade):
    shot = make_shot(exit_speed_m_s=Number.of(10.0, 0.0, 10.0 * share / 1.96))
    assert f"The exit speed is {grade}:" in trust(make_clip([shot]))


def test_trust_speaks_of_the_least_certain_shot():
    shots = [make_shot(1), make_shot(2, exit_speed_m_s=Number.of(7.0, 0.0, 0.5 / 1.96))]
    text = trust(make_clip(shots))
    assert "within 0.50 m/s (7.1 %)" in text
    assert "That is the least certain shot" in text


def test_misfit_without_a_warning_points_at_the_residuals():
    text = trust(make_clip([make_shot(flags=("poor_fit",))]))
    assert text.endswith(f"The first thing to do: look{FLAGS['poor_fit'].advice[4:]}")


@pytest.mark.parametrize("code", GRAVEST_FIRST)
def test_each_grave_warning_takes_a_check_away(code):
    clip = make_clip(warnings=(doubt(code),))
    if code.startswith("scale_from"):
        clip = replace(clip, scale=replace(clip.scale, source=code.removeprefix("scale_from_")))
    assert healthy(make_clip())
    assert not healthy(clip)
    assert "Be careful" in trust(clip)


@pytest.mark.parametrize("code", sorted(set(WARNINGS) - set(GRAVEST_FIRST) - {"no_shot_found"}))
def test_a_missing_input_does_not(code):
    # A new warning has to be put among the grave ones, or here.
    assert code in {"clock_stretched", "launcher_guessed", "readout_unknown"}
    assert healthy(make_clip(warnings=(doubt(code),)))


def test_health_says_what_was_found():
    found = {check.claim: check for check in checks(in_doubt())}
    assert found["the flight model fits"].detail == "not shot 2"
    assert found["the ball was seen well"].detail == "9 to 57 times"
    assert found["the frame rate is known"].detail == "239.6 a second, as the fall of the ball says"
    assert found["gravity comes out right"].detail == "9.78 m/s² when left free"
    assert checks(without_shot()) == ()
    no_scale = {check.claim: check for check in checks(make_clip(scale=None))}
    assert not no_scale["a known length sets the scale"].holds


@pytest.mark.parametrize(
    ("source", "holds"), [("length", True), ("plane", True), ("board", True), ("ball", False)]
)
def test_scale_has_to_come_from_a_known_length(source, holds):
    scale = Scale(Number.of(0.003, 0.0, 0.0001), Number.of(0.0, 0.0, 0.01), source)
    found = {check.claim: check.holds for check in checks(make_clip(scale=scale))}
    assert found["a known length sets the scale"] is holds


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (1.0, 9.0, "backspin, by its lift"),
        (-9.0, -1.0, "topspin, by its lift"),
        (-1.0, 9.0, "may be none, by its lift"),
    ],
)
def test_spin_in_words(low, high, words):
    spin = Number((low + high) / 2, 1.0, 1.0, low, high)
    assert spin_words(make_shot(spin_rad_s=spin)) == words


def test_spin_by_marks_or_not_at_all():
    assert spin_words(make_shot(spin_source="marks")) == "backspin, by its marks"
    assert spin_words(make_shot(spin_rad_s=None, spin_source="none")) == "not measured"


def test_typical_budget_keeps_the_mean_square():
    other = (BudgetLine("sightings", 0.05, 0.0, "random", "more light"),)
    lines = typical_budget([make_shot(1), make_shot(2, budget=other)])
    total = sum(line.speed_share_m_s**2 for line in lines)
    expected = (sum(line.speed_share_m_s**2 for line in make_budget()) + 0.05**2) / 2
    assert total == pytest.approx(expected, rel=1e-12)
    assert lines[0].source == "sightings"
    assert lines[0].speed_share_m_s == pytest.approx(math.sqrt((0.0045**2 + 0.05**2) / 2))
    assert [line.speed_share_m_s for line in lines] == sorted(
        (line.speed_share_m_s for line in lines), reverse=True
    )


def test_wheel_in_words():
    # 7.21, 6.52 and 2.36 of 16.09
    assert wheel_words(with_everything().shots) == (
        "Of the wheel's speed, about 45 % became exit speed, 41 % spin and 15 % slip."
    )
    assert wheel_words([make_shot()]) == ""
    still = replace(make_wheel_budget(), wheel_speed_m_s=Number.of(0.0, 0.0, 0.0))
    assert wheel_words([make_shot(wheel_budget=still)]) == ""


def test_words_hold_no_jargon():
    text = trust(make_clip()) + trust(in_doubt()) + headline(make_clip())
    for word in ("sigma", "chi", "covariance", "residual", "coverage", "prior", "nan"):
        assert word not in text.lower()
