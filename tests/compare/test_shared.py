"""Modules that both seasons have: against the exact Gaussian answer, and by simulation."""

import dataclasses

import numpy as np
import pytest

from iceopt.compare.comparison import compare
from iceopt.compare.shared import SharedModules, depth_groups, drift, shared_modules, with_same_modules
from tests.compare.seasons import MODULES, season_with_modules, unchanged_truth


def test_update_is_that_of_conditioning_a_gaussian():
    """Any textbook on x | d = 0: mean m_x - S_xd S_dd^-1 m_d, covariance S_xx - S_xd S_dd^-1 S_dx.

    Here d is the means of twenty groups of two modules, and S_dd holds the drift.
    """
    rng = np.random.default_rng(1)
    draws, modules = 200_000, 40
    depth = np.arange(float(modules))
    groups = depth_groups(depth, 1e9)
    noise = rng.standard_normal((draws, 3))
    ratio = 0.05 * noise[:, :1] * np.sign(depth - 19.5) + 0.02 * rng.standard_normal((draws, modules))
    ratio += 0.03 * np.sin(depth)
    ratio -= ratio.mean(axis=1, keepdims=True)
    change = 0.1 * noise + 0.2
    shared = SharedModules(ratio, depth, float(draws))
    tau = drift(shared)
    updated = with_same_modules(change, shared, rng)

    away = (groups @ (tau**2 * (np.eye(modules) - 1 / modules)) @ groups.T)[1:, 1:]
    d = (ratio @ groups.T)[:, 1:]  # the groups' sum is 0
    joint = np.cov(np.hstack([change, d]).T)
    gain = joint[:3, 3:] @ np.linalg.inv(joint[3:, 3:] + away)
    np.testing.assert_allclose(updated.mean(axis=0), change.mean(axis=0) - gain @ d.mean(axis=0), atol=2e-3)
    np.testing.assert_allclose(np.cov(updated.T), joint[:3, :3] - gain @ joint[:3, 3:].T, atol=2e-4)


@pytest.mark.parametrize("true", [0.0, 0.03, 0.1])
def test_drift_is_found_beside_larger_errors_that_modules_share(true):
    """Errors of 0.05 common to ten modules each would hide the drift from the variance alone.

    It may come out too large, the safe side, by no more than what is not known of a single module, 0.01.
    """
    rng = np.random.default_rng(2)
    found = []
    for _ in range(20):
        common = np.repeat(np.eye(10), 10, axis=0)

        def errors(n, common=common):
            return 0.05 * rng.standard_normal((n, 10)) @ common.T + 0.01 * rng.standard_normal((n, 100))

        ratio = errors(1) + true * rng.standard_normal(100) + errors(1000)
        ratio -= ratio.mean(axis=1, keepdims=True)
        found.append(drift(SharedModules(ratio, np.arange(100.0), 1000)))
    assert -0.1 * true <= np.mean(found) - true < 0.01


def test_modules_are_matched_by_name():
    old = (np.log([[1.0, 2.0, 4.0]]), ("a", "b", "c"))
    new = (np.log([[8.0, 2.0, 9.0]]), ("c", "b", "x"))
    shared = shared_modules(old, new, np.array([1.0, 2.0, 3.0]), 100.0)
    np.testing.assert_array_equal(shared.depth_m, [2.0, 3.0])
    np.testing.assert_allclose(shared.log_ratio, [[-np.log(2) / 2, np.log(2) / 2]])


def test_groups_are_few_for_few_draws_and_none_for_too_few():
    depth = np.random.default_rng(1).uniform(0, 100, 50)
    assert depth_groups(depth, 1e6).shape == (20, 50)
    assert depth_groups(depth, 100.0).shape == (5, 50)
    assert len(depth_groups(depth, 10.0)) == 0
    np.testing.assert_allclose(depth_groups(depth, 100.0).sum(axis=1), 1.0)


def test_the_same_modules_sharpen_a_comparison_and_keep_it_honest():
    """Drift as large as in practice (0.026): intervals halve, and hold the truth as often as they should."""
    rng = np.random.default_rng(3)
    truth = unchanged_truth(20)
    pulls, ratio, drifts, found = [], [], [], []
    for trial in range(60):
        efficiency = 0.1 * rng.standard_normal(MODULES)
        old = season_with_modules(truth, efficiency, rng)
        new = season_with_modules(truth, efficiency + 0.026 * rng.standard_normal(MODULES), rng)
        together = compare(old, new, 0.05, trial)
        apart = compare(dataclasses.replace(old, log_efficiency=None), new, 0.05, trial)
        sd = together.change.std(axis=0)
        pulls.append(together.change.mean(axis=0) / sd)
        ratio.append((sd / apart.change.std(axis=0))[0].mean())
        drifts.append(together.drift)
        found.append(together.anything)
    assert together.shared == MODULES
    assert np.mean(ratio) < 0.6
    np.testing.assert_allclose(np.mean(drifts), 0.026, rtol=0.15)
    # 2400 pulls, correlated; a root mean square of 1.1 would be intervals a tenth too narrow.
    assert 0.9 < np.sqrt(np.mean(np.square(pulls))) < 1.1
    assert np.mean(found) < 0.1 + 3 * np.sqrt(0.1 * 0.9 / 60)
