"""Verdicts in words: one kept page, each verdict's own sentence, and numbers that agree with the result."""

from __future__ import annotations

import json
import math
import textwrap

import numpy as np
import pytest
from examples import make_design, make_wheel_budget
from golden import golden

from tracker.report.quantities import EXIT_ANGLE, EXIT_SPEED, SPIN
from tracker.report.verdicts import (
    comparison_json,
    comparison_words,
    design_words,
    doubts_words,
    recheck_words,
    shots_words,
)
from tracker.session.compare import compare
from tracker.session.recheck import recheck
from tracker.session.values import Sample
from tracker.values import Number


def sample(mean, sd=0.08, shots=8, calibration="tripod", u_common=0.03):
    z = np.linspace(-1, 1, shots) if shots > 1 else np.zeros(1)
    values = mean + sd * z / (np.std(z, ddof=1) if shots > 1 else 1.0)
    return Sample(values, np.full(shots, 0.01), u_common, calibration)


MONDAY = sample(7.2)
CHANGES = {
    "as designed": (sample(7.65), 0.45, 0.2),
    "changed, not as designed": (sample(7.65), 0.10, 0.05),
    "the other way": (sample(6.75), 0.45, 0.2),
    "no change seen": (sample(7.22), 0.45, 0.2),
    "too few shots": (sample(7.65, shots=3), 0.45, 0.1),
    "share a calibration": (sample(7.65, calibration="moved", u_common=0.3), 0.45, 0.2),
    "on the edge": (sample(7.84, shots=40), 0.45, 0.2),
    "one shot": (sample(7.65, shots=1), 0.45, 0.2),
    "more alike": (sample(7.65, sd=0.01), 0.45, 0.2),
    "less alike": (sample(7.65, sd=0.4), 0.45, 0.2),
    "changed": (sample(7.65), None, None),
    "nothing seen": (sample(7.22), None, None),
    "nothing seen yet": (sample(7.22, sd=0.5), None, 0.1),
}


def judged(name):
    after, expected, within = CHANGES[name]
    return compare(MONDAY, after, expected=expected, within=within)


def page(name):
    return comparison_words("monday", "tuesday", EXIT_SPEED, judged(name))


def test_golden_page():
    text = "\n".join(
        f"== {name}\n\n" + "\n\n".join(textwrap.fill(each, 88) for each in page(name)) + "\n"
        for name in CHANGES
    )
    assert text == golden("comparisons.txt", text)


@pytest.mark.parametrize(
    ("name", "verdict", "begins"),
    [
        ("as designed", "as_designed", "As designed:"),
        ("changed, not as designed", "changed_not_as_designed", "Changed, but not as designed:"),
        ("the other way", "changed_not_as_designed", "Changed, but not as designed:"),
        ("no change seen", "no_change_seen", "No change seen:"),
        ("too few shots", "too_few_shots", "Too few shots"),
        ("one shot", "too_few_shots", "Too few shots"),
        ("changed", "changed", "The exit speed changed."),
        ("nothing seen", "no_change_seen", "No change of the exit speed was seen."),
        ("nothing seen yet", "too_few_shots", "Too few shots"),
    ],
)
def test_each_verdict_has_its_sentence(name, verdict, begins):
    assert judged(name).verdict == verdict
    assert page(name)[0].startswith(begins)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("share a calibration", "More shots alone will not do"),
        ("on the edge", "near an edge"),
        ("too few shots", "shots in each session would do"),
        ("nothing seen yet", "could still be hiding"),
        ("more alike", "became more alike"),
        ("less alike", "became less alike"),
        ("as designed", "share one calibration"),
        ("share a calibration", "do not share a calibration"),
    ],
)
def test_what_goes_with_a_verdict(name, words):
    assert words in " ".join(page(name))


