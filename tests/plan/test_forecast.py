"""Forecasts against the full joint information written out, and against what must hold."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from iceopt.campaign.model import Campaign
from iceopt.fit.config import FitConfig
from iceopt.fit.likelihood import REFERENCE_RANGE_M
from iceopt.fit.observations import time_groups
from iceopt.ice.layers import Ice
from iceopt.light.counts import expected_counts
from iceopt.light.model import LogSlopes, Scene, windows
from iceopt.light.scene import scene_of
from iceopt.plan.blocks import blocks, blocks_together, charge_information, read_out
from iceopt.plan.precision import Precision, forecast
from iceopt.plan.prior import layer_prior, nuisance_prior
from iceopt.plan.scenario import read_plan_scenario
from iceopt.plan.shared import Cells
from iceopt.plan.site import Candidates, PlannedMoments, Site, onto_layers
from tests.fitting import ExactClosedForm
from tests.plan.sites import EDGES_M, config, flashes, modules, site

REPO = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def where() -> Site:
    return site()


@pytest.fixture(scope="module")
def candidates(where: Site) -> Candidates:
    return flashes(where)


@pytest.fixture(scope="module")
def known(where: Site, candidates: Candidates):
    return blocks(where, candidates.flashes)


def campaign_of(where: Site, candidates: Candidates) -> Campaign:
    run, module = np.nonzero(read_out(where, candidates.flashes))
    bins = round((where.settings.stop_ns - where.settings.start_ns) / where.settings.bin_ns)
    counts = np.zeros((run.size, bins), dtype=np.int32)
    return Campaign(where.settings, where.modules, candidates.flashes, run, module, counts)


def groups_of(scene: Scene, earliest: float, growth: float) -> list[np.ndarray]:
    """Per pair a matrix that sums its usable bins into groups."""
    edges = scene.bin_edges_ns
    range_m = np.hypot(scene.distance_m, scene.receiver_depth_m - scene.emitter_depth_m)
    label = np.searchsorted(time_groups(edges, growth), np.arange(edges.size - 1), side="right")
    sums = []
    for p in range(range_m.size):
        usable = (edges[:-1] >= earliest * range_m[p] / scene.speed_m_per_ns) & (edges[:-1] >= 0)
        sums.append(np.array([(label == g) & usable for g in np.unique(label[usable])], dtype=float))
    return sums


@pytest.mark.parametrize("rate_hz", [500.0, 3e5])
def test_marginal_information_is_that_of_the_full_joint_hessian(rate_hz):
    """All of it written out: layers, brightnesses, efficiencies, offsets, dark rates, errors of every pair.

    J by central differences of the expected counts; Fisher information J' diag(1/mu) J plus the inverse prior
    covariances; the marginal is the corner of its inverse.
    """
    where = site(
        config(error={"tail_begins": "never"}),
        modules(lines=3, each=3),
        linear_up_to_per_pulse_ns=1e9,
        dark_rate_hz=rate_hz,
    )
    candidates = flashes(where, ((4e9, 400),), emitters=[0, 4])
    campaign = campaign_of(where, candidates)
    scene, fit = scene_of(campaign), where.config
    sums = groups_of(scene, fit.data.earliest, fit.data.group_growth)
    run, module = campaign.pair_run, campaign.pair_module
    counts = [s.shape[0] for s in sums]
    count = len(where.modules.name)
    cut = np.cumsum([6, 2, count, count, count, run.size])
    dark = candidates.flashes.pulses[run] * where.settings.dark_rate_hz * 1e-9 * where.settings.bin_ns
    range_m = np.hypot(scene.distance_m, scene.receiver_depth_m - scene.emitter_depth_m)
    profile_size = np.exp(where.errors[2])

    unmoved = ExactClosedForm(scene).expected(where.ice)

    def mean(x: np.ndarray) -> np.ndarray:
        layers, bright, efficiency, offset, noise, charge, shape = np.split(x, cut)
        ice = Ice(
            EDGES_M,
            where.ice.scattering_length_m * np.exp(layers[:3]),
            where.ice.absorption_length_m * np.exp(layers[3:]),
        )
        signal = ExactClosedForm(scene).expected(ice) if layers.any() else unmoved
        amplitude = bright[run] + efficiency[module] + charge
        light = expected_counts(signal, amplitude, offset[module], np.zeros(run.size), where.settings.bin_ns)
        parts = np.split(shape, np.cumsum(counts)[:-1])
        return np.concatenate(
            [s @ light[p] * np.exp(profile_size * z) + s.sum(axis=1) * dark[p] * np.exp(noise[module[p]])
             for p, (s, z) in enumerate(zip(sums, parts, strict=True))]
        )  # fmt: skip

    size = cut[-1] + sum(counts)
    jacobian = np.array([(mean(1e-4 * e) - mean(-1e-4 * e)) / 2e-4 for e in np.eye(size)]).T
    expected = mean(np.zeros(size))
    assert expected.min() > 1.0  # else the likelihood's weights are not yet those of Poisson counts
    information = jacobian.T @ (jacobian / expected[:, None])
    s, nuisances = where.settings, fit.nuisances
    shared = s.brightness_spread**2 * np.eye(2) + nuisances.scale_spread**2
    fitted = np.exp(where.errors[0]) * (range_m / REFERENCE_RANGE_M) ** where.errors[1]
    places = np.round(np.stack([scene.emitter_depth_m, scene.receiver_depth_m, scene.distance_m]) / 5.0)
    alike = np.array(
        [sum(np.all(places[:, p] == places[:, q]) and run[p] == run[q] for q in range(run.size))
         for p in range(run.size)]
    )  # fmt: skip
    before = np.bincount(module, dark * np.sum(scene.bin_edges_ns[1:] <= 0), count)
    covariances = [
        shared,
        s.efficiency_spread**2 * np.eye(count),
        s.timing_spread_ns**2 * np.eye(count),
        # of the log of a Gamma variable worth so many counts, those before the flash added: 1 / curvature
        np.diag(1.0 / (nuisances.dark_spread**-2.0 + before)),
        np.diag(alike * (fitted**2 + fit.error.least_pair**2)),
    ]
    edges = scene.bin_edges_ns
    assert alike.max() > 1  # so that shared errors are tested too
    for pairs, matrix in zip(alike, sums, strict=True):
        held = [np.flatnonzero(row) for row in matrix]
        log_time = np.log([0.5 * (edges[b[0]] + edges[b[-1] + 1]) for b in held])
        covariances.append(pairs * np.exp(-np.abs(log_time[:, None] - log_time) / fit.error.profile_memory))
    prior = layer_prior(fit, where.ice)
    at = 6
    information[:6, :6] += prior
    for covariance in covariances:
        end = at + len(covariance)
        information[at:end, at:end] += np.linalg.inv(covariance)
        at = end
    assert at == size
    full = np.linalg.inv(information)

    found = forecast(prior, nuisance_prior(where), blocks(where, candidates.flashes))
    np.testing.assert_allclose(
        found.covariance, full[:6, :6], rtol=2e-3, atol=1e-3 * np.abs(full[:6, :6]).min()
    )
    centre = np.eye(count) - 1.0 / count
    relative = centre @ full[8 : 8 + count, 8 : 8 + count] @ centre.T
    np.testing.assert_allclose(found.efficiency_sd, np.sqrt(np.diag(relative)), rtol=2e-3)
    np.testing.assert_allclose(
        found.offset_sd_ns, np.sqrt(np.diag(full[8 + count :, 8 + count :])[:count]), rtol=5e-3
    )


@pytest.mark.parametrize("begins", [0.5, 2.0, 5.0])
def test_heavy_tails_tell_less_of_a_charge(begins):
    """Fisher information of a location by quadrature of (d ln p/dx)^2 p, the other form of its definition."""
    fit = config(error={"tail_begins": begins})

    def density(x: float) -> float:
        return float(np.exp(begins**2 - begins * np.hypot(begins, x)))

    def score_squared(x: float) -> float:
        return density(x) * (begins * x / np.hypot(begins, x)) ** 2

    expected = quad(score_squared, 0, np.inf)[0] / quad(density, 0, np.inf)[0]
    assert charge_information(fit) == pytest.approx(expected, rel=1e-3)
    assert charge_information(config(error={"tail_begins": "never"})) == 1.0


def test_one_more_flash_is_the_same_as_all_anew(where, known):
    prior, nuisances = layer_prior(where.config, where.ice), nuisance_prior(where)
    some = [known[i] for i in (0, 5, 11)]
    step = Precision(prior, nuisances, some[:2]).layer_covariance_with(some[2])
    anew = Precision(prior, nuisances, some).covariance()[:6, :6]
    np.testing.assert_allclose(step, anew, rtol=1e-8)


def test_information_without_prior_and_prior_add_up(where, known):
    prior, nuisances = layer_prior(where.config, where.ice), nuisance_prior(where)
    found = forecast(prior, nuisances, known[:4])
    np.testing.assert_allclose(
        np.linalg.inv(found.covariance), found.information + prior, rtol=1e-6, atol=1e-6
    )


def test_twice_the_pulses_where_counting_rules_is_half_the_variance():
    """Without errors of the model, dark counts and free nuisances, information is proportional to counts."""
    certain = {
        "brightness_spread": 1e-9,
        "efficiency_spread": 1e-9,
        "timing_spread_ns": 1e-9,
        "dark_rate_hz": 0.0,
    }
    where = site(config(nuisances={"scale_spread": 0.0}, error={"least_pair": 0.0}), **certain)
    where = replace(where, errors=np.array([-20.0, 0.0, -20.0]))
    sds = []
    for pulses in (2000, 4000):
        options = ((2e9, pulses),)
        known = blocks(where, flashes(where, options, emitters=[3, 11, 18]).flashes)
        none = np.zeros((6, 6))
        sds.append(forecast(1e-6 * np.eye(6) + none, nuisance_prior(where), known).sd)
    np.testing.assert_allclose(sds[0] / sds[1], np.sqrt(2.0), rtol=2e-3)


def test_errors_of_the_model_bound_what_more_pulses_tell(where):
    sds = []
    for pulses in (10_000, 1_000_000):
        known = blocks(where, flashes(where, ((2e9, pulses),), emitters=[3, 11, 18]).flashes)
        prior = layer_prior(where.config, where.ice)
        sds.append(forecast(prior, nuisance_prior(where), known).sd)
    assert np.all(sds[1] > 0.5 * sds[0])


def test_nothing_flashed_leaves_the_prior(where):
    """Matern 3/2 over depth, each layer's own part, level and dust line written out, default settings."""
    # Rasmussen, Williams, Gaussian Processes for Machine Learning, MIT Press (2006), eq. 4.17
    centre = where.ice.centres_m
    r = np.sqrt(3.0) * np.abs(centre[:, None] - centre) / 30.0
    matern = (1.0 + r) * np.exp(-r) + 0.2**2 * np.eye(centre.size)
    scattering = 0.4**2 * matern + 1.0**2
    slope = 0.9
    departure = np.log(where.ice.scattering_length_m / 25.0)
    absorption = slope**2 * scattering + 0.1**2 * matern + 0.7**2 + 0.3**2 * np.outer(departure, departure)
    expected = np.block(
        [
            [scattering, slope * scattering],
            [slope * scattering, absorption],
        ]
    )
    found = forecast(layer_prior(where.config, where.ice), nuisance_prior(where), [])
    np.testing.assert_allclose(found.covariance, expected, rtol=5e-3)
    np.testing.assert_allclose(found.offset_sd_ns, where.settings.timing_spread_ns)


