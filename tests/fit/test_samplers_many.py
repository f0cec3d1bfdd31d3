"""Samplers for many parameters on targets whose answers are known, and the mixing of a climb's iterates."""

import numpy as np
import pytest
import scipy.linalg
import scipy.stats

from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.climb import mixed
from iceopt.fit.config import SamplerConfig
from iceopt.fit.convergence import diagnose
from iceopt.fit.correction import resampled
from iceopt.fit.gradient import NoUTurn
from iceopt.fit.laplace import NormalDraws
from iceopt.fit.outcome import make_sampler
from tests.fitting import small_config


class Correlated:
    """Normal in 60 dimensions with strong correlations."""

    size, threaded = 60, False

    def __init__(self):
        shape = np.random.default_rng(4).standard_normal((self.size, self.size))
        self.covariance = shape @ shape.T / self.size + 0.02 * np.eye(self.size)
        self.precision = np.linalg.inv(self.covariance)

    def log_densities(self, vectors):
        return -0.5 * np.einsum("ki,ij,kj->k", vectors, self.precision, vectors)

    def log_density_gradient(self, vector):
        return float(-0.5 * vector @ self.precision @ vector), -self.precision @ vector


class Funnel:
    """Neal's funnel (Ann. Stat. 31, 705 (2003)), mild: v ~ N(0, 1), x_i ~ N(0, exp(v/2)) for nine x."""

    size, threaded = 10, False

    def log_densities(self, vectors):
        v, x = vectors[:, 0], vectors[:, 1:]
        return -0.5 * v**2 - 0.5 * np.exp(-v) * np.sum(x**2, axis=1) - 4.5 * v

    def log_density_gradient(self, vector):
        v, x = vector[0], vector[1:]
        inverse = np.exp(-v)
        by_v = -v + 0.5 * inverse * x @ x - 4.5
        return float(self.log_densities(vector[None])[0]), np.r_[by_v, -inverse * x]


def run_of(sampler, target, covariance, folder, draws, time_left_s=lambda: 1e9):
    store = Checkpoint(folder / "checkpoint", {}, resume=False)
    return sampler.run(
        target, np.zeros(target.size), covariance, store, time_left_s, lambda words: None, draws
    )


def test_no_u_turn_recovers_a_correlated_normal(tmp_path):
    target = Correlated()
    run = run_of(NoUTurn(SamplerConfig(), 3), target, 1.5 * target.covariance, tmp_path, 500)
    assert run.converged
    draws = run.draws.reshape(-1, target.size)
    white = draws @ scipy.linalg.inv(scipy.linalg.cholesky(target.covariance))
    # 2000 draws, hardly correlated: a standard error of 0.022 of each mean, of 0.016 of each sd.
    assert np.abs(white.mean(axis=0)).max() < 0.1
    assert np.abs(white.std(axis=0) - 1.0).max() < 0.08
    np.testing.assert_allclose(run.log_density[0], target.log_densities(run.draws[0]), rtol=1e-9)


def test_no_u_turn_recovers_a_funnel(tmp_path):
    run = run_of(NoUTurn(SamplerConfig(), 5), Funnel(), np.eye(10), tmp_path, 800)
    v = run.draws[:, :, :1]
    error = 1.0 / np.sqrt(diagnose(v).ess_bulk[0])
    assert abs(v.mean()) < 4 * error
    assert abs(v.std() - 1.0) < 4 * error


class Walled:
    """Normal in two dimensions, cut off at two standard deviations; no density can be had beyond."""

    size, threaded = 2, False
    wall = 2.0

    def log_densities(self, vectors):
        return np.array([self.log_density_gradient(v)[0] for v in vectors])

    def log_density_gradient(self, vector):
        if vector[0] > self.wall:
            return -np.inf, np.zeros(self.size)
        return float(-0.5 * vector @ vector), -vector


def test_paths_end_at_the_bounds_of_a_target(tmp_path):
    target = Walled()
    run = run_of(NoUTurn(SamplerConfig(), 5), target, np.eye(2), tmp_path, 300)
    draws = run.draws[:, :, 0].ravel()
    assert draws.max() <= target.wall
    exact = scipy.stats.truncnorm(-np.inf, target.wall)
    own_error = draws.std() / np.sqrt(diagnose(run.draws).ess_bulk[0])
    assert draws.mean() == pytest.approx(exact.mean(), abs=4.0 * own_error)
    assert draws.std() == pytest.approx(exact.std(), rel=0.1)


