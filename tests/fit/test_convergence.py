"""R-hat and effective sample sizes against ArviZ, and numbers that must not pass as converged."""

import numpy as np
import pytest

from iceopt.fit.convergence import diagnose

arviz = pytest.importorskip("arviz")


def autoregressive(chains, draws, rho, seed):
    rng = np.random.default_rng(seed)
    x = np.zeros((chains, draws))
    for i in range(1, draws):
        x[:, i] = rho * x[:, i - 1] + rng.standard_normal(chains)
    return x


# Not for short and sticky chains: how the sum ends when it never turns negative is a convention.
@pytest.mark.parametrize(
    ("rho", "draws"), [(-0.3, 101), (0.0, 101), (0.5, 101), (-0.3, 1000), (0.5, 1000), (0.95, 1000)]
)
def test_diagnostics_are_arvizs(rho, draws):
    x = autoregressive(4, draws, rho, seed=2)
    found = diagnose(x[:, :, None])
    assert found.rhat[0] == pytest.approx(float(arviz.rhat(x)), rel=1e-6)
    assert found.ess_bulk[0] == pytest.approx(float(arviz.ess(x)), rel=0.02)
    assert found.ess_tail[0] == pytest.approx(float(arviz.ess(x, method="tail", prob=(0.05, 0.95))), rel=0.02)


def test_chains_apart_are_seen():
    x = autoregressive(4, 500, 0.3, seed=3)
    x[0] += 3.0
    assert diagnose(x[:, :, None]).worst_rhat > 1.1


@pytest.mark.parametrize("spoil", ["stuck", "nan", "infinite"])
def test_stuck_or_unfit_chains_are_nan(spoil):
    x = autoregressive(2, 200, 0.0, seed=4)
    x[1] = {"stuck": 1.0, "nan": np.nan, "infinite": np.inf}[spoil]
    found = diagnose(np.stack([x, autoregressive(2, 200, 0.0, seed=5)], axis=2))
    assert np.isnan(found.worst_rhat)
    assert np.isnan(found.least_ess)
