"""The fitter against closed forms, against scipy's, and against what it says of itself."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from tracker.flight.least_squares import fit

SIGMA = 0.05
T = np.linspace(0, 2, 40)
TRUTH = np.array([2.0, 1.3, 0.5])


def decay(theta):
    """a exp(-b t) + c and its Jacobian."""
    a, b, c = theta
    shape = np.exp(-b * T)
    return a * shape + c, np.column_stack([shape, -a * T * shape, np.ones_like(T)])


def decay_model(y, sigma=SIGMA):
    def model(theta):
        value, jacobian = decay(theta)
        return (value - y) / sigma, jacobian / sigma

    return model


def decay_data(seed):
    return decay(TRUTH)[0] + np.random.default_rng(seed).normal(0, SIGMA, len(T))


def linear_model(A, y):
    return lambda theta: (A @ theta - y, A)


# -- closed forms and another fitter ---------------------------------------------------------------------


@pytest.mark.parametrize(("m", "p"), [(30, 4), (5000, 150)])  # the second takes the normal equations
def test_linear_problem(m, p):
    # Normal equations of any textbook: theta = (A^T A)^-1 A^T y, covariance (A^T A)^-1.
    rng = np.random.default_rng(1)
    A = rng.normal(size=(m, p)) * 10.0 ** rng.uniform(-3, 3, p)
    y = rng.normal(size=m)
    result = fit(linear_model(A, y), np.zeros(p))
    assert result.healthy
    expected = np.linalg.lstsq(A, y, rcond=None)[0]
    expected_sd = np.linalg.norm(np.linalg.pinv(A, rcond=1e-15), axis=1)
    assert (np.abs(result.theta - expected) < 1e-6 * expected_sd).all()
    np.testing.assert_allclose(result.sd, expected_sd, rtol=1e-9)
    assert result.dof == m - p
    assert result.chi2 == pytest.approx(np.sum((A @ expected - y) ** 2))


@pytest.mark.parametrize("scale_known", [True, False])
def test_nonlinear_problem_as_scipy_solves_it(scale_known):
    y = decay_data(3)
    result = fit(decay_model(y), np.ones(3), scale_known=scale_known)
    expected, covariance = optimize.curve_fit(
        lambda _t, *theta: decay(theta)[0],
        T,
        y,
        np.ones(3),
        sigma=np.full_like(T, SIGMA),
        absolute_sigma=scale_known,
        jac=lambda _t, *theta: decay(theta)[1],
        xtol=1e-14,
        ftol=1e-14,
    )
    assert result.healthy
    np.testing.assert_allclose(result.theta, expected, rtol=1e-7)
    np.testing.assert_allclose(result.covariance, covariance, rtol=1e-6)


@pytest.mark.parametrize(("loss", "threshold"), [("huber", 1.345), ("cauchy", 2.385)])
def test_robust_loss_as_scipy_minimises_it(loss, threshold):
    y = decay_data(4)
    y[[5, 20, 33]] += [1.0, -2.0, 0.4]
    model = decay_model(y)
    result = fit(model, TRUTH, loss=loss)
    expected = optimize.least_squares(
        lambda theta: model(theta)[0],
        TRUTH,
        lambda theta: model(theta)[1],
        loss=loss,
        f_scale=threshold,
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
    )
    assert result.healthy
    np.testing.assert_allclose(result.theta, expected.x, atol=1e-5 * result.sd.min())
    assert (result.weights[[5, 20, 33]] < 0.3).all()
    assert np.median(result.weights) > 0.8


# -- priors ----------------------------------------------------------------------------------------------


def test_prior_of_a_mean():
    # Normal with known variance (any textbook): precisions add, means are weighted by them.
    y, sigma, prior_mean, prior_sd = np.array([1.1, 0.7, 1.4, 0.9]), 0.4, 3.0, 0.5

    def model(theta):
        return (theta[0] - y) / sigma, np.full((4, 1), 1 / sigma)

    result = fit(model, np.zeros(1), prior_mean=np.array([prior_mean]), prior_sd=np.array([prior_sd]))
    precision = 4 / sigma**2 + 1 / prior_sd**2
    assert result.theta[0] == pytest.approx((y.sum() / sigma**2 + prior_mean / prior_sd**2) / precision)
    assert result.covariance[0, 0] == pytest.approx(1 / precision)
    assert result.share(np.ones(1), slice(4, 5)) == pytest.approx(1 / prior_sd**2 / precision**2)
    assert result.leverage[4] == pytest.approx(1 / prior_sd**2 / precision)
    assert result.dof == 4


def test_infinite_prior_is_none():
    y = decay_data(5)
    free = fit(decay_model(y), np.ones(3))
    vague = fit(decay_model(y), np.ones(3), prior_mean=np.full(3, np.nan), prior_sd=np.full(3, np.inf))
    np.testing.assert_array_equal(free.theta, vague.theta)
    assert free.dof == vague.dof == len(T) - 3
    assert vague.share(np.ones(3), slice(len(T), None)) == 0


def test_prior_carries_what_the_data_cannot():
    # Only the sum of two parameters is seen; with a prior on one the other is known too.
    A = np.ones((10, 2))
    result = fit(
        linear_model(A, np.full(10, 5.0)),
        np.zeros(2),
        prior_mean=np.array([2.0, 0.0]),
        prior_sd=np.array([0.3, np.inf]),
    )
    assert result.healthy
    np.testing.assert_allclose(result.theta, [2, 3], atol=1e-6)
    np.testing.assert_allclose(result.sd**2, [0.09, 0.09 + 0.1], rtol=1e-9)
    assert result.share(np.array([0, 1]), slice(10, 11)) == pytest.approx(0.09)
    assert result.share(np.array([0, 1]), slice(0, 10)) == pytest.approx(0.1)


# -- where the variance comes from -------------------------------------------------------------------------


@pytest.mark.parametrize("loss", ["linear", "huber"])
@pytest.mark.parametrize("scale_known", [True, False])
def test_shares_add_up(loss, scale_known):
    sd = np.array([0.1, np.inf, 0.2])
    settings = {"prior_mean": TRUTH, "prior_sd": sd, "loss": loss, "scale_known": scale_known}
    result = fit(decay_model(decay_data(6)), np.ones(3), **settings)
    gradient = np.array([0.3, -2.0, 1.0])
    blocks = [slice(0, 11), np.arange(11, len(T)), *(slice(len(T) + j, len(T) + j + 1) for j in range(3))]
    shares = [result.share(gradient, block) for block in blocks]
    assert sum(shares) == pytest.approx(gradient @ result.covariance @ gradient, rel=1e-12)
    assert sum(shares) == pytest.approx(result.variance(gradient), rel=1e-12)
    assert shares[3] == 0
    assert min(shares[k] for k in (0, 1, 2, 4)) > 0


def test_gain_is_how_the_estimate_follows_each_observation():
    y, prior = decay(TRUTH)[0], TRUTH.copy()  # without noise the estimate is linear to first order
    sd = np.array([0.1, np.inf, 0.2])
    result = fit(decay_model(y), TRUTH, prior_mean=prior, prior_sd=sd)

    def moved(y, prior):
        return fit(decay_model(y), TRUTH, prior_mean=prior, prior_sd=sd, tolerance=1e-10).theta

    for row in (0, 17, 39):
        step = 1e-4 * np.eye(len(T))[row]
        difference = (moved(y + step, prior) - moved(y - step, prior)) / 2e-4
        np.testing.assert_allclose(result.gain[:, row], difference * SIGMA, atol=1e-6)
    for place in (0, 2):
        step = 1e-4 * np.eye(3)[place]
        difference = (moved(y, prior + step) - moved(y, prior - step)) / 2e-4
        np.testing.assert_allclose(result.gain[:, len(T) + place], difference * sd[place], atol=1e-6)


# -- the quoted uncertainty is true --------------------------------------------------------------------------


@pytest.mark.parametrize("loss", ["linear", "huber", "cauchy"])
def test_intervals_hold_the_truth_as_often_as_they_say(loss):
    runs = 300
    inside = 0
    for seed in range(runs):
        result = fit(decay_model(decay_data(1000 + seed)), TRUTH, loss=loss, tolerance=1e-4)
        inside += np.abs(result.theta[1] - TRUTH[1]) < 1.96 * result.sd[1]
    # Binomial band of 99.9 %; a robust fit may only be a little too careful.
    low, high = stats.binom.ppf([0.0005, 0.9995], runs, 0.95)
    assert low <= inside <= (high if loss == "linear" else runs)


def test_bad_sightings_do_not_spoil_a_robust_fit():
    y = decay_data(7)
    clean = fit(decay_model(y), TRUTH)
    y[[3, 18, 30]] += [20 * SIGMA, -30 * SIGMA, 25 * SIGMA]
    robust, plain = (fit(decay_model(y), TRUTH, loss=loss) for loss in ("huber", "linear"))
    assert (np.abs(robust.theta - clean.theta) < 1.0 * clean.sd).all()
    assert (np.abs(plain.theta - clean.theta) > 2.0 * clean.sd).any()


def test_rows_of_one_point_share_their_weight():
    rng = np.random.default_rng(8)
    xz = rng.normal([3.0, -1.0], 1.0, (50, 2))
    xz[7] += [9.0, 0.0]  # bad in x only: z of the same sighting is not to be trusted either

    def model(theta):
        return (theta - xz).ravel(), np.tile(np.eye(2), (50, 1))

    result = fit(model, np.zeros(2), loss="huber", point=np.repeat(np.arange(50), 2))
    weights = result.weights.reshape(50, 2)
    np.testing.assert_array_equal(weights[:, 0], weights[:, 1])
    assert weights[7, 1] < 0.25
    # As large a share of good points is left whole as with one row a point: P(|z| < 1.345) = 0.821.
    sizes = np.sort(np.linalg.norm(result.residuals.reshape(50, 2), axis=1))
    threshold = np.sqrt(stats.chi2.ppf(stats.chi2.cdf(1.345**2, 1), 2))
    assert np.count_nonzero(weights[:, 0] == 1) == np.searchsorted(sizes, threshold)


# -- health ----------------------------------------------------------------------------------------


def test_dependent_parameters_are_singular():
    A = np.column_stack([np.arange(8.0), 2 * np.arange(8.0)])
    result = fit(linear_model(A, np.arange(8.0) + 1), np.zeros(2))
    assert result.singular
    assert not result.healthy
    assert np.isinf(result.covariance).all()
    assert np.isinf(result.variance(np.ones(2)))


def test_parameter_without_any_influence_is_singular():
    A = np.column_stack([np.ones(8), np.zeros(8)])
    result = fit(linear_model(A, np.ones(8)), np.zeros(2))
    assert result.singular
    assert result.theta[0] == pytest.approx(1)


def test_more_parameters_than_observations_is_singular():
    assert fit(linear_model(np.ones((1, 2)), np.ones(1)), np.zeros(2)).singular


def test_too_few_iterations_hit_the_limit():
    result = fit(decay_model(decay_data(9)), np.array([50.0, 9.0, -20.0]), max_iterations=2)
    assert result.hit_limit
    assert not result.converged
    assert not result.healthy


def test_wrong_derivatives_stall():
    def model(theta):
        residuals, jacobian = decay_model(decay_data(10))(theta)
        return residuals, -jacobian

    result = fit(model, np.ones(3))
    assert result.stalled
    assert not result.healthy


def test_steps_out_of_the_model_are_taken_back():
    # The square root has no value below zero, where the first steps lead.
    y = np.sqrt(0.01 + T)

    def model(theta):
        root = np.sqrt(theta[0] + T)
        return root - y, (0.5 / root)[:, None]

    result = fit(model, np.array([40.0]), scale_known=False)
    assert result.healthy
    assert result.theta[0] == pytest.approx(0.01, abs=1e-7)


def test_exact_data_converge():
    result = fit(decay_model(decay(TRUTH)[0]), np.ones(3))
    assert result.healthy
    np.testing.assert_allclose(result.theta, TRUTH, rtol=1e-7)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"prior_sd": np.ones(2)}, "one mean and one sd"),
        ({"prior_sd": np.zeros(3)}, "must be positive"),
        ({"prior_sd": np.full(3, np.nan)}, "must be positive"),
        ({"loss": "soft"}, "must be one of linear, huber, cauchy, not soft"),
    ],
)
def test_odd_input(settings, message):
    with pytest.raises(ValueError, match=message):
        fit(decay_model(decay_data(11)), np.ones(3), **settings)


def test_start_without_a_value():
    with pytest.raises(ValueError, match="no finite value at the start"):
        fit(decay_model(decay_data(12)), np.array([1.0, np.nan, 1.0]))