def test_a_flash_never_widens_a_layer(where, known):
    prior, nuisances = layer_prior(where.config, where.ice), nuisance_prior(where)

    @settings(max_examples=30, deadline=None)
    @given(st.sets(st.integers(0, len(known) - 1), max_size=6), st.integers(0, len(known) - 1))
    def check(chosen: set[int], more: int) -> None:
        precision = Precision(prior, nuisances, [known[i] for i in sorted(chosen)])
        before = precision.covariance()[:6, :6]
        after = precision.layer_covariance_with(known[more])
        assert np.all(np.linalg.eigvalsh(before - after) > -1e-9)

    check()


def test_too_bright_flashes_lose_receivers(where):
    dim, bright = blocks(where, flashes(where, ((2e7, 200), (4e11, 200)), emitters=[3]).flashes)
    assert dim.lost == 0
    assert bright.lost > 0
    assert bright.saturated > dim.saturated
    assert bright.modules.size < dim.modules.size


def test_layers_of_the_fit_take_the_means_of_the_coefficients():
    fine = Ice([1500.0, 1510.0, 1540.0, 1700.0], [10.0, 20.0, 30.0], [50.0, 100.0, 200.0])
    found = onto_layers(fine, config(), modules())
    assert found.scattering_length_m[0] == pytest.approx(1.0 / (0.25 / 10.0 + 0.75 / 20.0))
    assert found.absorption_length_m[0] == pytest.approx(1.0 / (0.25 / 50.0 + 0.75 / 100.0))
    np.testing.assert_allclose(found.scattering_length_m[1:], 30.0)


