"""What is added to a stand-in, against differences that are known."""

from types import SimpleNamespace

import numpy as np
import pytest

from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.refined import Refined, refine, slope_and_curvature
from iceopt.fit.standin import StandIn
from tests.fitting import fitted

SIZE = 12


class Gaussian:
    """Log likelihood that is quadratic, with a flat prior."""

    threaded = False

    def __init__(self, slope, curvature):
        self.slope, self.curvature, self.asked = slope, curvature, 0

    def log_densities(self, vectors):
        return vectors @ self.slope + 0.5 * np.einsum("ki,ij,kj->k", vectors, self.curvature, vectors)

    def log_likelihood_gradient(self, vector):
        self.asked += 1
        return float(self.log_densities(vector[None])[0]), self.slope + self.curvature @ vector

    log_density_gradient = log_likelihood_gradient


def known(rng):
    """Stand-in, and a maximum whose posterior differs from it by a slope and a curvature."""
    root = np.tril(rng.standard_normal((SIZE, SIZE))) + 3.0 * np.eye(SIZE)
    covariance = root @ root.T
    inverse = np.linalg.inv(covariance)
    stand_in = Gaussian(np.zeros(SIZE), -inverse)
    shape = rng.standard_normal((SIZE, SIZE))
    curvature = 0.28 * (shape + shape.T) / np.abs(np.linalg.eigvalsh(shape + shape.T)).max()
    whiten = np.linalg.inv(root)
    full = Gaussian(whiten.T @ (0.3 * rng.standard_normal(SIZE)), -inverse + whiten.T @ curvature @ whiten)
    return stand_in, SimpleNamespace(vector=np.zeros(SIZE), covariance=covariance, posterior=full)


def refined(stand_in, maximum, folder, time_left_s=lambda: 1.0, resume=False):
    store = Checkpoint(folder, {"of": "a test"}, resume)
    return refine(stand_in, maximum, 5, store, time_left_s, lambda words: None)


def test_all_directions_tell_slope_and_curvature_exactly():
    rng = np.random.default_rng(1)
    shape, slope = rng.standard_normal((SIZE, SIZE)), rng.standard_normal(SIZE)
    curvature = 0.28 * (shape + shape.T) / np.abs(np.linalg.eigvalsh(shape + shape.T)).max()
    directions = np.linalg.qr(rng.standard_normal((SIZE, SIZE)))[0]
    pairs = np.array([[slope + 2.0 * curvature @ u, slope - 2.0 * curvature @ u] for u in directions])
    found = slope_and_curvature(directions, pairs, 2.0)
    np.testing.assert_allclose(found[0], slope, rtol=1e-12)
    np.testing.assert_allclose(found[1], curvature, atol=1e-12)


def test_some_directions_are_agreed_with_and_the_rest_is_left():
    """Powell's update: what was measured is met, and nothing is added where nothing was."""
    rng = np.random.default_rng(2)
    shape = rng.standard_normal((SIZE, SIZE))
    curvature = 0.28 * (shape + shape.T) / np.abs(np.linalg.eigvalsh(shape + shape.T)).max()
    directions = np.linalg.qr(rng.standard_normal((SIZE, SIZE)))[0]
    pairs = np.array([[3.0 * curvature @ u, -3.0 * curvature @ u] for u in directions[:5]])
    found = slope_and_curvature(directions, pairs, 3.0)[1]
    np.testing.assert_allclose(found @ directions[:5].T, curvature @ directions[:5].T, atol=1e-12)
    np.testing.assert_allclose(directions[5:] @ found @ directions[5:].T, 0.0, atol=1e-12)


def test_what_is_not_finite_is_left_out_and_curvature_is_held():
    pairs = np.array([[[4.0, 0.0], [-4.0, 0.0]], [[np.nan, 0.0], [0.0, 0.0]]])
    slope, curvature = slope_and_curvature(np.eye(2), pairs, 2.0)
    assert np.isfinite(slope).all()
    assert np.linalg.eigvalsh(curvature).max() == pytest.approx(0.9)
    assert not slope_and_curvature(np.eye(2), np.full((2, 2, 2), np.inf), 1.0)[1].any()


