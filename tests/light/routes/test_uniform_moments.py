"""P_N in a uniform medium against closed forms of its charge, its limits, and tracked photons."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.light.routes import closed_form
from tests.light.routes.uniform_moments import bins, generator, ring_moments

LE, LA, G = 25.0, 100.0, 0.9
N_GROUP = 1.337
SPEED = 0.299792458 / N_GROUP
EDGES = np.arange(0.0, 3001.0, 25.0)
REFERENCE = Path(__file__).parents[3] / "../shared/reference/homogeneous_ring.npz"


def sigma(order):
    return 1 / LA + (1 - G ** np.arange(order + 1)) / ((1 - G) * LE)


def yukawa_charge(order, r):
    """Isotropic steady fluence of P_N, a sum of exp(-kappa r) / (4 pi r), residues of the dispersion.

    1 / (s0 + k2/(3 s1 + 4 k2/(5 s2 + ...))) is a ratio of polynomials in k2 (Case, Zweifel, Linear
    Transport Theory (1967)): the poles -kappa^2 with residues res give sum res exp(-kappa r) / (4 pi r).
    """
    s, k2 = sigma(order), np.polynomial.Polynomial([0, 1])
    top, bottom = np.polynomial.Polynomial([1.0]), np.polynomial.Polynomial([(2 * order + 1) * s[order]])
    for degree in range(order, 0, -1):  # value = bottom / top; next = (2l-1) s + l^2 k2 top / bottom
        top, bottom = bottom, (2 * degree - 1) * s[degree - 1] * bottom + degree**2 * k2 * top
    poles = bottom.roots()
    kappa = np.sqrt(-poles)
    return (top(poles) / bottom.deriv()(poles) * np.exp(-kappa * r[:, None]) / (4 * np.pi * r[:, None])).sum(
        1
    )


@pytest.mark.parametrize("order", [1, 2, 3, 5])
def test_isotropic_charge_is_the_sum_over_the_dispersion_relation(order):
    r = np.array([30.0, 120.0])
    edges = np.append(EDGES, [5000.0, 1e4])
    h0, _ = bins([0, 0], r, edges, [1.0], order, LE, LA, N_GROUP, G, k_cut=4, k_width=1)
    np.testing.assert_allclose(h0.sum(1), yukawa_charge(order, r), rtol=1e-5)


def test_energy_balance_and_causality():
    matrix = generator(np.array([0.0]), 0, 3, LE, LA, G, SPEED)
    assert SPEED * np.linalg.inv(matrix[0])[0, 0] == pytest.approx(LA, rel=1e-12)
    h0, _ = bins([0.0], [120.0], EDGES, ring_moments(3, 12), 3, LE, LA, N_GROUP, G)
    dark = SPEED * EDGES[1:] < 115
    assert abs(h0[0, dark]).max() < 1e-6 * h0.max()


def test_emission_and_flux_are_reciprocal():
    # Turning every direction and exchanging the ends: an emission P_1(u_z) seen as H0 is three times the
    # H1 of an isotropic emission.
    h0, _ = bins([40.0], [100.0], EDGES, [0.0, 1.0], 3, LE, LA, N_GROUP, G)
    _, h1 = bins([40.0], [100.0], EDGES, [1.0], 3, LE, LA, N_GROUP, G)
    np.testing.assert_allclose(h0, 3 * h1, rtol=1e-8, atol=1e-9 * h0.max())


@given(dz=st.floats(5, 15), order=st.sampled_from([2, 3]))
@settings(max_examples=3, deadline=None)
def test_short_scattering_length_and_late_times_tend_to_diffusion(dz, order):
    le = 1.0
    edges = np.array([2000.0, 2200.0])
    h0, h1 = bins([dz], [5.0], edges, [1.0], order, le, LA, N_GROUP, G, k_cut=1.5, k_width=0.3)
    want0, want1 = closed_form.binned([dz], [5.0], edges, le, LA, N_GROUP)
    # The leading correction is of order le / (v t): 1 / 470 here.
    np.testing.assert_allclose([h0[0], h1[0]], [want0[0], want1[0]], rtol=0.005)


@pytest.mark.skipif(not REFERENCE.exists(), reason="the shared tracked reference is absent")
def test_order_seven_is_the_tracked_ring():
    # Independent tracking Monte Carlo, g = 0.9. Cells 4 m wide and high raise its charge by half their
    # variance, 1.3 m2, times the curvature, about 1 / L^2 = 1 / (28 m)^2 in all: 0.0009.
    tracked = np.load(REFERENCE)
    dz = np.arange(-96.0, 97, 8)
    depth = 50 + dz.astype(int) // 8
    for rho, ring, slack in ((120.0, 1, 0.0005), (240.0, 3, 0.002)):
        h0, h1 = bins(
            dz,
            np.full(dz.size, rho),
            EDGES,
            ring_moments(7, 12),
            7,
            LE,
            LA,
            0.299792458 / 0.22422771727748692,
            G,
        )
        fluence, moment = (tracked[name][0, ring, depth].sum(1) for name in ("fluence", "moment_z"))
        assert abs((h0.sum(1) / fluence).mean() - 1 + 0.0009) < slack
        assert abs(((h1.sum(1) - moment) / fluence).mean()) < slack
