"""The crude layered P_N against the uniform route, the layered diffusion, reciprocity, energy balance."""

import numpy as np
import pytest

from tests.light.routes import finite_volume, uniform_moments
from tests.light.routes.block_tridiagonal import (
    Grids,
    Moments,
    Problem,
    bins,
    charges,
    coupling_matrices,
    greens,
    half_space,
    harmonics,
)

N_GROUP, G = 1.337, 0.9
EDGES = np.arange(0.0, 3001.0, 25.0)
LAYERS = (np.array([-20.0, 0, 4, 20]), np.array([30.0, 8, 15]), np.array([120.0, 40, 60]))


def problem_of(layers, moments, *rows):
    return Problem(*layers, N_GROUP, G, np.asarray(moments, float), *np.array(rows, float).T)


def test_couplings_are_the_legendre_recurrences():
    # u_z: sqrt((l^2 - m^2)/(4 l^2 - 1)) between l - 1 and l. u_x and u_z commute (but at l = N, cut).
    lm = harmonics(4)
    az, ax = coupling_matrices(4)
    for a, (degree, m) in enumerate(lm):
        for b, (other, n) in enumerate(lm):
            want = np.sqrt((degree**2 - m**2) / (4 * degree**2 - 1)) if (other, n) == (degree - 1, m) else 0
            if degree > other:
                assert az[a, b] == pytest.approx(want, abs=1e-12)
    inner = np.array([degree < 3 for degree, _ in lm])
    np.testing.assert_allclose((az @ ax - ax @ az)[np.ix_(inner, inner)], 0, atol=1e-12)
    assert [Moments(order).degree_o.size for order in range(1, 6)] == [1, 2, 4, 6, 9]


def test_half_space_solves_its_equation():
    rng = np.random.default_rng(1)
    k = rng.normal(size=(3, 4, 4)) * 0.1 + np.eye(4)
    k = k + k.transpose(0, 2, 1) + 0.2j * np.eye(4)
    d = 2 * k + 0.3 * np.eye(4)
    s = half_space(d, k)
    np.testing.assert_allclose(s, d - k @ np.linalg.solve(s, k), atol=1e-12)


@pytest.mark.parametrize(("order", "slack"), [(2, 1e-3), (3, 1e-3)])
def test_uniform_medium_is_the_uniform_route(order, slack):
    uniform = (np.array([-20.0, 4, 20]), np.full(2, 25.0), np.full(2, 100.0))
    moments = uniform_moments.ring_moments(order, 12)
    p = problem_of(uniform, moments, (0, 40, 120), (0, -8, 160))
    h0, h1 = bins(p, order, EDGES, Grids(step_m=2.0, nodes_s=160, k_max=1.3, radius_m=420))
    want0, want1 = uniform_moments.bins([40, -8], [120, 160], EDGES, moments, order, 25, 100, N_GROUP, G)
    late = EDGES[:-1] > 1.8 * 160 / p.speed_m_per_ns
    strong = want0 > 1e-3 * want0.max(axis=1, keepdims=True)
    assert abs(h0 / want0 - 1)[strong & late].max() < slack
    assert abs(h1 / want1 - 1)[strong & late].max() < 3 * slack
    np.testing.assert_allclose(h0.sum(1), want0.sum(1), rtol=slack)


def test_steady_order_one_is_layered_diffusion():
    # At s = 0 P_1 is diffusion of D = 1 / (3 s_1), s_1 = 1/le + 1/la: the same la, a shorter le.
    edges, le, la = LAYERS
    p = problem_of(LAYERS, [1.0], (-6, 14, 120), (2, -10, 80), (30, 8, 160))
    coarse, fine = (np.stack(charges(p, 1, 0.0, Grids(step_m=h, k_max=1.6))) for h in (2.0, 1.0))
    ice = finite_volume.LayeredIce(edges, 1 / (1 / le + 1 / la), la, N_GROUP)
    pairs = finite_volume.Pairs(p.emitter_depth_m, p.receiver_depth_m, p.distance_m)
    want = finite_volume.bins(ice, pairs, [0.0, 3e4], radius_m=400, k_max=1.6, margin_m=300, growth=1.15)
    np.testing.assert_allclose((4 * fine - coarse) / 3, np.stack(want[:2])[:, :, 0], rtol=2e-4)


def test_reciprocity_of_isotropic_emitters():
    there = charges(problem_of(LAYERS, [1.0], (-6, 14, 120)), 3, 1e-3)[0]
    back = charges(problem_of(LAYERS, [1.0], (14, -6, 120)), 3, 1e-3)[0]
    assert there[0] == pytest.approx(back[0], rel=1e-8)


def test_emission_and_flux_are_reciprocal():
    odd = charges(problem_of(LAYERS, [0.0, 1.0], (-6, 14, 120)), 3, 1e-3)[0]
    flux = charges(problem_of(LAYERS, [1.0], (14, -6, 120)), 3, 1e-3)[1]
    assert odd[0] == pytest.approx(-3 * flux[0], rel=1e-8)


def test_energy_balance():
    # At k = 0 and s = 0 the fluence summed over depth is la where la is the same in all layers: each photon
    # travels la before it is absorbed. Faces carry the mean of their two cells, so the sum over faces is that
    # over cells.
    step = 2.0
    depth = np.arange(-900, 901) * step
    edges, le, _ = LAYERS
    p = problem_of((edges, le, np.full(3, 80.0)), uniform_moments.ring_moments(3, 12), (2, 2, 0))
    c00, _ = greens(p, 3, 0.0, np.zeros(1), step, np.array([2.0]), depth)
    assert np.sqrt(4 * np.pi) * c00.real.sum() * step == pytest.approx(80.0, rel=1e-9)


def test_energy_balance_where_absorption_changes():
    # Within a layer the flux through two faces at k = 0 differs by what is absorbed between them.
    step = 0.5
    inside = np.arange(12, 29) * step
    p = problem_of(LAYERS, [1.0], (-6, 10, 0))
    c00, c10 = greens(p, 3, 0.0, np.zeros(1), step, np.array([-6.0]), inside)
    flux, fluence = np.sqrt(4 * np.pi / 3) * c10[0, 0].real, np.sqrt(4 * np.pi) * c00[0, 0].real
    lost = (fluence.sum() - 0.5 * (fluence[0] + fluence[-1])) * step / 60
    # The trapezoid of face means against cell sums: h^2 / 4 times the change of slope, 3e-4 here.
    assert flux[0] - flux[-1] == pytest.approx(lost, rel=5e-4)
