"""Whole small fits of counts drawn from the fit's own light model."""

from dataclasses import replace

import numpy as np
import pytest

from iceopt.fit.bending import Bending, log_moves, principal_terms, straightened
from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.curvature import Metric, likelihood_information
from iceopt.fit.maximum import find_maximum
from iceopt.fit.outcome import fit
from iceopt.fit.problem import Problem
from iceopt.fit.standin import StandIn
from iceopt.ice.layers import Ice
from iceopt.light.model import LogSlopes
from tests.fitting import (
    EDGES_M,
    TRUE_ABSORPTION_M,
    TRUE_SCATTERING_M,
    all_far,
    exact,
    fitted,
    small_campaign,
    small_config,
    small_problem,
)


def test_fit_converges_and_says_so():
    outcome, _ = fitted()
    assert outcome.converged, outcome.verdict
    assert outcome.verdict.startswith("converged: ")
    assert outcome.diagnostics.worst_rhat < 1.01


def test_truth_is_within_its_intervals():
    outcome, truth = fitted()
    draws = outcome.corrected.draws.reshape(-1, outcome.corrected.draws.shape[2])
    true = np.log(np.r_[TRUE_SCATTERING_M, TRUE_ABSORPTION_M])
    pull = (true - draws[:, :6].mean(axis=0)) / draws[:, :6].std(axis=0)
    # Six pulls: beyond 3 in one of 60 fits by chance.
    assert np.abs(pull).max() < 3.0
    assert draws[:, :6].std(axis=0).max() < 0.2
    seen = outcome.problem.parts[0].observations
    for drawn, value in (
        (outcome.corrected.nuisances[0].offset_ns, truth.time_offset_ns[seen.modules]),
        (outcome.corrected.nuisances[0].log_efficiency, np.log(truth.efficiency[seen.modules])),
    ):
        flat = drawn.reshape(-1, value.size)
        pulls = (value - flat.mean(axis=0)) / flat.std(axis=0)
        assert 0.5 < np.sqrt(np.mean(pulls**2)) < 1.6


def test_clock_offsets_are_told_by_the_rising_edges():
    outcome, truth = fitted()
    seen = outcome.problem.parts[0].observations
    offset = outcome.corrected.nuisances[0].offset_ns.reshape(-1, seen.modules.size)
    assert offset.std(axis=0).mean() < 0.7 * outcome.problem.parts[0].ties.prior.offset_sd_ns
    assert np.corrcoef(offset.mean(axis=0), truth.time_offset_ns[seen.modules])[0, 1] > 0.6


def test_prediction_describes_the_counts():
    outcome, _ = fitted()
    seen = outcome.problem.parts[0].observations
    counts = outcome.problem.parts[0].campaign.counts[seen.pair]
    expected = outcome.predictions[0].mean
    total = np.sum(counts * seen.used) / np.sum(expected * seen.used)
    assert total == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(("kind", "stand_ins"), [("laplace", 0), ("ensemble", 1)])
def test_draws_of_the_normal_approximation_need_no_stand_in(kind, stand_ins, tmp_path):
    problem, _ = small_problem(small_config(kind=kind, draws=20))
    told = []
    outcome = fit(
        problem,
        Checkpoint(tmp_path / "checkpoint", {}, resume=False),
        lambda words, part: told.append(words),
    )
    assert outcome.run.draws.shape[1] == 20
    assert sum(words.startswith("expanding the likelihood") for words in told) == stand_ins


@pytest.mark.slow
def test_start_does_not_matter():
    problem, _ = small_problem()
    ends = []
    for scattering, absorption in ((10.0, 40.0), (45.0, 200.0)):
        ice = Ice(EDGES_M, [scattering] * 3, [absorption] * 3)
        posterior = problem.posterior(ice)
        vector = posterior.vector(ice, ln_pair_error=np.log(0.3), ln_profile_error=np.log(0.3))
        ends.append(find_maximum(problem, (posterior, vector), lambda words, at: None))
    sd = np.sqrt(np.diag(ends[0].covariance))
    assert np.max(np.abs(ends[0].vector - ends[1].vector) / sd) < 0.1


