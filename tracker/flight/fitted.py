"""What a fit has come to: estimates, how sure they are, and how they follow each observation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibration.values import Floats


@dataclass(frozen=True, slots=True)
class Fit:
    """A fit, its health first. m residual rows, p parameters, q of them with a prior.

    Parameters
    ----------
    converged : bool
        Whether the parameters are within the tolerance of the solution, or as near as rounding allows.
    singular : bool
        Whether some combination of the parameters is not determined, or the data lost hold of one.
    hit_limit : bool
        Whether the iterations ran out.
    stalled : bool
        Whether no step, however short, made the fit better although the gradient had not vanished.
    theta : (p,) array
    root : (p, p) array
        ``root @ root.T`` is the covariance; infinite where singular.
    precision : (p,) array
        1 / sd of the priors, 0 where there is none.
    residuals : (m,) array
        In standard deviations.
    weights : (m,) array
        Robust weights, 0 to 1; a row of weight w counts as one whose variance is 1 / w times as large.
    leverage : (m + p,) array
        Share of itself by which each observation's fitted value follows it.
    jacobian : (m, p) array
    chi2 : float
        Weighted sum of squares of residuals and priors.
    dof : int
        m + q - p.
    variance_scale : float
        chi2 / dof if the residuals' scale was to be estimated, else 1; contained in ``covariance``.
    iterations : int
    """

    converged: bool
    singular: bool
    hit_limit: bool
    stalled: bool
    theta: Floats
    root: Floats
    precision: Floats
    residuals: Floats
    weights: Floats
    leverage: Floats
    jacobian: Floats
    chi2: float
    dof: int
    variance_scale: float
    iterations: int

    @property
    def healthy(self) -> bool:
        """Whether the result may be believed."""
        return self.converged and not (self.singular or self.hit_limit or self.stalled)

    @property
    def covariance(self) -> Floats:
        """Covariance of the parameters, (p, p); infinite where singular."""
        return np.full_like(self.root, np.inf) if self.singular else np.asarray(self.root @ self.root.T)

    @property
    def gain(self) -> Floats:
        """How the parameters follow each observation, (p, m + p), one standard uncertainty of it upward.

        The residual rows are model minus observed.
        """
        return self.gain_from(0)

    def gain_from(self, first: int) -> Floats:
        """``gain`` of the observations from residual row ``first`` on, (p, m - first + p)."""
        rows = np.vstack(
            [np.sqrt(self.weights[first:])[:, None] * self.jacobian[first:], np.diag(self.precision)]
        )
        if self.singular:
            return np.full((len(self.root), len(rows)), np.inf)
        gain: Floats = self.root @ (rows @ self.root).T / np.sqrt(self.variance_scale)
        return gain

    def gain_times(self, values: Floats) -> Floats:
        """``gain`` of the first k residual rows times values of these rows (k, q), (p, q)."""
        k = len(values)
        told = self.jacobian[:k].T @ (np.sqrt(self.weights[:k])[:, None] * values)
        moved: Floats = self.covariance @ told / np.sqrt(self.variance_scale)
        return moved

    def covariance_from(self, count: int) -> Floats:
        """What the first ``count`` residual rows bring to the covariance, (p, p)."""
        rows = np.sqrt(self.weights[:count])[:, None] * self.jacobian[:count]
        part: Floats = self.covariance @ (rows.T @ rows) @ self.covariance / self.variance_scale
        return part

    @property
    def sd(self) -> Floats:
        """Standard uncertainties of the parameters, (p,)."""
        sd: Floats = np.sqrt(np.diag(self.covariance))
        return sd

    def variance(self, gradient: Floats) -> float:
        """Variance of a function of the parameters with this gradient, (p,)."""
        return float(np.sum((np.asarray(gradient) @ self.gain) ** 2))

    def share(
        self, gradient: Floats, block: slice | npt.NDArray[np.bool_] | npt.NDArray[np.integer]
    ) -> float:
        """The part of ``variance(gradient)`` that comes from a block of observations.

        Observations 0 to m - 1 are the residual rows, m + j is the prior of parameter j. The shares of
        blocks that make up all m + p observations add up to the variance.
        """
        return float(np.sum((np.asarray(gradient) @ self.gain[:, block]) ** 2))
