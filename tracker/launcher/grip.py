"""Grip: what share of the no-slip exit speed a team's launcher really gives, learnt from its sessions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from calibration.values import Floats
from tracker.errors import SetupError
from tracker.launcher.setting import surface_speeds
from tracker.values import Launcher, Number


@dataclass(frozen=True, slots=True)
class GripSession:
    """The exit speeds of one session at one setting; ``calibration`` is empty where it is not known."""

    launcher: Launcher
    exit_speed_m_s: tuple[Number, ...]
    calibration: str = ""


@dataclass(frozen=True, slots=True)
class Grip:
    """Grip and how well it is known.

    Parameters
    ----------
    value : Number
        Exit speed over no-slip exit speed.
    between : float
        Standard deviation of the grip between sessions beyond what shots and calibrations explain;
        0 also where one session cannot tell.
    sessions, shots : int
    """

    value: Number
    between: float
    sessions: int
    shots: int


def learn_grip(sessions: Sequence[GripSession]) -> Grip:
    """Grip from sessions, each weighed by its shots and by its calibration.

    Shot-to-shot scatter is pooled. Sessions with the same calibration share its error (generalised least
    squares); where sessions differ more than all that allows, the variance between them that makes
    chi-square equal to its degrees of freedom is added (Mandel & Paule, Anal. Chem. 42 (1970) 1194). The
    interval has Student's t with one degree of freedom less than there are sessions (Hartung & Knapp, Stat.
    Med. 20 (2001) 3875). One session speaks for itself only: it cannot tell how another day would differ.

    Raises
    ------
    SetupError
        If there is no shot, or a session's wheel speed or diameter is not stated or is zero.
    """
    usable = [session for session in sessions if session.exit_speed_m_s]
    if not usable:
        raise SetupError("no_shots", "There is no shot to learn the grip from.", "Measure a session first.")
    ratios = [_ratios(session) for session in usable]
    mean = np.array([float(np.mean(ratio)) for ratio in ratios])
    count = np.array([len(ratio) for ratio in ratios])
    within, dof_within = _pooled(ratios, usable)
    common = _common(usable, float(np.mean(mean)))
    own = within**2 / count
    between = _between(mean, own, common)
    weight = _weights(np.diag(own + between) + common)
    value = float(weight @ mean)
    u_random = math.sqrt(float(np.sum(weight**2 * (own + between))))
    u_common = math.sqrt(float(weight @ common @ weight))
    dof = _dof(usable, dof_within, u_random, u_common)
    factor = float(stats.t.ppf(0.975, dof)) if dof > 0 else None
    half = None if factor is None else factor * math.hypot(u_random, u_common)
    return Grip(
        Number(
            value,
            u_random,
            u_common,
            None if half is None else value - half,
            None if half is None else value + half,
        ),
        math.sqrt(between),
        len(usable),
        int(count.sum()),
    )


def _dof(sessions: list[GripSession], dof_within: int, u_random: float, u_common: float) -> float:
    """Degrees of freedom of the grip.

    How much sessions differ is known from the sessions alone, even where they happen to agree; a calibration
    that all of them share takes no part in that and has infinitely many (JCGM 100:2008, G.4.1, G.4.3).
    """
    dof: float = len(sessions) - 1 if len(sessions) > 1 else dof_within
    names = {session.calibration for session in sessions}
    shared = len(sessions) == 1 or (len(names) == 1 and names != {""})
    if shared and u_random > 0:
        dof *= (1 + (u_common / u_random) ** 2) ** 2
    return dof


def _ratios(session: GripSession) -> Floats:
    """Exit speeds over the no-slip exit speed, shape (n,)."""
    speeds = surface_speeds(session.launcher)
    if speeds is None or sum(speeds) <= 0:
        raise SetupError(
            "wheel_not_stated",
            "A session's wheel speed or wheel diameter is not stated, so its grip is not known.",
            "State wheel_speed and wheel_diameter in the setup of that session.",
        )
    return np.array([number.value for number in session.exit_speed_m_s]) / (sum(speeds) / 2)


def _pooled(ratios: list[Floats], sessions: list[GripSession]) -> tuple[float, int]:
    """Shot-to-shot standard deviation of the grip, and its degrees of freedom.

    Single shots alone leave only their own random uncertainty, with no degrees of freedom.
    """
    dof = sum(len(ratio) - 1 for ratio in ratios)
    if dof > 0:
        return math.sqrt(sum(float(np.sum((r - r.mean()) ** 2)) for r in ratios) / dof), dof
    shares = [
        ratio[0] * session.exit_speed_m_s[0].u_random / session.exit_speed_m_s[0].value
        for ratio, session in zip(ratios, sessions, strict=True)
    ]
    return float(np.sqrt(np.mean(np.square(shares)))), 0


def _common(sessions: list[GripSession], grip: float) -> Floats:
    """Covariance of the session means from their calibrations, shape (m, m).

    Every session with one calibration is given the same relative error: a scale error is relative, and
    unequal shares of one error would let a weighted mean leave the data.
    """
    shares: dict[str, list[float]] = {}
    names = [session.calibration or f"\0{i}" for i, session in enumerate(sessions)]
    for name, session in zip(names, sessions, strict=True):
        shares.setdefault(name, []).extend(n.u_common / abs(n.value) for n in session.exit_speed_m_s)
    u = np.array([grip * float(np.mean(shares[name])) for name in names])
    same = np.array([[a == b for b in names] for a in names])
    return np.asarray(np.where(same, np.outer(u, u), 0.0))


def _weights(variance: Floats) -> Floats:
    """Weights of the generalised mean, shape (m,); equal ones where nothing is uncertain."""
    if not np.any(np.diag(variance) > 0):
        return np.full(len(variance), 1 / len(variance))
    solved = np.linalg.pinv(variance, hermitian=True).sum(axis=1)
    return np.asarray(solved / solved.sum())


def _between(mean: Floats, own: Floats, common: Floats) -> float:
    """Variance between sessions, from own variances, shape (m,), and common covariance, shape (m, m)."""
    m = len(mean)
    scatter = float(np.ptp(mean)) ** 2
    if m < 2 or scatter == 0:
        return 0.0

    def excess(between: float) -> float:
        variance = np.diag(own + between) + common
        away = mean - _weights(variance) @ mean
        return float(away @ np.linalg.pinv(variance, hermitian=True) @ away) - (m - 1)

    # a floor keeps the matrix regular where the shots of a session are all equal
    floor = 1e-9 * scatter
    return 0.0 if excess(floor) <= 0 else float(optimize.brentq(excess, floor, 10 * scatter))
