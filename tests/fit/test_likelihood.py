"""The marginal likelihood against quadrature, the Poisson deviance, and differences."""

import numpy as np
import pytest
import scipy.integrate

from iceopt.fit.likelihood import ErrorModel, Likelihood
from iceopt.fit.nuisances import NuisancePrior, NuisanceSystem
from iceopt.fit.pairs import solve_pairs
from iceopt.ice.layers import Ice
from tests.fitting import EDGES_M, small_problem

ERRORS = np.array([np.log(0.05), 0.3, np.log(0.04)])


def likelihood_of(part, signal, prior=None, tail=2.0, error_sizes=ERRORS):
    return Likelihood(
        part.observations,
        prior or part.prior,
        ErrorModel(0.5, tail),
        signal,
        np.full(signal.shape, 1e-12),
        error_sizes,
    )


@pytest.fixture(scope="module")
def part():
    return small_problem()[0].parts[0]


@pytest.fixture(scope="module")
def signal(part):
    return part.light.first.expected(Ice(EDGES_M, [13.5, 9.5, 12.5], [100.0, 74.0, 115.0]))


def test_gradient_to_the_signal_matches_differences(part, signal):
    likelihood = likelihood_of(part, signal)
    rng = np.random.default_rng(3)
    for _ in range(3):
        direction = signal * rng.standard_normal(signal.shape)
        _, by_signal, _ = likelihood.evaluate_vjp(signal, ERRORS)
        h = 1e-4
        ahead, behind = (likelihood.evaluate(signal + s * h * direction, ERRORS).value for s in (1, -1))
        assert np.sum(by_signal * direction) == pytest.approx((ahead - behind) / (2 * h), rel=1e-4, abs=1e-2)


def test_gradient_to_the_error_sizes_matches_differences(part, signal):
    likelihood = likelihood_of(part, signal)
    _, _, gradient = likelihood.evaluate_vjp(signal, ERRORS)
    for i in range(3):
        step = np.zeros(3)
        step[i] = 1e-4
        ahead, behind = (likelihood.evaluate(signal, ERRORS + s * step).value for s in (1, -1))
        assert gradient[i] == pytest.approx((ahead - behind) / 2e-4, rel=1e-5, abs=1e-3)


def test_without_errors_and_nuisances_it_is_the_poisson_deviance(part, signal):
    # 2 sum [mu - n + n ln(n/mu)]: Baker, Cousins, Nucl. Instrum. Meth. 221, 437 (1984).
    tiny = np.array([np.log(1e-7), 0.0, np.log(1e-7)])
    prior = NuisancePrior(1e-7, 0.0, np.zeros(part.prior.log_efficiency.size), 1e-7, 1e-7)
    values, deviances = [], []
    likelihood = likelihood_of(part, signal, prior, None, tiny)
    seen = part.observations
    for factor in (1.0, 1.2):
        values.append(likelihood.evaluate(factor * signal, tiny).value)
        mu = likelihood.light(factor * signal) + seen.dark
        filled = np.arange(mu.shape[1]) < seen.groups[:, None]
        n, mu = seen.counts[filled], mu[filled]
        deviances.append(2 * np.sum(mu - n + np.where(n > 0, n * np.log(np.maximum(n, 1) / mu), 0.0)))
    assert values[0] == pytest.approx(-0.5 * deviances[0], abs=1e-3)
    assert values[1] - values[0] == pytest.approx(-0.5 * (deviances[1] - deviances[0]), rel=1e-6)


