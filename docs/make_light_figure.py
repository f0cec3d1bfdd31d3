"""Draw docs/figures/light_models.png: light models against tracked photons for three pairs.

    python docs/make_light_figure.py

The photons are those of tests/data/tracked_fluence (invented rough ice: le 4-70 m in layers of 10 m; a ring
emitter). The excerpt holds the errors of charges; a bin's error is taken as that of its share of the photons.
"""

import json
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np

from iceopt.ice.layers import Ice
from iceopt.light.closed_form import ClosedForm
from iceopt.light.model import Emission, Scene
from iceopt.light.moments.model import LayeredDiffusion, LayeredMoments

HERE = Path(__file__).parent
TRACKED = HERE.parent / "tests/data/tracked_fluence"
SLOPE = 0.6
EMITTER_M = 1848.0
PAIRS = [("near", 1840.0, 120.0), ("far", 1816.0, 240.0), ("through a dust band", 1960.0, 120.0)]
MODELS = [
    ("closed form", ClosedForm, {"color": "0.55", "ls": ":", "lw": 1.6}),
    ("layered diffusion", LayeredDiffusion, {"color": "#c77c11", "ls": "--", "lw": 1.4}),
    ("layered moments, N = 3", lambda s: LayeredMoments(s, 3), {"color": "#2a78b5", "lw": 1.3}),
    ("layered moments, N = 5", lambda s: LayeredMoments(s, 5), {"color": "#a3143c", "lw": 1.6}),
]


def scene_of(settings: dict, receiver_m: np.ndarray, distance_m: np.ndarray) -> Scene:
    """One photon a pair and 1 m2."""
    n = receiver_m.size
    return Scene(
        emitter_depth_m=np.full(n, EMITTER_M),
        receiver_depth_m=receiver_m,
        distance_m=distance_m,
        bearing_deg=np.zeros(n),
        azimuth_deg=np.full(n, np.nan),
        photons=np.ones(n),
        bin_edges_ns=np.arange(0.0, settings["stop_ns"] + 1, settings["bin_ns"]),
        emission=Emission("ring", settings["elevation_deg"], settings["spread_deg"]),
        group_index=settings["group_index"],
        scattering_anisotropy=settings["scattering_anisotropy"],
        effective_area_m2=1.0,
        acceptance_slope=SLOPE,
    )


def tracked(
    settings: dict, data: dict, receiver_m: float, distance_m: float
) -> tuple[np.ndarray, np.ndarray]:
    """Signal of each bin and its error (1/m2)."""
    e = settings["emitter_depth_m"].index(EMITTER_M)
    z = settings["receiver_depth_m"].index(receiver_m)
    d = int(np.searchsorted(settings["distance_m"], distance_m))
    row = tuple(
        int(np.searchsorted(data[f"bins_{axis}"], i))
        for axis, i in (("emitter", e), ("distance", d), ("depth", z))
    )
    signal = (data["fluence"] - SLOPE * data["moment_z"])[row]
    relative = data["relerr"][e, d, z] * np.sqrt(signal.sum() / np.maximum(signal, 1e-30))
    return signal, relative * signal


def main() -> None:
    """Draw."""
    settings = json.loads((TRACKED / "rough.json").read_text())
    data = dict(np.load(TRACKED / "rough.npz"))
    ice = Ice(*(settings[k] for k in ("edges_m", "scattering_length_m", "absorption_length_m")))
    receiver, distance = (np.array([pair[i] for pair in PAIRS]) for i in (1, 2))
    scene = scene_of(settings, receiver, distance)
    width = settings["bin_ns"]
    time = 0.5 * (scene.bin_edges_ns[1:] + scene.bin_edges_ns[:-1])
    figure, axes = plt.subplots(
        2, 3, figsize=(12, 6.4), sharex="col", height_ratios=[2.4, 1], layout="constrained"
    )
    curves = [(label, make(scene).expected(ice), style) for label, make, style in MODELS]
    for column, (name, z, rho) in enumerate(PAIRS):
        top, bottom = axes[:, column]
        signal, error = tracked(settings, data, z, rho)
        good = (signal > 0) & (error < 0.15 * signal) & (signal > 2e-3 * signal.max())
        bars = {"fmt": "o", "ms": 2.6, "color": "k", "elinewidth": 0.8, "zorder": 5}
        top.errorbar(time[good], signal[good] / width, error[good] / width, label="tracked photons", **bars)
        for label, counts, style in curves:
            rate = np.where(counts[column] > 0, counts[column], np.nan)
            top.plot(time, rate / width, label=label, **style)
            bottom.plot(time[good], rate[good] / signal[good], **style)
        bottom.errorbar(time[good], np.ones(good.sum()), error[good] / signal[good], **bars)
        path = np.hypot(rho, z - EMITTER_M)
        arrival = path / scene.speed_m_per_ns
        for axis in (top, bottom):
            axis.axvline(arrival, color="0.8", lw=0.8, zorder=0)
        peak = signal.max() / width
        top.set(yscale="log", ylim=(1.5e-3 * peak, 4 * peak), xlim=(0.85 * arrival, time[good][-1] + 100))
        bottom.set(ylim=(0.6, 1.6), xlabel="time after the flash (ns)")
        top.set_title(f"{name}\n{rho:g} m across, {z - EMITTER_M:+g} m in depth", fontsize=10)
    axes[0, 0].set_ylabel("signal per emitted photon (1/(m$^2$ ns))")
    axes[1, 0].set_ylabel("model / tracked")
    axes[0, 2].legend(frameon=False, fontsize=8.5, loc="lower center")
    for axis in axes.ravel():
        axis.spines[["top", "right"]].set_visible(False)
    (HERE / "figures").mkdir(exist_ok=True)
    figure.savefig(HERE / "figures/light_models.png", dpi=110)


if __name__ == "__main__":
    main()
