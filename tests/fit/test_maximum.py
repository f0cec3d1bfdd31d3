"""The search along a step, and where steps may go."""

from types import SimpleNamespace

import numpy as np

from iceopt.fit.maximum import LARGEST_DECREMENT, _risen, find_maximum
from tests.fitting import small_problem


def ridge(precision, best):
    """A normal density within wide bounds."""
    return SimpleNamespace(
        bounds=[(-50.0, 50.0)] * len(best),
        log_density=lambda x: float(-0.5 * (x - best) @ precision @ (x - best)),
    )


def test_a_step_that_cutting_turns_downhill_is_shortened_as_a_whole():
    # A narrow ridge along (1, 10): cut to 0.5 by component, Newton's step leads off it.
    along, across = np.array([1.0, 10.0]) / np.sqrt(101), np.array([10.0, -1.0]) / np.sqrt(101)
    precision = 1e-2 * np.outer(along, along) + 1e6 * np.outer(across, across)
    best = 0.4 * np.sqrt(101) * along
    target, start = ridge(precision, best), np.zeros(2)
    value = target.log_density(start)
    step = best - start
    cut = np.clip(step, -0.5, 0.5)
    assert (precision @ (best - start)) @ cut < 1e-3 * (cut @ precision @ cut)  # hardly any way goes up
    found = _risen(target, start, value, step)
    assert found is not None
    assert target.log_density(found) > value


def test_at_the_top_no_step_rises():
    target = ridge(np.eye(2), np.zeros(2))
    assert _risen(target, np.zeros(2), 0.0, np.array([0.3, -0.2])) is None


def test_a_step_within_reach_is_taken_whole():
    target = ridge(np.eye(2), np.array([0.3, -0.2]))
    np.testing.assert_array_equal(
        _risen(target, np.zeros(2), target.log_density(np.zeros(2)), np.array([0.3, -0.2])), [0.3, -0.2]
    )


def test_steps_keep_to_the_directions_that_are_given():
    """Too clear by a factor of three, all layers together: the level comes back, and nothing else moves."""
    problem, _ = small_problem()
    n = 2 * (problem.edges_m.size - 1)
    guess = problem.first_guess()
    best = find_maximum(problem, (problem.posterior_at(guess, guess), guess), lambda *told: None)
    start = best.vector.copy()
    start[:n] += np.log(3.0)
    level = np.kron(np.eye(2), np.ones((n // 2, 1)))
    posterior = problem.posterior_at(start, start)
    found = find_maximum(problem, (posterior, start), lambda *told: None, along=level)
    moved = (found.vector - start)[:n].reshape(2, -1)
    np.testing.assert_allclose(moved, moved[:, :1] * np.ones(n // 2), atol=1e-12)
    assert found.decrement < LARGEST_DECREMENT
    np.testing.assert_allclose(moved[:, 0], -np.log(3.0), atol=0.02)
