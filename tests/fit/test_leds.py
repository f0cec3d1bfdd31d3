"""Campaigns of single LEDs: the light model knows where they point, and what it does not know behind them."""

from dataclasses import replace

import numpy as np
import pytest

from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.climb import climb
from iceopt.fit.config import FitConfig
from iceopt.fit.problem import Problem
from iceopt.ice.layers import Ice
from iceopt.light.moments.model import LayeredMoments
from tests.fitting import (
    EDGES_M,
    TRUE_ABSORPTION_M,
    TRUE_SCATTERING_M,
    all_far,
    redrawn,
    small_campaign,
)

ICE = Ice(EDGES_M, TRUE_SCATTERING_M, TRUE_ABSORPTION_M)


def leds():
    """Counts by order 7, which fits do not use, of LEDs that point to three sides."""
    campaign, truth = small_campaign(pattern="single")
    return redrawn(campaign, truth, ICE, 5, lambda scene: LayeredMoments(scene, 7))


def climbed(campaign, folder):
    problem = Problem(
        [(campaign, all_far(campaign))], FitConfig.model_validate({"layers": {"edges_m": EDGES_M}})
    )
    return climb(problem, Checkpoint(folder, {}, False), lambda words, part: None, lambda: np.inf)[0]


@pytest.mark.slow
def test_the_ice_is_found_and_only_with_the_azimuths(tmp_path):
    campaign = leds()
    truth = np.log(np.r_[TRUE_SCATTERING_M, TRUE_ABSORPTION_M])
    found = climbed(campaign, tmp_path / "leds")
    error = np.sqrt(np.diag(found.covariance))[: truth.size]
    assert (error < 0.1).all()
    assert (abs(found.vector[: truth.size] - truth) < 3.5 * error).all()
    flashes = replace(campaign.flashes, azimuth_deg=np.full(len(campaign.flashes.run), np.nan))
    ring = replace(campaign, settings=replace(campaign.settings, emitter_pattern="ring"), flashes=flashes)
    blind = climbed(ring, tmp_path / "ring")
    assert found.posterior.log_density(found.vector) > blind.posterior.log_density(blind.vector) + 100.0
