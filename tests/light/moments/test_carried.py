"""Profiles carried from one ice to another: the high order there, near it nearby, with right gradients."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.ice.layers import Ice
from iceopt.light.model import Emission, Scene, windows
from iceopt.light.moments.carried import bins_with_light, carry
from iceopt.light.moments.filled import FilledModel, without_gaps, without_gaps_vjp
from iceopt.light.moments.laplace import RATES_PER_NS, LaplaceMoments
from iceopt.light.moments.model import LayeredMoments
from tests.light.moments.scenes import make_scene

EDGES_M = [1500.0, 1540.0, 1560.0, 1600.0]
REFERENCE = Ice(EDGES_M, [24.0, 9.0, 20.0], [110.0, 45.0, 90.0])


@pytest.fixture(scope="module")
def scene():
    emitter = np.array([1520.0, 1520.0, 1550.0, 1590.0])
    receiver = np.array([1530.0, 1570.0, 1550.0, 1490.0])
    distance = np.array([120.0, 120.0, 120.0, 208.0])
    return Scene(
        emitter_depth_m=emitter,
        receiver_depth_m=receiver,
        distance_m=distance,
        bearing_deg=np.zeros(4),
        azimuth_deg=np.full(4, np.nan),
        photons=np.full(4, 1e12),
        bin_edges_ns=np.arange(0.0, 6001.0, 25.0),
        emission=Emission("ring", 0.0, 12.0),
        group_index=1.337,
        scattering_anisotropy=0.9,
        effective_area_m2=0.003,
        acceptance_slope=0.6,
    )


@pytest.fixture(scope="module")
def orders(scene):
    return {n: LayeredMoments(scene, n) for n in (2, 3, 5)}


@pytest.fixture(scope="module")
def carried(orders):
    return carry(orders[3].laplace, orders[5], REFERENCE)


def changed(amplitude: float) -> Ice:
    """The reference with the middle layer clearer and more absorbing by a factor e^amplitude."""
    factor = np.exp(amplitude)
    return Ice(EDGES_M, [24.0, 9.0 * factor, 20.0], [110.0, 45.0 / factor, 90.0])


def test_moments_are_sums_over_the_time_bins(orders, scene):
    """The Laplace transform by its definition, over bins that hold nearly all the light."""
    edges = scene.bin_edges_ns
    mean = (np.exp(-np.outer(RATES_PER_NS, edges[:-1])) - np.exp(-np.outer(RATES_PER_NS, edges[1:]))) / (
        RATES_PER_NS[:, None] * np.diff(edges)
    )
    by_bins = orders[5].expected(REFERENCE) @ mean.T
    np.testing.assert_allclose(orders[5].laplace.expected(REFERENCE), by_bins, rtol=0.01)


def test_the_moment_at_rate_zero_is_the_charge(orders, scene):
    """The bins' band limit smears a few 1e-4 of it to before the front, where the bins are emptied."""
    charge = LaplaceMoments(scene, 3, np.zeros(1)).expected(REFERENCE)[:, 0]
    np.testing.assert_allclose(orders[3].expected(REFERENCE).sum(axis=1), charge, rtol=1e-3)


def test_at_the_reference_it_is_the_high_order(carried, orders):
    high = orders[5].expected(REFERENCE)
    lit = high > 1e-4 * high.max(axis=1, keepdims=True)
    np.testing.assert_allclose(carried.expected(REFERENCE)[lit], high[lit], rtol=1e-9)


@pytest.mark.parametrize(("amplitude", "charge", "bins"), [(0.05, 0.003, 0.01), (0.25, 0.04, 0.05)])
def test_away_from_the_reference_it_stays_near_the_high_order(carried, orders, amplitude, charge, bins):
    ice = changed(amplitude)
    high, moved = orders[5].expected(ice), carried.expected(ice)
    before = orders[5].expected(REFERENCE)
    late = high > 0.05 * high.max(axis=1, keepdims=True)
    assert np.abs(np.log(high[late] / before[late])).max() > 4 * bins, "the ice hardly mattered"
    assert np.abs(np.log(moved.sum(axis=1) / high.sum(axis=1))).max() < charge
    assert np.sqrt(np.mean(np.log(moved[late] / high[late]) ** 2)) < bins


