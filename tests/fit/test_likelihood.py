"""The marginal likelihood against quadrature, the Poisson deviance, and differences."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.integrate
import scipy.linalg
from hypothesis import example, given
from hypothesis import strategies as st

from iceopt.fit.likelihood import ErrorModel, Likelihood, tail_breadth, tail_variance
from iceopt.fit.marginal import Marginal, factored
from iceopt.fit.nuisances import JointNuisances, NuisancePrior, NuisanceSystem, Ties, decrement
from iceopt.fit.pairs import information_of_pairs, solve_pairs
from iceopt.ice.layers import Ice
from tests.fitting import EDGES_M, small_problem

ERRORS = np.array([np.log(0.05), 0.3, np.log(0.04)])


def marginal_of(part, signal, prior=None, tail=2.0, error_sizes=ERRORS):
    likelihood = Likelihood(part.observations, ErrorModel(0.5, tail), signal, np.full(signal.shape, 1e-12))
    ties = part.ties if prior is None else replace(part.ties, prior=prior)
    return Marginal([likelihood], NuisanceSystem([ties]), [signal], error_sizes)


@pytest.fixture(scope="module")
def part():
    return small_problem()[0].parts[0]


@pytest.fixture(scope="module")
def signal(part):
    return part.light.first.expected(Ice(EDGES_M, [13.5, 9.5, 12.5], [100.0, 74.0, 115.0]))


def test_gradient_to_the_signal_matches_differences(part, signal):
    marginal = marginal_of(part, signal)
    rng = np.random.default_rng(3)
    for _ in range(3):
        direction = signal * rng.standard_normal(signal.shape)
        _, (by_signal,), _ = marginal.evaluate_vjp([signal], ERRORS)
        h = 1e-4
        ahead, behind = (marginal.evaluate([signal + s * h * direction], ERRORS).value for s in (1, -1))
        assert np.sum(by_signal * direction) == pytest.approx((ahead - behind) / (2 * h), rel=1e-4, abs=1e-2)


def test_gradient_to_the_error_sizes_matches_differences(part, signal):
    marginal = marginal_of(part, signal)
    _, _, gradient = marginal.evaluate_vjp([signal], ERRORS)
    for i in range(3):
        step = np.zeros(3)
        step[i] = 1e-4
        ahead, behind = (marginal.evaluate([signal], ERRORS + s * step).value for s in (1, -1))
        assert gradient[i] == pytest.approx((ahead - behind) / 2e-4, rel=1e-5, abs=1e-3)


def test_without_errors_and_nuisances_it_is_the_poisson_deviance(part, signal):
    # 2 sum [mu - n + n ln(n/mu)]: Baker, Cousins, Nucl. Instrum. Meth. 221, 437 (1984).
    tiny = np.array([np.log(1e-7), 0.0, np.log(1e-7)])
    modules = len(part.ties.place)
    prior = NuisancePrior(1e-7, 0.0, np.zeros(modules), 1e-7, 1e-7, np.full(modules, 1e14))
    values, deviances = [], []
    marginal = marginal_of(part, signal, prior, None, tiny)
    seen = part.observations
    for factor in (1.0, 1.2):
        values.append(marginal.evaluate([factor * signal], tiny).value)
        mu = marginal.likelihoods[0].light(factor * signal) + seen.dark
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
    value, _, _ = solve_pairs(
        light * one, 0 * one, np.array([1]), counts * one, 0 * one, 1e-9 * one, one, np.zeros((1, 3)),
        np.full(1, sigma), 0.0, shape, charge,
    )  # fmt: skip
    mu = light * np.exp(charge[0])
    laplace = value[0] - 0.5 * np.log1p(sigma**2 * mu)

    def joint(u):
        m = light * np.exp(u)
        at = counts - m + (counts * np.log(m / counts) if counts else 0.0) - 0.5 * (u / sigma) ** 2
        return np.exp(at - value[0]) / (sigma * np.sqrt(2 * np.pi))

    exact = np.log(scipy.integrate.quad(joint, -3, 3, points=[charge[0]], limit=200)[0]) + value[0]
    assert laplace == pytest.approx(exact, abs=tolerance)


@pytest.mark.parametrize("off", [0.6, 1.0, 2.0])
@pytest.mark.parametrize("begins", [1.0, 2.0, 5.0])
def test_where_counts_are_many_the_heavy_tailed_marginal_matches_quadrature(begins, off):
    # The density's peak and nothing else of its shape then makes the integral.
    counts, sigma, tail = 4000.0, 0.2, begins**-2.0
    one, charge = np.ones((1, 1)), np.zeros(1)
    size, groups, light = np.full(1, sigma), np.array([1]), off * counts
    value, _, _ = solve_pairs(
        light * one, 0 * one, groups, counts * one, 0 * one, 1e-9 * one, one, np.zeros((1, 3)),
        size, tail, np.zeros((1, 1)), charge,
    )  # fmt: skip
    logdet, _ = information_of_pairs(
        np.ones((1, 1, 1)), groups, counts * one, 1e-9 * one, one, size, tail_breadth(tail)
    )

    def density(x):
        return np.exp(begins**2 - begins * np.hypot(begins, x))

    def joint(u):
        mu = light * np.exp(u)
        return np.exp(counts - mu + counts * np.log(mu / counts)) * density(u / sigma)

    norm = sigma * scipy.integrate.quad(density, -80, 80, points=[0])[0]
    best = charge[0]
    exact = np.log(scipy.integrate.quad(joint, best - 0.3, best + 0.3, points=[best], limit=200)[0] / norm)
    assert value[0] - 0.5 * logdet[0] == pytest.approx(exact, abs=0.01)


@pytest.mark.parametrize("loss", [1e-2, 1e-5, 1e-9])
@pytest.mark.parametrize("start", [0.0, 3.0])
def test_a_pair_whose_light_is_lost_is_found_at_its_higher_peak(loss, start):
    # Without light the dark counts stand for all: one peak at u = 0, another where light meets the counts.
    counts, dark, size, tail = np.array([[300.0, 200.0]]), np.array([[30.0, 40.0]]), 0.3, 0.25
    light = loss * (counts - dark)
    shape, charge, one = np.zeros((1, 2)), np.full(1, start), np.ones((1, 2))
    value, _, _ = solve_pairs(
        light, 0 * one, np.array([2]), counts, dark, 1e-9 * one, 0.5 * one, np.zeros((1, 3)),
        np.full(1, size), tail, shape, charge,
    )  # fmt: skip
    u = np.linspace(-5.0, 30.0, 350_001)[:, None]
    mu = light * np.exp(u) + dark
    of_counts = np.sum(counts - mu + counts * np.log(mu / counts), axis=1)
    exact = (of_counts - (np.sqrt(1.0 + tail * (u[:, 0] / size) ** 2) - 1.0) / tail).max()
    assert value[0] == pytest.approx(exact, abs=1e-4)


@given(
    off=st.lists(st.floats(-8.0, 8.0), min_size=1, max_size=4),
    size=st.floats(1e-3, 1.5),
    pair_size=st.floats(3e-3, 0.3),
    charge=st.floats(-4.0, 4.0),
    profile=st.floats(-27.0, 27.0),
    tail=st.sampled_from([0.0, 0.25, 1.0]),
)
@example(off=[4.4], size=1.0, pair_size=0.0209, charge=-1.05, profile=27.3, tail=0.25)
def test_best_errors_of_a_pair_are_found_from_afar(off, size, pair_size, charge, profile, tail):
    """Without dark counts the density has a single peak, and that is where its gradient is zero."""
    counts = np.full((1, len(off)), 4000.0)
    light, one = counts * np.exp(-np.array([off])), np.ones((1, len(off)))
    z, u = profile * one, np.array([charge])
    value, _, _ = solve_pairs(
        light, 0 * one, np.array([len(off)]), counts, 0 * one, size * one, 0 * one, np.zeros((1, 3)),
        np.full(1, pair_size), tail, z, u,
    )  # fmt: skip
    mu = light * np.exp(u + size * z)
    root = np.sqrt(1.0 + tail * (u[0] / pair_size) ** 2)
    by_charge = np.sum(counts - mu) - u[0] / (pair_size**2 * root)
    by_profile = size * (counts - mu) - z
    assert by_charge**2 / (np.sum(mu) + pair_size**-2.0 / root**3) == pytest.approx(0.0, abs=1e-7)
    assert by_profile**2 / (size**2 * mu + 1.0) == pytest.approx(0.0 * one, abs=1e-7)
    matched = np.sum(counts - mu + counts * np.log(mu / counts)) - 0.5 * np.sum(z**2)
    assert value[0] == pytest.approx(matched - (u[0] / pair_size) ** 2 / (1.0 + root), rel=1e-9, abs=1e-9)


def test_an_odd_pair_pulls_less_with_a_heavy_tail(part, signal):
    brightest = int(part.observations.counts.sum(axis=1).argmax())
    spoiled = signal.copy()
    spoiled[brightest] *= 3.0
    moved = {}
    for tail in (None, 2.0):
        marginal = marginal_of(part, signal, tail=tail)
        before, after = (marginal.evaluate([s], ERRORS).nuisances for s in (signal, spoiled))
        module = part.observations.module[brightest]
        moved[tail] = abs(after.log_efficiency[module] - before.log_efficiency[module])
    assert moved[2.0] < 0.6 * moved[None]


def test_light_along_a_line_is_trusted_less(part, signal):
    """Its errors are added in squares, where emitter and receiver hang on one line and nowhere else."""
    none = np.full(signal.shape, 1e-12)
    alone = np.ones(len(signal))
    plain, less = (
        Likelihood(part.observations, ErrorModel(0.5, 2.0, 0.005, own), signal, none, alone).sizes(ERRORS)
        for own in (0.0, 0.3)
    )
    own_line = part.observations.scene.distance_m < 5.0
    assert own_line.any() and not own_line.all()
    added = np.where(own_line, 0.3, 0.0)
    np.testing.assert_allclose(
        less[0] ** 2 - plain[0] ** 2, np.tile(added[:, None] ** 2, (1, plain[0].shape[1])), atol=1e-12
    )
    np.testing.assert_allclose(less[1] ** 2 - plain[1] ** 2, added**2, atol=1e-12)


@pytest.mark.parametrize("begins", [1.0, 2.0, 5.0])
def test_variance_of_the_charge_error_is_that_of_its_density(begins):
    def density(x):
        return np.exp(begins**2 - begins * np.hypot(begins, x))

    moments = [scipy.integrate.quad(lambda x, n=n: x**n * density(x), -80, 80, points=[0])[0] for n in (0, 2)]
    assert tail_variance(begins**-2.0) == pytest.approx(moments[1] / moments[0], rel=1e-6)
    assert tail_variance(0.0) == 1.0


def tied(rng, runs, modules, place, sd):
    """Every run of a campaign at every module; priors that differ from campaign to campaign."""
    run, module = (i.ravel() for i in np.indices((runs, modules)))
    worth = rng.uniform(3.0, 30.0, modules)
    return Ties(run, module, np.array(place), NuisancePrior(sd, 0.1, np.zeros(modules), 0.1, 30 * sd, worth))


def dense_rows(system, ties, campaign):
    """What a pair's (amplitude, offset, dark rate) are made of: rows over all unknowns, by module last."""
    width = 1 + 2 * len(system.campaigns)
    runs = sum(t.runs for t in system.campaigns)
    first_run = sum(t.runs for t in system.campaigns[:campaign])
    rows = np.zeros((ties.run.size, 3, runs + width * system.modules))
    for p in range(ties.run.size):
        own = runs + width * ties.place[ties.module[p]]
        rows[p, 0, first_run + ties.run[p]] = rows[p, 0, own] = 1.0
        rows[p, 1, own + 1 + 2 * campaign] = rows[p, 2, own + 2 + 2 * campaign] = 1.0
    return rows


