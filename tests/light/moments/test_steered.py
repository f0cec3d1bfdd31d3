"""Steered moments: a high order's values and slopes at the reference, and near it beyond; right gradients."""

import numpy as np
import pytest

from iceopt.ice.layers import Ice
from iceopt.light.model import Emission
from iceopt.light.moments.laplace import RATES_PER_NS, LaplaceMoments
from iceopt.light.moments.steered import SteeredMoments
from tests.light.moments.scenes import make_scene

EDGES_M = [1500.0, 1540.0, 1560.0, 1600.0]
REFERENCE = Ice(EDGES_M, [24.0, 9.0, 20.0], [110.0, 45.0, 90.0])


@pytest.fixture(scope="module")
def orders():
    scene = make_scene([1520.0, 1520.0, 1550.0], [1530.0, 1570.0, 1490.0], [120.0, 60.0, 180.0])
    return {n: LaplaceMoments(scene, n, RATES_PER_NS) for n in (3, 5)}


@pytest.fixture(scope="module")
def steered(orders):
    return SteeredMoments(orders[3], orders[5], REFERENCE)


def changed(amplitude: float) -> Ice:
    """The reference with layers moved unlike each other, by up to a factor e^amplitude."""
    moves = np.exp(amplitude * np.array([[0.5, 1.0, -0.7], [-0.4, -1.0, 0.6]]))
    return Ice(EDGES_M, REFERENCE.scattering_length_m * moves[0], REFERENCE.absorption_length_m * moves[1])


def test_at_the_reference_values_and_slopes_are_the_high_orders(orders, steered):
    np.testing.assert_allclose(steered.expected(REFERENCE), orders[5].expected(REFERENCE), rtol=1e-12)
    high = orders[5].log_slopes(REFERENCE)
    np.testing.assert_allclose(steered.log_slopes(REFERENCE), high, atol=1e-12)
    assert np.abs(orders[3].log_slopes(REFERENCE) - high).max() > 1e-3, "there was nothing to steer"


def test_what_is_left_is_of_second_order(orders, steered):
    """Half the move, a quarter of the error; and far less of it than a ratio alone would leave."""

    def left(amplitude):
        return np.log(steered.expected(changed(amplitude)) / orders[5].expected(changed(amplitude)))

    whole, half = np.abs(left(0.2)).max(), np.abs(left(0.1)).max()
    assert 3.0 < whole / half < 5.5
    of_ratio = [orders[5].expected(ice) / orders[3].expected(ice) for ice in (REFERENCE, changed(0.1))]
    assert half < 0.25 * np.abs(np.log(of_ratio[0] / of_ratio[1])).max()


def test_gradients_are_those_of_the_moments(steered):
    ice = changed(0.15)
    moments, pull_back = steered.expected_vjp(ice)
    weight = np.random.default_rng(3).standard_normal(moments.shape) / moments
    found = np.stack(pull_back(weight))
    slopes = np.einsum("ps,psi->i", weight * moments, steered.log_slopes(ice))
    # Two routes, and at 180 m what their sums over wavenumbers are rounded by is some 1e-8 of the light.
    np.testing.assert_allclose(found.ravel(), slopes, rtol=1e-7)
    lengths = np.stack([ice.scattering_length_m, ice.absorption_length_m])
    step = 1e-3
    for kind, layer in np.ndindex(2, 3):
        values = []
        for sign in (1, -1):
            moved = lengths.copy()
            moved[kind, layer] *= np.exp(sign * step)
            values.append(np.sum(weight * steered.expected(Ice(EDGES_M, *moved))))
        np.testing.assert_allclose(
            found[kind, layer], (values[0] - values[1]) / (2 * step), rtol=1e-5, atol=1e-7
        )


def test_moments_that_the_low_order_does_not_know_are_expanded_by_themselves():
    """Along the emitter's line the orders are far apart: the low one's move must not be blown up."""
    ring = Emission("ring", elevation_deg=20.0, spread_deg=10.0)
    scene = make_scene([1520.0, 1520.0], [1500.0, 1570.0], [0.0, 0.0], emission=ring, slope=0.5)
    low, high = (LaplaceMoments(scene, n, RATES_PER_NS) for n in (3, 5))
    apart = np.abs(np.log(low.expected(REFERENCE) / high.expected(REFERENCE)))
    assert apart[0].min() > 0.5, "the orders are near each other"
    steered, slopes = SteeredMoments(low, high, REFERENCE), high.log_slopes(REFERENCE)
    ice = changed(0.05)
    move = np.log(np.r_[ice.scattering_length_m, ice.absorption_length_m])
    move -= np.log(np.r_[REFERENCE.scattering_length_m, REFERENCE.absorption_length_m])
    expanded = np.log(high.expected(REFERENCE)) + slopes @ move
    np.testing.assert_allclose(np.log(steered.expected(ice))[0], expanded[0], rtol=1e-10)
    moved = np.log(low.expected(ice)[0, 1:] / low.expected(REFERENCE)[0, 1:])
    assert np.abs(moved).min() > 0.1, "the low order's moments do not run away"
    assert np.abs(np.log(steered.expected(ice) / high.expected(ice)))[0].max() < 1e-3
