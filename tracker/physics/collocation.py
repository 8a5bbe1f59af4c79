"""Chebyshev-Gauss-Lobatto collocation on many intervals at once: nodes, series, integration.

Source: Trefethen, Approximation Theory and Approximation Practice (2013), ch. 3 and 19 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from numpy.polynomial import chebyshev

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]
Bools = npt.NDArray[np.bool_]

SHORTEST = 1e-6  # half length, in s, given to an interval that has none


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
    basis : (n, n + 1) array
        Those coefficients -> values at the nodes.
    to_nodes : (n, n) array
        Both in one.
    """

    nodes: Floats
    to_series: Floats
    to_integral: Floats
    basis: Floats
    to_nodes: Floats


@lru_cache(maxsize=16)
def matrices(degree: int) -> Matrices:
    """The collocation matrices of one degree."""
    k = np.arange(degree + 1)
    nodes = -np.cos(np.pi * k / degree)
    # The discrete cosine transform, written out: half weight at both ends.
    to_series = chebyshev.chebvander(nodes, degree).T.astype(np.float64) * (2 / degree)
    to_series[[0, -1], :] /= 2
    to_series[:, [0, -1]] /= 2
    to_integral = chebyshev.chebint(to_series, axis=0).astype(np.float64)
    basis = chebyshev.chebvander(nodes, degree + 1).astype(np.float64)
    return Matrices(nodes, to_series, to_integral, basis, basis @ to_integral)


@lru_cache(maxsize=16)
def between(degree: int, finer: int) -> Floats:
    """Values at the nodes of one degree -> values at those of another."""
    basis: Floats = chebyshev.chebvander(matrices(finer).nodes, degree).astype(np.float64)
    return basis @ matrices(degree).to_series


@dataclass(frozen=True, slots=True)
class Grid:
    """Collocation times of S intervals that each hold t = 0, and integration from there.

    Time is t = centre + width sinh(s) with Chebyshev nodes in s, so that what happens within about one
    ``width`` of ``centre`` is followed as well as the rest. Source of the mapping: Tee & Trefethen,
    SIAM J. Sci. Comput. 28 (2006) 1798 (from memory).

    Parameters
    ----------
    degree : int
    centre_s, width_s : (S,) arrays
    middle, half : (S,) arrays
        Where the interval lies in s.
    t_s : (S, n) array
    pace_s : (S, n) array
        dt by the nodes' coordinate on [-1, 1].
    basis0 : (S, n + 1) array
        Chebyshev polynomials at t = 0.
    """

    degree: int
    centre_s: Floats
    width_s: Floats
    middle: Floats
    half: Floats
    t_s: Floats
    pace_s: Floats
    basis0: Floats

    @classmethod
    def of(cls, degree: int, begin_s: Floats, end_s: Floats, centre_s: Floats, width_s: Floats) -> Grid:
        """The grid of this degree; all times (S,), begin <= 0 <= end."""
        low, high = np.arcsinh((begin_s - centre_s) / width_s), np.arcsinh((end_s - centre_s) / width_s)
        return cls.on(degree, centre_s, width_s, (low + high) / 2, np.maximum((high - low) / 2, SHORTEST))

    @classmethod
    def on(cls, degree: int, centre_s: Floats, width_s: Floats, middle: Floats, half: Floats) -> Grid:
        """The grid of this degree on intervals that are known in s."""
        s = middle[:, None] + half[:, None] * matrices(degree).nodes
        t_s = centre_s[:, None] + width_s[:, None] * np.sinh(s)
        pace_s = (half * width_s)[:, None] * np.cosh(s)
        tau0 = np.clip((np.arcsinh(-centre_s / width_s) - middle) / half, -1.0, 1.0)
        basis0 = np.cos(np.arange(degree + 2) * np.arccos(tau0)[:, None])
        return cls(degree, centre_s, width_s, middle, half, t_s, pace_s, basis0)

    def only(self, which: Bools) -> Grid:
        """The same for some of the intervals."""
        parts = (getattr(self, field.name) for field in fields(self)[1:])
        return Grid(self.degree, *(part[which] for part in parts))

    def refined(self, degree: int, values: Complexes) -> tuple[Grid, Complexes]:
        """The same intervals with another degree, and values (S, n) at its nodes."""
        grid = Grid.on(degree, self.centre_s, self.width_s, self.middle, self.half)
        return grid, values @ between(self.degree, degree).T

    def integral(self, values: Complexes) -> Complexes:
        """Integral over time from 0 to each node of values at the nodes, both (S, n)."""
        series = (self.pace_s * values) @ matrices(self.degree).to_integral.T
        series[:, 0] -= np.sum(self.basis0 * series, axis=1)
        total: Complexes = series @ matrices(self.degree).basis.T
        return total

    def integration(self) -> Floats:
        """The matrices that do this, shape (S, n, n)."""
        m = matrices(self.degree)
        total: Floats = (m.to_nodes - (self.basis0 @ m.to_integral)[:, None, :]) * self.pace_s[:, None, :]
        return total

    def integral_series(self, values: Floats, at_zero: Floats | float) -> Floats:
        """Series (S, n + 1, c) of the integral over time of values (S, n, c) that is ``at_zero`` at 0."""
        series: Floats = matrices(self.degree).to_integral @ (self.pace_s[:, :, None] * values)
        series[:, 0] += at_zero - np.einsum("sk,skc->sc", self.basis0, series)
        return series

    def at_nodes(self, series: Floats) -> Floats:
        """Values (S, n, c) of series (S, n + 1, c)."""
        values: Floats = matrices(self.degree).basis @ series
        return values

    def tail(self, values: Floats) -> Floats:
        """Largest of the last three coefficients of what ``integral`` integrates, (S, n, c) -> (S,)."""
        last = np.abs(matrices(self.degree).to_series[-3:] @ (self.pace_s[:, :, None] * values))
        largest: Floats = last.max(axis=(1, 2))
        return largest
