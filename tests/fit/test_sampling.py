"""The ensembles, the correction and the checkpoint on targets whose answer is known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from iceopt.errors import InputError
from iceopt.fit.checkpoint import Checkpoint, pack_random_state, unpack_random_state
from iceopt.fit.config import SamplerConfig
from iceopt.fit.correction import efficiency, pareto_k, resampled, smoothed
from iceopt.fit.ensemble import Ensembles
from iceopt.fit.limits import LARGEST_K

MEAN = np.array([1.0, -2.0, 0.5])
COVARIANCE = np.array([[1.0, 0.8, 0.0], [0.8, 1.0, -0.3], [0.0, -0.3, 0.5]])


class Gaussian:
    def __init__(self):
        self.precision = np.linalg.inv(COVARIANCE)
        self.calls = 0

    def log_densities(self, vectors):
        self.calls += 1
        away = vectors - MEAN
        return -0.5 * np.einsum("ki,ij,kj->k", away, self.precision, away)


def run(store, target=None, time_left_s=lambda: 1e9, seed=4, **settings):
    config = SamplerConfig(**({"ensembles": 2, "draws": 1500, "walkers": 16} | settings))
    sampler = Ensembles(config, seed)
    # A poor normal approximation: the answer must not depend on it.
    return sampler.run(
        target or Gaussian(),
        MEAN + 0.5,
        2.0 * np.eye(3),
        store,
        time_left_s,
        lambda words: None,
        config.draws,
    )


@pytest.fixture
def store(tmp_path):
    return Checkpoint(tmp_path / "checkpoint", {"a": "1"}, resume=False)


def test_ensembles_recover_a_correlated_gaussian(store):
    found = run(store)
    assert found.converged, found.stopped_by
    assert found.steps > 50 * found.tau
    assert 0.15 < found.acceptance < 0.7
    draws = found.draws.reshape(-1, 3)
    np.testing.assert_allclose(draws.mean(axis=0), MEAN, atol=0.1)
    np.testing.assert_allclose(np.cov(draws.T), COVARIANCE, atol=0.15)
    np.testing.assert_allclose(Gaussian().log_densities(draws), found.log_density.ravel(), rtol=1e-9)


def test_too_few_steps_are_said_in_words(store):
    found = run(store, most_steps=50)
    assert not found.converged
    assert "step limit" in found.stopped_by
    assert "are needed" in found.stopped_by or "stuck" in found.stopped_by


def test_time_limit_is_said_in_words(store):
    found = run(store, time_left_s=lambda: 0.0)
    assert not found.converged
    assert "time limit" in found.stopped_by


def test_stuck_walkers_do_not_pass(store):
    class Spike(Gaussian):
        def log_densities(self, vectors):
            start = self.calls == 0 or len(vectors) == 16
            self.calls += 1
            return np.zeros(len(vectors)) if start else np.full(len(vectors), -np.inf)

    found = run(store, Spike(), most_steps=200)
    assert not found.converged
    assert np.isnan(found.tau)
    assert "stuck" in found.stopped_by


def test_stopped_and_resumed_run_ends_as_one_never_stopped(tmp_path):
    whole = run(Checkpoint(tmp_path / "whole", {}, resume=False), most_steps=400, taus=1e6)
    folder = tmp_path / "parts"
    run(Checkpoint(folder, {}, resume=False), most_steps=150, taus=1e6)
    parts = run(Checkpoint(folder, {}, resume=True), most_steps=400, taus=1e6)
    np.testing.assert_array_equal(whole.draws, parts.draws)
    np.testing.assert_array_equal(whole.log_density, parts.log_density)


def test_same_seed_same_draws_and_another_seed_others(tmp_path):
    found = [
        run(Checkpoint(tmp_path / str(i), {}, resume=False), most_steps=60, seed=s).draws
        for i, s in enumerate((1, 1, 2))
    ]
    np.testing.assert_array_equal(found[0], found[1])
    assert not np.array_equal(found[0], found[2])


def test_resampling_corrects_a_wrong_stand_in():
    # Proposals from N(0, 1.5^2), target N(0.5, 1): moments must be the target's.
    rng = np.random.default_rng(8)
    x = 1.5 * rng.standard_normal(60_000)
    log_weight = -0.5 * (x - 0.5) ** 2 + 0.5 * (x / 1.5) ** 2
    held = x[resampled(log_weight, rng)]
    assert held.mean() == pytest.approx(0.5, abs=0.03)
    assert held.std() == pytest.approx(1.0, abs=0.03)
    assert pareto_k(log_weight) < LARGEST_K
    # Mean weight, squared, over the mean squared weight: integrals of normal densities.
    a = 1.0 - 0.5 / 1.5**2
    mean_squared = np.exp(0.25 / a - 0.25) / np.sqrt(2.0 * a) / 1.5
    assert efficiency(log_weight) == pytest.approx(1.5**-2.0 / mean_squared, rel=0.02)


@given(st.lists(st.floats(-30.0, 3.0), min_size=1, max_size=60), st.integers(0, 99))
def test_resampling_draws_each_as_often_as_its_weight_says(weights, seed):
    log_weight = np.array(weights)
    often = np.bincount(resampled(log_weight, np.random.default_rng(seed)), minlength=log_weight.size)
    wanted = log_weight.size * np.exp(log_weight) / np.exp(log_weight).sum()
    assert (np.abs(often - wanted) < 1.0 + 1e-9).all()


def test_pareto_k_tells_a_stand_in_that_is_too_narrow():
    # Target N(0, 1), proposals N(0, s^2): the weights' tail is Pareto with k = 1 - s^2 up to a slowly
    # varying factor (from P(w > t) for w = exp(x^2 (1/s^2 - 1)/2)).
    x = np.random.default_rng(9).standard_normal(20_000)
    found = [pareto_k(0.5 * x**2 - 0.5 * (s * x) ** 2) for s in (0.9, 0.7, 0.3)]
    assert found[0] < 0.5 < found[1] + 0.2
    assert found[2] > LARGEST_K


def test_equal_weights_are_no_reason_to_complain():
    assert pareto_k(np.full(500, 3.0)) < LARGEST_K
    assert np.isnan(pareto_k(np.array([1.0, 2.0])))


def test_checkpoint_gives_back_what_it_was_given(store):
    arrays = {"x": np.arange(6.0).reshape(2, 3), "n": np.array(5)}
    store.write("stage", 0, arrays)
    store.write("stage", 1, arrays)
    again = Checkpoint(store.folder, {"a": "1"}, resume=True).read("stage")
    assert len(again) == 2
    for name, value in arrays.items():
        np.testing.assert_array_equal(again[1][name], value)


def test_half_written_piece_is_not_read(store):
    store.write("stage", 0, {"x": np.zeros(2)})
    (store.folder / "stage-000001.part").write_bytes(b"half")
    assert len(store.read("stage")) == 1


def test_resume_refuses_another_fit_and_names_what_differs(store):
    with pytest.raises(InputError, match=r"its a, b differ"):
        Checkpoint(store.folder, {"a": "2", "b": "3"}, resume=True)


def test_resume_without_anything_to_resume_is_refused(tmp_path):
    with pytest.raises(InputError, match="no unfinished fit"):
        Checkpoint(tmp_path / "none", {}, resume=True)


def test_unfinished_fit_is_not_overwritten(store):
    with pytest.raises(InputError, match="--resume"):
        Checkpoint(store.folder, {"a": "1"}, resume=False)


def test_random_state_survives_packing():
    random = np.random.RandomState(3)
    random.standard_normal(7)
    again = np.random.RandomState()
    again.set_state(unpack_random_state(pack_random_state(random.get_state())))
    np.testing.assert_array_equal(random.standard_normal(5), again.standard_normal(5))


def test_smoothed_weights_are_quantiles_of_their_tail():
    """A Pareto tail of shape 1/2 stays one, and an odd weight no longer stands out.

    Quantiles of the generalised Pareto distribution after Vehtari et al., J. Mach. Learn. Res. 25, 72 (2024).
    """
    weight = np.random.default_rng(6).pareto(2.0, 4000) + 1.0
    weight[17] = 20.0 * weight.max()
    found = smoothed(np.log(weight))
    changed = np.flatnonzero(found != np.log(weight))
    assert 0 < changed.size <= 3.0 * np.sqrt(weight.size)
    assert np.exp(found[changed]).min() >= np.sort(weight)[-changed.size - 1]
    assert np.argmax(found) == 17
    assert found[17] < np.log(weight[17]) - 1.0
    ranks = np.sort(np.exp(found))[::-1][[20, 60]]
    assert ranks == pytest.approx((np.array([20, 60]) / weight.size) ** -0.5, rel=0.2)
    few = np.array([1.0, 2.0])
    assert smoothed(few) is few
