"""Layered diffusion in time bins: closed form, finite volumes, symmetries.

Light before r / v is left out throughout: diffusion has some, the model is dark by decision.
"""

import numpy as np
import pytest

from iceopt.ice.layers import Ice
from iceopt.light.moments import plan
from iceopt.light.moments.inversion import LaplaceNodes
from iceopt.light.moments.model import LayeredDiffusion, LayeredMoments
from tests.light.moments.scenes import BINS_NS, RING, arrived, frozen, h0_h1, make_scene, strong
from tests.light.routes import closed_form

# rho and dz of pairs across lines, and of pairs that are near or above one another.
ACROSS = np.array(
    [(120, 0), (120, 40), (120, 100), (180, 0), (240, 0), (240, 200), (300, 0), (360, 60)], float
)
NEAR = np.array([(0, 20), (0, 40), (0, 80), (0, 160), (30, 0), (30, 50), (60, 0), (60, 100), (90, 0)], float)


def against_closed_form(pairs, le, la):
    """Largest errors of charge (H0), of H0 bins and of H1 bins above 1e-3 of the peak."""
    rho, dz = pairs.T
    scene = make_scene(1750.0, 1750 + dz, rho)
    got = h0_h1(LayeredDiffusion, scene, Ice([1740, 1750, 1765], [le, le], [la, la]))
    want = closed_form.binned(dz, rho, BINS_NS, le, la, 1.337)
    on = arrived(scene)
    charge = abs((got[0] * on).sum(1) / (want[0] * on).sum(1) - 1).max()
    keep = [strong(w) & on for w in want]
    return charge, *(abs(g[k] / w[k] - 1).max() for g, w, k in zip(got, want, keep, strict=True))


@pytest.mark.parametrize(("le", "la"), [(25, 100), (30, 150), (40, 120)])
def test_uniform_medium_across_lines(le, la):
    charge, bins, _ = against_closed_form(ACROSS, le, la)
    assert charge < 1e-3
    assert bins < 5e-3


def test_uniform_medium_everywhere():
    for le, la in ((25, 100), (60, 200)):
        charge, bins, _ = against_closed_form(np.vstack([ACROSS, NEAR]), le, la)
        assert charge < 1e-3
        assert bins < 5e-3


@pytest.mark.xfail(strict=True, reason="rounding of sums over k: 2e-2 at 300 m, 5e-3 at 360 m; 4e-5 to 240 m")
def test_uniform_medium_dark_and_far():
    charge, _, _ = against_closed_form(ACROSS, 10, 30)
    assert charge < 1e-3


def errors_of_layers(distances):
    f, scene, ice = frozen("layered_diffusion")
    got, _ = h0_h1(LayeredDiffusion, scene, ice)
    want, on = f["h0"], arrived(scene) & np.isin(scene.distance_m, distances)[:, None]
    keep = strong(want) & (f["error_h0"] < 1e-3) & on
    rows = np.isin(scene.distance_m, distances)
    charge = abs((got * on)[rows].sum(1) / (want * on)[rows].sum(1) - 1)
    return charge.max(), abs(got[keep] / want[keep] - 1)


def test_layers_by_finite_volumes_across_lines():
    charge, bins = errors_of_layers([120.0, 240.0])
    assert charge < 1e-4
    assert bins.size > 1500
    assert bins.max() < 5e-3


def test_layers_by_finite_volumes_near():
    _, bins = errors_of_layers([0.0, 30.0])
    assert bins.max() < 5e-3


def test_layers_by_finite_volumes_far():
    _, bins = errors_of_layers([400.0])
    assert bins.max() < 5e-3


RNG = np.random.default_rng(7)
RANDOM = Ice(
    1700 + np.cumsum([0, 10, 0.5, 12, 4, 15, 8, 10]),
    np.exp(RNG.uniform(np.log(8), np.log(50), 7)),
    np.exp(RNG.uniform(np.log(40), np.log(200), 7)),
)
KINDS = {
    "diffusion": LayeredDiffusion,
    "2": lambda s: LayeredMoments(s, 2),
    "3": lambda s: LayeredMoments(s, 3),
}


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_bins_are_reciprocal(kind):
    z = np.array([(1690.0, 1716.0), (1710.2, 1740.0), (1710.0, 1770.0), (1725.0, 1725.0)]).T
    rho = np.array([120.0, 150, 240, 120])
    there, back = kind(make_scene(*z, rho)).expected(RANDOM), kind(make_scene(*z[::-1], rho)).expected(RANDOM)
    assert abs(there - back).max() < 1e-8 * there.max(axis=1).min()


