"""The parts of the layered model one by one: couplings, cut-off, Bessel zeros, inversion."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import eval_laguerre, gammainc, jn_zeros, lpmv

from iceopt.light.moments.hankel import axis_rule, bessel_zeros, ring_rule, smooth_step
from iceopt.light.moments.harmonics import couplings
from iceopt.light.moments.inversion import LaplaceNodes, laguerre_integrals


@pytest.mark.parametrize("order", [1, 2, 3, 5, 9])
def test_couplings_are_integrals_over_the_sphere(order):
    cosine, w = np.polynomial.legendre.leggauss(2 * order + 4)
    phi = 2 * np.pi * np.arange(4 * order + 8) / (4 * order + 8)
    weight = np.repeat(w[:, None], phi.size, 1) * 2 * np.pi / phi.size
    c = couplings(order)

    def harmonics(moments):
        # scipy's Legendre functions carry the phase (-1)^m; the real harmonics here do not.
        table = np.array([(-1) ** m * lpmv(m, n, cosine)[:, None] * np.cos(m * phi) for n, m in moments])
        return table / np.sqrt((table**2 * weight).sum((1, 2)))[:, None, None]

    even, odd = harmonics(c.even_moments), harmonics(c.odd_moments)
    u_x = np.sqrt(1 - cosine**2)[:, None] * np.cos(phi)
    vertical = np.einsum("aij,bij,ij->ab", even, odd, weight * cosine[:, None])
    np.testing.assert_allclose(c.vertical, c.even_sign[:, None] * vertical, atol=1e-13)
    for moments, matrix in ((even, c.even_horizontal), (odd, c.odd_horizontal)):
        np.testing.assert_allclose(
            matrix, np.einsum("aij,bij,ij->ab", moments, moments, weight * u_x), atol=1e-13
        )
    assert len(c.even_moments) + len(c.odd_moments) == (order + 1) * (order + 2) // 2
    assert not np.einsum("aij,bij,ij->ab", even, even, weight * cosine[:, None]).round(13).any()


def test_zeros_of_the_bessel_function():
    np.testing.assert_allclose(bessel_zeros(300), jn_zeros(0, 300), rtol=1e-14)


@pytest.mark.parametrize("sharpness", [12.0, 25.0, 34.0])
def test_cut_off_falls_from_one_to_zero_and_moves_light_by_little(sharpness):
    x = np.linspace(-1.5, 1.5, 601)
    step = smooth_step(x, sharpness)
    assert step[0] == 1 and step[-1] == pytest.approx(0, abs=1e-14)
    assert (np.diff(step) < 1e-15).all()
    np.testing.assert_allclose(step + step[::-1], 1, atol=1e-13)
    # Beyond `sharpness` over the half width the transform of its slope is exp(-sharpness) of the whole,
    # as for the Kaiser window (Kaiser, Schafer, IEEE Trans. Acoust. 28, 105 (1980)).
    angle = (np.arange(2000) + 0.5) / 2000 * np.pi - np.pi / 2
    slope = np.sinh(sharpness * np.cos(angle))
    beyond = sharpness * np.linspace(1.05, 2, 40)
    ripple = np.cos(beyond[:, None] * np.sin(angle)) @ slope / slope.sum()
    assert abs(ripple).max() < 2 * np.sqrt(2 * np.pi * sharpness) * np.exp(-sharpness)
    # The slope is that of the step.
    middle = np.interp(np.sin(angle), x, step)
    np.testing.assert_allclose(1 - np.cumsum(slope) / slope.sum(), middle, atol=2e-3)


@given(dz=st.floats(20, 80), rho=st.floats(0, 30), kappa=st.floats(0.02, 0.1))
@settings(max_examples=30, deadline=None)
def test_hankel_rule_above_one_another_sums_a_point_source(dz, rho, kappa):
    # Sommerfeld: exp(-kappa r) / (4 pi r) = int k J0(k rho) exp(-q dz) / (2 q) dk / (2 pi),
    # q^2 = k^2 + kappa^2; 0.1 % of a charge is what the light model promises.
    k, weight = axis_rule(np.array([rho]), (dz, dz), 0j, 0.224)
    q = np.hypot(k, kappa)
    r = np.hypot(dz, rho)
    got = weight[0] @ (np.exp(-q * dz) / (2 * q))
    assert got == pytest.approx(np.exp(-kappa * r) / (4 * np.pi * r), rel=1e-3)


@given(dz=st.floats(0, 60), rho=st.floats(60, 200), kappa=st.floats(0.025, 0.04))
@settings(max_examples=30, deadline=None)
def test_hankel_rule_across_sums_a_point_source(dz, rho, kappa):
    k, weight = ring_rule(np.array([rho]), 0j, 0.224)
    q = np.hypot(k, kappa)
    r = np.hypot(dz, rho)
    got = weight[0] @ (np.exp(-q * dz) / (2 * q))
    assert got == pytest.approx(np.exp(-kappa * r) / (4 * np.pi * r), rel=1e-3)


@pytest.mark.parametrize(
    ("edges", "scale"),
    [
        ([0.0, 25, 50], 0.02),
        ([800.0, 850], 0.01),
        ([50.0, 800], 0.02),
        ([0.0, 1, 1.5, 3000, 9000], 0.03),
    ],
)
def test_integrals_of_laguerre_functions(edges, scale):
    terms = 64
    got = laguerre_integrals(np.array(edges), scale, terms)
    for n in (0, 1, 7, 30, terms - 1):
        want = [integral_of_laguerre_function(n, scale, a, b) for a, b in pairwise(edges)]
        np.testing.assert_allclose(got[n], want, rtol=0, atol=1e-11)


def integral_of_laguerre_function(n, scale, low, high):
    """By quadrature in pieces of at most 25 ns, each of which holds less than a turn."""
    cuts = np.linspace(low, high, 1 + int(np.ceil((high - low) / 25)))
    return sum(
        quad(lambda t: np.exp(-scale * t) * eval_laguerre(n, 2 * scale * t), a, b, epsabs=1e-13)[0]
        for a, b in pairwise(cuts)
    )


@given(inner=st.floats(1, 5000), scale=st.floats(0.01, 0.03))
@settings(max_examples=50, deadline=None)
def test_integrals_over_all_times_alternate(inner, scale):
    # exp(-x / 2) L_n(x) over all x is 2 (-1)^n: integrate the generating function of the L_n (Abramowitz,
    # Stegun (1964), 22.9.15), which gives 2 / (1 + z).
    whole = laguerre_integrals(np.array([0.0, inner, 1e6]), scale, 64).sum(axis=1)
    np.testing.assert_allclose(whole, (-1.0) ** np.arange(64) / scale, rtol=1e-10)


def invert(nodes, transform, edges, delay):
    """Bins of the function with this transform."""
    value = transform(1j * nodes.frequency)
    return np.einsum("jp,jpb->b", np.stack([value.real, value.imag], axis=1), nodes.binning(edges, delay))


@pytest.mark.parametrize("delay", [0.0, 400.0])
def test_inversion_of_gamma_functions(delay):
    # (s + a)^-n <-> t^(n-1) exp(-a t) / (n-1)! (Abramowitz, Stegun, Handbook (1964), 29.3.10), delayed.
    edges, a = np.arange(0.0, 3001.0, 25.0), 0.01
    nodes = LaplaceNodes(scale=0.02, terms=48, bandwidth=50.0)
    for n in (2, 3, 5):
        got = invert(nodes, lambda s, n=n: np.exp(-s * delay) / (s + a) ** n, edges, delay)
        want = np.diff(gammainc(n, a * np.maximum(edges - delay, 0))) / a**n
        np.testing.assert_allclose(got, want, rtol=1e-6, atol=1e-7 * want.max())


def test_inversion_of_diffusion():
    # exp(-x sqrt(s)) <-> x / (2 sqrt(pi t^3)) exp(-x^2 / 4t) (Abramowitz, Stegun (1964), 29.3.82),
    # here with loss exp(-mu t), so s + mu in place of s.
    edges, x, mu = np.arange(0.0, 3001.0, 25.0), 60.0, 0.002
    nodes = LaplaceNodes(scale=0.0142, terms=48, bandwidth=50.0)
    got = invert(nodes, lambda s: np.exp(-x * np.sqrt(s + mu)), edges, 0.0)
    want = [
        quad(lambda t: x / np.sqrt(4 * np.pi * t**3) * np.exp(-x * x / (4 * t) - mu * t), a, b)[0]
        for a, b in pairwise(np.maximum(edges, 1e-9))
    ]
    np.testing.assert_allclose(got, want, rtol=1e-5, atol=3e-6 * max(want))


def test_the_filter_leaves_low_moments_of_the_time_profile():
    # A short pulse at 300 ns: the filter spreads it and keeps charge, mean and variance.
    edges, a, n = np.arange(0.0, 3001.0, 1.0), 0.2, 8
    nodes = LaplaceNodes(scale=0.02, terms=400, bandwidth=0.1)
    got = invert(nodes, lambda s: a**n * np.exp(-s * 300) / (s + a) ** n, edges, 200.0)
    t = 0.5 * (edges[1:] + edges[:-1])
    mean = (got @ t) / got.sum()
    assert got.sum() == pytest.approx(1, abs=1e-3)
    assert mean == pytest.approx(300 + n / a, abs=0.2)
    assert got @ (t - mean) ** 2 == pytest.approx(n / a**2, rel=0.03)
