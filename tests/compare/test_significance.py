"""Tests of tests: against scipy, against exact distributions, and by simulation of nothing."""

import numpy as np
import pytest
import scipy.linalg
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from iceopt.compare.significance import (
    benjamini_hochberg,
    changed_bands,
    explained_by_bands,
    joint_probability,
    shrunk_correlation,
    two_sided,
)


@given(hnp.arrays(float, hnp.array_shapes(max_dims=2, max_side=30), elements=st.floats(0.0, 1.0)))
def test_false_discovery_rates_are_scipys(probability):
    expected = scipy.stats.false_discovery_control(probability.ravel(), method="bh")
    np.testing.assert_allclose(benjamini_hochberg(probability).ravel(), expected, rtol=1e-12)


def test_the_example_of_benjamini_and_hochberg():
    """Fifteen comparisons of their example, four of them named at 0.05 (digits from memory)."""
    p = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
        0.6528, 0.7590, 1.0,
    ]  # fmt: skip
    assert (benjamini_hochberg(np.array(p)) <= 0.05).sum() == 4


def test_two_sided_probability_is_that_of_a_t_test():
    sample = np.random.default_rng(1).normal(0.4, 1.0, 12)
    expected = scipy.stats.ttest_1samp(sample, 0.0).pvalue
    sd = sample.std(ddof=1) / np.sqrt(sample.size)
    np.testing.assert_allclose(two_sided(sample.mean(), sd, sample.size), expected)


def test_shrinking_is_none_for_many_draws_and_whole_for_few_of_independent_quantities():
    rng = np.random.default_rng(1)
    x = rng.standard_normal((100_000, 1)) + rng.standard_normal((100_000, 5))
    np.testing.assert_allclose(shrunk_correlation(x, 100_000), np.corrcoef(x.T), atol=1e-3)
    few = rng.standard_normal((30, 40))
    shrunk = shrunk_correlation(few, 30)
    assert abs(shrunk - np.eye(40)).mean() < 0.2 * abs(np.corrcoef(few.T) - np.eye(40)).mean()
    assert np.linalg.eigvalsh(shrunk).min() > 0.01
    # Two layers that are one: still positive.
    assert np.linalg.eigvalsh(shrunk_correlation(np.repeat(x[:200, :1], 2, axis=1), 200)).min() > 0


def test_joint_probability_is_that_of_chi_square():
    """For Gaussian changes x^T S^-1 x is chi-square (any textbook), in the middle and far beyond."""
    rng = np.random.default_rng(2)
    root = np.linalg.cholesky(0.6 ** abs(np.subtract.outer(np.arange(6), np.arange(6))))
    for length in (1.5, 2.5, 5.0):
        middle = root @ (length * np.full(6, 6**-0.5))
        halves = middle + rng.standard_normal((2, 20_000, 6)) @ root.T
        expected = scipy.stats.chi2.sf(length**2, 6)
        np.testing.assert_allclose(
            joint_probability(*halves, 20_000), expected, rtol=0.1 if length < 4 else 0.5
        )