@pytest.mark.parametrize("name", CHANGES)
def test_words_are_plain_and_the_document_is_json(name):
    for paragraph in page(name):
        assert paragraph.endswith(".")
        assert paragraph.encode("cp1252")
        assert not any(word in paragraph for word in ("nan", "None", "inf", "  "))
    after = CHANGES[name][0]
    made = json.loads(
        comparison_json(EXIT_SPEED, judged(name), (8, len(after)), (0.08, None)), parse_constant=pytest.fail
    )
    assert made["verdict"] == judged(name).verdict
    assert made["shots_needed"] == judged(name).shots_needed
    assert made["difference"]["value"] == pytest.approx(float(np.mean(after.values)) - 7.2)


def test_spreads_that_cannot_be_compared_are_null_in_the_document():
    result = compare(Sample(np.full(4, 7.2), np.zeros(4)), sample(7.6))
    made = json.loads(comparison_json(EXIT_SPEED, result, (4, 8), (0.0, 0.08)), parse_constant=pytest.fail)
    assert made["spread_ratio"]["value"] is None
    assert "all equal" in " ".join(comparison_words("a", "b", EXIT_SPEED, result))


def test_uncertainty_of_a_ratio_of_spreads():
    # Relative standard deviation of s from n normal values is 1/sqrt(2(n-1)) (JCGM 100:2008, E.4.3): 8 and 8
    # give sqrt(2/14).
    made = json.loads(comparison_json(EXIT_SPEED, judged("as designed"), (8, 8), (0.08, 0.08)))
    assert made["spread_ratio"]["value"] == pytest.approx(1.0)
    assert made["spread_ratio"]["u"] == pytest.approx(math.sqrt(2 / 14))


def test_where_the_expectation_comes_from():
    model = Number.of(0.451, 0.0, 0.01)
    words = comparison_words("a", "b", EXIT_SPEED, judged("as designed"), modelled=model)
    assert "expects +0.451 m/s with the grip of the first session; --expect model" in words[-1]
    words = comparison_words("a", "b", EXIT_ANGLE, judged("changed"), modelled=model, from_model=True)
    assert words[-1].endswith("+0.451 degrees. That was taken as the expected change.")


@pytest.mark.parametrize(
    ("few", "verdict", "words"),
    [
        (sample(7.22, shots=5), "itself", "still itself: the 5 shots are 0.020 m/s faster than monday"),
        (sample(6.9, shots=5), "moved", "not itself: the 5 shots are 0.30 m/s slower than monday"),
        (sample(7.2, sd=0.4, shots=5), "scattered", "scatter 5.0 times as much as monday"),
        (sample(7.3, shots=1), "too_few_shots", "the shot"),
    ],
)
def test_before_a_match_in_one_sentence(few, verdict, words):
    result = recheck(MONDAY, few)
    assert result.verdict == verdict
    said = recheck_words("monday", EXIT_SPEED, result, len(few))
    assert words in said
    assert said.count(". ") == 0
    assert said.endswith(".")


def test_how_many_shots():
    said = shots_words(0.2, 0.08, 4, EXIT_SPEED, "as in monday", at_worst=(0.16, 12))
    assert "you need 4 shots before and 4 after" in said
    assert "as large as 0.16 m/s, and then 12 shots" in said
    assert "as large as" not in shots_words(0.2, 0.08, 4, SPIN, "as you stated")


def test_a_design_in_words():
    means = {
        "exit_speed_m_s": Number.of(7.21, 0.006, 0.030),
        "exit_angle_rad": Number.of(math.radians(53.4), 0.002, 0.003),
        "spin_rad_s": Number.of(110.0, 1.5, 9.0),
    }
    text = "\n".join(
        design_words(
            "wheel 3200 rpm", means, make_design(), make_wheel_budget(), 8, grip=Number.of(0.9, 0.0, 0.01)
        )
    )
    assert text + "\n" == golden("design.txt", text + "\n")
    for words in ("exit speed is as designed", "exit angle is undecided", "spin is not as designed"):
        assert words in text


def test_doubts_are_one_sentence_and_one_advice():
    assert doubts_words({}) == ""
    said = doubts_words({"a.mp4": ("scale_disagrees",), "b.mp4": ("camera_moved", "clock_disagrees")})
    assert "a.mp4: scale_disagrees; b.mp4: camera_moved, clock_disagrees" in said
    assert said.count(". ") == 1
