"""Profiles lifted by moments of a higher order: against that order itself, and against tracked photons."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.errors import DomainError
from iceopt.ice.layers import Ice
from iceopt.light.moments.carried import bins_with_light
from iceopt.light.moments.changes import moments_of_bins
from iceopt.light.moments.filled import without_gaps
from iceopt.light.moments.laplace import RATES_PER_NS
from iceopt.light.moments.lifted import LiftedMoments, best_moments, lifted
from iceopt.light.moments.model import LayeredMoments
from tests.light.moments.scenes import RING, make_scene
from tests.light.moments.tracked_truth import Truth, excess

ICE = Ice([1500.0, 1540.0, 1560.0, 1600.0], [40.0, 5.0, 60.0], [140.0, 35.0, 180.0])


@pytest.fixture(scope="module")
def scene():
    """Two pairs across lines, two on the emitter's own, none so near that order 5 means little."""
    emitter, receiver = [1520.0, 1550.0, 1520.0, 1590.0], [1530.0, 1550.0, 1580.0, 1510.0]
    return make_scene(emitter, receiver, [120.0, 120.0, 0.0, 0.0], emission=RING, slope=0.6)


@pytest.fixture(scope="module")
def of_order_5(scene):
    return LayeredMoments(scene, 5)


def test_it_comes_near_the_time_bins_of_the_high_order(scene, of_order_5):
    """Order 7 written out, which shares no step with the lift but the moments' equations."""
    high = LayeredMoments(scene, 7).expected(ICE)
    plain, better = of_order_5.expected(ICE), LiftedMoments(of_order_5, 7).expected(ICE)
    strong = high > 0.1 * high.max(axis=1, keepdims=True)

    def away(counts):
        charges = np.log(counts.sum(axis=1) / high.sum(axis=1))
        bins = np.log(counts[strong] / high[strong])
        return np.sqrt(np.mean(charges**2)), np.sqrt(np.mean(bins**2))

    assert away(plain)[0] > 0.002, "the orders hardly differ"
    assert away(better)[0] < 0.5 * away(plain)[0]
    assert away(better)[1] < away(plain)[1]


def test_profiles_stay_where_the_moments_are_those_wanted(scene, of_order_5):
    """Within the bound: what bins hold beyond the slowest moment, here some 1e-3, goes from all of them."""
    counts = without_gaps(of_order_5.expected(ICE), bins_with_light(scene))
    own = of_order_5.laplace.expected(ICE)
    found = lifted(scene, counts, own, own)
    part = found.sum(axis=1) / counts.sum(axis=1)
    assert (part <= 1.0).all() and (part > 0.99).all()
    np.testing.assert_allclose(found, counts * part[:, None], rtol=1e-12)
    np.testing.assert_array_equal(lifted(scene, counts, np.zeros_like(own), own), counts)


@pytest.mark.parametrize("factor", [0.3, 0.7, 1.5])
def test_bins_hold_no_more_than_the_slowest_moment_says(scene, of_order_5, factor):
    counts = without_gaps(of_order_5.expected(ICE), bins_with_light(scene))
    own = of_order_5.laplace.expected(ICE)
    # Fast moments that would lift all there is, and a slow one that does not allow it.
    wanted = own * np.array([2.0, 2.0, 2.0, factor])
    held = moments_of_bins(scene, RATES_PER_NS, lifted(scene, counts, own, wanted))
    assert (held[:, -1] <= wanted[:, -1] * (1.0 + 1e-12)).all()


def test_moments_of_bins_are_integrals_of_even_light(scene):
    edges, rate = scene.bin_edges_ns, 1.0 / 280.0
    counts = np.random.default_rng(2).uniform(size=(4, edges.size - 1))
    t = np.linspace(edges[0], edges[-1], 600_001)
    middle = 0.5 * (t[1:] + t[:-1])
    level = (counts / np.diff(edges))[:, np.searchsorted(edges, middle) - 1]
    slow = np.sum(level * np.exp(-rate * middle), axis=1) * (t[1] - t[0])
    np.testing.assert_allclose(moments_of_bins(scene, np.array([rate]), counts)[:, 0], slow, rtol=1e-8)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.floats(0.0, 30.0))
def test_no_moments_make_a_bin_dark_or_endless(scene, of_order_5, seed, size):
    counts = without_gaps(of_order_5.expected(ICE), bins_with_light(scene))
    own = of_order_5.laplace.expected(ICE)
    noise = np.exp(size * np.random.default_rng(seed).standard_normal(own.shape))
    found = lifted(scene, counts, own, own * noise)
    assert np.isfinite(found).all()
    np.testing.assert_array_equal(found > 0, counts > 0)


def test_its_error_is_no_less_than_what_lifting_changes(of_order_5):
    model = LiftedMoments(of_order_5)
    counts, error = model.expected_and_error(ICE)
    raw = of_order_5.expected(ICE)
    lit = counts > 0
    assert (error[lit] >= np.minimum(0.3 * np.abs(raw - counts)[lit] / counts[lit], 1.0)).all()
    np.testing.assert_array_equal(counts, model.expected(ICE))


def test_orders_are_lifted_from_5_on(scene):
    assert "lifted" not in best_moments(scene, 4).name
    assert best_moments(scene, 5).name == "layered moments of order 5, lifted to order 9"
    assert "lifted" not in best_moments(scene, 9).name
    with pytest.raises(DomainError):
        best_moments(scene, 10)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["mild", "rough", "green"])
def test_charges_are_those_of_tracked_photons(name):
    """Ours (tests/data/tracked_fluence): medians across lines within 0.005, own line 0.02 from 40 m on."""
    truth = Truth(name)
    counts = LiftedMoments(LayeredMoments(truth.scene, 5)).expected(truth.ice)
    log_ratio = np.log(np.maximum(counts.sum(axis=1), 1e-300) / truth.charge)
    for distance in (120.0, 207.846, 240.0):
        use = (truth.rho == distance) & (truth.r <= 300)
        scatter = 1.25 * np.sqrt((truth.noise[use] ** 2).mean() / use.sum())
        assert abs(np.median(log_ratio[use])) < 0.005 + scatter
        assert excess(log_ratio[use], truth.noise[use]) < 0.015
    own = (truth.rho == 0) & (truth.r > 40) & (truth.r < 130)
    assert excess(log_ratio[own], truth.noise[own]) < 0.02
    near = (truth.rho == 0) & (truth.r >= 20) & (truth.r < 40)
    assert excess(log_ratio[near], truth.noise[near]) < 0.1
