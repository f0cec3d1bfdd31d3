"""The climb on the sample campaign from very different ice: it must end where it ends from its own start."""

from pathlib import Path

import numpy as np
import pytest

from iceopt.campaign.check import find_faults
from iceopt.campaign.read import read_campaign
from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.climb import climb
from iceopt.fit.config import FitConfig
from iceopt.fit.problem import Problem

SAMPLE = Path(__file__).parents[2] / "sample_runs/skarv_demo"


def starts(problem):
    """Very clear ice, very dark ice, ice that gets clearer with depth, ice that is rough."""
    layers = problem.edges_m.size - 1
    ramp, ones = np.linspace(-1.0, 1.0, layers), np.ones(layers)
    rough = 0.7 * np.random.default_rng(4).standard_normal((2, layers))
    own = problem.first_guess()
    for scattering, absorption in (
        (np.log(60.0) * ones, np.log(250.0) * ones),
        (np.log(7.0) * ones, np.log(30.0) * ones),
        (np.log(20.0) + ramp, np.log(80.0) + ramp),
        (np.log(20.0) + rough[0], np.log(80.0) + rough[1]),
    ):
        yield np.r_[scattering, absorption, own[2 * layers :]]


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_four_starts_end_at_one_ice(tmp_path):
    campaign = read_campaign(SAMPLE)
    problem = Problem([(campaign, find_faults(campaign))], FitConfig())

    def ended(name, start):
        store = Checkpoint(tmp_path / name, {}, resume=False)
        return climb(problem, store, lambda words, part: None, lambda: np.inf, start)[0]

    first = ended("own", None)
    sd = np.sqrt(np.diag(first.covariance))
    layers = 2 * first.posterior.layers
    for number, start in enumerate(starts(problem)):
        found = ended(str(number), start)
        apart = (found.vector - first.vector)[:layers] / sd[:layers]
        print(
            f"start {number}: rms {np.sqrt(np.mean(apart**2)):.3f}, largest {np.abs(apart).max():.3f} errors"
        )
        assert np.sqrt(np.mean(apart**2)) < 0.3