def test_no_u_turn_goes_on_as_if_it_had_not_stopped(tmp_path):
    target = Correlated()
    whole = run_of(NoUTurn(SamplerConfig(), 3), target, target.covariance, tmp_path, 60)
    store = Checkpoint(tmp_path / "parts", {}, resume=False)
    start = np.zeros(target.size)
    calls = iter([1.0] * 3 + [0.0] * 99)
    short = NoUTurn(SamplerConfig(), 3)
    first = short.run(target, start, target.covariance, store, lambda: next(calls), lambda words: None, 60)
    assert first.draws.shape[1] < 60
    assert first.stopped_by == "the time limit"
    rest = short.run(target, start, target.covariance, store, lambda: 1e9, lambda words: None, 60)
    np.testing.assert_array_equal(rest.draws, whole.draws)


def test_a_run_of_more_draws_begins_with_those_of_fewer(tmp_path):
    """Whether it goes on from these or starts anew."""
    target, sampler = Correlated(), NoUTurn(SamplerConfig(), 3)
    few = run_of(sampler, target, target.covariance, tmp_path / "few", 25)
    many = run_of(sampler, target, target.covariance, tmp_path / "many", 47)
    assert (few.draws.shape[1], many.draws.shape[1]) == (25, 47)
    # A product of matrices rounds otherwise when it has more rows.
    np.testing.assert_allclose(many.draws[:, :25], few.draws, rtol=1e-12)
    np.testing.assert_allclose(many.log_density[:, :25], few.log_density, rtol=1e-12)
    store = Checkpoint(tmp_path / "few" / "checkpoint", {}, resume=True)
    start = np.zeros(target.size)
    longer = sampler.run(target, start, target.covariance, store, lambda: 1e9, lambda words: None, 47)
    np.testing.assert_array_equal(longer.draws, many.draws)


@pytest.mark.parametrize("processes", [1, 3])
def test_draws_do_not_depend_on_the_number_of_processes(tmp_path, monkeypatch, processes):
    monkeypatch.setattr("iceopt.fit.gradient.get_num_threads", lambda: 2)
    usual = run_of(NoUTurn(SamplerConfig(), 3), Correlated(), np.eye(60), tmp_path / "usual", 20)
    monkeypatch.setattr("iceopt.fit.gradient.get_num_threads", lambda: processes)
    other = run_of(NoUTurn(SamplerConfig(), 3), Correlated(), np.eye(60), tmp_path / "other", 20)
    np.testing.assert_array_equal(usual.draws, other.draws)


def test_corrected_normal_draws_recover_a_target_that_is_not_normal(tmp_path):
    """x with density exp(-x^4/4 - x^2/2): its variance by quadrature."""
    grid = np.linspace(-6, 6, 4001)
    density = np.exp(-(grid**4) / 4 - grid**2 / 2)
    variance = np.sum(density * grid**2) / np.sum(density)

    class Target:
        size, threaded = 1, False

        def log_densities(self, vectors):
            return -(vectors[:, 0] ** 4) / 4 - vectors[:, 0] ** 2 / 2

        def log_density_gradient(self, vector):
            return float(self.log_densities(vector[None])[0]), -(vector**3) - vector

    target = Target()
    run = run_of(NormalDraws(SamplerConfig(), 8), target, np.eye(1), tmp_path, 4000)
    kept = []
    for chain in range(run.draws.shape[0]):
        weight = target.log_densities(run.draws[chain]) - run.log_density[chain]
        kept.append(run.draws[chain, resampled(weight, np.random.default_rng(chain)), 0])
    assert np.var(np.concatenate(kept)) == pytest.approx(variance, rel=0.05)


def test_the_sampler_goes_by_the_number_of_parameters():
    config = small_config()
    assert type(make_sampler(config, 40)).__name__ == "Ensembles"
    assert type(make_sampler(config, 41)).__name__ == "NoUTurn"
    chosen = config.with_options(kind="laplace")
    assert type(make_sampler(chosen, 40)).__name__ == "NormalDraws"


def test_mixing_finds_the_fixed_point_of_a_linear_map():
    """Anderson's mixing of n + 1 iterates of an affine map in n dimensions gives its fixed point exactly."""
    rng = np.random.default_rng(2)
    matrix = np.diag([0.95, 0.6, -0.3])
    offset = rng.standard_normal(3)
    fixed = np.linalg.solve(np.eye(3) - matrix, offset)
    begun = [rng.standard_normal(3) for _ in range(4)]
    ended = [matrix @ b + offset for b in begun]
    np.testing.assert_allclose(mixed(begun, ended, np.array([1.0, 2.0, 0.5])), fixed, atol=1e-9)
    np.testing.assert_array_equal(mixed(begun[:1], ended[:1], np.ones(3)), ended[0])
