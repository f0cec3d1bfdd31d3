"""Joined moments: every pair by its part's means; steering across lines alone."""

from dataclasses import replace

import numpy as np
import pytest

from iceopt.ice.layers import Ice
from iceopt.light.model import Emission
from iceopt.light.moments.joined import steered_across
from iceopt.light.moments.laplace import RATES_PER_NS, LaplaceMoments
from tests.light.moments.scenes import make_scene

EDGES_M = [1500.0, 1540.0, 1560.0, 1600.0]
REFERENCE = Ice(EDGES_M, [24.0, 9.0, 20.0], [110.0, 45.0, 90.0])
NEAR = Ice(EDGES_M, [25.0, 8.8, 20.5], [105.0, 46.0, 92.0])
# Sums over k are rounded at some 1e-17 /m2, and nodes go by the pairs of a scene: hence `atol` below.
ALONG = np.array([False, True, False, True])


@pytest.fixture(scope="module")
def high():
    depths = [1520.0, 1520.0, 1550.0, 1580.0], [1530.0, 1584.0, 1490.0, 1540.0]
    return LaplaceMoments(make_scene(*depths, [120.0, 0.0, 180.0, 0.0]), 5, RATES_PER_NS)


@pytest.fixture(scope="module")
def steered(high):
    return steered_across(high, REFERENCE)


def test_along_a_line_moments_are_the_high_orders_everywhere(high, steered):
    np.testing.assert_allclose(steered.expected(NEAR)[ALONG], high.expected(NEAR)[ALONG], rtol=1e-12)
    np.testing.assert_allclose(steered.log_slopes(NEAR)[ALONG], high.log_slopes(NEAR)[ALONG], atol=1e-12)


def test_across_lines_they_are_near_the_high_orders_and_exact_at_the_reference(high, steered):
    np.testing.assert_allclose(steered.expected(REFERENCE), high.expected(REFERENCE), rtol=1e-12, atol=1e-17)
    left = np.log(steered.expected(NEAR) / high.expected(NEAR))[~ALONG]
    moved = np.log(high.expected(NEAR) / high.expected(REFERENCE))[~ALONG]
    assert 0.0 < np.abs(left).max() < 0.02 * np.abs(moved).max()


def test_gradient_and_slopes_agree(steered):
    moments, pull_back = steered.expected_vjp(NEAR)
    np.testing.assert_array_equal(moments, steered.expected(NEAR))
    weight = np.random.default_rng(3).standard_normal(moments.shape) / moments
    slopes = np.einsum("ps,psi->i", weight * moments, steered.log_slopes(NEAR))
    np.testing.assert_allclose(np.concatenate(pull_back(weight)), slopes, rtol=1e-7)


def test_name_says_what_is_steered_and_what_is_not(high, steered):
    assert steered.name == "Laplace moments of order 3, steered by order 5, those of order 5 along lines"
    along = high.of_pairs(ALONG)
    assert steered_across(along, REFERENCE).name == along.name


def test_light_behind_an_led_is_the_high_orders():
    leds = make_scene([1560.0] * 3, [1540.0] * 3, [70.0, 90.0, 0.0], emission=Emission("single", 0.0, 12.0))
    scene = replace(leds, bearing_deg=np.array([0.0, 170.0, 0.0]), azimuth_deg=np.zeros(3))
    high = LaplaceMoments(scene, 5, RATES_PER_NS)
    steered = steered_across(high, REFERENCE)
    assert steered.name.endswith("those of order 5 along lines and behind LEDs")
    turned = np.array([False, True, True])
    np.testing.assert_array_equal(steered.expected(NEAR)[turned], high.of_pairs(turned).expected(NEAR))
    assert np.abs(np.log(steered.expected(NEAR) / high.expected(NEAR))[0]).max() > 1e-5


@pytest.mark.parametrize("distances", [[0.0, 0.0, 0.0], [120.0, 60.0, 90.0]])
def test_a_scene_may_have_pairs_of_one_kind_alone(distances):
    high = LaplaceMoments(make_scene([1520.0] * 3, [1560.0, 1590.0, 1490.0], distances), 5, RATES_PER_NS)
    steered = steered_across(high, REFERENCE)
    np.testing.assert_allclose(steered.expected(REFERENCE), high.expected(REFERENCE), rtol=1e-12, atol=1e-17)
