"""Nonlinear least squares with priors and robust weights; the result says whether to believe it.

Levenberg-Marquardt with column scaling. A prior is one more observation. The estimate is linear in all
observations near the solution, so its covariance is a sum over them: ``Fit.gain`` holds one column for
each residual row and then one for each parameter's prior, and ``gain @ gain.T`` is the covariance. With
many rows it is large, and worked out only where it is asked for.

Sources: More, Lecture Notes in Mathematics 630 (1978) 105 (scaling); Nielsen,
IMM-REP-1999-05 (damping); both from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy  # its parts load when they are first used

from tracker.flight.fitted import Fit
from tracker.flight.normal import Normal, cheap_triangle
from tracker.flight.robust import THRESHOLDS, threshold_of, weigh

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Model = Callable[[Floats], tuple[Floats, Floats]]

# Where rounding ends the descent: standard uncertainties still to go, or parts of the parameters themselves.
OFFSET_STALLED, STEP_STALLED = 1e-3, 1e-8
LOST_HOLD = 1e-8  # a column this much shorter than it once was no longer tells its parameter
DEPENDENT = 1e-13  # reciprocal condition of the scaled columns below which they depend on one another
DAMPING, GENTLEST, HARDEST = 1e-3, 1e-14, 1e20


def fit(
    model: Model,
    start: Floats,
    *,
    prior_mean: Floats | None = None,
    prior_sd: Floats | None = None,
    loss: str = "linear",
    point: Ints | None = None,
    scale_known: bool = True,
    tolerance: float = 1e-7,
    max_iterations: int = 200,
    damping: float = DAMPING,
) -> Fit:
    """The parameters that make the residuals small.

    Parameters
    ----------
    model : callable
        Parameters (p,) -> residuals (m,), each over its standard uncertainty, and their Jacobian (m, p).
        Where it has no value it gives NaN or infinity, and the step is taken back.
    start : (p,) array
    prior_mean, prior_sd : (p,) arrays or None
        What is known beforehand; an infinite sd is nothing.
    loss : str
        "linear", "huber" or "cauchy": what large residuals count.
    point : (m,) int array or None
        Rows with the same number belong to one point and share one robust weight (x and z of a sighting).
    scale_known : bool
        Whether the residuals' unit is their true standard uncertainty; if not it is estimated.
    tolerance : float
        How many standard uncertainties from the solution the descent may end.
    max_iterations : int
    damping : float
        What the first step is held back by; next to nothing where the start is near and some
        combinations of the parameters are held by their priors alone.

    Raises
    ------
    ValueError
        If the arrays do not fit together, or the model has no value at the start.
    """
    problem = _Problem.of(model, start, prior_mean, prior_sd, loss, point)
    here = problem.at(np.array(start, dtype=np.float64))
    if here is None:
        raise ValueError("the model has no finite value at the start")
    best, ending = _descend(problem, here, tolerance, max_iterations, damping)
    return _finished(problem, best, ending, scale_known=scale_known)


@dataclass(frozen=True, slots=True)
class _State:
    """The problem at one place: unweighted rows, robust weights and what they cost."""

    theta: Floats
    residuals: Floats
    jacobian: Floats
    weights: Floats
    cost: float


@dataclass(frozen=True, slots=True)
class _Ending:
    """How the descent ended, and the normal equations there."""

    converged: bool
    hit_limit: bool
    stalled: bool
    lost: bool
    iterations: int
    normal: Normal


@dataclass(frozen=True, slots=True)
class _Problem:
    """Model, priors and loss."""

    model: Model
    mean: Floats
    precision: Floats  # 1 / sd, 0 where nothing is known
    loss: str
    point: Ints | None
    threshold: Floats | float

    @classmethod
    def of(
        cls,
        model: Model,
        start: Floats,
        prior_mean: Floats | None,
        prior_sd: Floats | None,
        loss: str,
        point: Ints | None,
    ) -> _Problem:
        """Check the arguments of ``fit``."""
        p = len(start)
        mean = np.zeros(p) if prior_mean is None else np.asarray(prior_mean, dtype=np.float64)
        sd = np.full(p, np.inf) if prior_sd is None else np.asarray(prior_sd, dtype=np.float64)
        if mean.shape != (p,) or sd.shape != (p,):
            raise ValueError("priors must hold one mean and one sd for each parameter")
        if not (sd > 0).all():
            raise ValueError("the sd of a prior must be positive")
        if loss not in THRESHOLDS:
            raise ValueError(f"the loss must be one of {', '.join(THRESHOLDS)}, not {loss}")
        return cls(
            model, np.where(np.isfinite(sd), mean, 0.0), 1 / sd, loss, point, threshold_of(loss, point)
        )

    def at(self, theta: Floats) -> _State | None:
        """The problem at theta; None where the model has no value."""
        with np.errstate(all="ignore"):  # where the model overflows the step is taken back
            residuals, jacobian = self.model(theta)
            if not (np.isfinite(residuals).all() and np.isfinite(jacobian).all()):
                return None
            weights, cost = weigh(residuals, self.loss, self.threshold, self.point)
        if not np.isfinite(cost):
            return None
        cost += float(np.sum(((theta - self.mean) * self.precision) ** 2))
        return _State(theta, residuals, jacobian, weights, cost)

    def observations(self, state: _State) -> int:
        """Residual rows and priors."""
        return len(state.residuals) + int(np.count_nonzero(self.precision))

    def rows(self, state: _State) -> tuple[Floats, Floats]:
        """Weighted residuals and Jacobian with the priors below them, (m + p,) and (m + p, p)."""
        root = np.sqrt(state.weights)
        residuals = np.concatenate([root * state.residuals, (state.theta - self.mean) * self.precision])
        return residuals, np.vstack([root[:, None] * state.jacobian, np.diag(self.precision)])

    def normal_equations(self, state: _State) -> Normal:
        """The same multiplied by the transposed Jacobian, without copying the rows."""
        weighted = state.jacobian
        if self.loss != "linear":
            weighted = weighted * np.sqrt(state.weights)[:, None]
        prior = (state.theta - self.mean) * self.precision
        return Normal(
            weighted.T @ weighted + np.diag(self.precision**2),
            state.jacobian.T @ (state.weights * state.residuals) + prior * self.precision,
            float(state.weights @ state.residuals**2 + prior @ prior),
        )


def _descend(
    problem: _Problem, here: _State, tolerance: float, max_iterations: int, damping: float
) -> tuple[_State, _Ending]:
    """Levenberg-Marquardt steps until what is left to gain is nought beside the residuals."""
    growth = 2.0
    longest: Floats = np.zeros_like(here.theta)
    iteration, converged, stalled = 0, False, False
    while True:
        normal = problem.normal_equations(here)
        longest = np.maximum(longest, normal.norms)
        scale = np.where(longest > 0, longest, 1.0)
        triangle, pull = _reduced(problem, here, normal, scale)
        left = _offset(pull, normal.size2, problem.observations(here))
        converged = left <= tolerance
        if converged or iteration >= max_iterations:
            break
        accepted = False
        while not accepted and damping < HARDEST and iteration < max_iterations:
            iteration += 1
            step = _damped(triangle, pull, damping)
            there = problem.at(here.theta + step / scale)
            foreseen = float(step @ (damping * step - triangle.T @ pull))
            if there is not None and there.cost < here.cost and foreseen > 0:
                ratio = min((here.cost - there.cost) / foreseen, 1.0)
                damping = max(damping * max(1 / 3, 1 - (2 * ratio - 1) ** 3), GENTLEST)
                growth, accepted, here = 2.0, True, there
            else:
                damping, growth = damping * growth, growth * 2
        if not accepted and damping >= HARDEST:
            # Rounding ends every descent; only where much was left to gain is it a failure.
            whole = np.abs(_damped(triangle, pull, GENTLEST) / scale)
            converged = left <= OFFSET_STALLED or bool((whole <= STEP_STALLED * np.abs(here.theta)).all())
            stalled = not converged
            break
    lost = bool((normal.norms < LOST_HOLD * longest).any())
    return here, _Ending(converged, not (converged or stalled), stalled, lost, iteration, normal)


def _reduced(problem: _Problem, state: _State, normal: Normal, scale: Floats) -> tuple[Floats, Floats]:
    """R and Q^T r of the Jacobian over ``scale``: by QR, or by normal equations where QR is dear.

    The normal equations square the condition, so they serve only columns that are far from dependent.
    """
    p = len(scale)
    R = cheap_triangle(normal, len(state.residuals), scale)
    if R is not None:
        return R, scipy.linalg.solve_triangular(R, normal.downhill / scale, trans="T", check_finite=False)
    residuals, jacobian = problem.rows(state)
    both = _triangle(np.column_stack([jacobian / scale, residuals]))
    return both[:p, :p], both[:p, p]


def _offset(pull: Floats, size2: float, observations: int) -> float:
    """How far the parameters are from the solution, in standard uncertainties, if all is linear.

    Source: Bates & Watts, Technometrics 23 (1981) 179 (from memory).
    """
    along2 = float(pull @ pull)
    if along2 == 0:
        return 0.0
    rest = size2 - along2
    freedom = max(observations - len(pull), 1)
    return float(np.sqrt(along2 / len(pull) / (rest / freedom))) if rest > 0 else np.inf


def _triangle(matrix: Floats) -> Floats:
    """R of the QR decomposition."""
    return scipy.linalg.qr(matrix, mode="r", overwrite_a=True, check_finite=False)[0].astype(
        np.float64, copy=False
    )


def _damped(triangle: Floats, pull: Floats, damping: float) -> Floats:
    """The step that minimises |R s + Q^T r|^2 + damping |s|^2."""
    p = len(pull)
    tall = np.zeros((2 * p, p + 1))
    tall[:p, :p], tall[:p, p] = triangle, -pull
    tall[np.arange(p, 2 * p), np.arange(p)] = np.sqrt(damping)
    both = _triangle(tall)
    step: Floats = scipy.linalg.solve_triangular(both[:p, :p], both[:p, p], check_finite=False)
    return step


def _finished(problem: _Problem, state: _State, ending: _Ending, *, scale_known: bool) -> Fit:
    """Covariance and leverage at the solution."""
    m, p = state.jacobian.shape
    precision = problem.precision
    normal = ending.normal
    scale = np.where(normal.norms > 0, normal.norms, 1.0)
    R = cheap_triangle(normal, m, scale)
    if R is not None:
        root = _over(R, scale)
        leverage = np.concatenate(
            [state.weights * _sizes2(state.jacobian @ root), precision**2 * _sizes2(root)]
        )
        dependent = False
    else:
        _, jacobian = problem.rows(state)
        Q, R = np.linalg.qr(jacobian / scale)
        leverage = _sizes2(Q)
        sizes = np.linalg.svd(R, compute_uv=False)
        dependent = len(jacobian) < p or bool(sizes[-1] <= DEPENDENT * sizes[0])
        root = np.full((p, p), np.inf) if dependent else _over(R, scale)
    singular = ending.lost or dependent
    chi2, dof = normal.size2, m + int(np.count_nonzero(precision)) - p
    variance_scale = 1.0 if scale_known else chi2 / dof if dof > 0 else np.inf
    root = np.full((p, p), np.inf) if singular else root * np.sqrt(variance_scale)
    return Fit(
        converged=ending.converged,
        singular=singular,
        hit_limit=ending.hit_limit,
        stalled=ending.stalled,
        theta=state.theta,
        root=root,
        precision=precision,
        residuals=state.residuals,
        weights=state.weights,
        leverage=leverage,
        jacobian=state.jacobian,
        chi2=chi2,
        dof=dof,
        variance_scale=variance_scale,
        iterations=ending.iterations,
    )


def _over(triangle: Floats, scale: Floats) -> Floats:
    """Inverse of the triangle over the scale of its columns: a square root of the covariance, (p, p)."""
    inverse = scipy.linalg.solve_triangular(triangle, np.eye(len(scale)), check_finite=False)
    return np.asarray(inverse / scale[:, None])


def _sizes2(rows: Floats) -> Floats:
    """Squared length of each row, (m,)."""
    return np.asarray(np.einsum("ij,ij->i", rows, rows))
