"""Several campaigns of one site in one fit."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.linalg

from iceopt.errors import InputError
from iceopt.fit.config import FitConfig
from iceopt.fit.curvature import likelihood_information
from iceopt.fit.hyperparameters import Expansion
from iceopt.fit.likelihood import ERROR_NAMES
from iceopt.fit.maximum import normal_covariance
from iceopt.fit.problem import Problem
from iceopt.ice.layers import Ice
from iceopt.light.counts import expected_counts
from iceopt.light.model import windows
from tests.fitting import (
    EDGES_M,
    TRUE_ABSORPTION_M,
    TRUE_SCATTERING_M,
    all_far,
    exact,
    small_campaign,
    small_config,
)

ICE = Ice(EDGES_M, TRUE_SCATTERING_M, TRUE_ABSORPTION_M)
ERRORS = {"ln_pair_error": np.log(0.03), "pair_error_growth": 0.2, "ln_profile_error": np.log(0.02)}
SIZES = np.array([ERRORS[name] for name in ERROR_NAMES])


def problem_of(*campaigns, config=None):
    return Problem([(c, all_far(c)) for c in campaigns], config or small_config(), exact)


def posterior_at(problem):
    """Posterior with its reference at the true ice, and the vector of that."""
    posterior = problem.posterior(ICE, SIZES)
    return posterior, posterior.vector(ICE, **ERRORS)


@pytest.fixture(scope="module")
def campaigns():
    """Two campaigns of one site: other flashes, clocks and counts, the same modules and efficiencies."""
    first, truth = small_campaign(flash_every=3)
    second, _ = small_campaign(
        seed=12,
        efficiency=truth.efficiency,
        flash_every=4,
        bin_ns=20.0,
        stop_ns=2000.0,
        photons_per_pulse=1e10,
    )
    return first, replace(second, settings=replace(second.settings, season="2041"))


def test_order_of_the_campaigns_does_not_matter(campaigns):
    one, vector = posterior_at(problem_of(*campaigns))
    other, _ = posterior_at(problem_of(*campaigns[::-1]))
    for moved in (vector, vector + 0.02, vector - 0.05):
        value, slope = one.log_density_gradient(moved)
        value_other, slope_other = other.log_density_gradient(moved)
        # The reference is renewed three times, not until it stands still.
        assert value == pytest.approx(value_other, abs=1e-4)
        np.testing.assert_allclose(slope, slope_other, rtol=1e-5, atol=1e-3)
    found = likelihood_information(one, vector), likelihood_information(other, vector)
    np.testing.assert_allclose(*found, rtol=1e-4, atol=1e-3 * np.abs(found[0]).max())


def test_a_campaign_without_light_changes_nothing(campaigns):
    """Its modules hang elsewhere, so that no pair of it lies as one of the other and shares its error."""
    config = FitConfig.model_validate(small_config().model_dump() | {"data": {"least_counts": 0.0}})
    dark, _ = small_campaign(photons_per_pulse=1e-6, dark_rate_hz=0.0, line_spacing_m=97.0, top_m=1509.0)
    modules = replace(dark.modules, name=tuple(f"Z{name}" for name in dark.modules.name))
    dark = replace(dark, modules=modules)
    alone, vector = posterior_at(problem_of(campaigns[0], config=config))
    both, _ = posterior_at(problem_of(campaigns[0], dark, config=config))
    # A constant of the data may differ.
    change = [
        p.evaluate(vector + 0.03).log_likelihood - p.evaluate(vector).log_likelihood for p in (alone, both)
    ]
    assert change[0] == pytest.approx(change[1], rel=1e-6)
    information = [likelihood_information(p, vector) for p in (alone, both)]
    np.testing.assert_allclose(*information, atol=1e-5 * np.abs(information[0]).max())


def test_joint_errors_are_smaller_than_each_alone(campaigns):
    spread = []
    for chosen in (campaigns[:1], campaigns[1:], campaigns):
        posterior, vector = posterior_at(problem_of(*chosen))
        slope = posterior.log_likelihood_gradient(vector)[1]
        at = Expansion(vector, slope, likelihood_information(posterior, vector))
        covariance = normal_covariance(posterior, at)
        spread.append(np.sqrt(np.diag(covariance))[:6])
    assert (spread[2] < spread[0]).all()
    assert (spread[2] < spread[1]).all()


def test_a_dim_campaign_takes_nothing_from_a_bright_one_that_it_repeats(campaigns):
    """Errors that alike pairs share are split by counts: the sum tells what all counts in one pair would."""
    dim, _ = small_campaign(seed=13, flash_every=3, photons_per_pulse=2e7)
    alone, vector = posterior_at(problem_of(campaigns[0]))
    both, _ = posterior_at(problem_of(campaigns[0], dim))
    found = [np.linalg.eigvalsh(likelihood_information(p, vector)[:6, :6]) for p in (alone, both)]
    assert (found[1] > 0.99 * found[0]).all()


def expected_of(part, values, charge, shape, sizes, ice):
    """Expected counts of the groups of a campaign with all that the fit marginalises, shape (pair, group)."""
    seen = part.observations
    light = expected_counts(
        part.light.first.expected(ice),
        values.log_brightness[seen.run] + values.log_efficiency[seen.module],
        values.offset_ns[seen.module],
        np.zeros(len(seen.pair)),
        seen.bin_ns,
    )
    errors = np.exp(charge[:, None] + sizes * shape)
    dark = seen.dark * np.exp(values.log_dark[seen.module])[:, None]
    return windows(light, seen.first, seen.stop) * errors + dark


def test_posterior_is_that_of_the_whole_normal_system(campaigns):
    """Information on the layers, and conditional errors of efficiencies, by brute force.

    Counts are set to their expectations. Then every unknown (layers, nuisances of both campaigns, errors of
    every pair and group) has a row in one dense information matrix, its Poisson part by differences of the
    expected counts; what is marginalised is eliminated from that as a whole.
    """
    small = []
    for campaign in campaigns:
        kept = np.isin(campaign.pair_run, [0, 1]) & np.isin(campaign.pair_module % 7, [1, 4, 6])
        # Dark counts that are many, so that rounding counts to whole ones says nothing of them.
        settings = replace(campaign.settings, dark_rate_hz=1e7)
        small.append(
            replace(
                campaign,
                settings=settings,
                pair_run=campaign.pair_run[kept],
                pair_module=campaign.pair_module[kept],
                counts=(campaign.counts * (campaign.bin_edges_ns[:-1] >= 0))[kept],
            )
        )
    drawn = problem_of(*small)
    system = drawn.system
    start = system.split(system.start())
    for campaign, part, own in zip(small, drawn.parts, start, strict=True):
        seen = part.observations
        mean = expected_counts(
            part.light.first.expected(ICE),
            own.log_brightness[seen.run] + own.log_efficiency[seen.module],
            own.offset_ns[seen.module],
            seen.dark_per_bin,
            seen.bin_ns,
        )
        campaign.counts[seen.pair] = np.round(mean)
    problem = problem_of(*small)
    posterior, vector = posterior_at(problem)
    own_errors = [term.likelihood.sizes(SIZES) for term in posterior.terms]

    unknown = system.start().packed().size
    pair_sizes = [part.observations.first.shape for part in problem.parts]
    blocks = [6, unknown, *(p for p, _ in pair_sizes), *(p * g for p, g in pair_sizes)]

    def expected(theta):
        ice = Ice(EDGES_M, np.exp(theta[:3]), np.exp(theta[3:6]))
        _, nuisances, *errors = np.split(theta, np.cumsum(blocks)[:-1])
        groups = []
        for k, (part, own) in enumerate(zip(problem.parts, system.unpacked(nuisances), strict=True)):
            shape = errors[2 + k].reshape(pair_sizes[k])
            groups.append(expected_of(part, own, errors[k], shape, own_errors[k][0], ice).ravel())
        return np.concatenate(groups)

    at = np.zeros(sum(blocks))
    at[:6] = np.log([TRUE_SCATTERING_M, TRUE_ABSORPTION_M]).ravel()
    slopes = np.empty((expected(at).size, at.size))
    for i in range(at.size):
        step = np.zeros(at.size)
        step[i] = 1e-5
        slopes[:, i] = (expected(at + step) - expected(at - step)) / 2e-5
    mean = np.maximum(expected(at), 1e-300)
    dense = slopes.T @ (slopes / mean[:, None])
    prior = [np.zeros((6, 6)), np.linalg.inv(prior_covariance(system))]
    prior += [np.diag(pair_size**-2.0) for _, pair_size in own_errors]
    for term, part in zip(posterior.terms, problem.parts, strict=True):
        groups = part.observations.groups
        many = part.observations.first.shape[1]
        for p in range(groups.size):
            block = np.eye(many)
            place = np.r_[0.0, np.cumsum(np.log(term.likelihood.correlation[p, : groups[p] - 1]))]
            block[: groups[p], : groups[p]] = np.linalg.inv(np.exp(-np.abs(place[:, None] - place)))
            prior.append(block)
    dense += scipy.linalg.block_diag(*prior)

    schur = dense[:6, :6] - dense[:6, 6:] @ np.linalg.solve(dense[6:, 6:], dense[6:, :6])
    found = likelihood_information(posterior, vector)[:6, :6]
    scale = np.sqrt(np.outer(schur.diagonal(), schur.diagonal()))
    # Counts are rounded to whole ones: a part in a thousand of the weights of groups of some hundred.
    np.testing.assert_allclose(found / scale, schur / scale, atol=5e-3)

    of_nuisances = np.linalg.inv(dense[6:, 6:])[:unknown, :unknown]
    identity = [np.zeros((*part.ties.run.shape, 3, unknown)) for part in problem.parts]
    columns = system.columns(identity)
    columns = replace(
        columns,
        runs=np.eye(unknown)[: columns.runs.shape[0]],
        modules=np.eye(unknown)[columns.runs.shape[0] :].reshape(columns.modules.shape),
    )
    found = posterior.evaluate(vector).evaluation
    told = found.factor.product(columns, columns)
    # Rounding moves dark rates by up to 1.3 %, and what is known of the log of a rate goes with the rate.
    rate = np.exp(replace(found.nuisances, of_modules=found.nuisances.of_modules * [0, 0, 1, 0, 1]).packed())
    rate[: columns.runs.shape[0]] = 1.0
    sd = np.sqrt(of_nuisances.diagonal() / rate)
    want = of_nuisances / np.sqrt(np.outer(rate, rate))
    np.testing.assert_allclose(told / np.outer(sd, sd), want / np.outer(sd, sd), atol=3e-3)


def prior_covariance(system):
    """Of all nuisances as they are packed, by the priors as they are stated."""
    blocks, diagonal = [], np.ones((system.modules, 1 + 2 * len(system.campaigns)))
    for k, ties in enumerate(system.campaigns):
        prior = ties.prior
        blocks.append(prior.brightness_sd**2 * np.eye(ties.runs) + prior.scale_sd**2)
        diagonal[ties.place, 0] = prior.efficiency_sd**2
        diagonal[ties.place, 1 + 2 * k] = prior.offset_sd_ns**2
        diagonal[ties.place, 2 + 2 * k] = 1.0 / prior.dark_worth
    return scipy.linalg.block_diag(*blocks, np.diag(diagonal.ravel()))


def test_campaigns_of_other_modules_share_what_they_share_by_name(campaigns):
    first, second = campaigns
    names = ("new", *second.modules.name[1:])
    problem = problem_of(first, replace(second, modules=replace(second.modules, name=names)))
    assert problem.modules == (*first.modules.name, "new")
    assert problem.parts[1].ties.place[0] == len(first.modules.name)
    np.testing.assert_array_equal(problem.parts[1].ties.place[1:], problem.parts[0].ties.place[1:])


@pytest.mark.parametrize("name", ["group_index", "scattering_anisotropy", "wavelength_nm", "site"])
def test_sites_that_disagree_are_refused(campaigns, name):
    first, second = campaigns
    other = "Elsewhere" if name == "site" else getattr(second.settings, name) * 1.001
    second = replace(second, settings=replace(second.settings, **{name: other}))
    with pytest.raises(InputError, match=f"2040 has {name} = .*2041 has"):
        problem_of(first, second)


def test_modules_that_moved_are_refused(campaigns):
    first, second = campaigns
    position = second.modules.position_m.copy()
    position[3, 2] += 2.0
    second = replace(second, modules=replace(second.modules, position_m=position))
    with pytest.raises(InputError, match=r"module L1-04 lies at .* in Skarv Dome 2040 and at .* 2041"):
        problem_of(first, second)


def test_one_campaign_twice_is_refused(campaigns):
    first = replace(campaigns[0], sha256={"counts.csv": "1"})
    with pytest.raises(InputError, match="given twice"):
        problem_of(first, first)


def test_efficiency_spreads_that_differ_need_a_word(campaigns):
    first, second = campaigns
    second = replace(second, settings=replace(second.settings, efficiency_spread=0.2))
    with pytest.raises(InputError, match=r"efficiency_spread = 0.1 and 0.2"):
        problem_of(first, second)
    config = FitConfig.model_validate(small_config().model_dump() | {"nuisances": {"efficiency_spread": 0.1}})
    problem_of(first, second, config=config)
