"""What does not rest on the reference, set against it: which one mistake explains best what does not agree.

Opinions are numbers that are zero where all is well: how far gravity, the ball's size, its drift and a
sideways acceleration are from what reference and clock say, and how bent the picture is. A cause is a
mistake that would move them together, by so much for each unit of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.values import Floats, frozen

#: What a cause must explain before it is named: three standard uncertainties, squared.
LEAST_GAIN = 9.0
#: What each further unknown of a cause costs. Source: H. Akaike, IEEE Trans. Autom. Control 19 (1974) 716.
COST_OF_UNKNOWN = 2.0
#: Nearer than this two causes explain equally well, and the one named first is preferred.
TIE = 1.0


@dataclass(frozen=True, slots=True)
class Opinions:
    """Opinions of one clip.

    Parameters
    ----------
    names : tuple of str
        "gravity", "size", "drift", "sideways", "bend"; a name may stand for several shots.
    values : (q,) array
        Zero where all is well.
    covariance : (q, q) array
    """

    names: tuple[str, ...]
    values: Floats
    covariance: Floats

    def __post_init__(self) -> None:
        q = len(self.names)
        object.__setattr__(self, "values", frozen(self.values, shape=(q,)))
        object.__setattr__(self, "covariance", frozen(self.covariance, shape=(q, q)))

    def u(self) -> Floats:
        """Standard uncertainty of each, (q,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


@dataclass(frozen=True, slots=True)
class Cause:
    """A mistake that would move opinions.

    Parameters
    ----------
    name : str
        "clock", "scale", "plane", "yaw" or "lens".
    effect : (q, k) array
        What each opinion does for one unit of each of its k unknowns.
    least, most : float
        Sizes of its largest unknown between which it is worth naming: smaller ones do not matter or
        do not happen, larger ones are something else.
    """

    name: str
    effect: Floats
    least: float
    most: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "effect", frozen(self.effect, shape=(None, None)))


@dataclass(frozen=True, slots=True)
class Explanation:
    """How well one cause explains the opinions.

    ``size`` (k,) and ``u_size`` (k,) are how large the mistake would be, ``gain`` how much of
    chi-square it takes away, less what its unknowns cost.
    """

    name: str
    size: Floats
    u_size: Floats
    gain: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """The opinions taken together.

    ``chi2`` is what they make together with ``freedom`` degrees of freedom if nothing is wrong;
    ``best`` is None where nothing needs an explanation or no cause is one; ``others`` are all that were
    asked, best first.
    """

    chi2: float
    freedom: int
    best: Explanation | None
    others: tuple[Explanation, ...]

    @property
    def name(self) -> str:
        """The cause's name, or "none"."""
        return "none" if self.best is None else self.best.name


def explain(opinions: Opinions, cause: Cause) -> Explanation:
    """Generalised least squares of the cause's unknowns.

    Source: A. C. Aitken, Proc. R. Soc. Edinburgh 55 (1935) 42 (from memory).
    """
    whiten = np.linalg.inv(np.linalg.cholesky(opinions.covariance))
    seen, effect = whiten @ opinions.values, whiten @ cause.effect
    normal = effect.T @ effect
    spread = np.linalg.pinv(normal)
    size = spread @ effect.T @ seen
    taken = float(seen @ effect @ size)
    gain = taken - COST_OF_UNKNOWN * (effect.shape[1] - 1)
    return Explanation(cause.name, frozen(size), frozen(np.sqrt(np.diag(spread))), gain)


def verdict(opinions: Opinions, causes: Sequence[Cause]) -> Verdict:
    """Which cause explains the opinions best; of those that explain equally well the first."""
    whiten = np.linalg.inv(np.linalg.cholesky(opinions.covariance))
    chi2 = float(np.sum((whiten @ opinions.values) ** 2))
    asked = [(explain(opinions, cause), cause) for cause in causes]
    fit = [
        found
        for found, cause in asked
        if found.gain >= LEAST_GAIN and cause.least <= float(np.abs(found.size).max()) <= cause.most
    ]
    highest = max((found.gain for found in fit), default=0.0)
    best = next((found for found in fit if found.gain > highest - TIE), None)
    ranked = sorted((found for found, _ in asked), key=lambda found: -found.gain)
    return Verdict(chi2, len(opinions.names), best, tuple(ranked))
