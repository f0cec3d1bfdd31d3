"""How the fluences beside this file were made: photon tracking through three invented ices.

mild: the layers of ../shared/reference/skarv_layers_isotropic.json. green: the same scattering, absorption
lengths of 45 m +- 30 %. rough: layers that leap between 4 and 70 m of scattering length.

    python tests/data/tracked_fluence/recipe.py FOLDER --device gpu --seconds 100

writes FOLDER/NAME.npz (all bins) for each. On a CPU, give --seconds some hours.
"""

import argparse
import json
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[2]))

from iceopt.ice.layers import Ice  # noqa: E402
from iceopt.light.model import Emission  # noqa: E402
from iceopt.light.tracking.fluence import Fluence, fluence  # noqa: E402
from iceopt.light.tracking.receivers import Receivers  # noqa: E402

SETTING = {
    "pattern": "ring",
    "elevation_deg": 0.0,
    "spread_deg": 12.0,
    "scattering_anisotropy": 0.9,
    "group_index": 1.337,
    "emitter_depth_m": [1504.0, 1576.0, 1640.0, 1704.0, 1776.0, 1848.0, 1920.0, 1992.0],
    "distance_m": [0.0, 120.0, 207.846, 240.0, 300.0],
    "receiver_depth_m": np.arange(1400.0, 2200.0, 8.0).tolist(),
    "within_m": 250.0,
    "bin_ns": 25.0,
    "stop_ns": 3000.0,
}

RING = Emission(SETTING["pattern"], SETTING["elevation_deg"], SETTING["spread_deg"])


def mild() -> Ice:
    """Layers of the practice ice."""
    layers = json.loads((HERE / "layers.json").read_text())
    return Ice(layers["edges_m"], layers["scattering_length_m"], layers["absorption_length_m"])


def green() -> Ice:
    """The same scattering, strong absorption."""
    ice = mild()
    spread = np.random.default_rng(45).uniform(-0.3, 0.3, ice.layers)
    return Ice(ice.edges_m, ice.scattering_length_m, 45.0 * (1 + spread))


def rough() -> Ice:
    """A random walk in the logs of both lengths, with three bands of dust."""
    edges = np.arange(1380.0, 2221.0, 10.0)
    rng = np.random.default_rng(2209)
    walk = np.zeros((edges.size - 1, 2))
    for i in range(1, len(walk)):
        walk[i] = 0.75 * walk[i - 1] + rng.normal(0.0, (0.55, 0.35))
    for centre, width, depth in ((1560, 12, 1.1), (1690, 25, 1.4), (1905, 15, 1.2)):
        band = np.exp(-0.5 * ((0.5 * (edges[1:] + edges[:-1]) - centre) / width) ** 2)
        walk -= depth * band[:, None] * (1.0, 0.7)
    return Ice(edges, np.clip(22 * np.exp(walk[:, 0]), 4, 70), np.clip(120 * np.exp(walk[:, 1]), 30, 200))


ICES = {"rough": rough, "green": green, "mild": mild}


def track(ice: Ice, device: str, photons: int, seed: int) -> tuple[Receivers, Fluence]:
    """Fluence of all emitters of the setting at all receivers."""
    receivers = Receivers.grid(
        SETTING["emitter_depth_m"], SETTING["distance_m"], SETTING["receiver_depth_m"], SETTING["within_m"]
    )
    return receivers, shine(ice, SETTING["emitter_depth_m"], receivers, device, photons, seed)


def shine(
    ice: Ice,
    emitter_depth_m: list[float],
    receivers: Receivers,
    device: str,
    photons: int,
    seed: int,
    emission: Emission = RING,
) -> Fluence:
    """Fluence of emitters at receivers, all else as the setting says."""
    return fluence(
        ice,
        emitter_depth_m,
        receivers,
        np.arange(0.0, SETTING["stop_ns"] + 1, SETTING["bin_ns"]),
        group_index=SETTING["group_index"],
        emission=emission,
        phase=SETTING["scattering_anisotropy"],
        photons=photons,
        seed=seed,
        device=device,
    )


def on_grid(receivers: Receivers, values: np.ndarray) -> np.ndarray:
    """Values [receiver, ...] as [emitter, distance, depth, ...], zero where nothing was computed."""
    axes = [np.array(SETTING[k]) for k in ("emitter_depth_m", "distance_m", "receiver_depth_m")]
    out = np.zeros((*(a.size for a in axes), *values.shape[1:]), dtype=np.float32)
    place = (
        receivers.emitter,
        np.searchsorted(axes[1], receivers.distance_m),
        np.searchsorted(axes[2], receivers.depth_m),
    )
    out[place] = values
    return out


def main() -> None:
    """Track each ice for the given time and write what came out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--device", default="gpu")
    parser.add_argument("--seconds", type=float, default=100.0, help="for each ice, about")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    for seed, (name, make) in enumerate(ICES.items(), start=101):
        ice = make()
        trial = 6400 if given.device == "cpu" else 16_000_000
        track(ice, given.device, 64, seed)
        photons = int(trial * given.seconds / track(ice, given.device, trial, seed)[1].seconds)
        receivers, f = track(ice, given.device, photons, seed)
        with np.errstate(invalid="ignore", divide="ignore"):
            relative = np.where(f.charge > 0, f.charge_error / f.charge, 1.0)
        np.savez_compressed(
            given.folder / f"{name}.npz",
            fluence=on_grid(receivers, f.h0),
            moment_z=on_grid(receivers, f.h1),
            fluence_error=on_grid(receivers, f.h0_error),
            moment_error=on_grid(receivers, f.h1_error),
            relerr=on_grid(receivers, relative),
            charge_moment_error=on_grid(receivers, f.moment_error),
        )
        settings = SETTING | {
            "name": name,
            "edges_m": ice.edges_m.tolist(),
            "scattering_length_m": ice.scattering_length_m.tolist(),
            "absorption_length_m": ice.absorption_length_m.tolist(),
            "photons": f.photons,
            "seed": seed,
        }
        (given.folder / f"{name}.json").write_text(json.dumps(settings, indent=1))
        far = relative[np.isclose(receivers.distance_m, 240)]
        print(
            f"{name}: {f.photons} photons an emitter, {f.collisions:.3g} collisions in {f.seconds:.1f} s "
            f"({f.collisions / f.seconds:.3g}/s); relative error at 240 m: median {np.median(far):.4f}, "
            f"largest {far.max():.4f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