@pytest.mark.parametrize("order", [2, 3])
def test_two_ways_to_the_slopes_of_moments_agree(orders, order):
    """The adjoint sweep against the perturbation of each layer."""
    moments = orders[order].laplace
    value, pull_back = moments.expected_vjp(REFERENCE)
    weight = np.random.default_rng(0).standard_normal(value.shape) / value
    slopes = np.einsum("ps,psi->i", weight * value, moments.log_slopes(REFERENCE))
    np.testing.assert_allclose(np.concatenate(pull_back(weight)), slopes, rtol=1e-6)


def test_the_gradient_is_that_of_the_counts(carried):
    """To the 1e-7 or so to which differences of far pairs' moments hold, over the step."""
    ice = Ice(EDGES_M, [20.0, 10.0, 22.0], [100.0, 50.0, 95.0])
    expected, pull_back = carried.expected_vjp(ice)
    weight = np.cos(np.arange(expected.shape[1]) / 9.0) / expected.sum(axis=1, keepdims=True)
    found = np.stack(pull_back(weight))
    step = 5e-3
    for kind, layer in np.ndindex(2, 3):
        values = []
        for sign in (1, -1):
            lengths = np.stack([ice.scattering_length_m, ice.absorption_length_m])
            lengths[kind, layer] *= np.exp(sign * step)
            values.append(float((weight * carried.expected(Ice(EDGES_M, *lengths))).sum()))
        assert found[kind, layer] == pytest.approx((values[0] - values[1]) / (2 * step), rel=1e-3, abs=1e-4)


def test_gradients_after_slopes_are_those_without(orders, scene):
    """Slopes are kept and serve gradients at their own ice, and at no other."""
    model, fresh = (carry(orders[2].laplace, orders[3], REFERENCE) for _ in range(2))
    bins = np.zeros((4, 1), dtype=np.int64), np.full((4, 1), scene.bin_edges_ns.size - 1)
    model.log_slopes(changed(0.2), model.expected(changed(0.2)), *bins)
    for ice in (changed(0.2), changed(0.1), REFERENCE):
        counts, pull_back = model.expected_vjp(ice)
        without, pull_back_without = fresh.expected_vjp(ice)
        np.testing.assert_array_equal(counts, without)
        weight = np.random.default_rng(4).uniform(0.5, 1.0, counts.shape)
        for found, other in zip(pull_back(weight), pull_back_without(weight), strict=True):
            np.testing.assert_allclose(found, other, rtol=1e-8, atol=1e-8 * np.abs(other).max())


def test_slopes_in_windows_are_differences_of_the_high_order(orders):
    """Of the high order itself, which the slopes are only approximately made for."""
    first = np.array([[24, 30, 40, 60, 100]] * 3 + [[48, 56, 68, 84, 110]])
    stop = first + np.array([4, 6, 10, 20, 20])
    counts = orders[5].expected(REFERENCE)
    slopes = carry(orders[3].laplace, orders[5], REFERENCE).log_slopes(REFERENCE, counts, first, stop)
    slopes = slopes.written_out()
    step = 1e-3
    for index, slope in enumerate(np.moveaxis(slopes, -1, 0)):
        kind, layer = divmod(index, 3)
        logs = []
        for sign in (1, -1):
            lengths = np.stack([REFERENCE.scattering_length_m, REFERENCE.absorption_length_m])
            lengths[kind, layer] *= np.exp(sign * step)
            logs.append(np.log(windows(orders[5].expected(Ice(EDGES_M, *lengths)), first, stop)))
        true = (logs[0] - logs[1]) / (2 * step)
        assert np.sqrt(np.mean((slope - true) ** 2)) < 0.08 * np.sqrt(np.mean(true**2))


def test_the_cheaper_models_slopes_change_with_the_ice_nearly_alike(orders):
    dear = carry(orders[5].laplace, orders[5], REFERENCE)
    first = np.array([[24, 30, 40, 60, 100]] * 3 + [[48, 56, 68, 84, 110]])
    stop = first + np.array([4, 6, 10, 20, 20])

    def bend(model):
        slopes = [
            model.log_slopes(ice, model.expected(ice), first, stop).written_out()
            for ice in (changed(0.1), changed(-0.1))
        ]
        return slopes[0] - slopes[1]

    bends = bend(dear), bend(dear.cheaper)
    assert dear.cheaper is not dear and dear.cheaper.cheaper.name == dear.name
    np.testing.assert_array_equal(dear.cheaper.expected(REFERENCE), dear.expected(REFERENCE))
    assert np.abs(bends[0]).max() > 0.02, "the slopes hardly changed"
    assert np.linalg.norm(bends[1] - bends[0]) < 0.1 * np.linalg.norm(bends[0])


