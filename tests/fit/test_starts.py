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


def profiles(layers):
    """Ice that gets clearer with depth; that scatters more and absorbs less; with dust amid; rough ice."""
    ramp, middle = np.linspace(-1.0, 1.0, layers), np.arange(layers) // (layers / 3.0) == 1
    yield np.r_[ramp, ramp]
    yield np.r_[-ramp, ramp]
    yield np.r_[-1.5 * middle, -1.5 * middle]
    yield 0.7 * np.random.default_rng(4).standard_normal(2 * layers)


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_four_starts_end_at_one_ice(tmp_path):
    campaign = read_campaign(SAMPLE)
    problem = Problem([(campaign, find_faults(campaign))], FitConfig())

    def ended(name, profile):
        store = Checkpoint(tmp_path / name, {}, resume=False)
        return climb(problem, store, lambda words, part: None, lambda: np.inf, profile)[0]

    first = ended("own", None)
    sd = np.sqrt(np.diag(first.covariance))
    layers = 2 * first.posterior.layers
    for number, profile in enumerate(profiles(layers // 2)):
        found = ended(str(number), profile)
        apart = (found.vector - first.vector)[:layers] / sd[:layers]
        print(
            f"start {number}: rms {np.sqrt(np.mean(apart**2)):.3f}, largest {np.abs(apart).max():.3f} errors"
        )
        # A tenth of an error is what a climb promises.
        assert np.sqrt(np.mean(apart**2)) < 0.1
