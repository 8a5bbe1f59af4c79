"""Chebyshev-Gauss-Lobatto collocation on many intervals at once: nodes, series, integration.

Source: Trefethen, Approximation Theory and Approximation Practice (2013), ch. 3 and 19 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from numpy.polynomial import chebyshev

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Matrices:
    """What depends on the degree alone; n = degree + 1.

    Parameters
    ----------
    nodes : (n,) array
        On [-1, 1], ascending.
    to_series : (n, n) array
        Values at the nodes -> Chebyshev coefficients.
    to_integral : (n + 1, n) array
        Values at the nodes -> coefficients of an integral.
    to_nodes : (n, n) array
        Values at the nodes -> that integral at the nodes.
    """

    nodes: Floats
    to_series: Floats
    to_integral: Floats
    to_nodes: Floats


@lru_cache(maxsize=16)
def matrices(degree: int) -> Matrices:
    """The collocation matrices of one degree."""
    k = np.arange(degree + 1)
    nodes = -np.cos(np.pi * k / degree)
    # The discrete cosine transform, written out: half weight at both ends.
    to_series = chebyshev.chebvander(nodes, degree).T * (2 / degree)
    to_series[[0, -1], :] /= 2
    to_series[:, [0, -1]] /= 2
    to_integral = chebyshev.chebint(to_series, axis=0)
    return Matrices(nodes, to_series, to_integral, chebyshev.chebvander(nodes, degree + 1) @ to_integral)


@dataclass(frozen=True, slots=True)
class Grid:
    """Collocation times of S intervals that each hold t = 0, and integration from there.

    Parameters
    ----------
    degree : int
    half_s : (S,) array
    tau0 : (S,) array
        Where t = 0 lies on [-1, 1].
    t_s : (S, n) array
    to_zero : (S, n) array
        Values at the nodes -> the integral from the left end to t = 0, on [-1, 1].
    """

    degree: int
    half_s: Floats
    tau0: Floats
    t_s: Floats
    to_zero: Floats

    @classmethod
    def of(cls, degree: int, middle_s: Floats, half_s: Floats) -> Grid:
        """The grid of this degree on intervals middle +- half, shapes (S,)."""
        m = matrices(degree)
        tau0 = -middle_s / half_s
        t_s = middle_s[:, None] + half_s[:, None] * m.nodes
        return cls(degree, half_s, tau0, t_s, chebyshev.chebvander(tau0, degree + 1) @ m.to_integral)

    def only(self, which: Bools) -> Grid:
        """The same for some of the intervals."""
        return Grid(self.degree, self.half_s[which], self.tau0[which], self.t_s[which], self.to_zero[which])

    def integral(self, values: Complexes) -> Complexes:
        """Integral from t = 0 to each node of values at the nodes, both (S, n)."""
        from_zero = np.sum(self.to_zero * values, axis=1, keepdims=True)
        total: Complexes = self.half_s[:, None] * (values @ matrices(self.degree).to_nodes.T - from_zero)
        return total

    def integration(self) -> Floats:
        """The matrices that do this, shape (S, n, n)."""
        total: Floats = self.half_s[:, None, None] * (matrices(self.degree).to_nodes - self.to_zero[:, None, :])
        return total

    def tail(self, values: Floats) -> Floats:
        """Largest of the last three Chebyshev coefficients, (S, n, c) -> (S,)."""
        last = np.abs(matrices(self.degree).to_series[-3:] @ values)
        largest: Floats = last.max(axis=(1, 2))
        return largest

    def twice_integrated(self, values: Floats, at_zero: Floats) -> tuple[Floats, Floats]:
        """Series of the second and the first integral of values at the nodes.

        Parameters
        ----------
        values : (S, n, c) array
        at_zero : (S, c) array
            The first integral at t = 0; the second is 0 there.

        Returns
        -------
        second, first : (S, n + 2, c) arrays
        """
        half = self.half_s[:, None, None]
        basis0 = chebyshev.chebvander(self.tau0, self.degree + 2)
        first = np.zeros((values.shape[0], self.degree + 3, values.shape[2]))
        first[:, :-1] = half * (matrices(self.degree).to_integral @ values)
        first[:, 0] += at_zero - np.einsum("sk,skc->sc", basis0, first)
        second = half * chebyshev.chebint(first[:, :-1], axis=1)
        second[:, 0] -= np.einsum("sk,skc->sc", basis0, second)
        return second, first