def test_log_density_gradient_matches_differences():
    outcome, _ = fitted()
    posterior, vector = outcome.maximum.posterior, outcome.maximum.vector + 0.01
    _, gradient = posterior.log_density_gradient(vector)
    for i in range(vector.size):
        step = np.zeros(vector.size)
        step[i] = 1e-4
        slope = (posterior.log_density(vector + step) - posterior.log_density(vector - step)) / 2e-4
        assert gradient[i] == pytest.approx(slope, rel=1e-3, abs=0.05)


def test_information_is_near_the_hessian_at_the_maximum():
    outcome, _ = fitted()
    posterior, vector = outcome.maximum.posterior, outcome.maximum.vector
    rows = []
    for i in range(vector.size):
        step = np.zeros(vector.size)
        step[i] = 1e-3
        ahead, behind = (posterior.log_likelihood_gradient(vector + s * step)[1] for s in (1, -1))
        rows.append((behind - ahead) / 2e-3)
    hessian = 0.5 * (np.array(rows) + np.array(rows).T)
    prior = posterior.hyperparameters
    own = np.array([name in [p.name for p in prior[:-3]] for name in posterior.names])
    hessian = hessian[np.ix_(~own, ~own)]
    found = likelihood_information(posterior, vector)
    assert not found[own].any()
    scale = np.sqrt(np.outer(hessian.diagonal(), hessian.diagonal()))
    # Gauss-Newton leaves out what the residuals add: small where the model describes the counts.
    np.testing.assert_allclose((found[np.ix_(~own, ~own)] - hessian) / scale, 0.0, atol=0.1)


def test_stand_in_is_near_the_posterior():
    outcome, _ = fitted()
    maximum = outcome.maximum
    stand_in = StandIn(maximum)
    root = np.linalg.cholesky(maximum.covariance)
    rng = np.random.default_rng(2)
    vectors = maximum.vector + rng.standard_normal((40, maximum.vector.size)) @ root.T
    vectors = np.array([v for v in vectors if maximum.posterior.inside(v)])
    difference = maximum.posterior.log_densities(vectors) - stand_in.log_densities(vectors)
    assert np.std(difference) < 1.0


def test_evaluation_does_not_depend_on_what_came_before():
    outcome, _ = fitted()
    posterior, vector = outcome.maximum.posterior, outcome.maximum.vector
    first = posterior.log_density(vector + 0.005)
    posterior.log_density(vector - 0.02)
    assert posterior.log_density(vector + 0.005) == first


def test_bent_coordinates_never_turn_back():
    """Where they did, places far off would look as good to the stand-in as near ones."""
    bending = Bending(
        directions=np.eye(2)[:, :1],
        reach=np.array([2.0]),
        direction=np.array([0]),
        terms=(np.array([[-0.45, 0.0]]), np.array([[1.0, 0.0]])),
        others=np.eye(2)[:, 1:],
        others_reach=np.array([2.0]),
        own_bends=np.array([[0.0, -0.45]]),
        bias=np.zeros((2, 2)),
        by_errors=np.zeros((3, 2, 2, 2)),
        error_reach=np.ones(3),
    )
    along = np.linspace(-8.0, 8.0, 65)
    along = np.unique(np.r_[along, np.linspace(-0.1, 0.1, 8)])
    for axis, width in zip(np.eye(2), (0.3, 0.15), strict=True):  # its own bend is held twice: sooner
        near = np.abs(along) < width
        bent = bending.bent(along[:, None] * axis) @ axis
        assert (np.diff(bent) > 0).all()
        np.testing.assert_allclose(bent[near], along[near] - 0.225 * along[near] ** 2, atol=1e-4)


