"""The filter against closed forms, a Riccati equation solved by scipy, and its own statistics."""

from __future__ import annotations

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter
from scipy import stats
from scipy.integrate import quad
from scipy.linalg import expm, solve_discrete_are

from tracker.track.motion import FRESH_SHARE, Motion, MotionPrior, process_noise, transition

PRIOR = MotionPrior(speed_px=3.0, acceleration_px=0.2, jerk_px=0.05)
U_PX = 0.4
#: What the filter takes to be new in a sighting's error.
FRESH_PX = FRESH_SHARE * U_PX
SEES = np.zeros((2, 6))
SEES[0, 0] = SEES[1, 3] = 1.0


# -- the model ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dt", [0.0, 0.5, 1.0, 3.0])
def test_moving_on_is_the_exponential_of_the_motion(dt):
    """x' = v, v' = a, a' = white noise: F = exp(A dt) (any textbook)."""
    one = np.diag([1.0, 1.0], k=1)
    np.testing.assert_allclose(transition(dt), np.kron(np.eye(2), expm(one * dt)), atol=1e-14)


@pytest.mark.parametrize("dt", [0.5, 1.0, 3.0])
def test_noise_is_the_integral_of_white_jerk(dt):
    """Q = q int F G G^T F^T ds, G = (0, 0, 1): Bar-Shalom, Li & Kirubarajan (2001), 6.2.3 (from memory)."""

    def element(i, j):
        def at(s):
            column = expm(np.diag([1.0, 1.0], k=1) * s)[:, 2]
            return column[i] * column[j]

        return quad(at, 0, dt)[0]

    expected = 0.05**2 * np.array([[element(i, j) for j in range(3)] for i in range(3)])
    Q = process_noise(dt, 0.05)
    np.testing.assert_allclose(Q[:3, :3], expected, rtol=1e-9)
    np.testing.assert_allclose(Q[3:, 3:], expected, rtol=1e-9)
    assert not Q[:3, 3:].any()


def test_two_half_steps_are_one():
    for a, b in ((0.5, 0.5), (0.3, 1.7)):
        F, Q = transition(b), process_noise(a, 0.05)
        np.testing.assert_allclose(transition(b) @ transition(a), transition(a + b), atol=1e-12)
        np.testing.assert_allclose(
            F @ Q @ F.T + process_noise(b, 0.05), process_noise(a + b, 0.05), rtol=1e-12, atol=1e-18
        )


# -- steady state ---------------------------------------------------------------------------------------


def settled(motion: Motion, steps: int = 4000) -> tuple[np.ndarray, np.ndarray]:
    """Predicted covariance of the place, and the gain it leads to, after many steps."""
    for _ in range(steps):
        motion.predict(1.0)
        motion.update(*motion.place_px, U_PX)
    motion.predict(1.0)
    return motion.spread_px2, motion._filter.P


