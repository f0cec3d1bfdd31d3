"""Layered diffusion on an axisymmetric mesh by a general-purpose finite-element library, at real s.

In cylinder coordinates, for the Laplace transform of the fluence, f = int H(t) exp(-s t) dt,

    int [(le/3) grad f . grad w + (1/la + s/v) f w] rho d rho dz = w(0, z_emitter) / (2 pi)   for all w,

with biquadratic elements on a graded tensor mesh, layer edges and emitter on mesh lines, f = 0 far out.
The library is scikit-fem (Gustafsson, McBain, J. Open Source Softw. 5, 2369 (2020)). A point on the
axis makes f singular as 1 / r: within some cells of the emitter the answer is not to be trusted.
"""

import numpy as np
import skfem
from numpy.typing import ArrayLike, NDArray
from skfem.helpers import dot, grad

from tests.light.routes.finite_volume import LayeredIce

Floats = NDArray[np.float64]


def graded(fixed_m: ArrayLike, finest_m: float, growth: float, reach_m: float, coarsest_m: float) -> Floats:
    """Lines through all of `fixed_m`, `finest_m` apart at the first of them and coarser away from it."""
    fixed = np.asarray(fixed_m, float)
    steps = np.minimum(finest_m * growth ** np.arange(2000), coarsest_m)
    out = np.cumsum(steps)
    out = out[: np.searchsorted(out, reach_m) + 1]
    lines = np.unique(np.concatenate([fixed, fixed[0] + out, fixed[0] - out]))
    # Drop lines that come too close to a fixed one, not the fixed ones.
    gap = np.abs(lines[:, None] - fixed).min(axis=1)
    local = np.minimum(finest_m + (growth - 1) * np.abs(lines - fixed[0]), coarsest_m)
    return lines[(gap < 1e-9) | (gap > 0.4 * local)]


def charge(
    ice: LayeredIce,
    emitter_depth_m: float,
    receiver_depth_m: ArrayLike,
    distance_m: ArrayLike,
    s_per_ns: float = 0.0,
    finest_m: float = 0.5,
    growth: float = 1.15,
    reach_m: float = 450.0,
    coarsest_m: float = 8.0,
) -> Floats:
    """Fluence (1/m2) of one emitter weighted by exp(-s t), s >= 0, over all times, at each receiver."""
    depth = graded([emitter_depth_m, *ice.edges_m[1:-1]], finest_m, growth, reach_m, coarsest_m)
    radius = graded([0.0], finest_m, growth, reach_m, coarsest_m)
    mesh = skfem.MeshQuad.init_tensor(radius[radius >= 0], depth)
    basis = skfem.Basis(mesh, skfem.ElementQuad2())

    @skfem.BilinearForm
    def loss_and_flux(u, w, at):
        le, la = ice.at(at.x[1])
        return at.x[0] * (le / 3 * dot(grad(u), grad(w)) + (1 / la + s_per_ns / ice.speed_m_per_ns) * u * w)

    matrix = loss_and_flux.assemble(basis)
    source = basis.probes(np.array([[0.0], [emitter_depth_m]])).toarray().ravel() / (2 * np.pi)
    wall = basis.get_dofs(lambda x: (x[0] == x[0].max()) | (x[1] == depth[0]) | (x[1] == depth[-1]))
    fluence = skfem.solve(*skfem.condense(matrix, source, D=wall))
    return (
        basis.probes(np.array([np.asarray(distance_m, float), np.asarray(receiver_depth_m, float)])) @ fluence
    )
