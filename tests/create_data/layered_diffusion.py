"""Make tests/data/light/layered_diffusion.npz: python -m tests.create_data.layered_diffusion.

Finite volumes. Twelve layers with one of 0.5 m and one of 4 m, lengths that jump by up to a factor 12;
emitters and receivers in thin layers, on edges and in both half-spaces; 25 ns bins. `error_h0` (relative, as
float16) is the larger of the last step of the extrapolation in the grid and the change with the range of
wavenumbers. About a minute.
"""

from pathlib import Path

import numpy as np

from tests.light.routes.finite_volume import LayeredIce, Pairs, bins

FILE = Path(__file__).parents[1] / "data/light/layered_diffusion.npz"
GROUP_INDEX = 1.337
EDGES_M = np.array([1700, 1710, 1720, 1724, 1734, 1734.5, 1745, 1755, 1763, 1775, 1780, 1790, 1800])
SCATTERING_M = np.array([30.0, 22, 12, 40, 5, 9, 18, 60, 33, 14, 7, 25])
ABSORPTION_M = np.array([120.0, 90, 45, 160, 20, 35, 110, 250, 180, 60, 28, 140])
DISTANCES_M = [0.0, 30, 120, 240, 400]
# Emitter and receiver depths: in a layer, in the thin ones, on an edge, in the half-spaces.
DEPTHS_M = [
    (1750, 1750),
    (1750, 1715),
    (1750, 1770),
    (1734.25, 1722),
    (1734.25, 1734.25),
    (1734.5, 1755),
    (1734.5, 1680),
    (1755, 1734.25),
    (1722, 1834),
    (1690, 1724),
    (1690, 1650),
    (1815, 1785),
    (1815, 1840),
    (1680, 1830),
]


def main() -> None:
    depth = np.array(DEPTHS_M).repeat(len(DISTANCES_M), axis=0)
    distance = np.tile(DISTANCES_M, len(DEPTHS_M))
    apart = np.hypot(depth[:, 1] - depth[:, 0], distance) > 0
    pairs = Pairs(depth[apart, 0], depth[apart, 1], distance[apart])
    ice = LayeredIce(EDGES_M, SCATTERING_M, ABSORPTION_M, GROUP_INDEX)
    bin_edges = np.arange(0.0, 3001.0, 25.0)
    coarse, _, _ = bins(ice, pairs, bin_edges, radius_m=650.0, k_max=2.7)
    h0, h1, step = bins(ice, pairs, bin_edges, radius_m=700.0, k_max=3.0, margin_m=600.0, step_m=3.0)
    error = np.maximum(step, abs(coarse - h0)) / np.maximum(abs(h0), 1e-12 * h0.max(axis=1, keepdims=True))
    strong = h0 > 1e-3 * h0.max(axis=1, keepdims=True)
    print(
        f"{len(h0)} pairs; error above 1e-3 of the peak: worst {error[strong].max():.1e}, "
        f"99 % {np.quantile(error[strong], 0.99):.1e}"
    )
    np.savez_compressed(
        FILE,
        edges_m=EDGES_M,
        scattering_length_m=SCATTERING_M,
        absorption_length_m=ABSORPTION_M,
        group_index=GROUP_INDEX,
        emitter_depth_m=pairs.emitter_depth_m,
        receiver_depth_m=pairs.receiver_depth_m,
        distance_m=pairs.distance_m,
        bin_edges_ns=bin_edges,
        h0=h0.astype(np.float32),
        h1=h1.astype(np.float32),
        error_h0=np.minimum(error, 6e4).astype(np.float16),
    )
    print(f"{FILE.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
