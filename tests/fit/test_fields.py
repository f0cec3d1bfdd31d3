"""Densities of smooth fields: against the covariance written out, as scipy's normal distribution."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from iceopt.fit.fields import NUGGET, log_densities, log_density


def covariance(depth_m, level_sd, log_size, log_length, log_part):
    """Matern 3/2: Rasmussen, Williams, Gaussian Processes for Machine Learning (2006), eq. 4.17."""
    r = np.sqrt(3.0) * np.abs(depth_m[:, None] - depth_m) / np.exp(log_length)
    shape = (1.0 + r) * np.exp(-r) + (NUGGET + np.exp(2.0 * log_part)) * np.eye(depth_m.size)
    return np.exp(2.0 * log_size) * shape + level_sd**2


def written_out(x, depth_m, *rest):
    together = covariance(depth_m, *rest)
    return multivariate_normal(np.zeros(x.size), together).logpdf(x) + 0.5 * x.size * np.log(2.0 * np.pi)


@st.composite
def fields(draw):
    layers = draw(st.integers(1, 40))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    depth_m = 1500.0 + np.cumsum(rng.uniform(2.0, 30.0, layers))
    level_sd = draw(st.sampled_from([0.0, 0.7]))
    log_size, log_length = np.log(draw(st.floats(0.05, 2.0))), np.log(draw(st.floats(3.0, 100.0)))
    rest = level_sd, log_size, log_length, draw(st.sampled_from([-np.inf, -3.0, -1.0, 0.5]))
    root = np.linalg.cholesky(covariance(depth_m, *rest))
    return root @ rng.standard_normal(layers), depth_m, *rest


@given(fields())
@settings(max_examples=50, deadline=None)
def test_density_is_that_of_the_covariance_written_out(field):
    x, depth_m, *rest = field
    value = log_density(x, np.diff(depth_m), *rest)[0]
    # The matrices' condition is up to 1e7.
    assert value == pytest.approx(written_out(*field), rel=1e-8, abs=1e-8)


@given(fields())
@settings(max_examples=50, deadline=None)
def test_derivatives_are_those_of_the_covariance_written_out(field):
    x, depth_m, _, log_size, log_length, log_part = field
    _, by_x, by_size, by_length, by_part = log_density(x, np.diff(depth_m), *field[2:])
    inverse = np.linalg.inv(covariance(*field[1:]))
    alpha = inverse @ x
    # d log N = tr((alpha alpha^T - S^-1) dS) / 2: Rasmussen, Williams (2006), eq. 5.9.
    weight = 0.5 * (np.outer(alpha, alpha) - inverse)
    r = np.sqrt(3.0) * np.abs(depth_m[:, None] - depth_m) / np.exp(log_length)
    size_moves = 2.0 * covariance(depth_m, 0.0, log_size, log_length, log_part)
    length_moves = np.exp(2.0 * log_size) * r**2 * np.exp(-r)
    np.testing.assert_allclose(by_x, -alpha, rtol=1e-6, atol=1e-7 * np.abs(alpha).max())
    scale = np.sum(np.abs(weight * size_moves)) + 1.0
    assert by_size == pytest.approx(np.sum(weight * size_moves), abs=1e-7 * scale)
    assert by_length == pytest.approx(np.sum(weight * length_moves), abs=1e-7 * scale)
    part_moves = 2.0 * np.exp(2.0 * (log_size + log_part)) * np.eye(x.size)
    assert by_part == pytest.approx(np.sum(weight * part_moves), abs=1e-7 * scale)


def test_many_at_once_are_the_same_as_one_by_one():
    rng = np.random.default_rng(3)
    x, steps_m = rng.standard_normal((4, 6)), rng.uniform(5.0, 20.0, 5)
    sizes, lengths, parts = rng.normal(-1.0, 0.3, 4), rng.normal(3.4, 0.3, 4), rng.normal(-1.5, 0.3, 4)
    found = log_densities(x, steps_m, 0.7, sizes, lengths, parts)
    one_by_one = [log_density(x[k], steps_m, 0.7, sizes[k], lengths[k], parts[k])[0] for k in range(4)]
    np.testing.assert_array_equal(found, one_by_one)
