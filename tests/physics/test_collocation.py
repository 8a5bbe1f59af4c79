"""Integration on stretched Chebyshev nodes: polynomials and exponentials have known integrals."""

from __future__ import annotations

import numpy as np
import pytest

from tracker.physics.collocation import Grid, between, matrices


def grid(degree=40, begin=-0.3, end=1.1, centre=0.4, width=0.5):
    return Grid.of(degree, *(np.array([value]) for value in (begin, end, centre, width)))


def test_matrices_integrate_polynomials_exactly():
    # Integral of tau^5 from -1: (tau^6 - 1) / 6; a cubic resampled is the same cubic.
    m = matrices(8)
    integral = m.to_nodes @ m.nodes**5
    np.testing.assert_allclose(integral - integral[0], (m.nodes**6 - 1) / 6, atol=1e-14)
    np.testing.assert_allclose(between(8, 20) @ m.nodes**3, matrices(20).nodes ** 3, atol=1e-13)


@pytest.mark.parametrize("width", [0.05, 0.5, 20.0])
@pytest.mark.parametrize("centre", [-1.0, 0.4])
def test_integral_from_zero(width, centre):
    # Integral of exp(i 3 t) from 0: (exp(i 3 t) - 1) / 3i.
    g = grid(width=width, centre=centre, degree=60)
    values = np.exp(3j * g.t_s)
    np.testing.assert_allclose(g.integral(values), (values - 1) / 3j, atol=1e-12)
    np.testing.assert_allclose(g.integration()[0] @ values[0], (values[0] - 1) / 3j, atol=1e-12)


def test_series_of_an_integral():
    # 2 + sin t from cos t.
    g = grid()
    series = g.integral_series(np.cos(g.t_s)[:, :, None], np.array([[2.0]]))
    np.testing.assert_allclose(g.at_nodes(series)[0, :, 0], 2 + np.sin(g.t_s[0]), atol=1e-12)


def test_refined_grid_keeps_the_function():
    fine, values = grid(20).refined(40, np.exp(1j * grid(20).t_s))
    np.testing.assert_allclose(values, np.exp(1j * fine.t_s), atol=1e-12)


def test_tail_tells_resolved_from_unresolved():
    smooth, rough = (g.tail(np.cos(8 * g.t_s)[:, :, None])[0] for g in (grid(40), grid(8)))
    assert smooth < 1e-9
    assert rough > 1e-2


def test_interval_without_length_has_a_value():
    g = grid(begin=0.0, end=0.0)
    assert np.isfinite(g.integral(np.ones_like(g.t_s, dtype=complex))).all()