@pytest.mark.parametrize("draws", [60, 400])
def test_joint_probability_is_uniform_if_nothing_changed(draws):
    """Fifty quantities, fewer draws than those or more: how often p < 0.1 and < 0.5 by simulation."""
    rng = np.random.default_rng(3)
    root = np.linalg.cholesky(0.8 ** abs(np.subtract.outer(np.arange(50), np.arange(50))))
    found = []
    for _ in range(300):
        middle = root @ rng.standard_normal(50)
        halves = middle + rng.standard_normal((2, draws // 2, 50)) @ root.T
        found.append(joint_probability(*halves, draws / 2))
    # Three standard deviations of a binomial of 300 above the rate; few draws may make it cautious.
    assert 0.02 < np.mean(np.array(found) < 0.1) < 0.1 + 3 * np.sqrt(0.1 * 0.9 / 300)
    assert 0.35 < np.mean(np.array(found) < 0.5) < 0.5 + 3 * np.sqrt(0.25 / 300)


def test_bands_that_are_planted_are_found_and_no_layer_counts_twice():
    rng = np.random.default_rng(4)
    truth = np.zeros((2, 20))
    truth[0, 5:9] = 1.0
    truth[1, 12:14] = -2.0
    draws = truth + rng.standard_normal((2, 2000, 2, 20)) * 0.3
    thickness = np.full(20, 10.0)
    bands = changed_bands(*draws, thickness, 0.01, 4000)
    assert {(b.kind, b.first, b.last) for b in bands} == {(0, 5, 8), (1, 12, 13)}
    changes = {b.kind: b.change.mean() for b in bands}
    np.testing.assert_allclose([changes[0], changes[1]], [1.0, -2.0], atol=0.05)


def test_a_band_shows_where_none_of_its_layers_does():
    """Eight layers of 2 standard deviations each: 2 sqrt(8) = 5.7 together."""
    rng = np.random.default_rng(5)
    truth = np.zeros((1, 40))
    truth[0, 10:18] = 2.0
    draws = truth + rng.standard_normal((2, 2000, 1, 40))
    both = np.concatenate(draws)
    q = benjamini_hochberg(two_sided(both.mean(axis=0), both.std(axis=0), len(both)))
    assert not (q <= 0.05).any()
    (band,) = changed_bands(*draws, np.full(40, 10.0), 0.05, 4000)
    assert (band.first, band.last) == (10, 17)


def test_thick_layers_weigh_more():
    draws = np.array([1.0, 1.2]) + np.random.default_rng(6).standard_normal((2, 500, 1, 2)) * 0.01
    (band,) = changed_bands(*draws, np.array([30.0, 10.0]), 0.05, 1000)
    assert (band.first, band.last) == (0, 1)
    np.testing.assert_allclose(band.change.mean(), (30.0 * 1.0 + 10.0 * 1.2) / 40.0, atol=0.002)


def test_what_a_band_explains_is_that_of_generalised_least_squares():
    """Against a fit of one size to all cells by scipy, on axes in which their errors are independent."""
    rng = np.random.default_rng(7)
    shape = rng.standard_normal((12, 12))
    draws = rng.standard_normal((200_000, 12)) @ shape.T
    middle = rng.standard_normal((2, 6))
    root = np.linalg.cholesky(shape @ shape.T)
    explained = explained_by_bands(middle, draws.reshape(-1, 2, 6), 1e12)
    seen = scipy.linalg.solve_triangular(root, middle.ravel(), lower=True)
    for kind, first, last in ((0, 0, 0), (0, 2, 4), (1, 1, 5)):
        band = np.zeros((2, 6))
        band[kind, first : last + 1] = 1.0
        band = scipy.linalg.solve_triangular(root, band.ravel(), lower=True)[:, None]
        left = scipy.linalg.lstsq(band, seen)[1]
        assert explained[kind, first, last] == pytest.approx(seen @ seen - left, rel=0.05)
    assert not explained[:, 3, :3].any()


def test_edges_are_found_where_neighbours_errors_go_against_one_another():
    """There sums over wide bands are known so well that the widest stand out most, far beyond the change."""
    rng = np.random.default_rng(8)
    mix = np.eye(30) - 0.95 * np.eye(30, k=1)
    truth = np.zeros(30)
    truth[10:13] = 4.0
    exact = 0
    for _ in range(30):
        middle = truth + mix @ rng.standard_normal(30)
        draws = middle + rng.standard_normal((2, 500, 30)) @ mix.T
        bands = changed_bands(*draws[:, :, None], np.full(30, 10.0), 0.05, 1000)
        exact += any((b.first, b.last) == (10, 12) for b in bands)
    # 0.87 of 60 trials, these among them; the bands that stand out most, none, and are wrong by 21 layers.
    assert exact >= 22
