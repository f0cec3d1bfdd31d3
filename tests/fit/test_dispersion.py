"""Dispersion of the counts: against closed forms, and against counts that were made to scatter."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.fit.dispersion import carried_over, chi_square, classes_of, of_pairs, solved
from iceopt.fit.likelihood import ErrorModel, Likelihood
from iceopt.ice.layers import Ice
from iceopt.light.counts import expected_counts
from iceopt.light.model import windows
from tests.fitting import EDGES_M, TRUE_ABSORPTION_M, TRUE_SCATTERING_M, small_problem
from tests.light.moments.scenes import make_scene


def dense_chi_square(departure, weight, size, correlation):
    """Generalised least squares with the covariance written out, a free level taken off."""
    n = departure.size
    together = np.eye(n)
    for i in range(n):
        for j in range(i + 1, n):
            together[i, j] = together[j, i] = np.prod(correlation[i:j])
    precision = np.linalg.inv(np.diag(1.0 / weight) + np.outer(size, size) * together)
    level = precision.sum(axis=0)
    return departure @ precision @ departure - (level @ departure) ** 2 / level.sum()


@given(st.integers(2, 8), st.integers(0, 1000))
@settings(max_examples=30, deadline=None)
def test_chi_square_is_that_of_generalised_least_squares(groups, seed):
    # Aitken, Proc. R. Soc. Edinburgh 55, 42 (1936).
    rng = np.random.default_rng(seed)
    departure, size = rng.normal(size=groups), rng.uniform(0.01, 0.5, groups)
    weight, correlation = rng.uniform(1, 100, groups), rng.uniform(0.1, 0.95, groups)
    found = chi_square(departure[None], np.array([groups]), weight[None], size[None], correlation[None])
    assert found[0] == pytest.approx(dense_chi_square(departure, weight, size, correlation), rel=1e-8)


def test_without_other_errors_it_is_pearsons_ratio():
    # The worth of the prior is 50 degrees of freedom: with 10,000 it moves the answer by half a per cent.
    of_class, freedom = np.repeat([0, 1, 2], 1000), np.full(3000, 10)
    chi = np.repeat([25.0, 10.0, 4.0], 1000)
    found = solved(of_class, freedom, lambda dispersion: chi / dispersion)
    for k, want in enumerate((2.5, 1.0, 1.0)):
        assert found[of_class == k] == pytest.approx(want, rel=0.01)


def test_a_pair_without_counts_says_nothing():
    weight = np.array([[0.0, 0.0, 0.0], [50.0, 30.0, 20.0]])
    departure = np.array([[0.0, 0.0, 0.0], [0.2, -0.1, 0.1]])
    found = chi_square(departure, np.array([3, 3]), weight, np.full((2, 3), 0.05), np.full((2, 3), 0.5))
    assert found[0] == 0.0 and found[1] > 0.0


def test_a_few_groups_say_little():
    found = solved(
        np.zeros(2, dtype=int), np.array([3, 2]), lambda dispersion: np.array([20.0, 5.0]) / dispersion
    )
    assert found == pytest.approx(75.0 / 55.0, rel=1e-3)


def test_an_odd_pair_has_its_own_and_speaks_little_for_its_class():
    """One pair of 200 with a chi-square of 70,000 would make the class's dispersion 18 if it were heard."""
    of_class, freedom = np.zeros(200, dtype=int), np.full(200, 20)
    chi = np.r_[70000.0, np.full(199, 30.0)]
    found = solved(of_class, freedom, lambda dispersion: chi / dispersion)
    assert found[1:] == pytest.approx(1.5, rel=0.03)
    assert found[0] == pytest.approx(3500.0, rel=0.01)


def test_a_class_that_scatters_much_as_a_whole_is_not_odd():
    found = solved(
        np.zeros(200, dtype=int), np.full(200, 20), lambda dispersion: np.full(200, 600.0) / dispersion
    )
    assert found == pytest.approx(30.0, rel=0.03)


