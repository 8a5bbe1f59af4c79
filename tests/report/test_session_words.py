"""A session in words: one kept page for each kind of session, and what never may stand in one."""

from __future__ import annotations

import textwrap

import numpy as np
import pytest
from golden import golden

from tracker.report.quantities import EXIT_ANGLE, EXIT_SPEED, QUANTITIES
from tracker.report.session_words import session_numbers, session_words
from tracker.report.standing import REASONS, ShotLabel, StandOut
from tracker.session.summary import summarise
from tracker.session.values import Sample

# In m/s, made up; scattered about 7.2 so that nothing but what the name says is unusual.
STEADY = [7.21, 7.13, 7.28, 7.19, 7.25, 7.10, 7.22, 7.30, 7.16, 7.20]
SESSIONS = {
    "steady": STEADY,
    "drifting": [7.38, 7.41, 7.32, 7.33, 7.24, 7.29, 7.18, 7.22, 7.17, 7.11, 7.12, 7.04],
    "first shot slow": [6.60, *STEADY[1:]],
    "one odd shot": [*STEADY[:6], 6.31, *STEADY[7:]],
    "jump": [7.2, 7.22, 7.19, 7.21, 7.2, 7.23, 7.2, 7.18, 7.62, 7.6, 7.63, 7.61],
    "few": STEADY[:3],
    "one": STEADY[:1],
    "equal": [7.2] * 5,
}


def said(values, quantity=EXIT_SPEED, u_random=0.01, **more):
    sample = Sample(np.array(values), np.full(len(values), u_random), 0.03, "tripod")
    summary = summarise(sample)
    labels = [ShotLabel(40 + k, "lob.mp4", k + 1) for k in range(len(values))]
    apart = () if summary.outliers is None else summary.outliers.shots
    standing = [StandOut(labels[k], values[k] - float(np.median(values)), ()) for k in apart]
    words = session_words("monday", quantity, summary, labels, standing, **more)
    numbers = [f"{name}: {value}" for name, value in session_numbers(quantity, summary)]
    return words, numbers


@pytest.mark.parametrize("name", SESSIONS)
def test_golden_pages(name):
    words, numbers = said(SESSIONS[name])
    page = "\n\n".join(textwrap.fill(each, 88) for each in words) + "\n\n" + "\n".join(numbers) + "\n"
    assert page == golden(f"session_{name.replace(' ', '_')}.txt", page)


def test_what_is_unusual_and_nothing_else_is_told():
    signs = {
        "drifting": "fell by about",
        "first shot slow": "slower than those that followed",
        "one odd shot": "(lob.mp4, shot 7) stands out",
        "jump": "The control chart shows",
    }
    for name, sign in signs.items():
        assert sign in " ".join(said(SESSIONS[name])[0]), name
    calm = " ".join(said(STEADY)[0])
    assert not any(sign in calm for sign in signs.values())
    assert "Nothing speaks against one steady launcher" in calm


def test_safety_where_somebody_will_look_at_the_launcher():
    assert "power off" in " ".join(said(SESSIONS["drifting"])[0])
    assert "power off" not in " ".join(said(STEADY)[0])


@pytest.mark.parametrize("name", SESSIONS)
@pytest.mark.parametrize("quantity", QUANTITIES.values(), ids=lambda quantity: quantity.name)
def test_every_page_is_plain(name, quantity):
    words, numbers = said(SESSIONS[name], quantity)
    for text in (*words, *numbers):
        assert "nan" not in text
        assert "inf" not in text
        assert "None" not in text
        assert text.encode("cp1252")
    for paragraph in words:
        assert paragraph.endswith((".", "?"))
        assert "  " not in paragraph


def test_a_scatter_that_measuring_explains_is_not_laid_on_the_launcher():
    assert "Measuring alone explains as much" in said(STEADY, u_random=0.5)[0][0]
    assert "More than half of that is measuring" in said(STEADY, u_random=0.05)[0][0]
    assert "measuring" not in said(STEADY)[0][0].lower()


def test_left_out_shots_and_several_set_ups_are_told():
    words, _ = said(STEADY, left_out=2, calibrations=3)
    assert "10 shots, 2 left out" in words[0]
    assert "3 different ways" in words[-1]


def test_exits_that_were_seen_at_different_places_are_told_if_they_matter():
    assert "differ by about 0.040 m/s" in " ".join(said(STEADY, exit_scatter=0.04)[0])
    assert "exit_px" not in " ".join(said(STEADY, exit_scatter=0.01)[0])
    assert "exit_px" not in " ".join(said(STEADY, EXIT_ANGLE, exit_scatter=0.04)[0])


def test_every_reason_is_said():
    summary = summarise(Sample(np.array(STEADY), np.full(10, 0.01)))
    label = ShotLabel(7, "lob.mp4", 2)
    for reason, words in REASONS.items():
        page = session_words("m", EXIT_ANGLE, summary, [label] * 10, [StandOut(label, -0.4, (reason,))])
        assert words in page[2]
        assert "no. 7 (lob.mp4, shot 2) stands out: 0.40 degrees flatter" in page[2]
