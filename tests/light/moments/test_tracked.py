"""True layers given, does the layered model give tracked photons? Charges and bins, by distance and order.

Two trackings: our own (tests/data/tracked_fluence; three ices, ring emitters, endless at both ends) and an
independent one (../shared/reference; isotropic emitters), which loses photons beyond its first and last layer
edge; our ice goes on there, so its pairs within 80 m of those edges are left out. Receivers have an
acceptance slope of 0.6. Where a figure says so, the trackings' own noise is taken off in quadrature.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from iceopt.ice.layers import Ice
from iceopt.light.moments.model import LayeredMoments
from tests.light.moments.scenes import make_scene
from tests.light.moments.tracked_truth import SLOPE, Truth, excess

REFERENCE = Path(__file__).parents[4] / "shared/reference"


def rows_of(truth: Truth, order: int, choices: dict) -> dict:
    """Rms, rms beyond noise, and median of ln(model / truth) of groups of pairs; printed for the report."""
    log_ratio, rows = truth.log_ratio(order), {}
    for name, use in choices.items():
        x, noise = log_ratio[use], truth.noise[use]
        rows[name] = (float(np.sqrt((x**2).mean())), excess(x, noise), float(np.median(x)))
        print(f"order {order} {name}: {use.sum()} pairs, rms {rows[name][0]:.4f}, beyond noise "
              f"{rows[name][1]:.4f}, median {rows[name][2]:+.4f}")  # fmt: skip
    return rows


def across(truth: Truth, far: float = 300.0) -> dict:
    return {f"{d:.0f} m": (truth.rho == d) & (truth.r <= far) for d in (120.0, 207.846, 240.0)}


def missed(*values, reason):
    return pytest.param(*values, marks=pytest.mark.xfail(strict=True, reason=reason))


ROUGH_3 = missed("rough", 0.03, reason="rms 0.031, 0.035, 0.041 at 120, 208, 240 m")


@pytest.mark.parametrize(("name", "most"), [("mild", 0.03), ROUGH_3, ("green", 0.06)])
def test_charges_of_order_3_across_lines(name, most):
    truth = Truth(name)
    for rms, _, _ in rows_of(truth, 3, across(truth)).values():
        assert rms < most


@pytest.mark.slow
@pytest.mark.parametrize(("name", "most"), [("mild", 0.015), ("rough", 0.025), ("green", 0.03)])
def test_charges_of_order_5_across_lines(name, most):
    truth = Truth(name)
    for _, beyond, _ in rows_of(truth, 5, across(truth)).values():
        assert beyond < most


ROUGH_MEDIAN = missed("rough", reason="median 0.008 at 240 m; 0.0005 and 0.005 at 120 and 208 m")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["mild", "green", ROUGH_MEDIAN])
def test_medians_of_order_5_across_lines(name):
    truth = Truth(name)
    choices = across(truth)
    for key, (_, _, median) in rows_of(truth, 5, choices).items():
        noise = truth.noise[choices[key]]
        # A median of normal noise scatters by 1.25 / sqrt(n) of it.
        assert abs(median) < 0.005 + 1.25 * np.sqrt((noise**2).mean() / noise.size)


ROUGH_OWN = missed("rough", reason="rms 0.12 at 40 to 80 m, 0.03 from there to 130 m")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["mild", "green", ROUGH_OWN])
def test_charges_of_order_5_on_the_emitters_line(name):
    truth = Truth(name)
    own = {"own line": (truth.rho == 0) & (truth.r > 40) & (truth.r < 130)}
    assert rows_of(truth, 5, own)["own line"][1] < 0.05


@pytest.mark.slow
@pytest.mark.parametrize("name", ["mild", "rough", "green"])
def test_bins_of_order_5(name):
    truth = Truth(name)
    log_ratio, noise = truth.bins(truth.counts(5))
    beyond = excess(log_ratio, noise)
    print(f"{log_ratio.size} bins: rms {np.sqrt((log_ratio**2).mean()):.4f}, beyond noise {beyond:.4f}")
    assert beyond < 0.03


FAR_ROUGH = missed("rough", 0.03, reason="rms 0.039 beyond noise; it is 0.039 at 240 m as well")


@pytest.mark.parametrize(("name", "most"), [("mild", 0.03), FAR_ROUGH, ("green", 0.06)])
def test_charges_of_order_3_at_300_m(name, most):
    truth = Truth(name)
    assert rows_of(truth, 3, {"300 m": truth.rho == 300})["300 m"][1] < most


@pytest.mark.skipif(not REFERENCE.exists(), reason="the shared tracked reference is absent")
@pytest.mark.parametrize(("order", "most"), [(3, 0.03), pytest.param(5, 0.015, marks=pytest.mark.slow)])
def test_isotropic_reference(order, most):
    settings = json.loads((REFERENCE / "skarv_layers_isotropic.json").read_text())
    data = np.load(REFERENCE / "skarv_layers_isotropic.npz")
    ice = Ice(*(settings[k] for k in ("edges_m", "scattering_length_m", "absorption_length_m")))
    emitter, receiver = (np.array(settings[f"{k}_depth_m"]) for k in ("emitter", "receiver"))
    inside = [(z > ice.edges_m[0] + 80) & (z < ice.edges_m[-1] - 80) for z in (emitter, receiver)]
    i = np.flatnonzero(inside[0])[::8]
    k = np.flatnonzero(inside[1])[::3]
    i, d, k = (a.ravel() for a in np.meshgrid(i, np.arange(4), k, indexing="ij"))
    rho, dz = np.array(settings["rho_m"])[d], receiver[k] - emitter[i]
    charge = (data["fluence"][i, d, k] - SLOPE * data["moment_z"][i, d, k]).sum(axis=-1)
    noise, r = data["relerr"][i, d, k], np.hypot(rho, dz)
    use = (abs(dz) < 240) & (r < 300) & (rho > 0) & (charge > 0)
    # Where few photons scored, batches understate its error: the rms then grows with it, the median does not.
    use &= noise < 0.01
    i, k, rho, charge, noise = (a[use] for a in (i, k, rho, charge, noise))
    scene = make_scene(
        emitter[i],
        receiver[k],
        rho,
        slope=SLOPE,
        anisotropy=settings["g"],
        group_index=0.299792458 / settings["v_m_per_ns"],
    )
    x = np.log(LayeredMoments(scene, order).expected(ice).sum(axis=1) / charge)
    for distance in np.unique(rho):
        at = rho == distance
        print(f"order {order}, {distance:.0f} m: {at.sum()} pairs, rms {np.sqrt((x[at] ** 2).mean()):.4f}, "
              f"beyond noise {excess(x[at], noise[at]):.4f}, median {np.median(x[at]):+.4f}")  # fmt: skip
        assert excess(x[at], noise[at]) < most
        assert abs(np.median(x[at])) < 0.005 + 3 * noise[at].mean() / np.sqrt(at.sum())
