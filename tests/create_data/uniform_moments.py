"""Make tests/data/light/uniform_moments_{isotropic,ring}.npz: python -m tests.create_data.uniform_moments.

P_N of orders 1, 2, 3, 5 in a uniform medium by Fourier transform and matrix exponential. `error_h0` and
`error_h1` (relative, as float16) are the changes with the range of wavenumbers: the bins that hold a front of
P_N show up there, all others are good to 1e-6 or so. Some seconds.
"""

from pathlib import Path

import numpy as np

from tests.light.routes.uniform_moments import bins, ring_moments

FOLDER = Path(__file__).parents[1] / "data/light"
ORDERS = np.array([1, 2, 3, 5])
GROUP_INDEX, G = 1.337, 0.9
SCATTERING_M, ABSORPTION_M = 25.0, 100.0
SPREAD_DEG = 12.0
EMITTER_M = 1750.0


def main() -> None:
    dz, rho = (x.ravel() for x in np.meshgrid([0.0, 40, 100], [60.0, 120, 240], indexing="ij"))
    bin_edges = np.arange(0.0, 3001.0, 25.0)
    for name, moments in (("isotropic", np.eye(6)[0]), ("ring", ring_moments(5, SPREAD_DEG))):
        args = [
            (dz, rho, bin_edges, moments, order, SCATTERING_M, ABSORPTION_M, GROUP_INDEX, G)
            for order in ORDERS
        ]
        best = np.array([bins(*a, k_cut=12, k_width=3) for a in args])
        other = np.array([bins(*a, k_cut=8, k_width=2) for a in args])
        floor = 1e-9 * abs(best).max(axis=-1, keepdims=True) + 1e-30
        error = np.minimum(abs(other - best) / np.maximum(abs(best), floor), 6e4).astype(np.float16)
        file = FOLDER / f"uniform_moments_{name}.npz"
        np.savez_compressed(
            file,
            order=ORDERS,
            # One layer: the edges may lie anywhere.
            edges_m=np.array([EMITTER_M - 50, EMITTER_M + 50]),
            scattering_length_m=np.array([SCATTERING_M]),
            absorption_length_m=np.array([ABSORPTION_M]),
            group_index=GROUP_INDEX,
            g=G,
            emission_moments=moments,
            emitter_depth_m=np.full(dz.size, EMITTER_M),
            receiver_depth_m=EMITTER_M + dz,
            distance_m=rho,
            bin_edges_ns=bin_edges,
            h0=best[:, 0].astype(np.float32),
            h1=best[:, 1].astype(np.float32),
            error_h0=error[:, 0],
            error_h1=error[:, 1],
        )
        print(f"{file.name}: {file.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
