"""Receivers that lie close are read from polynomials in depth: what that leaves of the light, and that it
holds.

The outside is the same light with a node at every receiver.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.ice.layers import Ice
from iceopt.light.model import Emission
from iceopt.light.moments.column import POINTS, chebyshev_points, column, reads_of, shares_of
from iceopt.light.moments.laplace import RATES_PER_NS, LaplaceMoments
from iceopt.light.moments.model import LayeredMoments
from tests.light.moments.scenes import ices, make_scene

EDGES_M = np.arange(1695.0, 1806.0, 10.0)
EMITTER_M = np.array([1722.0, 1751.0, 1780.0])


def ice_of(seed):
    random = np.random.default_rng(seed)
    return Ice(EDGES_M, *np.exp(random.normal([[3.2], [4.5]], 0.35, (2, EDGES_M.size - 1))))


def dense_scene(nearest_m, farthest_m, *, above=False):
    """Many receivers at depths of their own, in half-spaces and on edges too; three emitters."""
    random = np.random.default_rng(5)
    receiver = np.concatenate([random.uniform(1688.0, 1812.0, 380), EDGES_M])
    distance = np.exp(random.uniform(np.log(nearest_m), np.log(farthest_m), receiver.size))
    z, r = np.meshgrid(EMITTER_M, receiver, indexing="ij")
    rho = np.broadcast_to(distance, z.shape)
    kept = np.abs(z - r) > 20.0 if above else np.ones(z.shape, dtype=bool)
    emission = Emission("ring", 20.0, 10.0)
    return make_scene(
        z[kept], r[kept], rho[kept], emission=emission, slope=0.6, edges_ns=np.arange(0.0, 2001.0, 50.0)
    )


def with_nodes(plan):
    """The same plan, each receiver at a node of its own."""
    assert any(group.stretch_m > 0 for group in plan.classes)
    return replace(plan, classes=[replace(group, stretch_m=0.0) for group in plan.classes])


SCENES = {
    "across": dense_scene(110.0, 200.0),
    "nearby": dense_scene(28.0, 60.0),
    "above": dense_scene(0.2, 0.4, above=True),
}


@given(st.lists(st.floats(-1.0, 1.0), min_size=1, max_size=8), st.integers(2, 9))
def test_shares_reproduce_polynomials(x, count):
    coefficients = np.random.default_rng(count).normal(size=count)
    of = np.polynomial.Polynomial(coefficients)
    found = shares_of(np.array(x), count) @ of(chebyshev_points(count))
    np.testing.assert_allclose(found, of(np.array(x)), atol=1e-12 * np.abs(coefficients).sum())


@given(ice=ices(), stretch_m=st.floats(0.5, 12.0), seed=st.integers(0, 999))
def test_each_receiver_is_read_within_its_layer_and_stretch(ice, stretch_m, seed):
    random = np.random.default_rng(seed)
    receiver = np.sort(np.concatenate([random.uniform(1690.0, 1790.0, 60), ice.edges_m]))
    reads, place = reads_of(ice, receiver, stretch_m)
    of = np.repeat(np.arange(receiver.size), np.diff(reads.start))
    inner = ice.edges_m[1:-1]
    layer = np.searchsorted(inner, receiver, side="right")
    np.testing.assert_array_equal(np.searchsorted(inner, place[reads.node], side="right"), layer[of])
    assert (np.abs(place[reads.node] - receiver[of]) < stretch_m * (1 + 1e-9)).all()
    np.testing.assert_allclose(np.bincount(of, reads.share), 1.0, atol=1e-12)
    np.testing.assert_allclose(np.bincount(of, reads.share * place[reads.node]), receiver, rtol=1e-12)


def test_a_lone_receiver_is_a_node():
    reads, place = reads_of(ice_of(0), np.array([1700.0, 1703.0, 1731.0]), 10.0)
    np.testing.assert_array_equal(place[reads.node], [1700.0, 1703.0, 1731.0])
    assert (reads.share == 1.0).all()


def test_nodes_do_not_grow_with_receivers():
    ice = ice_of(0)
    nodes = [
        column(
            ice, EMITTER_M, np.sort(np.random.default_rng(1).uniform(1695.0, 1805.0, n)), 10.0
        ).between.size
        - 1
        for n in (1000, 10000)
    ]
    assert nodes[0] == nodes[1] <= POINTS * 11 + 10 + EMITTER_M.size


@pytest.mark.parametrize("order", [3, 5])
@pytest.mark.parametrize("where", list(SCENES))
def test_moments_are_those_of_nodes(where, order):
    """To a part of what separates the order from tracked photons, 5e-3 to 2e-2."""
    moments = LaplaceMoments(SCENES[where], order, RATES_PER_NS)
    direct = LaplaceMoments(SCENES[where], order, RATES_PER_NS, plan=with_nodes(moments.equations.plan))
    found, want = moments.expected(ice_of(1)), direct.expected(ice_of(1))
    strong = want > 1e-4 * want.max(axis=0)
    assert strong.mean() > 0.3
    away = np.abs(np.log(found[strong] / want[strong]))
    assert away.max() > 1e-12  # it is another route
    assert away.max() < 2e-3 and np.sqrt(np.mean(away**2)) < 2e-4


@pytest.mark.parametrize("where", ["across", "above"])
def test_time_bins_are_those_of_nodes(where):
    model = LayeredMoments(SCENES[where], 3)
    direct = LayeredMoments(SCENES[where], 3, with_nodes(model._plan))
    found, want = model.expected(ice_of(2)), direct.expected(ice_of(2))
    strong = want > np.maximum(0.01 * want.max(axis=1, keepdims=True), 1e-4 * want.max())
    away = np.abs(found[strong] / want[strong] - 1.0)
    assert 1e-12 < away.max() < 3e-3 and np.sqrt(np.mean(away**2)) < 3e-4


@pytest.mark.parametrize("order", [1, 3])
@pytest.mark.parametrize("where", list(SCENES))
@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=2, deadline=None)
def test_slopes_and_gradient_are_those_of_the_polynomials(where, order, seed):
    """To 1e-5: places a hair apart, 0.1 mm of the 10 m in which light changes, share a node in values
    alone."""
    moments, ice = LaplaceMoments(SCENES[where], order, RATES_PER_NS), ice_of(seed)
    with_nodes(moments.equations.plan)
    value, pull_back = moments.expected_vjp(ice)
    slopes = moments.log_slopes(ice)
    strong = value > 1e-4 * value.max(axis=0)

    layer, step = 5, 1e-12
    aside = moments._rates(ice).astype(complex)
    aside[:, layer] -= 1j * step * moments.equations.rate_parts(ice)[1][layer]
    change = moments._moments(ice, aside)[:, :, 1] / (step * value)
    np.testing.assert_allclose(slopes[strong][:, ice.layers + layer], change[strong], rtol=1e-5, atol=1e-6)

    weight = strong * np.random.default_rng(seed).normal(size=value.shape) / value
    want = np.tensordot(weight * value, slopes, axes=2)
    np.testing.assert_allclose(
        np.concatenate(pull_back(weight)), want, rtol=1e-5, atol=1e-5 * np.abs(want).max()
    )