def dense_prior(system, at):
    blocks, diagonal = [], np.ones((system.modules, 1 + 2 * len(system.campaigns)))
    for k, ties in enumerate(system.campaigns):
        prior = ties.prior
        blocks.append(np.linalg.inv(prior.brightness_sd**2 * np.eye(ties.runs) + prior.scale_sd**2))
        diagonal[ties.place, 0] = prior.efficiency_sd**-2.0
        diagonal[ties.place, 1 + 2 * k] = prior.offset_sd_ns**-2.0
        diagonal[ties.place, 2 + 2 * k] = prior.dark_worth
        diagonal[:, 2 + 2 * k] *= np.exp(at.log_dark[:, k])
    return scipy.linalg.block_diag(*blocks, np.diag(diagonal.ravel()))


@pytest.mark.parametrize("campaigns", [1, 2, 3])
def test_factor_is_the_dense_inverse(campaigns):
    # Modules are shared in part; the arrow-shaped system is put together and solved whole.
    rng = np.random.default_rng(5)
    places = ([0, 1, 2, 3, 4, 5], [4, 1, 6], [7, 0, 6, 2])[:campaigns]
    system = NuisanceSystem(
        [tied(rng, 4 - k, len(place), place, 0.2 / (1 + k)) for k, place in enumerate(places)]
    )
    at = system.start().moved(JointNuisances(np.zeros(1), 0.3 * rng.normal(size=(system.modules, 1))))
    dense, dense_at_start = dense_prior(system, at), dense_prior(system, system.start())
    information, by_pairs, side = [], [], 0.0
    for k, ties in enumerate(system.campaigns):
        root = rng.normal(size=(ties.run.size, 3, 3)) * np.array([20.0, 1.0, 2.0])[:, None]
        information.append(root @ root.transpose(0, 2, 1))
        by_pairs.append(rng.normal(size=(ties.run.size, 3, 5)))
        rows = dense_rows(system, ties, k)
        dense += np.einsum("pis,pij,pjt->st", rows, information[-1], rows)
        side = side + np.einsum("pic,pis->sc", by_pairs[-1], rows)
    factor = system.factor(information, at)
    logdet = np.linalg.slogdet(dense)[1] - np.linalg.slogdet(dense_at_start)[1]
    assert factor.logdet == pytest.approx(logdet, rel=1e-10)
    gradient = system.gradient(system.start(), [by[:, :, 0] for by in by_pairs])
    np.testing.assert_allclose(gradient.packed(), side[:, 0], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(
        factor.solve(gradient).packed(), np.linalg.solve(dense, side[:, 0]), rtol=1e-8, atol=1e-10
    )
    np.testing.assert_allclose(
        factor.product(system.columns(by_pairs), system.columns(by_pairs)),
        side.T @ np.linalg.solve(dense, side),
        rtol=1e-8,
    )
    draws = [factor.draw(rng).packed() for _ in range(4000)]
    inverse = np.linalg.inv(dense)
    sd = np.sqrt(np.diag(inverse))
    np.testing.assert_allclose((np.cov(np.array(draws).T) - inverse) / np.outer(sd, sd), 0.0, atol=0.09)


def test_gradient_of_the_joint_density_matches_differences(part, signal):
    # Over every nuisance of one campaign, dark rates among them, away from the best.
    marginal = marginal_of(part, signal)
    system, likelihood = marginal.system, marginal.likelihoods[0]
    light, rng = likelihood.light(signal), np.random.default_rng(4)
    at = system.start().moved(
        JointNuisances(0.05 * rng.normal(size=1), np.array([0.05, 0.5, 0.7]) * rng.normal(size=(21, 3)))
    )

    def density(where):
        value, by_own, _ = likelihood.solve(light, ERRORS, system.of_pairs(where)[0], likelihood.start())
        return value + system.log_prior(where), by_own

    gradient = system.gradient(at, [density(at)[1]])
    for _ in range(4):
        way = JointNuisances(rng.normal(size=gradient.log_brightness.size), rng.normal(size=(21, 3)))
        ahead, behind = (density(at.moved(way, s * 1e-5))[0] for s in (1, -1))
        assert decrement(gradient, way) == pytest.approx((ahead - behind) / 2e-5, rel=1e-5, abs=1e-3)


def test_an_indefinite_information_counts_as_its_positive_part():
    """Steps stay finite and uphill where the density curves the wrong way."""
    rng = np.random.default_rng(2)
    system = NuisanceSystem([tied(rng, 4, 6, range(6), 0.2)])
    at = system.start()
    positive = np.array([np.diag([50.0, 3.0, 2.0])] * 24)
    wrong = positive.copy()
    wrong[:8, 0, 0] = -4000.0
    with pytest.raises(np.linalg.LinAlgError):
        system.factor([wrong], at)
    positive[:8, 0, 0] = 0.0
    gradient = system.gradient(at, [rng.normal(size=(24, 3))])
    step = factored(system, [wrong], at).solve(gradient)
    np.testing.assert_allclose(step.packed(), system.factor([positive], at).solve(gradient).packed())
    assert decrement(gradient, step) > 0
