"""Real matrices a lane: the primitives against numpy, and moments against the complex route."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.ice.layers import Ice
from iceopt.light.moments import lanes
from iceopt.light.moments.column import column
from iceopt.light.moments.hankel import decay, moment_axis_rule, moment_ring_rule
from iceopt.light.moments.laplace import RATES_PER_NS, LaplaceMoments
from tests.light.moments.scenes import PAIRS_M, RING, ices, make_scene

SPEED = 0.2242
SCENE = make_scene(*PAIRS_M, emission=RING, slope=0.6)
MOMENTS = {n: LaplaceMoments(SCENE, n, RATES_PER_NS) for n in (1, 2, 3, 5)}


def as_lanes(matrices):
    """A workspace with a matrix a lane, from shape (LANES, row, column)."""
    entries = matrices.reshape(lanes.LANES, -1).T
    if np.iscomplexobj(entries):
        return np.ascontiguousarray(np.stack([entries.real, entries.imag], axis=1))
    return np.array(entries, order="C")


def from_lanes(work, shape):
    entries = work if work.ndim == 2 else work[:, 0] + 1j * work[:, 1]
    return entries.T.reshape(lanes.LANES, *shape)


@pytest.mark.parametrize("kind", ["real", "complex"])
@pytest.mark.parametrize(("n", "m"), [(1, 1), (2, 3), (4, 4), (6, 5), (9, 9)])
def test_solutions_and_products_are_those_of_numpy(kind, n, m):
    rng = np.random.default_rng(n)

    def draw(*shape):
        x = rng.standard_normal((lanes.LANES, *shape))
        return x + 1j * rng.standard_normal(x.shape) if kind == "complex" else x

    half = draw(n, n)
    # Symmetric, with a dominant diagonal of either sign: what passive media give.
    a = half + half.transpose(0, 2, 1) + 8.0 * n * np.diag((-1.0) ** np.arange(n))
    b = draw(n, m)
    factored, solution = as_lanes(a), as_lanes(b)
    lanes.factor(factored, 0, n)
    lanes.solve(factored, 0, solution, 0, n, m)
    x = from_lanes(solution, (n, m))
    np.testing.assert_allclose(x, np.linalg.solve(a, b), rtol=1e-12, atol=1e-14)

    product = as_lanes(np.zeros_like(a))
    lanes.transposed_product(as_lanes(half), 0, as_lanes(a @ half), 0, 0.5, product, 0, n)
    want = 0.5 * half.transpose(0, 2, 1) @ a @ half
    np.testing.assert_allclose(from_lanes(product, (n, n)), want, rtol=1e-11, atol=1e-11)


def by_complex_route(moments, ice, values):
    """Moments and the gradient of sum(cotangent x moments) by complex arithmetic on the same plan."""
    equations, plan = moments.equations, moments.equations.plan
    rates = equations.rates(ice, RATES_PER_NS.astype(complex))
    found = np.empty((plan.entries, RATES_PER_NS.size))
    by_rate = np.zeros(rates.shape[1:])
    weighted = plan.of_entries(values)
    for group in plan.classes:
        transform = equations.transform(ice, rates, group)
        assert transform.shape[2] == 2 and not transform[:, :, 1].any()
        found[group.entry] = transform[:, :, 0].T
        bars = np.zeros_like(transform)
        bars[:, :, 0] = weighted[group.entry].T
        by_rate += equations.pull_back(ice, rates, group, bars)
    return plan.of_pairs(found), np.concatenate(equations.by_log_lengths(ice, by_rate))


@pytest.mark.parametrize("order", list(MOMENTS))
@given(ice=ices())
@settings(max_examples=6, deadline=None)
def test_the_complex_route_gives_the_same(order, ice):
    """To the rounding of the thinnest slab, times what of the near field cancels in far pairs."""
    moments = MOMENTS[order]
    value, pull_back = moments.expected_vjp(ice)
    weight = np.cos(np.arange(value.size)).reshape(value.shape) / value.max(axis=0)
    found, gradient = by_complex_route(moments, ice, weight)
    thinnest_m = min(
        column(ice, group.source_depth_m, group.receiver_depth_m).thickness_m.min()
        for group in moments.equations.plan.classes
    )
    close = max(1e-9, 1e-12 / thinnest_m)
    assert (np.abs(value - found) < close * np.abs(found).max(axis=0)).all()
    np.testing.assert_allclose(
        np.concatenate(pull_back(weight)), gradient, rtol=0, atol=10 * close * np.abs(gradient).max()
    )


@pytest.mark.parametrize("order", list(MOMENTS))
def test_an_edge_a_hair_from_a_module_is_at_it(order):
    # 1e-12 m apart: a slab of that thickness would be all rounding. Where no module is, the edge does move.
    edges, lengths = np.array([1700.0, 1712.0, 1730.0]), (np.array([15.0, 30.0]), np.array([60.0, 120.0]))
    at, beside = (MOMENTS[order].expected(Ice(edges + move, *lengths)) for move in (0.0, 1e-12))
    np.testing.assert_allclose(beside, at, rtol=1e-12)


@given(
    dz=st.floats(0, 250),
    rho=st.floats(100, 240),
    clearness=st.floats(1, 3),
    rate=st.sampled_from(list(RATES_PER_NS)),
)
@settings(max_examples=60, deadline=None)
def test_rule_across_sums_a_point_source_at_any_offset(dz, rho, clearness, rate):
    # Sommerfeld, as for the rules of time bins. What is left are images, exp(-8) at kappa of clear ice, and
    # what leaks of the near field by the cut-off, exp(-34) of it: 4e-15 / m at most where measured.
    k, weight = moment_ring_rule(np.array([100.0, rho, 240.0]), 250.0, rate, SPEED, lanes.LANES)
    assert k.size % lanes.LANES == 0
    kappa = clearness * decay(complex(rate), SPEED).real
    q, r = np.hypot(k, kappa), np.hypot(dz, rho)
    want = np.exp(-kappa * r) / (4 * np.pi * r)
    assert abs(weight[1] @ (np.exp(-q * dz) / (2 * q)) - want) < 4e-4 * want + 1e-14


@given(
    nearest=st.floats(7, 60),
    ratio=st.floats(1, 100),
    aside=st.sampled_from([0.0, 0.04, 0.3]),
    clearness=st.floats(0.5, 3),
    rate=st.sampled_from(list(RATES_PER_NS)),
)
@settings(max_examples=60, deadline=None)
def test_rule_above_one_another_sums_a_point_source_at_any_height(nearest, ratio, aside, clearness, rate):
    # Sommerfeld again; the docstring's 3e-4 for pairs right above one another, less for others.
    heights = nearest * np.geomspace(1, ratio, 5)
    distances = aside * heights
    k, weight = moment_axis_rule(distances, (nearest, heights[-1]), rate, SPEED, lanes.LANES)
    assert k.size % lanes.LANES == 0
    kappa = clearness * decay(complex(rate), SPEED).real
    q = np.hypot(k, kappa)
    for dz, rho, row in zip(heights, distances, weight, strict=True):
        r = np.hypot(dz, rho)
        want = np.exp(-kappa * r) / (4 * np.pi * r)
        assert abs(row @ (np.exp(-q * dz) / (2 * q)) - want) < 4e-4 * want + 1e-13