def test_difference_of_known_densities_is_found_for_the_most_part(tmp_path):
    stand_in, maximum = known(np.random.default_rng(3))
    target = refined(stand_in, maximum, tmp_path / "checkpoint")
    vectors = np.random.default_rng(4).standard_normal((400, SIZE)) @ np.linalg.cholesky(maximum.covariance).T
    full = maximum.posterior.log_densities(vectors)
    before, after = (np.var(full - of.log_densities(vectors)) for of in (stand_in, target))
    # All of the slope, and half of the curvature in nine of twelve directions: a quarter of its squares is
    # left there, and (3/12)^2 of all besides.
    assert after < 0.25 * before


def test_gradient_matches_differences_near_and_far():
    rng = np.random.default_rng(6)
    stand_in, maximum = known(rng)
    root = np.linalg.cholesky(maximum.covariance)
    shape = 0.1 * rng.standard_normal((SIZE, SIZE))
    target = Refined(stand_in, maximum.vector, root, rng.standard_normal(SIZE), shape + shape.T)
    for distance in (0.5, 1.5, 3.0):  # from near to where it has levelled off
        place = rng.standard_normal(SIZE)
        vector = root @ (place * distance * np.sqrt(SIZE) / np.linalg.norm(place))
        value, gradient = target.log_density_gradient(vector)
        assert value == pytest.approx(target.log_densities(vector[None])[0], rel=1e-12)
        sides = [target.log_densities(vector + sign * 1e-5 * np.eye(SIZE)) for sign in (1.0, -1.0)]
        np.testing.assert_allclose(gradient, (sides[0] - sides[1]) / 2e-5, rtol=1e-6, atol=1e-6)


def test_what_is_added_levels_off_where_a_stand_in_falls_slowly():
    """A curvature of 0.9 on a stand-in that has 0.5 of its own: wider draws, which do not drift away."""
    stand_in = Gaussian(np.zeros(2), -0.5 * np.eye(2))
    target = Refined(stand_in, np.zeros(2), np.eye(2), np.zeros(2), np.diag([0.9, 0.0]))
    t = np.linspace(-40.0, 40.0, 8001)
    density = target.log_densities(np.stack([t, np.zeros_like(t)], axis=1))
    weight = np.exp(density - density.max())
    assert 2.0 < np.sqrt(np.sum(weight * t**2) / weight.sum()) < 8.0  # without what was added: 1.41
    assert density[0] == pytest.approx(-0.25 * 40.0**2 + 0.9 * 16.0, rel=1e-9)


def test_goes_on_with_what_is_stored(tmp_path):
    stand_in, maximum = known(np.random.default_rng(7))
    whole = refined(stand_in, maximum, tmp_path / "whole")
    left = iter([1.0] * 4 + [0.0])
    refined(stand_in, maximum, tmp_path / "stopped", lambda: next(left))
    asked = maximum.posterior.asked
    resumed = refined(stand_in, maximum, tmp_path / "stopped", resume=True)
    assert maximum.posterior.asked - asked == 2 * (9 - 4)
    vectors = np.random.default_rng(8).standard_normal((5, SIZE))
    np.testing.assert_array_equal(resumed.log_densities(vectors), whole.log_densities(vectors))


def test_a_fits_stand_in_comes_nearer_to_its_posterior(tmp_path):
    outcome, _ = fitted()
    maximum = outcome.maximum
    stand_in = StandIn(maximum)
    target = refined(stand_in, maximum, tmp_path / "checkpoint")
    places = np.random.default_rng(2).standard_normal((60, maximum.vector.size))
    vectors = maximum.vector + places @ np.linalg.cholesky(maximum.covariance).T
    vectors = np.array([v for v in vectors if maximum.posterior.inside(v)])
    full = maximum.posterior.log_densities(vectors)
    before, after = (np.std(full - of.log_densities(vectors)) for of in (stand_in, target))
    assert after < before