@pytest.mark.parametrize("jerk_px", [0.002, 0.05, 1.0])
def test_the_steady_state_solves_the_riccati_equation(jerk_px):
    """scipy.linalg.solve_discrete_are on the filter's dual: predicted covariance, and from it the gain."""
    R = FRESH_PX**2
    expected = solve_discrete_are(transition(1.0).T, SEES.T, process_noise(1.0, jerk_px), R * np.eye(2))
    place, whole = settled(Motion(0, 0, U_PX, MotionPrior(3.0, 0.2, jerk_px)))
    np.testing.assert_allclose(whole, expected, rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(place, expected[np.ix_([0, 3], [0, 3])], rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize(
    ("tracking_index", "alpha", "beta"),
    [
        (1.0, 0.75, 0.5),
        (0.1, 0.36, 0.08),
        (0.5, 0.6283734572, 0.3048058984),
        (2.0, 0.8541019662, 0.7639320225),
    ],
)
def test_filterpy_has_the_gains_of_the_alpha_beta_filter(tracking_index, alpha, beta):
    """Kalata; Bar-Shalom, Li & Kirubarajan (2001), 6.5.3, closed forms with lambda = sigma_w T^2 / sigma_v.

    Discrete white acceleration, as in those pages: it shows that the library, driven as here (a state of
    shape (n,), F and Q handed to predict), solves the textbook's problem.
    """
    T = 0.5
    kf = KalmanFilter(dim_x=2, dim_z=1)
    kf.x, kf.P = np.zeros(2), np.eye(2) * 10
    kf.H = np.array([[1.0, 0.0]])
    gain = np.array([[T**2 / 2], [T]])
    w = tracking_index / T**2
    for _ in range(600):
        kf.predict(F=np.array([[1, T], [0, 1]]), Q=gain @ gain.T * w**2)
        kf.update(np.zeros(1), R=np.eye(1))
    assert kf.K[0, 0] == pytest.approx(alpha, abs=1e-9)
    assert kf.K[1, 0] * T == pytest.approx(beta, abs=1e-9)


def test_without_noise_it_is_least_squares():
    """Jerk 0 and a wide prior: the filtered place is the least-squares parabola's (any textbook)."""
    rng = np.random.default_rng(3)
    t = np.array([0.0, 1, 2, 4, 5, 8, 9, 10, 12, 13])
    x = 40 + 3 * t - 0.2 * t**2 + rng.normal(0, FRESH_PX, len(t))
    y = 400 - 5 * t + 0.3 * t**2 + rng.normal(0, FRESH_PX, len(t))
    motion = Motion(x[0], y[0], U_PX, MotionPrior(1e4, 1e4, 0.0))
    for k in range(1, len(t)):
        motion.predict(t[k] - t[k - 1])
        motion.update(x[k], y[k], U_PX)
    expected = [np.polyval(np.polyfit(t, place, 2), t[-1]) for place in (x, y)]
    np.testing.assert_allclose(motion.place_px, expected, atol=1e-4)
    slope = [np.polyval(np.polyder(np.polyfit(t, place, 2)), t[-1]) for place in (x, y)]
    np.testing.assert_allclose(motion.velocity_px, slope, atol=1e-4)


# -- honesty --------------------------------------------------------------------------------------------


def mean_nis(*, true_jerk: float, true_u: float, runs: int = 40, steps: int = 50, seed: int = 1) -> float:
    """Mean normalised innovation squared of balls that move as white jerk says, after the first three."""
    rng = np.random.default_rng(seed)
    F, Q = transition(1.0), process_noise(1.0, true_jerk)
    root = np.linalg.cholesky(Q + 1e-15 * np.eye(6))
    total, count = 0.0, 0
    for _ in range(runs):
        state = np.array([100.0, 0, 0, 300.0, 0, 0])
        state[[1, 4]] = rng.normal(0, PRIOR.speed_px, 2)
        state[[2, 5]] = rng.normal(0, PRIOR.acceleration_px, 2)
        first = state[[0, 3]] + rng.normal(0, true_u, 2)
        motion = Motion(first[0], first[1], U_PX, PRIOR)
        for k in range(steps):
            state = F @ state + root @ rng.normal(0, 1, 6)
            motion.predict(1.0)
            nis = motion.update(*(state[[0, 3]] + rng.normal(0, true_u, 2)), U_PX)
            if k >= 3:
                total, count = total + nis, count + 1
    assert count == runs * (steps - 3)
    return total / count


def band(share: float = 0.999) -> tuple[float, float]:
    """Band of the mean of 40 x 47 values with 2 degrees of freedom.

    Source: Bar-Shalom, Li & Kirubarajan (2001), 5.4: n times the mean is chi-square with 2 n.
    """
    n = 40 * 47
    low, high = stats.chi2.ppf([(1 - share) / 2, (1 + share) / 2], 2 * n) / n
    return float(low), float(high)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_innovations_are_as_large_as_the_filter_says(seed):
    low, high = band()
    assert low < mean_nis(true_jerk=PRIOR.jerk_px, true_u=FRESH_PX, seed=seed) < high


def test_too_sure_a_filter_would_be_seen():
    assert mean_nis(true_jerk=PRIOR.jerk_px, true_u=1.3 * FRESH_PX) > band()[1]
    assert mean_nis(true_jerk=3 * PRIOR.jerk_px, true_u=FRESH_PX) > band()[1]


def test_too_timid_a_filter_would_be_seen():
    assert mean_nis(true_jerk=PRIOR.jerk_px, true_u=0.7 * FRESH_PX) < band()[0]


def test_the_first_innovation_is_within_the_prior():
    rng = np.random.default_rng(8)
    values = []
    for _ in range(400):
        motion = Motion(0.0, 0.0, U_PX, PRIOR)
        motion.predict(1.0)
        sd = np.sqrt(2 * FRESH_PX**2 + 3.0**2 + 0.1**2 + 0.05**2 / 20)
        values.append(motion.update(*rng.normal(0, sd, 2), U_PX))
    low, high = stats.chi2.ppf([0.0005, 0.9995], 800) / 400
    assert low < np.mean(values) < high
