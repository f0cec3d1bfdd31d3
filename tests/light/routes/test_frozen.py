"""The frozen answers in tests/data/light still are what the routes give, and each other's."""

from pathlib import Path

import numpy as np
import pytest

from tests.light.routes import block_tridiagonal, finite_volume, uniform_moments

FOLDER = Path(__file__).parents[2] / "data/light"


def frozen(name):
    return dict(np.load(FOLDER / f"{name}.npz"))


def strong(h0, error, slack):
    return (h0 > 1e-3 * h0.max(axis=-1, keepdims=True)) & (error < slack)


def test_layered_diffusion():
    f = frozen("layered_diffusion")
    some = slice(3, None, 9)
    pairs = finite_volume.Pairs(*(f[k][some] for k in ("emitter_depth_m", "receiver_depth_m", "distance_m")))
    lengths = (f["edges_m"], f["scattering_length_m"], f["absorption_length_m"], f["group_index"])
    ice = finite_volume.LayeredIce(*lengths)
    h0, h1, _ = finite_volume.bins(
        ice, pairs, f["bin_edges_ns"], 8.0, radius_m=500, k_max=1.5, margin_m=400, growth=1.15
    )
    late = np.arange(120) > 12
    for got, want in ((h0, f["h0"][some]), (h1, f["h1"][some])):
        keep = strong(abs(want), f["error_h0"][some], 1e-3) & late
        np.testing.assert_allclose(got[keep], want[keep], rtol=3e-3)


@pytest.mark.parametrize("emission", ["isotropic", "ring"])
def test_uniform_moments(emission):
    f = frozen(f"uniform_moments_{emission}")
    h0, h1 = uniform_moments.bins(
        f["receiver_depth_m"] - f["emitter_depth_m"],
        f["distance_m"],
        f["bin_edges_ns"],
        f["emission_moments"],
        f["order"][2],
        f["scattering_length_m"][0],
        f["absorption_length_m"][0],
        f["group_index"],
        f["g"],
        k_cut=6,
        k_width=1.5,
    )
    keep = strong(f["h0"][2], f["error_h0"][2], 1e-6) & (np.arange(120) > 60)
    np.testing.assert_allclose(h0[keep], f["h0"][2][keep], rtol=1e-5)
    np.testing.assert_allclose(h1[keep], f["h1"][2][keep], rtol=1e-4, atol=1e-15)


def test_layered_moments():
    f = frozen("layered_moments_low")
    some = np.array([2, 5, 13])
    order = list(f["order"]).index(2)
    problem = block_tridiagonal.Problem(
        *(f[k] for k in ("edges_m", "scattering_length_m", "absorption_length_m", "group_index", "g")),
        f["emission_moments"],
        *(f[k][some] for k in ("emitter_depth_m", "receiver_depth_m", "distance_m")),
    )
    grids = block_tridiagonal.Grids(step_m=1.0, k_max=0.9, nodes_s=120, radius_m=420.0)
    h0, h1 = block_tridiagonal.bins(problem, 2, f["bin_edges_ns"], grids)
    late = np.arange(120) > 60
    for got, want in ((h0, f["h0"][order][some]), (h1, f["h1"][order][some])):
        keep = strong(abs(want), f["error_h0"][order][some], 1e-3) & late
        # Second order in the step: 1.6 % at 2 m through the dust, where le is 5 m; a quarter of it at 1 m.
        np.testing.assert_allclose(got[keep], want[keep], rtol=0.005)
