"""Finite volumes against the closed form, the Sommerfeld integral, reciprocity and energy balance."""

import numpy as np
import pytest

from tests.light.routes import closed_form, image_charges
from tests.light.routes.finite_volume import LayeredIce, Pairs, bins, depth_grid, on_grid

EDGES = np.arange(0.0, 3001.0, 25.0)
N_GROUP = 1.337


def ice_of(edges, le, la):
    return LayeredIce(*(np.array(x, float) for x in (edges, le, la)), N_GROUP)


def pairs_of(*rows):
    return Pairs(*np.array(rows, float).T)


def test_uniform_medium_is_the_closed_form():
    ice = ice_of([0, 10, 30], [25, 25], [100, 100])
    pairs = pairs_of((0, 0, 120), (0, 40, 60), (5, -25, 0), (10, 60, 240))
    h0, h1, _ = bins(ice, pairs, EDGES, radius_m=450, k_max=1.6, margin_m=350, growth=1.1)
    want0, want1 = closed_form.binned(
        pairs.receiver_depth_m - pairs.emitter_depth_m, pairs.distance_m, EDGES, 25, 100, N_GROUP
    )
    for got, want in ((h0, want0), (h1[1:], want1[1:])):
        strong = abs(want) > 1e-3 * abs(want).max(axis=1, keepdims=True)
        assert abs(got / want - 1)[strong].max() < 5e-4


def test_two_half_spaces_are_the_sommerfeld_integral():
    ice = ice_of([-1, 0, 1], [15, 40], [50, 150])
    pairs = pairs_of((-20, 12, 100), (-20, -50, 100), (8, 0, 60))
    h0, _, _ = bins(ice, pairs, [0.0, 2e4], radius_m=450, k_max=1.6, margin_m=350, growth=1.1)
    rows = np.stack([pairs.emitter_depth_m, pairs.receiver_depth_m, pairs.distance_m], axis=1)
    for got, row in zip(h0[:, 0], rows, strict=True):
        assert got == pytest.approx(image_charges.charge_with_absorption(*row, (15, 40), (50, 150)), rel=2e-4)


def test_reciprocity_and_the_order_of_the_grid():
    ice = ice_of([0, 4, 4.5, 20], [30, 6, 15], [120, 30, 60])
    nodes = depth_grid([0, 4, 4.5, 20, -7], 2.0, 200.0, 1.1)
    there, back = (pairs_of((-7, 4.5, 80)), pairs_of((4.5, -7, 80)))
    got = [on_grid(ice, p, EDGES, nodes, 300.0, 0.3)[0] for p in (there, back)]
    np.testing.assert_allclose(*got, rtol=1e-9, atol=1e-12 * got[0].max())


def test_energy_balance_of_the_lowest_mode():
    # int H0 / la over all space and time is 1; per wavenumber k -> 0 that is sum cell n_m / la v / rate.
    from tests.light.routes.finite_volume import _modes

    ice = ice_of([0, 4, 4.5, 20], [30, 6, 15], [120, 30, 60])
    nodes = depth_grid([0, 4, 4.5, 20], 2.0, 600.0, 1.1)
    rate, mode = _modes(ice, nodes, 0.0)
    la = ice.at(0.5 * (nodes[1:] + nodes[:-1]))[1]
    half = 0.5 * np.diff(nodes) / la
    taken = np.append(half, 0) + np.insert(half, 0, 0)
    source = np.searchsorted(nodes, 4.0)
    absorbed = (taken @ mode * ice.speed_m_per_ns / rate) @ mode[source]
    assert absorbed == pytest.approx(1.0, rel=1e-10)
