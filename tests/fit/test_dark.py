"""Dark rates: what the bins before the flash say of them, and that a wrong one does not pull a fit."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.integrate
import scipy.stats

from iceopt.fit.config import FitConfig
from iceopt.fit.dark import dark_rates
from iceopt.fit.maximum import find_maximum, with_covariance
from iceopt.fit.problem import Problem
from tests.fitting import all_far, exact, small_campaign, small_config


def test_rate_of_a_module_is_the_mean_of_its_posterior():
    """Prior times Poisson probability of the counts before the flash, integrated by quadrature."""
    campaign, _ = small_campaign(dark_rate_hz=5e4)
    found = dark_rates(campaign, all_far(campaign), 1e-4, 0.4)  # the level is the stated one
    module = 5
    mine = campaign.pair_module == module
    before = campaign.bin_edges_ns[1:] <= 0
    counted = campaign.counts[mine][:, before].sum()
    exposure_ns = mine.sum() * 200 * 500.0
    prior = scipy.stats.gamma(0.4**-2.0, scale=5e-5 * 0.4**2)

    def density(rate):
        return prior.pdf(rate) * scipy.stats.poisson.pmf(counted, rate * exposure_ns)

    whole, first, second = (
        scipy.integrate.quad(lambda x, n=n: x**n * density(x), 0, 2e-4, points=[5e-5], limit=200)[0]
        for n in range(3)
    )
    assert found.per_ns[module] == pytest.approx(first / whole, rel=1e-5)
    variance = second / whole - (first / whole) ** 2
    assert found.worth[module] == pytest.approx((first / whole) ** 2 / variance, rel=1e-4)


def test_a_stated_rate_that_is_wrong_for_all_is_found_out():
    campaign, _ = small_campaign(dark_rate_hz=5e4)
    wrong = replace(campaign, settings=replace(campaign.settings, dark_rate_hz=1.5e5))
    found = dark_rates(wrong, all_far(wrong), 0.5, 0.5)
    assert np.median(found.per_ns) * 1e9 == pytest.approx(5e4, rel=0.1)


def test_no_dark_noise_stays_none():
    campaign, _ = small_campaign(dark_rate_hz=0.0)
    assert not dark_rates(campaign, all_far(campaign), 0.5, 0.5).per_ns.any()


def layers_at_the_maximum(campaign, **nuisances):
    config = FitConfig.model_validate(small_config().model_dump() | {"nuisances": nuisances})
    problem = Problem([(campaign, all_far(campaign))], config, exact)
    vector = problem.first_guess()
    start = problem.posterior_at(vector, vector)
    found = find_maximum(problem, (start, vector), lambda words, at: None)
    return found.vector[:6], np.sqrt(np.diag(with_covariance(found).covariance))[:6], found


@pytest.mark.parametrize("factor", [3.0, pytest.param(1 / 3.0, marks=pytest.mark.slow)])
def test_a_dark_rate_stated_wrong_does_not_pull_the_fit(factor):
    """With dark rates held where they are stated it does, by several errors: the test can fail."""
    campaign, truth = small_campaign(dark_rate_hz=1e5, photons_per_pulse=2e9)
    wrong = replace(campaign, settings=replace(campaign.settings, dark_rate_hz=1e5 * factor))
    right, sd, _ = layers_at_the_maximum(campaign)
    free, _, found = layers_at_the_maximum(wrong)
    held, _, _ = layers_at_the_maximum(wrong, dark_level_spread=1e-3, dark_spread=1e-3)
    assert np.abs((held - right) / sd).max() > 1.0
    np.testing.assert_allclose((free - right) / sd, 0.0, atol=0.15)
    problem = Problem([(wrong, all_far(wrong))], small_config(), exact)
    own = problem.system.split(found.posterior.evaluate(found.vector).evaluation.nuisances)[0]
    rates = np.exp(own.log_dark) * problem.parts[0].dark_per_ns[problem.parts[0].observations.modules]
    np.testing.assert_allclose(rates * 1e9, truth.scenario.dark_rate_hz, rtol=0.2)
