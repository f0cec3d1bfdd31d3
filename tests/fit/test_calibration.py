"""Ranks of simulation-based calibration, on a posterior that is known, right and wrong."""

import numpy as np
import pytest

from iceopt.fit.calibration import rank, uniformity

MANY = 99


def ranks(widened, shifted, simulations=2000):
    """Normal mean with a normal prior: the posterior is normal with half the variance (any textbook)."""
    rng = np.random.default_rng(3)
    found = []
    for _ in range(simulations):
        truth = rng.standard_normal()
        seen = truth + rng.standard_normal()
        draws = seen / 2 + shifted + widened * np.sqrt(0.5) * rng.standard_normal((2, 200, 1))
        found.append(rank(draws, np.array([truth]), MANY)[0])
    return np.array(found)


def test_a_right_posterior_has_uniform_ranks():
    found = uniformity(ranks(1.0, 0.0), MANY)
    assert found.chi_squared > 0.01
    assert abs(found.middle) < 3
    assert abs(found.width) < 3


@pytest.mark.parametrize(("widened", "sign"), [(0.8, 1), (1.25, -1)])
def test_intervals_of_a_wrong_width_are_found(widened, sign):
    found = uniformity(ranks(widened, 0.0), MANY)
    assert found.chi_squared < 1e-4
    assert sign * found.width > 5


def test_a_bias_is_found():
    found = uniformity(ranks(1.0, -0.2), MANY)
    assert found.chi_squared < 1e-4
    assert found.middle > 5


def test_scores_of_uniform_ranks_are_standard():
    rng = np.random.default_rng(1)
    found = [uniformity(rng.integers(0, MANY + 1, 200), MANY) for _ in range(2000)]
    for name in ("middle", "width"):
        scores = np.array([getattr(u, name) for u in found])
        assert scores.mean() == pytest.approx(0.0, abs=0.1)
        assert scores.std() == pytest.approx(1.0, abs=0.06)
    p = np.array([u.chi_squared for u in found])
    assert np.mean(p < 0.05) == pytest.approx(0.05, abs=0.02)