def test_it_states_the_high_orders_own_error(carried, orders, scene):
    counts = orders[5].expected(REFERENCE)
    own = orders[5].model_error(REFERENCE, counts)
    np.testing.assert_array_equal(carried.model_error(REFERENCE, counts), own)
    path = np.hypot(scene.distance_m, scene.receiver_depth_m - scene.emitter_depth_m)
    front = path / scene.speed_m_per_ns
    middle = 0.5 * (scene.bin_edges_ns[1:] + scene.bin_edges_ns[:-1])
    for pair in range(len(path)):
        near = (middle > front[pair]) & (middle < 1.2 * front[pair])
        later = (middle > 2 * front[pair]) & (middle < 4 * front[pair])
        assert np.median(own[pair, near]) > 3 * np.median(own[pair, later])


@settings(deadline=None, max_examples=20)
@given(st.lists(st.floats(-1.5, 1.5), min_size=6, max_size=6))
def test_no_ice_gives_a_bin_without_light(carried, scene, changes):
    lengths = np.array([24.0, 9.0, 20.0, 110.0, 45.0, 90.0]) * np.exp(changes)
    counts = carried.expected(Ice(EDGES_M, lengths[:3], lengths[3:]))
    lit = bins_with_light(scene)
    assert np.isfinite(counts).all()
    assert (counts[lit] > 0).all()
    assert (counts[~lit] == 0).all()


def test_gaps_are_filled_from_the_neighbours_and_nothing_else_changes():
    lit = np.array([[False, True, True, True, True, True]])
    counts = np.array([[0.0, -3.0, 10.0, 50.0, -1.0, 20.0]])
    np.testing.assert_allclose(without_gaps(counts, lit), [[0.0, 0.2, 10.0, 50.0, 1.0, 20.0]])


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1))
def test_pull_back_of_filled_gaps_matches_differences(seed):
    rng = np.random.default_rng(seed)
    lit = np.arange(8) >= rng.integers(0, 4, 3)[:, None]
    counts = rng.choice([-1.0, 1.0], lit.shape) * np.exp(4.0 * rng.standard_normal(lit.shape))
    weight, move = rng.standard_normal((2, *lit.shape))
    move *= 1e-6 * np.abs(counts)
    _, pull_back = without_gaps_vjp(counts, lit)
    ahead, behind = (np.sum(weight * without_gaps(counts + s * move, lit)) for s in (1.0, -1.0))
    scale = np.abs(weight).max() * np.abs(move).max()
    assert np.sum(pull_back(weight) * move) == pytest.approx(0.5 * (ahead - behind), abs=1e-4 * scale)


def test_an_order_that_rings_is_filled_and_says_how_little_it_knows_there():
    """Near the emitter the profile of order 2 goes through zero behind the front; filled, it is positive."""
    near = make_scene([1520.0, 1520.0], [1530.0, 1542.0], [70.0, 22.0])
    ice, lit = Ice(EDGES_M, [20.0, 20.0, 20.0], [100.0, 100.0, 100.0]), bins_with_light(near)
    raw = LayeredMoments(near, 2)
    model, counts = FilledModel(raw, lit), raw.expected(ice)
    rings = lit & (counts <= 0.0)
    assert rings.any()
    filled, pull_back = model.expected_vjp(ice)
    assert (filled[lit] > 0.0).all()
    assert (model.model_error(ice, filled)[rings] > 0.5).all()
    strong = counts > 0.05 * counts.max(axis=1, keepdims=True)
    np.testing.assert_array_equal(filled[strong], counts[strong])
    gradient = np.concatenate(pull_back(1.0 / np.where(lit, filled, np.inf)))
    for i in range(6):
        logs = []
        for sign in (1.0, -1.0):
            lengths = np.exp(np.log([20.0] * 3 + [100.0] * 3) + sign * 1e-4 * (np.arange(6) == i))
            logs.append(np.log(model.expected(Ice(EDGES_M, lengths[:3], lengths[3:]))[lit]).sum())
        assert gradient[i] == pytest.approx((logs[0] - logs[1]) / 2e-4, rel=1e-3, abs=1e-2)
