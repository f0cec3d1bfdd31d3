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


def test_a_held_climb_keeps_errors_and_prior_and_comes_back_from_afar():
    """Too clear by a factor of three: it ends where it ends from nearby, and moves nothing but layers."""
    problem = small_problem()[0].with_normal_errors()
    n = 2 * (problem.edges_m.size - 1)

    def climbed(start):
        posterior = problem.posterior_at(start, start)
        return find_maximum(problem, (posterior, start), lambda *told: None, held=True)

    guess = problem.first_guess()
    afar = guess + np.r_[np.full(n, np.log(3.0)), np.zeros(guess.size - n)]
    near, found = climbed(guess), climbed(afar)
    np.testing.assert_array_equal(found.vector[n:], afar[n:])
    assert found.decrement < LARGEST_DECREMENT
    sd = np.sqrt(np.diag(near.covariance))[:n]
    assert np.abs((found.vector - near.vector)[:n] / sd).max() < 0.2


def test_a_first_guess_keeps_the_course_with_depth_and_takes_its_level_from_the_counts():
    problem, _ = small_problem()
    layers = problem.edges_m.size - 1
    course = np.linspace(-0.3, 0.3, 2 * layers)
    one, other = problem.first_guess(course), problem.first_guess(course + np.repeat([2.0, -1.5], layers))
    np.testing.assert_allclose(one, other, atol=1e-12)
    np.testing.assert_allclose(np.diff(one[:layers]), np.diff(course[:layers]), atol=1e-12)
    np.testing.assert_allclose(np.diff(one[layers : 2 * layers]), np.diff(course[layers:]), atol=1e-12)
    # The small campaign is made in ice of about 12 m and 95 m; levels are a factor of 1.5 to 2 apart.
    scattering, absorption = np.exp(problem.first_guess()[[0, layers]])
    assert 8.0 <= scattering <= 18.0
    assert 55.0 <= absorption <= 180.0