class ByDifferences(PlannedMoments):
    """Slopes by central differences of the counts, the long way round."""

    def log_slopes(self, ice, counts, first, stop):
        lengths = np.stack([ice.scattering_length_m, ice.absorption_length_m])
        slopes = []
        for kind, layer in np.ndindex(lengths.shape):
            sums = []
            for step in (-0.02, 0.02):
                moved = lengths.copy()
                moved[kind, layer] *= np.exp(step)
                sums.append(windows(self.expected(Ice(ice.edges_m, *moved)), first, stop))
            good = (sums[0] > 0) & (sums[1] > 0)
            ratio = np.divide(sums[1], sums[0], out=np.ones_like(sums[0]), where=good)
            slopes.append(np.log(ratio) / 0.04)
        moves = np.stack(slopes, axis=-1)
        return LogSlopes(np.broadcast_to(np.eye(moves.shape[1]), (len(moves), *2 * moves.shape[1:2])), moves)


def test_fast_layered_forecast_agrees_with_a_higher_order_by_differences():
    """Order 2 with slopes from Laplace moments, as planned with, against order 3 by differences.

    Measured on the sample scenario with 16 layers: within 7 %.
    """
    scenario = read_plan_scenario(REPO / "sample_runs" / "skarv_plan" / "scenario.toml")
    base, names = scenario.site, scenario.site.modules.name
    emitters = [names.index(name) for name in ("L01-33", "L06-37", "L03-30")]
    coarse = FitConfig.model_validate(
        {"layers": {"edges_m": [1700.0, 1775.0, 1850.0, 1925.0, 2000.0, 2100.0]}}
    )
    base = replace(base, config=coarse, ice=onto_layers(base.ice, coarse, base.modules))
    sds = []
    for kind, order in ((PlannedMoments, 2), (ByDifferences, 3)):
        where = replace(base, light=lambda scene, kind=kind, order=order: kind(scene, order))
        known = blocks(where, flashes(where, ((1e10, 400),), emitters, half_window_m=160.0).flashes)
        sds.append(forecast(layer_prior(coarse, where.ice), nuisance_prior(where), known).sd)
    np.testing.assert_allclose(sds[0], sds[1], rtol=0.1)