# Not strict: how far it is beyond 1e-9 depends on how a processor rounds.
ROUNDED = pytest.mark.xfail(strict=False, reason="rounding: 2e-9 (N = 2), 3e-9 (N = 3) of the peak at 208 m")


@pytest.mark.parametrize(
    "kind", [pytest.param(KINDS[k], id=k, marks=[ROUNDED] if k in ("2", "3") else []) for k in KINDS]
)
def test_splitting_a_layer_changes_no_bin(kind):
    scene = make_scene(1716.0, [1690.0, 1716, 1733, 1790], [120.0, 208, 120, 240], emission=RING, slope=0.6)
    inner = np.append(RANDOM.edges_m[1:-1], [1712.9, 1720.0, 1727.0])
    edges = np.sort(np.concatenate([RANDOM.edges_m[[0, -1]], inner]))
    layer = RANDOM.layer_at(0.5 * (edges[1:] + edges[:-1]))
    split = Ice(edges, RANDOM.scattering_length_m[layer], RANDOM.absorption_length_m[layer])
    one, other = kind(scene).expected(RANDOM), kind(scene).expected(split)
    assert (abs(one - other).max(axis=1) < 1e-9 * abs(one).max(axis=1)).all()
    np.testing.assert_allclose(other.sum(1), one.sum(1), rtol=1e-9)


@pytest.mark.parametrize(("kind", "charge", "bins"), [("diffusion", 1e-5, 1e-3), ("3", 1e-3, 5e-3)])
def test_more_nodes_change_nothing_across_lines(kind, charge, bins, monkeypatch):
    scene = make_scene(1716.0, [1690.0, 1716.5, 1733, 1790], [120.0, 208, 120, 240], emission=RING, slope=0.6)
    usual = KINDS[kind](scene).expected(RANDOM)
    few = plan.laplace_nodes
    monkeypatch.setattr(
        plan,
        "laplace_nodes",
        lambda r, f: LaplaceNodes(few(r, f).scale, 2 * few(r, f).terms, few(r, f).bandwidth),
    )
    more = KINDS[kind](scene).expected(RANDOM)
    np.testing.assert_allclose(usual.sum(1), more.sum(1), rtol=charge)
    path_ns = (
        np.hypot(scene.distance_m, scene.receiver_depth_m - scene.emitter_depth_m) / scene.speed_m_per_ns
    )
    keep = strong(more, 0.1) & (scene.bin_edges_ns[:-1] > path_ns[:, None] + 100)
    np.testing.assert_allclose(usual[keep], more[keep], rtol=bins)


def wide_bins_and_sums():
    """Counts in wide bins, and sums of the narrow bins that they hold; light comes at 548, 928, 541 ns."""
    z, rho = [1690.0, 1716.5, 1733], [120.0, 208, 120]
    fine = LayeredMoments(make_scene(1716.0, z, rho), 2).expected(RANDOM)
    wide = LayeredMoments(make_scene(1716.0, z, rho, edges_ns=[0.0, 1000, 1200, 3000]), 2).expected(RANDOM)
    return wide, np.stack([fine[:, :40].sum(1), fine[:, 40:48].sum(1), fine[:, 48:].sum(1)], axis=1)


def test_a_wide_bin_is_the_sum_of_its_parts():
    wide, sums = wide_bins_and_sums()
    np.testing.assert_allclose(wide[:, 1:], sums[:, 1:], rtol=1e-12)


@pytest.mark.xfail(
    strict=True, reason="it holds what rings before r / v, where narrow bins are dark: 8e-5 of its count"
)
def test_a_wide_bin_in_which_light_arrives_is_the_sum_of_its_parts():
    wide, sums = wide_bins_and_sums()
    np.testing.assert_allclose(wide[[0, 2], 0], sums[[0, 2], 0], rtol=1e-5)
