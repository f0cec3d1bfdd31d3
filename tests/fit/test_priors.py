"""Priors of the layers: gradients against differences, switches."""

import numpy as np
import pytest

from iceopt.fit.config import DustConfig, PriorConfig, SmoothnessConfig
from iceopt.fit.priors import LayerPrior

CENTRES_M = np.array([1500.0, 1520.0, 1535.0, 1570.0, 1600.0])
CONFIGS = [
    PriorConfig(smoothness=SmoothnessConfig(on=smooth), dust=DustConfig(on=dust))
    for smooth in (True, False)
    for dust in (True, False)
]
EXPECTED_NAMES = {
    (True, True): [
        "ln_smooth_length",
        "ln_scattering_size",
        "ln_own_part",
        "dust_slope",
        "ln_dust_absorption",
        "ln_dust_scatter",
    ],
    (True, False): ["ln_smooth_length", "ln_scattering_size", "ln_own_part", "ln_absorption_size"],
    (False, True): ["dust_slope", "ln_dust_absorption", "ln_dust_scatter"],
    (False, False): [],
}


def random_point(prior, seed):
    rng = np.random.default_rng(seed)
    hyper = np.array([p.mean + 0.3 * p.sd * rng.standard_normal() for p in prior.hyperparameters])
    return np.log(20.0) + 0.3 * rng.standard_normal(5), np.log(90.0) + 0.3 * rng.standard_normal(5), hyper


@pytest.mark.parametrize("config", CONFIGS)
def test_gradient_matches_differences(config):
    prior = LayerPrior(config, CENTRES_M)
    assert [p.name for p in prior.hyperparameters] == EXPECTED_NAMES[config.smoothness.on, config.dust.on]
    point = random_point(prior, 1)
    gradients = prior.evaluate(*point)[1:]
    for which, gradient in enumerate(gradients):
        for i in range(gradient.size):
            values = []
            for sign in (1, -1):
                moved = [p.copy() for p in point]
                moved[which][i] += sign * 1e-5
                values.append(prior.evaluate(*moved)[0])
            assert gradient[i] == pytest.approx((values[0] - values[1]) / 2e-5, rel=1e-5, abs=1e-6)


@pytest.mark.parametrize("config", CONFIGS)
def test_many_at_once_are_the_same_as_one_by_one(config):
    prior = LayerPrior(config, CENTRES_M)
    points = [random_point(prior, seed) for seed in range(4)]
    many = prior.values(*(np.array(part) for part in zip(*points, strict=True)))
    np.testing.assert_allclose(many, [prior.evaluate(*p)[0] for p in points], rtol=1e-9)
