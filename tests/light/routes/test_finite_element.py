"""Finite elements against the closed form, and the finite volumes against finite elements."""

import numpy as np
import pytest

from tests.light.routes import closed_form
from tests.light.routes.finite_volume import LayeredIce, Pairs, bins

finite_element = pytest.importorskip(
    "tests.light.routes.finite_element", reason="scikit-fem is not installed"
)

DEPTH, DISTANCE = np.array([3.0, 40, -60, 10, 25]), np.array([120.0, 60, 30, 240, 200])


def test_uniform_medium_is_the_closed_form():
    ice = LayeredIce(np.array([-9.0, 12, 20]), np.full(2, 25.0), np.full(2, 100.0), 1.337)
    got = finite_element.charge(ice, 0.0, DEPTH, DISTANCE)
    np.testing.assert_allclose(got, closed_form.charge(np.hypot(DEPTH, DISTANCE), 25, 100), rtol=1e-3)


def test_laplace_variable_adds_to_the_absorption():
    ice = LayeredIce(np.array([-9.0, 12, 20]), np.full(2, 25.0), np.full(2, 100.0), 1.337)
    got = finite_element.charge(ice, 0.0, DEPTH, DISTANCE, s_per_ns=1e-3)
    la = 1 / (1 / 100 + 1e-3 / ice.speed_m_per_ns)
    np.testing.assert_allclose(got, closed_form.charge(np.hypot(DEPTH, DISTANCE), 25, la), rtol=1e-3)


def test_layers_agree_with_finite_volumes():
    ice = LayeredIce(
        np.array([-90.0, -30, -12, -8, 5, 20, 90]),
        np.array([30.0, 15, 40, 8, 22, 50]),
        np.array([120.0, 60, 200, 30, 90, 150]),
        1.337,
    )
    got = finite_element.charge(ice, 0.0, DEPTH, DISTANCE)
    pairs = Pairs(np.zeros(DEPTH.size), DEPTH, DISTANCE)
    volumes, _, _ = bins(ice, pairs, [0.0, 3e4], radius_m=400, k_max=1.0, margin_m=300, growth=1.15)
    np.testing.assert_allclose(got, volumes[:, 0], rtol=1e-3)