def test_other_pairs_have_the_dispersion_of_their_class():
    fitted = make_scene([1700.0] * 4, [1700.0, 1850.0, 1830.0, 1704.0], [120.0, 120.0, 0.0, 118.0])
    other = make_scene([1800.0] * 4, [1930.0, 1801.0, 1800.0, 1950.0], [0.0, 119.0, 300.0, 120.0])
    found = carried_over(fitted, np.array([1.5, 2.0, 3.0, 80.0]), other)  # the last one is odd
    np.testing.assert_array_equal(found, [3.0, 1.5, 1.0, 2.0])


def test_pairs_of_like_distance_and_range_are_one_class():
    scene = make_scene([1700.0] * 4, [1700.0, 1705.0, 1850.0, 1830.0], [120.0, 121.0, 120.0, 0.0])
    found = classes_of(scene)
    assert found[0] == found[1]
    assert len(set(found)) == 3


@pytest.mark.parametrize("scatter", [1.0, 4.0])
def test_counts_made_to_scatter_are_found_out(scatter):
    # Negative binomial counts around the light model: their variance is so many times Poisson's.
    part = small_problem()[0].parts[0]
    signal = part.light.first.expected(Ice(EDGES_M, TRUE_SCATTERING_M, TRUE_ABSORPTION_M))
    seen, own = part.observations, np.zeros((len(part.observations.pair), 3))
    counts = expected_counts(signal, own[:, 0], own[:, 1], seen.dark_per_bin, seen.bin_ns)
    expected = windows(counts, seen.first, seen.stop)
    rng = np.random.default_rng(3)
    drawn = rng.poisson(rng.gamma(expected / (scatter - 1.0), scatter - 1.0) if scatter > 1 else expected)
    likelihood = Likelihood(
        replace(seen, counts=drawn.astype(float)), ErrorModel(0.5, 2.0), signal, np.full(signal.shape, 1e-12)
    )
    found = of_pairs(likelihood, signal, np.log([0.01, 1.0, 1e-3]), own)
    assert np.mean(found) == pytest.approx(scatter, rel=0.1)


def test_the_log_density_of_the_counts_is_divided_by_the_dispersion():
    # With the model's errors held at nothing and tight nuisances: Wedderburn, Biometrika 61, 439 (1974).
    part = small_problem()[0].parts[0]
    one, other = (
        part.light.first.expected(Ice(EDGES_M, lengths, TRUE_ABSORPTION_M))
        for lengths in (TRUE_SCATTERING_M, (14.1, 9.1, 12.1))
    )
    many, errors = len(part.observations.pair), np.log([1e-7, 1.0, 1e-7])
    values = []
    for dispersion in (1.0, 3.0):
        likelihood = Likelihood(
            part.observations,
            ErrorModel(0.5, None),
            one,
            np.full(one.shape, 1e-12),
            dispersion=np.full(many, dispersion),
        )
        own = np.zeros((many, 3))
        a, b = (
            likelihood.solve(likelihood.light(s), errors, own, likelihood.start())[0] for s in (one, other)
        )
        values.append(a - b)
    assert abs(values[0]) > 1.0
    assert values[1] == pytest.approx(values[0] / 3.0, rel=1e-6)


def test_gradient_knows_of_the_dispersion():
    problem = small_problem()[0]
    rng = np.random.default_rng(1)
    scatter = [rng.uniform(1.0, 3.0, d.size) for d in problem.no_dispersion()]
    ice = Ice(EDGES_M, TRUE_SCATTERING_M, TRUE_ABSORPTION_M)
    errors = np.log([0.05, 1.0, 0.04])
    posterior = problem.posterior(ice, errors, dispersions=scatter)
    signal = posterior.signals(ice)[0]
    by_signal = posterior.marginal.evaluate_vjp([signal], errors)[1][0]
    for _ in range(3):
        move = 1e-3 * signal * rng.standard_normal(signal.shape)
        ahead, behind = (posterior.marginal.evaluate([signal + s * move], errors).value for s in (1.0, -1.0))
        assert np.sum(by_signal * move) == pytest.approx((ahead - behind) / 2.0, rel=1e-3, abs=1e-4)
