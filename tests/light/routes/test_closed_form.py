"""The closed form against itself: quadrature, cumulative form, charge, energy balance, flux."""

import numpy as np
import pytest
from scipy.integrate import quad

from tests.light.routes import closed_form

EDGES = np.arange(0.0, 3001.0, 25.0)
ICE = (25.0, 100.0)
N_GROUP = 1.337


def test_bins_agree_with_the_cumulative_form():
    r = np.array([8.0, 40.0, 120.0, 240.0])
    h0, _ = closed_form.binned(r, np.zeros(4), EDGES, *ICE, N_GROUP)
    total = closed_form.cumulative(r[:, None], EDGES[1:], *ICE, N_GROUP)
    np.testing.assert_allclose(np.cumsum(h0, axis=1), total, rtol=1e-10, atol=1e-30)


def test_one_bin_agrees_with_adaptive_quadrature():
    h0, _ = closed_form.binned([0.0], [120.0], [100.0, 125.0], *ICE, N_GROUP)
    rate = quad(lambda t: closed_form.fluence_rate(120.0, t, *ICE, N_GROUP), 100, 125, epsrel=1e-12)[0]
    assert h0[0, 0] == pytest.approx(rate, rel=1e-11)


def test_bins_of_all_times_sum_to_the_charge():
    dz, rho = np.array([10.0, -80.0]), np.array([5.0, 200.0])
    h0, h1 = closed_form.binned(dz, rho, np.geomspace(1e-3, 3e4, 200), *ICE, N_GROUP)
    np.testing.assert_allclose(h0.sum(1), closed_form.charge(np.hypot(dz, rho), *ICE), rtol=1e-9)
    np.testing.assert_allclose(h1.sum(1), closed_form.charge_h1(dz, rho, *ICE), rtol=1e-9)


def test_fluence_over_all_space_is_the_absorption_length():
    # Energy balance: every photon travels la on average before it is absorbed.
    volume = quad(lambda r: 4 * np.pi * r**2 * closed_form.charge(r, *ICE), 0, np.inf)[0]
    assert volume == pytest.approx(ICE[1], rel=1e-8)


def test_h1_is_the_flux_by_finite_difference():
    step = 1e-3
    dz = np.array([40.0 - step, 40.0, 40.0 + step])
    h0, h1 = closed_form.binned(dz, np.full(3, 60.0), EDGES, *ICE, N_GROUP)
    slope = -ICE[0] / 3 * (h0[2] - h0[0]) / (2 * step)
    strong = h0[1] > 1e-6 * h0[1].max()
    np.testing.assert_allclose(h1[1, strong], slope[strong], rtol=1e-6)