def test_the_same_flash_again_tells_little_where_errors_rule(where):
    """Twice one flash, so bright that counting is exact: its pairs err alike, so nothing is learnt.

    Every variance doubles and there are two of each: what the pairs tell together is what one told alone,
    but for the brightness of the second run, which is unknown as well.
    """
    certain = site(brightness_spread=1e-9, efficiency_spread=1e-9, timing_spread_ns=1e-9, dark_rate_hz=0.0)
    certain = replace(certain, config=config(nuisances={"scale_spread": 0.0}))
    once = flashes(certain, ((2e9, 10**9),), emitters=[3]).flashes
    twice = flashes(certain, ((2e9, 10**9), (2e9, 10**9)), emitters=[3]).flashes
    prior, nuisances = layer_prior(certain.config, certain.ice), nuisance_prior(certain)
    alone = forecast(prior, nuisances, blocks(certain, once)).sd
    repeated = blocks(certain, twice)
    together = blocks_together(certain, twice, repeated)
    np.testing.assert_allclose(forecast(prior, nuisances, together).sd, alone, rtol=1e-3)
    assert np.all(forecast(prior, nuisances, repeated).sd < 0.8 * alone)


@pytest.mark.parametrize(("pulses", "tolerance"), [(20, 0.25), (2000, 0.15), (10**8, 0.1)])
def test_shared_errors_scaled_by_run_are_near_the_exact_ones(where, pulses, tolerance):
    """Flashes at like depths on three lines of a triangle: most of their pairs lie alike.

    The scaling is one number a run: measured 23 % too wide with few counts, 14 % with more.
    """
    chosen = flashes(where, ((2e9, pulses),), emitters=[3, 11, 19, 6, 14, 22]).flashes
    prior, nuisances = layer_prior(where.config, where.ice), nuisance_prior(where)
    alone = blocks(where, chosen)
    cells = Cells(alone)
    exact = forecast(prior, nuisances, blocks_together(where, chosen, alone)).sd
    scaled = forecast(prior, nuisances, [cells.part(block) for block in alone]).sd
    np.testing.assert_allclose(scaled, exact, rtol=tolerance)


def test_what_flashes_add_one_by_one_is_what_all_tell(known):
    """Traces of the layers' information: growing cell by cell, and shared out at the end.

    To a percent, as pairs of a cell do not see quite the same light.
    """
    chosen = [known[i] for i in (3, 11, 19, 4)]
    added = [Cells(chosen[:k]).added(block) for k, block in enumerate(chosen)]
    everything = Cells(chosen)
    totals = [sum(np.trace(b.layers) for b in some)
              for some in (added, [everything.part(b) for b in chosen], chosen)]  # fmt: skip
    assert totals[0] == pytest.approx(totals[1], rel=0.01)
    assert totals[0] < 0.9 * totals[2]