def test_bent_coordinates_pull_gradients_back():
    """Against central differences; straightened moves of ln la come back by their inverse."""
    rng = np.random.default_rng(4)
    n, count = 8, 3
    directions, others = np.split(np.linalg.qr(rng.standard_normal((n, n)))[0], [count], axis=1)
    own_bends = 0.3 * rng.standard_normal((n - count, n))
    connection = rng.standard_normal((count, n, n))
    shape = rng.standard_normal((n, n))
    direction, terms = principal_terms(connection, np.full(count, 0.7), shape @ shape.T + np.eye(n))
    bending = Bending(
        directions=directions,
        reach=np.full(count, 2.0),
        direction=direction,
        terms=terms,
        others=others,
        others_reach=np.full(n - count, 1.5),
        own_bends=own_bends,
        bias=np.zeros((n, n)),
        by_errors=np.zeros((3, 2, n, n)),
        error_reach=np.ones(3),
    )
    moves, weight, step = 0.3 * rng.standard_normal(n), rng.standard_normal(n), 1e-5
    bent, pull_back = bending.bent_vjp(moves)
    along = directions.T @ moves
    other = 2.0 * moves - directions @ along
    in_full = moves + 0.5 * np.einsum("k,kij,j->i", 2.0 * np.tanh(along / 2.0), connection, other)
    in_full += 0.5 * (1.5 * np.tanh(others.T @ moves / 1.5)) ** 2 @ own_bends
    np.testing.assert_allclose(bent, in_full, rtol=1e-9)
    np.testing.assert_allclose(bending.bent(moves[None])[0], bent, rtol=1e-12)
    sides = [bending.bent(moves + sign * step * np.eye(n)) @ weight for sign in (1.0, -1.0)]
    np.testing.assert_allclose(pull_back(weight), (sides[0] - sides[1]) / (2.0 * step), rtol=1e-7)
    straight, slope = straightened(moves)
    np.testing.assert_allclose(log_moves(straight), moves, rtol=1e-12)
    ahead, behind = straightened(moves + step)[0], straightened(moves - step)[0]
    np.testing.assert_allclose(slope, (ahead - behind) / (2.0 * step), rtol=1e-8)


@pytest.mark.parametrize("layer", range(3))
def test_the_metric_marginalises_nuisances_by_the_curvatures_of_odd_pairs(layer):
    """A quarter of all pairs is six sizes off, where the density of a pair's error has next to no curvature.

    Charges change as with the scattering of a layer: second differences of the marginal likelihood along that
    against the metric's information.
    """
    campaign, _ = small_campaign()
    odd = np.exp(np.random.default_rng(4).choice([0.0] * 6 + [0.06, -0.06], len(campaign.counts)))
    campaign = replace(campaign, counts=np.rint(campaign.counts * odd[:, None]).astype(np.int32))
    problem = Problem([(campaign, all_far(campaign))], small_config(), exact)
    ice = Ice(EDGES_M, TRUE_SCATTERING_M, TRUE_ABSORPTION_M)
    first = problem.posterior(ice)
    vector = first.vector(ice, ln_pair_error=np.log(0.01), ln_profile_error=np.log(0.01))
    posterior = problem.renewed(first, vector)
    errors, signals = posterior.errors(vector), posterior.signals(ice)
    changed = np.array(TRUE_SCATTERING_M)
    changed[layer] *= 1.01
    moved = posterior.signals(Ice(EDGES_M, changed, TRUE_ABSORPTION_M))
    along = np.log(moved[0].sum(axis=1) / signals[0].sum(axis=1))[:, None]

    def value(x: float) -> float:
        return posterior.marginal.evaluate_vjp([signals[0] * np.exp(x * along)], errors)[0].value

    metric = Metric(posterior, posterior.evaluate(vector).evaluation, errors)
    groups = posterior.terms[0].likelihood.observations.counts.shape[1]
    change = [LogSlopes(np.repeat(along, groups, axis=1)[:, :, None], np.ones((len(along), 1, 1)))]
    step = 0.2 / np.sqrt(metric.information(change).item())
    differences = (2.0 * value(0.0) - value(step) - value(-step)) / step**2
    assert metric.information(change).item() == pytest.approx(differences, rel=2e-3)
