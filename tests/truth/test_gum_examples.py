"""Propagation of uncertainty against the worked examples of the GUM (JCGM 100:2008, annex H)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tracker.launcher.propagate import covariance, propagate, sensitivities
from tracker.values import Number


def end_gauge(x):
    """H.1, formula (H.3), lengths in nm: l = ls + d - ls (da theta + a dtheta)."""
    ls, d, da, theta, a, dtheta = x
    return np.array([ls + d - ls * (da * theta + a * dtheta)])


def test_end_gauge():
    # H.1: l = 50.000838 mm, u_c = 32 nm (read in several third-party codes); inputs of table H.1
    x = np.array([50_000_623.0, 215.0, 0.0, -0.1, 11.5e-6, 0.0])
    u = np.array([25.0, 9.7, 0.58e-6, 0.41, 1.2e-6, 0.029])
    assert float(end_gauge(x)[0]) == pytest.approx(50_000_838.0)
    c = sensitivities(end_gauge, x, u)[0]
    # d(da) = -ls theta, d(dtheta) = -ls a; theta and a have none, for da and dtheta are expected to be 0
    assert c == pytest.approx([1.0, 1.0, 5_000_062.3, 0.0, 0.0, -575.007], rel=1e-5, abs=1e-3)
    u_c = math.sqrt(covariance(end_gauge, x, np.diag(u**2))[0, 0])
    assert u_c == pytest.approx(31.71, abs=0.01)
    assert round(u_c) == 32


# H.2: five observations of voltage (V), current (A) and phase (rad); data from memory, the published
# results confirm them
VOLTAGE = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
CURRENT = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def impedance(x):
    v, i, phi = x
    return np.array([v / i * math.cos(phi), v / i * math.sin(phi), v / i])


def test_resistance_and_reactance():
    # published: R 127.732(71), X 219.847(295), Z 254.260(236); r -0.588, -0.485, 0.993
    data = np.stack([VOLTAGE, CURRENT, PHASE])
    found = covariance(impedance, data.mean(axis=1), np.cov(data) / 5)
    assert impedance(data.mean(axis=1)) == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    u = np.sqrt(np.diag(found))
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)
    r = found / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_ignoring_correlation_would_not_do():
    data = np.stack([VOLTAGE, CURRENT, PHASE])
    alone = covariance(impedance, data.mean(axis=1), np.diag(np.var(data, axis=1, ddof=1)) / 5)
    assert math.sqrt(alone[0, 0]) > 2 * 0.071


def test_random_and_common_stay_apart():
    # a product: relative uncertainties add in quadrature, each kind for itself (JCGM 100:2008, 5.1.6)
    a = Number.of(10.0, 0.1, 0.0)
    b = Number.of(5.0, 0.0, 0.1)
    (found,) = propagate(lambda x: np.array([x[0] * x[1]]), [a, b])
    assert (found.value, found.u_random, found.u_common) == pytest.approx((50.0, 0.5, 1.0))
    assert found.high95 - found.value == pytest.approx(1.959964 * math.sqrt(1.25), rel=1e-6)


def test_open_and_lopsided_bounds_go_to_the_right_side():
    lopsided = Number(10.0, 1.0, 0.0, 9.0, 13.0)
    unbounded = Number(10.0, 1.0, 0.0, 8.0, None)
    minus, plus = propagate(lambda x: np.array([-2 * x[0], 2 * x[0]]), [lopsided])
    assert (minus.low95, minus.high95) == pytest.approx((-26.0, -18.0))
    assert (plus.low95, plus.high95) == pytest.approx((18.0, 26.0))
    minus, plus = propagate(lambda x: np.array([-2 * x[0], 2 * x[0]]), [unbounded])
    assert (minus.low95, minus.high95) == (None, pytest.approx(-16.0))
    assert (plus.low95, plus.high95) == (pytest.approx(16.0), None)
