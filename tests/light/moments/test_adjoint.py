"""The reverse sweep against central differences in ice drawn at random."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.ice.layers import Ice
from iceopt.light.moments.model import LayeredDiffusion, LayeredMoments
from tests.light.moments.scenes import PAIRS_M, RING, ices, make_scene

SCENE = make_scene(
    *PAIRS_M,
    edges_ns=np.concatenate([[0.0], np.arange(400.0, 3001.0, 100.0)]),
    emission=RING,
    slope=0.6,
)
PATH_NS = SCENE.range_m / SCENE.speed_m_per_ns
MODELS = {"diffusion": LayeredDiffusion(SCENE)} | {n: LayeredMoments(SCENE, n) for n in (1, 2, 3)}


def shifted(ice, layer, of_scattering, step):
    change = np.ones(ice.layers)
    change[layer] = np.exp(step)
    scattering, absorption = (change, 1.0) if of_scattering else (1.0, change)
    return Ice(ice.edges_m, ice.scattering_length_m * scattering, ice.absorption_length_m * absorption)


@pytest.mark.parametrize(
    "order",
    [pytest.param("diffusion", marks=pytest.mark.slow), 1, 2, 3],  # its adjoint compiles for a minute
)
@given(ice=ices(), seed=st.integers(0, 999))
@settings(max_examples=4, deadline=None)
def test_gradient_is_that_of_central_differences(order, ice, seed):
    model = MODELS[order]
    expected, pull_back = model.expected_vjp(ice)
    # A smooth scalar: late bins of every pair, each pair brought to the same size.
    late = SCENE.bin_edges_ns[:-1] > 1.3 * PATH_NS[:, None]
    weight = np.random.default_rng(seed).uniform(0.2, 1, expected.shape) * late
    weight /= np.abs(weight * expected).sum(axis=1, keepdims=True)
    gradient = np.concatenate(pull_back(weight))
    step = 2e-3

    def slope(layer, of_scattering, h):
        high, low = (model.expected(shifted(ice, layer, of_scattering, x)) for x in (h, -h))
        return (weight * (high - low)).sum() / (2 * h)

    # Two steps, extrapolated: what is left is of fourth order in the step.
    numerical = [
        (4 * slope(i, kind, step) - slope(i, kind, 2 * step)) / 3
        for kind in (True, False)
        for i in range(ice.layers)
    ]
    assert abs(gradient - numerical).max() < 1e-5 * abs(gradient).max()


def test_values_come_with_the_gradient():
    ice = Ice([1700.0, 1720, 1740], [20.0, 10], [90.0, 50])
    model = MODELS[2]
    expected, pull_back = model.expected_vjp(ice)
    np.testing.assert_array_equal(expected, model.expected(ice))
    one, other = np.random.default_rng(3).normal(size=(2, *expected.shape))
    both = np.array(pull_back(2 * one - other))
    np.testing.assert_allclose(
        both, 2 * np.array(pull_back(one)) - np.array(pull_back(other)), atol=1e-10 * abs(both).max()
    )