@pytest.mark.parametrize(("counts", "tolerance"), [(0.0, 0.02), (3.0, 0.02), (60.0, 0.01), (5000.0, 0.002)])
def test_laplace_marginal_of_one_pair_matches_quadrature(counts, tolerance):
    # One pair, one group, Gaussian charge error only: the marginal is a one-dimensional integral.
    light, sigma = max(counts, 2.0) * 1.1, 0.2
    shape, charge = np.zeros((1, 1)), np.zeros(1)
    one = np.ones((1, 1))
    out = solve_pairs(
        light * one, 0 * one, np.array([1]), counts * one, 0 * one, 1e-9 * one, one, np.zeros(1),
        np.zeros(1), np.full(1, sigma), 0.0, shape, charge,
    )  # fmt: skip
    mu = light * np.exp(charge[0])
    laplace = out[0, 0] - 0.5 * np.log1p(sigma**2 * mu)

    def joint(u):
        m = light * np.exp(u)
        value = counts - m + (counts * np.log(m / counts) if counts else 0.0) - 0.5 * (u / sigma) ** 2
        return np.exp(value - out[0, 0]) / (sigma * np.sqrt(2 * np.pi))

    exact = np.log(scipy.integrate.quad(joint, -3, 3, points=[charge[0]], limit=200)[0]) + out[0, 0]
    assert laplace == pytest.approx(exact, abs=tolerance)


def test_an_odd_pair_pulls_less_with_a_heavy_tail(part, signal):
    brightest = int(part.observations.counts.sum(axis=1).argmax())
    spoiled = signal.copy()
    spoiled[brightest] *= 3.0
    moved = {}
    for tail in (None, 2.0):
        likelihood = likelihood_of(part, signal, tail=tail)
        before, after = (likelihood.evaluate(s, ERRORS).nuisances for s in (signal, spoiled))
        module = part.observations.module[brightest]
        moved[tail] = abs(after.log_efficiency[module] - before.log_efficiency[module])
    assert moved[2.0] < 0.6 * moved[None]


def test_factor_is_the_dense_inverse():
    rng = np.random.default_rng(5)
    runs, modules = 4, 6
    run, module = (i.ravel() for i in np.indices((runs, modules)))
    prior = NuisancePrior(0.2, 0.1, rng.normal(size=modules), 0.1, 3.0)
    system = NuisanceSystem(run, module, prior)
    aa, tt = rng.uniform(50, 500, (2, run.size))
    at = 0.5 * np.sqrt(aa * tt) * rng.uniform(-1, 1, run.size)
    factor = system.factor(aa, at, tt)

    covariance = 0.2**2 * np.eye(runs) + 0.1**2
    size = runs + 2 * modules
    dense = np.zeros((size, size))
    dense[:runs, :runs] = np.linalg.inv(covariance)
    dense[runs:, runs:] = np.diag(np.r_[np.full(modules, 0.1**-2.0), np.full(modules, 3.0**-2.0)])
    logdet_prior = np.linalg.slogdet(dense)[1]
    columns = np.zeros((run.size, size, 2))
    for p in range(run.size):
        columns[p, run[p], 0] = columns[p, runs + module[p], 0] = columns[
            p, runs + modules + module[p], 1
        ] = 1
        information = np.array([[aa[p], at[p]], [at[p], tt[p]]])
        dense += columns[p] @ information @ columns[p].T

    assert factor.logdet == pytest.approx(np.linalg.slogdet(dense)[1] - logdet_prior, rel=1e-10)
    gradient = system.gradient(system.start(), rng.normal(size=run.size), rng.normal(size=run.size))
    packed = np.r_[gradient.log_brightness, gradient.log_efficiency, gradient.offset_ns]
    step = factor.solve(gradient)
    found = np.r_[step.log_brightness, step.log_efficiency, step.offset_ns]
    np.testing.assert_allclose(found, np.linalg.solve(dense, packed), rtol=1e-9)

    by_a, by_t = rng.normal(size=(2, run.size, 3))
    side = np.einsum("pk,ps->sk", by_a, columns[:, :, 0]) + np.einsum("pk,ps->sk", by_t, columns[:, :, 1])
    np.testing.assert_allclose(
        factor.product(system.columns(by_a, by_t), system.columns(by_a, by_t)),
        side.T @ np.linalg.solve(dense, side),
        rtol=1e-9,
    )
    draws = [factor.draw(rng) for _ in range(4000)]
    sample = np.cov(np.array([np.r_[d.log_brightness, d.log_efficiency, d.offset_ns] for d in draws]).T)
    inverse = np.linalg.inv(dense)
    sd = np.sqrt(np.diag(inverse))
    np.testing.assert_allclose((sample - inverse) / np.outer(sd, sd), 0.0, atol=0.09)
