"""Tracked fluence against an independently written Monte Carlo: charges, moments and time bins.

The default tests use excerpts (tests/data/tracked_fluence, made by its excerpt.py); the slow one the full
files of ../shared/reference. The scoring cells are the same, so near receivers are compared too.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from iceopt.ice.layers import Ice
from iceopt.light.model import SPEED_OF_LIGHT_M_PER_NS, Emission
from iceopt.light.tracking.fluence import Fluence, fluence
from iceopt.light.tracking.receivers import Receivers

REPOSITORY = Path(__file__).parents[3]
EXCERPTS = REPOSITORY / "tests/data/tracked_fluence"
FULL = REPOSITORY.parent / "shared/reference"
NAMES = ("homogeneous_isotropic", "homogeneous_ring", "skarv_layers_isotropic")


def track(settings: dict, photons: int, seed: int) -> tuple[Receivers, Fluence]:
    """The reference's fluence by our own tracking."""
    receivers = Receivers.grid(
        settings["emitter_depth_m"], settings["rho_m"], settings["receiver_depth_m"], within_m=248.0
    )
    pattern = "ring" if settings["pattern"] else "isotropic"
    return receivers, fluence(
        Ice(settings["edges_m"], settings["scattering_length_m"], settings["absorption_length_m"]),
        settings["emitter_depth_m"],
        receivers,
        np.arange(0, settings["tmax_ns"] + 1, settings["dt_ns"]),
        group_index=SPEED_OF_LIGHT_M_PER_NS / settings["v_m_per_ns"],
        emission=Emission(pattern, settings["tilt_deg"], settings["spread_deg"]),
        phase=settings["g"],
        photons=photons,
        seed=seed,
    )


def places(settings: dict, receivers: Receivers) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Indices [emitter, distance, depth] of the receivers in the reference's arrays."""
    return (
        receivers.emitter,
        np.searchsorted(settings["rho_m"], receivers.distance_m),
        np.searchsorted(settings["receiver_depth_m"], receivers.depth_m),
    )


def report(name: str, distance: np.ndarray, pull: np.ndarray) -> dict[float, tuple[int, float, float]]:
    """Number, mean and chi-square per degree of freedom of the pulls at each distance."""
    rows = {}
    for d in np.unique(distance):
        p = pull[distance == d]
        rows[float(d)] = (p.size, float(p.mean()), float((p**2).mean()))
        print(f"{name:24s} {d:8.3f} m: {p.size:5d} pulls, mean {p.mean():+.2f}, chi2/n {(p**2).mean():.2f}")
    return rows


def check_charges(
    settings: dict,
    receivers: Receivers,
    f: Fluence,
    charge: np.ndarray,
    moment: np.ndarray,
    relerr: np.ndarray,
) -> None:
    """Compare charges and moments with the reference's arrays [emitter, distance, depth]."""
    place = places(settings, receivers)
    theirs = charge[place]
    # Batches tell an error well only where many photons scored.
    good = (theirs > 0) & (f.charge_error < 0.1 * f.charge)
    their_error = relerr[place] * theirs
    # Not given in the reference: a moment's error, if light came from all sides alike.
    their_moment_error = their_error / np.sqrt(3)
    pulls = {
        "charge": (f.charge - theirs)[good] / np.hypot(f.charge_error, their_error)[good],
        "moment": (f.moment - moment[place])[good] / np.hypot(f.moment_error, their_moment_error)[good],
    }
    for what, pull in pulls.items():
        rows = report(f"{settings['name']} {what}", receivers.distance_m[good], pull)
        assert list(rows) == settings["rho_m"]
        assert sum(n for n, _, _ in rows.values()) > 60
        for n, mean, chi2 in rows.values():
            # Cells along one line share photons: the mean of their pulls scatters more than 1/sqrt(n).
            assert abs(mean) < 0.5 + 2 / np.sqrt(n)
            # One pull may well be 0; ten that all are, are not pulls.
            assert (0.2 if n >= 10 else 0.0) < chi2 < 1.2 + 5 * np.sqrt(2 / n)


def check_bins(settings: dict, receivers: Receivers, f: Fluence, data: np.lib.npyio.NpzFile) -> None:
    """Compare the time bins that the excerpt holds of its only emitter."""
    _, i, k = places(settings, receivers)
    kept = np.isin(i, data["bins_distance"]) & np.isin(k, data["bins_depth"])
    row = np.searchsorted(data["bins_distance"], i[kept]), np.searchsorted(data["bins_depth"], k[kept])
    theirs = data["fluence"][0][row]
    ours, error = f.h0[kept], f.h0_error[kept]
    good = (ours > 0) & (error < 0.12 * ours)
    # The reference tracked some 400 times the photons: its own error is a twentieth of ours.
    pull = (ours - theirs)[good] / error[good]
    distance = np.broadcast_to(receivers.distance_m[kept][:, None], good.shape)[good]
    assert pull.size > 400
    for n, mean, chi2 in report(f"{settings['name']} bins", distance, pull).values():
        assert abs(mean) < 0.3 + 2 / np.sqrt(n)
        assert 0.5 < chi2 < 1.2 + 5 * np.sqrt(2 / n)


@pytest.mark.parametrize("name", NAMES)
def test_charges_moments_and_bins_of_the_excerpt(name: str) -> None:
    settings = json.loads((EXCERPTS / f"{name}.json").read_text())
    data = np.load(EXCERPTS / f"{name}.npz")
    middle = len(settings["emitter_depth_m"]) // 2
    settings["emitter_depth_m"] = settings["emitter_depth_m"][middle : middle + 1]
    receivers, f = track(settings, 300_000, seed=2026)
    one = slice(middle, middle + 1)
    check_charges(settings, receivers, f, *(data[key][one] for key in ("charge", "moment", "relerr")))
    if middle == 0:
        check_bins(settings, receivers, f, data)


@pytest.mark.slow
@pytest.mark.skipif(not FULL.exists(), reason="../shared/reference is not there")
@pytest.mark.parametrize(("name", "photons"), list(zip(NAMES, (4_000_000, 4_000_000, 200_000), strict=True)))
def test_charges_and_moments_of_the_full_reference(name: str, photons: int) -> None:
    settings = json.loads((FULL / f"{name}.json").read_text())
    data = np.load(FULL / f"{name}.npz")
    receivers, f = track(settings, photons, seed=31)
    sums = (data["fluence"].sum(axis=-1), data["moment_z"].sum(axis=-1), data["relerr"])
    check_charges(settings, receivers, f, *sums)
