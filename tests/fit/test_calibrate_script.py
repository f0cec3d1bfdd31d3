"""`scripts/calibrate`: truths are drawn from the prior that fits have; a run that stopped goes on."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


@pytest.fixture(scope="module")
def problem():
    sys.path.insert(0, str(SCRIPTS))
    try:
        import calibrate_problem

        yield calibrate_problem
    finally:
        sys.path.remove(str(SCRIPTS))


def test_ice_is_drawn_from_the_prior_of_fits(problem):
    """(x - mean)^T precision (x - mean) of the layers is chi-squared, by the fit's own density."""
    from iceopt.fit.priors import LayerPrior

    edges = np.array(problem.EDGES_M)
    prior = LayerPrior(problem.CONFIG.prior, 0.5 * (edges[1:] + edges[:-1]))
    layers, own = edges.size - 1, len(prior.hyperparameters)
    distances, hyper = [], []
    for seed in range(300):
        vector, _, _ = problem.draw_ice(np.random.default_rng(seed))
        at = vector[2 * layers : 2 * layers + own]
        best = np.linalg.solve(
            prior.precision(at), np.concatenate(prior.evaluate(np.zeros(layers), np.zeros(layers), at)[1:3])
        )
        top, here = (prior.evaluate(x[:layers], x[layers:], at)[0] for x in (best, vector[: 2 * layers]))
        distances.append(2.0 * (top - here))
        hyper.append([(x - p.mean) / p.sd for x, p in zip(at, prior.hyperparameters, strict=True)])
    assert scipy.stats.kstest(distances, scipy.stats.chi2(2 * layers).cdf).pvalue > 0.01
    assert scipy.stats.kstest(np.ravel(hyper), "norm").pvalue > 0.01


def test_counts_are_drawn_around_the_truth(problem):
    drawn = problem.draw(3)
    again = problem.draw(3)
    np.testing.assert_array_equal(drawn.campaign.counts, again.campaign.counts)
    assert drawn.truth.size == len(problem.names_of(len(problem.EDGES_M) - 1))
    before = drawn.campaign.bin_edges_ns[1:] <= 0
    assert drawn.campaign.counts[:, ~before].mean() > 10 * drawn.campaign.counts[:, before].mean()


@pytest.mark.slow
def test_ten_simulations_and_again(tmp_path):
    command = [sys.executable, str(SCRIPTS / "calibrate"), "ranks", str(tmp_path / "kept"), "--draws", "10"]
    first = subprocess.run(command, capture_output=True, text=True, check=True, timeout=560)
    assert "10 of 10" in first.stderr
    assert "ln le 1" in first.stdout
    (tmp_path / "kept" / "gradient_4.json").unlink()
    second = subprocess.run(command, capture_output=True, text=True, check=True, timeout=300)
    assert "1 of 1" in second.stderr
    assert second.stdout == first.stdout
