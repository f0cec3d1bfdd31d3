"""A ratio frozen at one ice: equal to the high order there, near it nearby, and with a right gradient."""

import numpy as np
import pytest

from iceopt.ice.layers import Ice
from iceopt.light.frozen_ratio import freeze
from iceopt.light.model import Emission, Scene
from iceopt.light.moments.model import LayeredMoments

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
        bin_edges_ns=np.arange(0.0, 3001.0, 25.0),
        emission=Emission("ring", 0.0, 12.0),
        group_index=1.337,
        scattering_anisotropy=0.9,
        effective_area_m2=0.003,
        acceptance_slope=0.6,
    )


@pytest.fixture(scope="module")
def orders(scene):
    return {n: LayeredMoments(scene, n) for n in (1, 2, 3, 5)}


def test_at_the_reference_it_is_the_high_order(orders):
    (model,) = freeze([orders[1]], orders[3], REFERENCE)
    high = np.maximum(orders[3].expected(REFERENCE), 0.0)
    np.testing.assert_allclose(model.expected(REFERENCE), high, rtol=1e-9, atol=1e-9 * high.max())


def test_with_the_ice_a_quarter_off_in_a_band_charges_stay_within_a_hundredth(orders):
    (model,) = freeze([orders[3]], orders[5], REFERENCE)
    changed = Ice(EDGES_M, [24.0, 9.0 * 1.25, 20.0], [110.0, 45.0 / 1.25, 90.0])
    high, there = (orders[5].expected(ice).sum(axis=1) for ice in (changed, REFERENCE))
    assert np.abs(np.log(high / there)).max() > 0.05
    assert np.abs(np.log(model.expected(changed).sum(axis=1) / high)).max() < 0.01


def test_the_gradient_is_that_of_the_product(orders):
    (model,) = freeze([orders[1]], orders[3], REFERENCE)
    ice = Ice(EDGES_M, [20.0, 10.0, 22.0], [100.0, 50.0, 95.0])
    expected, pull_back = model.expected_vjp(ice)
    late = np.arange(expected.shape[1]) > 60
    weight = late / expected.sum(axis=1, keepdims=True)
    by_scattering, by_absorption = pull_back(weight)
    step = 1e-4
    for layer in range(3):
        for lengths, gradient in (("scattering", by_scattering), ("absorption", by_absorption)):
            values = []
            for sign in (1, -1):
                le, la = ice.scattering_length_m.copy(), ice.absorption_length_m.copy()
                (le if lengths == "scattering" else la)[layer] *= np.exp(sign * step)
                values.append(float((weight * model.expected(Ice(EDGES_M, le, la))).sum()))
            difference = (values[0] - values[1]) / (2 * step)
            assert gradient[layer] == pytest.approx(difference, rel=1e-4, abs=1e-6)


def test_no_bin_turns_negative(orders):
    (model,) = freeze([orders[2]], orders[3], REFERENCE)
    ice = Ice(EDGES_M, [40.0, 6.0, 12.0], [60.0, 90.0, 200.0])
    assert (orders[2].expected(ice) < 0).any(), "the low order is expected to ring near the front"
    assert (model.expected(ice) >= 0).all()


def test_it_states_the_high_orders_own_error(orders):
    (model,) = freeze([orders[1]], orders[3], REFERENCE)
    np.testing.assert_array_equal(model.model_error(REFERENCE), orders[3].model_error(REFERENCE))
    path = np.hypot(model.scene.distance_m, model.scene.receiver_depth_m - model.scene.emitter_depth_m)
    front = path / model.scene.speed_m_per_ns
    middle = 0.5 * (model.scene.bin_edges_ns[1:] + model.scene.bin_edges_ns[:-1])
    error = model.model_error(REFERENCE)
    for pair in range(len(path)):
        near = (middle > front[pair]) & (middle < 1.2 * front[pair])
        later = (middle > 2 * front[pair]) & (middle < 4 * front[pair])
        assert np.median(error[pair, near]) > 3 * np.median(error[pair, later])
