"""Make tests/data/light/layered_moments_{low,high}.npz: python -m tests.create_data.layered_moments.

P_N of orders 1, 2, 3 (low) and 5 (high) in ten layers of 10 m by the block-tridiagonal route, ring emission,
extrapolated in the grid (Richardson). `error_h0` and `error_h1` (relative, as float16) add the last step of
the extrapolation to the change with the ranges of k and s: bins that hold a front of P_N show up there.
Some ten minutes on two cores.
"""

from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from tests.light.routes.block_tridiagonal import Grids, Problem, bins
from tests.light.routes.uniform_moments import ring_moments

FOLDER = Path(__file__).parents[1] / "data/light"
FILES = {"high": [5], "low": [1, 2, 3]}
GROUP_INDEX, G, SPREAD_DEG = 1.337, 0.9, 12.0
EDGES_M = np.arange(1700.0, 1801.0, 10.0)
SCATTERING_M = np.array([28.0, 20, 13, 8, 5, 11, 24, 42, 50, 35])
ABSORPTION_M = np.array([125.0, 95, 60, 40, 25, 55, 110, 170, 200, 150])
# No receiver at the depth of its emitter: even orders emit a sheet of light there that no grid resolves.
PAIRS_M = np.array(
    [(1746, z, rho) for z in (1684, 1722, 1752, 1786, 1830) for rho in (120, 208)]
    + [(1690, z, rho) for z in (1676, 1734, 1786) for rho in (120, 208)]
    + [(1814, z, rho) for z in (1722, 1766) for rho in (120, 300)]
    + [(1746, 1786, 0), (1726, 1788, 0)],
    float,
)
# Fine and coarse step, then the run that varies the ranges of k and s.
GRIDS = {
    "low": (
        Grids(step_m=0.5, k_max=2.6, nodes_s=520),
        Grids(step_m=1.0, k_max=2.6, nodes_s=520),
        Grids(step_m=1.0, k_max=2.0, nodes_s=420),
    ),
    "high": (
        Grids(step_m=1.0, k_max=2.2, nodes_s=480),
        Grids(step_m=2.0, k_max=2.2, nodes_s=480),
        Grids(step_m=2.0, k_max=1.7, nodes_s=380),
    ),
}
BIN_EDGES_NS = np.arange(0.0, 3001.0, 25.0)


def solve(order: int, grids: Grids) -> np.ndarray:
    """H0 and H1 of all pairs, [2, pair, bin]."""
    moments = ring_moments(order, SPREAD_DEG)
    problem = Problem(EDGES_M, SCATTERING_M, ABSORPTION_M, GROUP_INDEX, G, moments, *PAIRS_M.T)
    return np.stack(bins(problem, order, BIN_EDGES_NS, grids))


def write(name: str, orders: list[int], answers: list[np.ndarray]) -> None:
    """Extrapolate the answers of the three grids, each [2, order, pair, bin], and write one file."""
    fine, coarse, other = answers
    best = (4 * fine - coarse) / 3
    floor = 1e-9 * abs(best).max(axis=-1, keepdims=True) + 1e-30
    error = (abs(best - fine) + abs(other - coarse)) / np.maximum(abs(best), floor)
    file = FOLDER / f"layered_moments_{name}.npz"
    np.savez_compressed(
        file,
        order=np.array(orders),
        edges_m=EDGES_M,
        scattering_length_m=SCATTERING_M,
        absorption_length_m=ABSORPTION_M,
        group_index=GROUP_INDEX,
        g=G,
        emission_moments=ring_moments(max(orders), SPREAD_DEG),
        emitter_depth_m=PAIRS_M[:, 0],
        receiver_depth_m=PAIRS_M[:, 1],
        distance_m=PAIRS_M[:, 2],
        bin_edges_ns=BIN_EDGES_NS,
        h0=best[0].astype(np.float32),
        h1=best[1].astype(np.float32),
        error_h0=np.minimum(error[0], 6e4).astype(np.float16),
        error_h1=np.minimum(error[1], 6e4).astype(np.float16),
    )
    strong = best[0] > 1e-3 * best[0].max(axis=-1, keepdims=True)
    print(f"{file.name}: {file.stat().st_size / 1000:.0f} kB, error of strong bins: median, 90 %, 99 %:")
    for i, order in enumerate(orders):
        print("  order", order, np.quantile(error[0, i][strong[i]], [0.5, 0.9, 0.99]))


def main() -> None:
    with ProcessPoolExecutor(2) as pool:
        jobs = {
            (order, i): pool.submit(solve, order, grids)
            for name, orders in FILES.items()
            for order in orders
            for i, grids in enumerate(GRIDS[name])
        }
        for name, orders in FILES.items():
            write(name, orders, [np.stack([jobs[o, i].result() for o in orders], axis=1) for i in range(3)])


if __name__ == "__main__":
    main()
