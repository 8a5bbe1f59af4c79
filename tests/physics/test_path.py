"""Properties that any flight path has, and what ``fly`` says about odd input."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.physics.path import fly

RADIUS_M, DECAY_S = 0.07, 8.0
T = np.linspace(-0.1, 1.0, 23)

speeds = st.floats(1.0, 20.0)
angles = st.floats(-0.5, 1.5)
drags = st.floats(0.0, 0.3)
lifts = st.floats(0.0, 0.3)
spins = st.floats(-200.0, 200.0)


def flights(values, begin=-0.1, end=1.0, decay=DECAY_S):
    values = np.atleast_2d(values)
    n = len(values)
    return fly(values, np.full(n, begin), np.full(n, end), radius_m=RADIUS_M, spin_decay_s=decay)


def values_of(speed, angle, drag, lift, spin, g=9.80665):
    return np.array([speed * math.cos(angle), speed * math.sin(angle), g, drag, lift, spin])


@settings(max_examples=60, deadline=None, derandomize=True)
@given(speeds, angles, drags, lifts, spins)
def test_energy_never_grows(speed, angle, drag, lift, spin):
    # Drag takes energy, lift does no work, gravity only exchanges it.
    xz, v, _, _ = flights(values_of(speed, angle, drag, lift, spin)).at(0, T)
    energy = np.sum(v**2, axis=1) / 2 + 9.80665 * xz[:, 1]
    assert (np.diff(energy) <= 1e-9 * (1 + energy[0])).all()
    if drag == 0:
        np.testing.assert_allclose(energy, energy[0], rtol=1e-9, atol=1e-9)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(speeds, angles, drags, lifts, spins)
def test_mirror(speed, angle, drag, lift, spin):
    values = values_of(speed, angle, drag, lift, spin)
    mirrored = values * [-1, 1, 1, 1, 1, -1]
    xz, v, dxz, dv = flights(np.array([values, mirrored])).at_many(np.repeat([0, 1], len(T)), np.tile(T, 2))
    n, flip = len(T), np.array([-1, 1])
    np.testing.assert_allclose(xz[n:], xz[:n] * flip, atol=1e-9)
    np.testing.assert_allclose(v[n:], v[:n] * flip, atol=1e-8)
    both = flip[:, None] * np.array([-1, 1, 1, 1, 1, -1])
    np.testing.assert_allclose(dxz[n:], dxz[:n] * both, atol=1e-5 * (1 + np.abs(dxz).max()))
    np.testing.assert_allclose(dv[n:], dv[:n] * both, atol=1e-5 * (1 + np.abs(dv).max()))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(speeds, angles, drags, lifts, spins, st.floats(0.05, 0.6))
def test_time_shift(speed, angle, drag, lift, spin, later):
    values = values_of(speed, angle, drag, lift, spin)
    first = flights(values)
    middle, v, _, _ = first.at(0, np.array([later]))
    again = values.copy()
    again[:2], again[5] = v[0], spin * math.exp(-later / DECAY_S)
    t = np.linspace(-later, 1.0 - later, 11)
    shifted = flights(again, begin=-later, end=1.0 - later)
    np.testing.assert_allclose(shifted.at(0, t)[0] + middle, first.at(0, t + later)[0], atol=1e-8)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(speeds, angles, drags, spins)
def test_size_of_things_does_not_matter(speed, angle, drag, spin):
    # Lengths twice as large and times sqrt 2 as long: the same flight (Froude).
    small = flights(values_of(speed, angle, drag, drag, spin))
    big = values_of(speed * math.sqrt(2), angle, drag / 2, drag / 2, spin / math.sqrt(2))
    root = math.sqrt(2)
    large = fly(
        big[None],
        np.array([-0.1 * root]),
        np.array([root]),
        radius_m=2 * RADIUS_M,
        spin_decay_s=root * DECAY_S,
    )
    np.testing.assert_allclose(large.at(0, T * root)[0], 2 * small.at(0, T)[0], atol=1e-8)


def test_many_is_one_by_one():
    rng = np.random.default_rng(2)
    values = np.column_stack(
        [
            rng.uniform(0.2, 10, 9),
            rng.uniform(-1, 9, 9),
            np.full(9, 9.8),
            rng.uniform(0, 0.2, (9, 2)),
            rng.uniform(-99, 99, 9),
        ]
    )
    together = flights(values)
    shot, t = rng.integers(0, 8, 200), rng.uniform(-0.1, 1.0, 200)  # shot 8 has no times
    many = together.at_many(shot, t)
    for k in range(9):
        alone = flights(values[k]).at(0, t[shot == k])
        for ours, one in zip(many, alone, strict=True):
            np.testing.assert_allclose(ours[shot == k], one, rtol=1e-8, atol=1e-9)


def test_at_zero_is_the_start():
    xz, v, dxz, dv = flights(values_of(8, 1.0, 0.1, 0.2, 50)).at(0, np.array([0.0]))
    np.testing.assert_allclose(xz, 0, atol=1e-14)
    np.testing.assert_allclose(v[0], [8 * math.cos(1.0), 8 * math.sin(1.0)], rtol=1e-13)
    np.testing.assert_allclose(dxz, 0, atol=1e-12)
    np.testing.assert_allclose(dv[0], np.eye(2, 6), atol=1e-12)


@pytest.mark.parametrize("spin", [0.0, 40.0])
def test_ball_that_stops_at_its_apex(spin):
    made = flights(np.array([0.0, 5.0, 9.80665, 0.05, 0.1, spin]))
    assert made.solved.all()
    xz, v, dxz, dv = made.at(0, T)
    for values in (xz, v, dxz, dv):
        assert np.isfinite(values).all()
    # Apex of a vertical throw with quadratic drag, ln(1 + k v^2 / g) / 2k; spin bends it by little.
    assert xz[:, 1].max() == pytest.approx(math.log(1 + 0.05 * 25 / 9.80665) / 0.1, abs=2e-3)


def test_ball_at_rest_without_gravity_stays():
    xz, v, _, _ = flights(np.array([0.0, 0.0, 0.0, 0.1, 0.1, 50.0])).at(0, T)
    np.testing.assert_array_equal(xz, 0)
    np.testing.assert_array_equal(v, 0)


def test_interval_without_length():
    xz, v, _, _ = flights(values_of(8, 1.0, 0.1, 0.2, 50), begin=0.0, end=0.0).at(0, np.array([0.0]))
    np.testing.assert_allclose(xz, 0, atol=1e-14)
    np.testing.assert_allclose(v[0], [8 * math.cos(1.0), 8 * math.sin(1.0)], rtol=1e-12)


def test_spin_that_does_not_decay():
    forever = flights(values_of(8, 1.0, 0.1, 0.2, 50), decay=math.inf).at(0, T)[0]
    long = flights(values_of(8, 1.0, 0.1, 0.2, 50), decay=1e9).at(0, T)[0]
    np.testing.assert_allclose(forever, long, atol=1e-8)


def test_path_that_does_not_exist_is_nan_and_says_so():
    # Negative drag runs away: v = v0 / (1 - k v0 t) is infinite at t = 0.1 s.
    made = flights(np.array([[10.0, 0.0, 0.0, -1.0, 0, 0], [10.0, 0.0, 9.8, 0.1, 0, 0]]))
    assert made.solved.tolist() == [False, True]
    assert np.isnan(made.at(0, T)[0]).all()
    assert np.isfinite(made.at(1, T)[0]).all()


@pytest.mark.parametrize(
    ("values", "begin", "end", "message"),
    [
        (np.zeros((1, 5)), [0.0], [1.0], "must have shape"),
        (np.zeros((2, 6)), [0.0], [1.0], "one time for each shot"),
        (np.full((1, 6), np.nan), [0.0], [1.0], "must be finite"),
        (np.zeros((1, 6)), [0.1], [1.0], "must lie between"),
    ],
)
def test_odd_input(values, begin, end, message):
    with pytest.raises(ValueError, match=message):
        fly(values, np.array(begin), np.array(end), radius_m=RADIUS_M, spin_decay_s=DECAY_S)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(speeds, angles, drags, lifts, spins, st.floats(0.9, 1.1))
def test_paths_found_from_near_ones_are_the_same(speed, angle, drag, lift, spin, factor):
    values = np.atleast_2d(values_of(speed, angle, drag, lift, spin))
    times = {"radius_m": RADIUS_M, "spin_decay_s": DECAY_S}
    begin, end = np.array([-0.1]), np.array([1.0])
    near = fly(values * factor, begin, end, **times)
    anew, found = fly(values, begin, end, **times), fly(values, begin, end, near=near, **times)
    # Both are solved to the tenth of a nanometre or so that either neglects.
    for one, other in zip(anew.at(0, T)[:2], found.at(0, T)[:2], strict=True):
        np.testing.assert_allclose(other, one, rtol=0, atol=1e-7)
