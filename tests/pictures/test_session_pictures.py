"""Pictures of sessions: words inside and apart, marks where the statistics put them."""

from __future__ import annotations

import numpy as np
import pytest
from test_layout_of_pictures import check_layout

from tracker.pictures import before_after, control_chart_picture, wheel_speed_picture
from tracker.pictures.change import side_steps
from tracker.session.chart import control_chart
from tracker.session.compare import compare
from tracker.session.values import Sample
from tracker.values import Number, WheelBudget


def values(shots, *, odd=None, mean=7.2, sd=0.08):
    made = mean + sd * np.random.default_rng(shots).standard_normal(shots)
    if odd is not None:
        made[odd] += 10 * sd
    return made


def drawn(figure, gid):
    return [line for axes in figure.axes for line in axes.lines if line.get_gid() == gid]


def chart(session, first=1):
    return control_chart_picture(
        session,
        control_chart(session),
        title="Exit speed of monday gap 126",
        unit="m/s",
        names=[str(first + k) for k in range(len(session))],
    )


@pytest.mark.parametrize(("shots", "first"), [(3, 1), (8, 17), (26, 96), (60, 990), (400, 9990)])
def test_words_of_a_chart_are_readable(shots, first):
    said = " | ".join(check_layout(chart(values(shots), first)))
    assert "Exit speed of monday gap 126" in said
    assert ("first trial" in said) == (shots < 20)
    assert said.count("limit ") == 3


def test_every_shot_stands_on_the_chart_once_and_signals_are_marked():
    session = values(24, odd=11)
    figure = chart(session)
    steady, signals = drawn(figure, "steady"), drawn(figure, "signal")
    assert len(steady) == len(signals) == 2
    found = control_chart(session).signals
    above = {int(x) - 1 for x in signals[0].get_xdata()}
    assert above == {s.shot for s in found if s.rule != "moving_range"}
    assert 11 in above
    shown = np.concatenate([steady[0].get_ydata(), signals[0].get_ydata()])
    assert sorted(shown) == sorted(session.tolist())
    jumps = np.concatenate([steady[1].get_ydata(), signals[1].get_ydata()])
    assert sorted(jumps) == pytest.approx(sorted(np.abs(np.diff(session))))


NAMES = ("monday gap 126 with the old wheel and the new balls", "tuesday")


def change(before, after, expected=None, within=None, names=NAMES):
    samples = [Sample(each, np.full(len(each), 0.01), 0.02, "tripod") for each in (before, after)]
    return before_after(
        (before, after),
        compare(*samples, expected=expected, within=within),
        names=names,
        title="Changed, but not as designed: the speed did change, but not by the expected +0.1 ± 0.05 m/s.",
        label="exit speed, m/s",
        unit="m/s",
    )


@pytest.mark.parametrize("shots", [(1, 1), (8, 8), (3, 60), (40, 40)])
@pytest.mark.parametrize("expected", [None, 0.45])
def test_words_beside_two_sessions_are_readable(shots, expected):
    figure = change(values(shots[0]), values(shots[1], mean=7.6), expected, None if expected is None else 0.2)
    said = " | ".join(check_layout(figure))
    assert ("as expected" in said) == (expected is not None)
    dots = drawn(figure, "shots")
    assert [len(line.get_ydata()) for line in dots] == list(shots)


def test_the_interval_is_the_one_that_was_worked_out():
    before, after = values(8), values(9, mean=7.6)
    (line,) = drawn(change(before, after), "interval")
    number = compare(
        *(Sample(v, np.full(len(v), 0.01), 0.02, "tripod") for v in (before, after))
    ).difference.number
    assert list(line.get_ydata()) == [number.low95, number.high95]


def test_dots_step_aside_for_one_another():
    steps = side_steps(np.array([7.0, 7.001, 7.002, 7.5]))
    assert len(set(steps[:3].tolist())) == 3
    assert steps[3] == 0


@pytest.mark.parametrize(
    "parts",
    [(16.09, 7.21, 6.52, 2.36), (8.0, 9.0, 6.0, -7.0), (16.0, 8.0, 0.0, 8.0)],
    ids=["usual", "slip below nothing", "two wheels"],
)
def test_wheel_speed_bars_begin_where_the_one_before_ends(parts):
    wheel, leaving, spin, slip = (Number.of(p, 0.1, 0.4) for p in parts)
    budget = WheelBudget(wheel, leaving, spin, slip, spin, spin)
    figure = wheel_speed_picture(budget, title="Where the wheel's speed goes", words=("a", "b", "c", "d"))
    check_layout(figure)
    bars = figure.axes[0].patches
    assert [bar.get_width() for bar in bars] == pytest.approx(list(parts))
    assert [bar.get_x() for bar in bars] == pytest.approx([0, 0, parts[1], parts[1] + parts[2]])
    # The last part ends where the whole does: exit + spin loss + slip = wheel.
    assert bars[3].get_x() + bars[3].get_width() == pytest.approx(bars[0].get_width())


def test_an_open_interval_is_not_drawn():
    open_ended = Number(6.5, 0.1, 0.6, 5.0, None)
    sure = Number.of(7.2, 0.1, 0.1)
    budget = WheelBudget(Number.of(16.0, 0.1, 0.1), sure, open_ended, open_ended, sure, sure)
    figure = wheel_speed_picture(budget, title="t", words=("a", "b", "c", "d"))
    assert len(drawn(figure, "interval")) == 2
