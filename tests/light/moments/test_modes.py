"""Single modes of wavenumber and Laplace variable: the sweep without any transform around it."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import j0

from iceopt.ice.layers import Ice
from iceopt.light.model import Emission
from iceopt.light.moments.model import LayeredDiffusion, LayeredMoments
from tests.light.moments.scenes import RING, make_scene, modes
from tests.light.routes import image_charges

LE, LA = 25.0, 100.0
UNIFORM = Ice([1700.0, 1800.0], [LE], [LA])
ROUGH = Ice([1700, 1710, 1710.5, 1724, 1740, 1760], [30.0, 8, 50, 5, 18], [120.0, 40, 200, 25, 90])

BY_ORDER = ["diffusion", 1, 2, 3, 5]


def model_of(emitter_m, order, emission=None, slope=0.0, anisotropy=0.9):
    scene = make_scene(emitter_m, 1.0, 100.0, emission=emission, slope=slope, anisotropy=anisotropy)
    return LayeredDiffusion(scene) if order == "diffusion" else LayeredMoments(scene, order)


def quadrature(ice, emitter_m, decay, nodes=24):
    """Depths and weights over all of the ice: panels that end at edges and at the emitter."""
    marks = np.unique([*ice.edges_m[1:-1], emitter_m])
    tail = np.geomspace(0.02, 40, 24) / decay
    cuts = np.concatenate(
        [marks[0] - np.append(0, tail)[::-1], marks[-1] + tail]
        + [a + 0.5 * (b - a) * (1 - np.cos(np.linspace(0, np.pi, 9))) for a, b in pairwise(marks)]
    )
    cuts = np.unique(cuts)
    x, w = np.polynomial.legendre.leggauss(nodes)
    half = 0.5 * np.diff(cuts)
    return (cuts[:-1, None] + half[:, None] * (1 + x)).ravel(), (half[:, None] * w).ravel()


@given(
    k=st.floats(0.0, 0.8),
    dz=st.floats(-80, 80).filter(lambda z: abs(z) > 0.01),
    frequency=st.floats(0, 0.2),
    loss=st.floats(1e-4, 0.01),
)
@settings(max_examples=40, deadline=None)
def test_diffusion_in_a_uniform_medium(k, dz, frequency, loss):
    # H0 of a mode is exp(-q |dz|) / (2 D q) with D = le / 3 and q^2 = k^2 + (s/v + 1/la) / D, H1 -D times
    # its slope: the definition of diffusion.
    s = loss + 1j * frequency
    h0 = modes(model_of(1750.0, "diffusion"), UNIFORM, s, k, 1750 + dz)[0, 0]
    h1 = h0 - modes(model_of(1750.0, "diffusion", slope=1.0), UNIFORM, s, k, 1750 + dz)[0, 0]
    d = LE / 3
    q = np.sqrt(k**2 + (s * 1.337 / 0.299792458 + 1 / LA) / d)
    want = np.exp(-q * abs(dz)) / (2 * d * q)
    assert abs(h0 - want) < 1e-9 * abs(want)
    assert abs(h1 - d * q * want * np.sign(dz)) < 1e-9 * abs(d * q * want) + 1e-12 * abs(want)


@pytest.mark.parametrize(("emitter", "receiver"), [(-20, 12), (-20, -50), (8, 30), (-5, 5), (8, 0)])
def test_two_half_spaces_are_image_charges(emitter, receiver):
    le, la = (15.0, 40.0), (50.0, 150.0)
    # exp(-q |dz|) falls to 1e-14 over the range.
    x, w = np.polynomial.legendre.leggauss(64)
    end = 32 / abs(receiver - emitter)
    start = end / 40 * np.arange(40)[:, None]
    k, weight = (start + end / 80 * (1 + x)).ravel(), np.tile(end / 80 * w, 40)
    for absorption, want in (
        (la, image_charges.charge_with_absorption(emitter, receiver, 60.0, le, la)),
        ((1e11, 1e11), image_charges.charge_without_absorption(emitter, receiver, 60.0, le)),
    ):
        ice = Ice([-100.0, 0.0, 100.0], le, absorption)
        scene = make_scene(float(emitter), float(receiver), 60.0)
        mode = modes(LayeredDiffusion(scene), ice, 0.0, k, float(receiver))[:, 0].real
        got = (weight * k * j0(k * 60.0) / (2 * np.pi)) @ mode
        assert got == pytest.approx(want, rel=1e-4)


@pytest.mark.parametrize("order", ["diffusion", 1, 2, 3, 4, 5])
def test_reciprocity(order):
    depths = np.array([1690.0, 1710.0, 1710.25, 1731.0, 1765.0])
    k = np.array([0.0, 0.03, 0.2])
    table = np.array([modes(model_of(z, order), ROUGH, 0.001 + 0.02j, k, depths) for z in depths])
    for there, back in zip(table.transpose(1, 0, 2), table.transpose(1, 2, 0), strict=True):
        off = ~np.eye(depths.size, dtype=bool)
        np.testing.assert_allclose(there[off], back[off], rtol=1e-8)


@pytest.mark.parametrize("order", ["diffusion", 1, 3, 5, 7])
@pytest.mark.parametrize("emission", [Emission(), Emission("ring", 20.0, 10.0)])
def test_what_is_emitted_is_absorbed(order, emission):
    # Even orders emit a sheet of light at the emitter's depth, which no quadrature in depth sees.
    z, weight = quadrature(ROUGH, 1731.0, decay=0.02)
    h0 = modes(model_of(1731.0, order, emission), ROUGH, 0.0, 0.0, z)[0].real
    absorbed = (weight * h0 / ROUGH.absorption_length_m[ROUGH.layer_at(z)]).sum()
    assert absorbed == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("order", [1, 2, 3, 4, 5])
def test_flux_falls_by_what_is_absorbed(order):
    x, w = np.polynomial.legendre.leggauss(24)
    cuts = np.array([1705, 1708, 1710, 1710.5, 1713, 1718, 1724, 1726, 1728.0])
    z = (cuts[:-1, None] + 0.5 * np.diff(cuts)[:, None] * (1 + x)).ravel()
    weight = (0.5 * np.diff(cuts)[:, None] * w).ravel()
    emitter = 1735.0
    h0 = modes(model_of(emitter, order, RING), ROUGH, 0.0, 0.0, z)[0].real
    ends = [modes(model_of(emitter, order, RING, b), ROUGH, 0.0, 0.0, [1705.0, 1728.0])[0] for b in (0, 1)]
    flux = (ends[0] - ends[1]).real
    absorbed = (weight * h0 / ROUGH.absorption_length_m[ROUGH.layer_at(z)]).sum()
    assert flux[0] - flux[1] == pytest.approx(absorbed, rel=1e-6)


def test_isotropic_scattering_tends_to_the_arctangent_relation():
    # Sum of a mode over depth: A / (1 - A / le), A = arctan(k / sigma) / k, sigma = s/v + 1/la + 1/le
    # (Case, Zweifel, Linear Transport Theory (1967)); P_N of odd order converges to it in N.
    s, k = 0.003, np.array([0.02, 0.04, 0.08])
    sigma = s * 1.337 / 0.299792458 + 1 / LA + 1 / LE
    collided = np.arctan(k / sigma) / k
    want = collided / (1 - collided / LE)
    z, weight = quadrature(UNIFORM, 1750.0, decay=0.05)
    x = k / sigma
    for order in (1, 3, 5, 7, 9):
        got = modes(model_of(1750.0, order, anisotropy=0.0), UNIFORM, s, k, z).real @ weight
        # Truncated continued fractions of arctan close in by this factor a step (the roots of its
        # recurrence, (1 +- sqrt(1 + x^2)) / x).
        assert (abs(got / want - 1) < 4 * ((np.sqrt(1 + x**2) - 1) / x) ** (2 * order + 2) + 1e-9).all()


@pytest.mark.parametrize("order", [1, 3, 5])
def test_dispersion_is_the_continued_fraction(order):
    # The same sum is 1 / (s0 + k^2 / (3 s1 + 4 k^2 / (5 s2 + 9 k^2 / ...))) at finite order (Davison,
    # Neutron Transport Theory (1957)).
    s, k = 0.001, np.array([0.01, 0.05, 0.3])
    rate = s * 1.337 / 0.299792458 + 1 / LA + (1 - 0.9 ** np.arange(order + 1)) / (0.1 * LE)
    denominator = (2 * order + 1) * rate[order] * np.ones(3)
    for n in range(order - 1, -1, -1):
        denominator = (2 * n + 1) * rate[n] + (n + 1) ** 2 * k**2 / denominator
    z, weight = quadrature(UNIFORM, 1750.0, decay=0.03)
    got = modes(model_of(1750.0, order), UNIFORM, s, k, z).real @ weight
    np.testing.assert_allclose(got, 1 / denominator, rtol=1e-6)


@pytest.mark.parametrize("order", BY_ORDER)
def test_splitting_layers_changes_nothing(order):
    split = Ice(
        [1700, 1705, 1710, 1710.2, 1710.5, 1724, 1724.01, 1740, 1760],
        [30.0, 30, 8, 8, 50, 5, 5, 18],
        [120.0, 120, 40, 40, 200, 25, 25, 90],
    )
    z = np.array([1690.0, 1706.0, 1710.3, 1724.0, 1755.0])
    k = np.array([0.0, 0.05, 0.4])
    one, other = (modes(model_of(1731.0, order, RING, 0.6), ice, 0.01j, k, z) for ice in (ROUGH, split))
    np.testing.assert_allclose(one, other, rtol=1e-9)


@pytest.mark.parametrize("order", BY_ORDER)
def test_equal_layers_are_one_layer(order):
    edges = [1700.0, 1700.5, 1712, 1730, 1731, 1790]
    many = Ice(edges, np.full(5, LE), np.full(5, LA))
    z = np.array([1660.0, 1700.5, 1720.0, 1820.0])
    k = np.array([0.0, 0.05, 0.4])
    one, other = (modes(model_of(1731.0, order, RING, 0.6), ice, 0.01j, k, z) for ice in (UNIFORM, many))
    np.testing.assert_allclose(one, other, rtol=1e-9)
