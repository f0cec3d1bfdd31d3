"""Layered time-dependent diffusion: Fourier-Bessel in distance, finite volumes in depth, exact in time.

The density n of photons obeys dn/dt = div(D grad n) - v n / la + delta, D = v le / 3; fluence rate v n.

* Distance: in a cylinder of radius R with n = 0 on its wall, n = sum_m n_m(z, t) J0(k_m rho) with
  k_m = j0m / R and weights 1 / (pi R^2 J1(j0m)^2) for a source on the axis (Watson, Theory of Bessel
  Functions (1922), ch. 18). R is so large that the wall is not felt. The sum over m ends in a smooth
  cut-off where the distance allows one (`taper`).
* Depth: node-centred finite volumes, second order. Layer edges, emitters and receivers are nodes; the grid
  is halved once or twice and the answers extrapolated (Richardson, Phil. Trans. R. Soc. A 210, 307 (1911)).
* Time: the symmetric tridiagonal generator is diagonalised (LAPACK, `scipy.linalg.eigh_tridiagonal`), so
  each bin is integrated exactly.

H1 = -(le / 3) dH0/dz is the flux through the receiver's node: the flux between two nodes plus what the
half cell between takes up.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import eigh_tridiagonal
from scipy.special import erfc, j0, j1, jn_zeros

SPEED_OF_LIGHT_M_PER_NS = 0.299792458
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LayeredIce:
    """Layers between `edges_m` (layer + 1); the first and the last extend without end."""

    edges_m: Floats
    scattering_length_m: Floats
    absorption_length_m: Floats
    group_index: float

    @property
    def speed_m_per_ns(self) -> float:
        return SPEED_OF_LIGHT_M_PER_NS / self.group_index

    def at(self, depth_m: Floats) -> tuple[Floats, Floats]:
        """Scattering and absorption length at depths off the edges."""
        layer = np.searchsorted(self.edges_m[1:-1], depth_m)
        return self.scattering_length_m[layer], self.absorption_length_m[layer]


@dataclass(frozen=True)
class Pairs:
    """One entry a pair, each array of shape (pair,)."""

    emitter_depth_m: Floats
    receiver_depth_m: Floats
    distance_m: Floats


def depth_grid(fixed_m: ArrayLike, step_m: float, margin_m: float, growth: float) -> Floats:
    """Nodes that include all of `fixed_m`, spaced `step_m` at most between them, stretching outside."""
    fixed = np.unique(np.asarray(fixed_m, float))
    parts = [np.linspace(a, b, int(np.ceil((b - a) / step_m)) + 1)[:-1] for a, b in pairwise(fixed)]
    steps = step_m * growth ** np.arange(1, 2000)
    outside = np.cumsum(steps)[: np.searchsorted(np.cumsum(steps), margin_m) + 1]
    return np.concatenate([fixed[0] - outside[::-1], *parts, fixed[-1:], fixed[-1] + outside])


def halved(nodes_m: Floats) -> Floats:
    """The grid with a node in the middle of every interval."""
    fine = np.empty(2 * nodes_m.size - 1)
    fine[::2], fine[1::2] = nodes_m, 0.5 * (nodes_m[1:] + nodes_m[:-1])
    return fine


def taper(k: Floats, distance_m: Floats, k_max: float) -> Floats:
    """Cut-off of the wavenumbers [k, pair]: flat up to `k_max` / 4, and smooth where distances allow.

    A cut-off of width w smears the source over about 1 / w; at `distance_m` that is felt by less than
    erfc(w distance / 2). Close to the axis there is none: the sum must converge by the difference in depth.
    """
    width = k_max / 10
    smooth = 0.5 * erfc((k[:, None] - k_max + 5.5 * width) / width)
    return np.where(width * distance_m > 8, smooth, 1.0)


def _modes(ice: LayeredIce, nodes: Floats, k: float) -> tuple[Floats, Floats]:
    """Decay rates (1/ns), and modes per sqrt(cell) [node, mode], of horizontal wavenumber `k`."""
    v = ice.speed_m_per_ns
    h = np.diff(nodes)
    le, la = ice.at(0.5 * (nodes[1:] + nodes[:-1]))
    conductance = v * le / 3 / h
    loss = 0.5 * h * (v / la + v * le / 3 * k**2)
    cell = 0.5 * (np.append(h, 0) + np.insert(h, 0, 0))
    diagonal = np.append(conductance + loss, 0) + np.insert(conductance + loss, 0, 0)
    off = -conductance / np.sqrt(cell[1:] * cell[:-1])
    rate, vector = eigh_tridiagonal(diagonal / cell, off)
    return rate, vector / np.sqrt(cell)[:, None]


def on_grid(
    ice: LayeredIce, pairs: Pairs, bin_edges_ns: Floats, nodes_m: Floats, radius_m: float, k_max: float
) -> tuple[Floats, Floats]:
    """H0 and H1 (1/m2), each of shape (pair, bin), on one grid in depth that has the pairs as nodes."""
    v = ice.speed_m_per_ns
    emitter = np.searchsorted(nodes_m, pairs.emitter_depth_m - 1e-9)
    receiver = np.searchsorted(nodes_m, pairs.receiver_depth_m - 1e-9)
    depths = np.concatenate([pairs.emitter_depth_m, pairs.receiver_depth_m])
    if abs(nodes_m[np.concatenate([emitter, receiver])] - depths).max() > 1e-6:
        raise ValueError("emitters and receivers must be nodes of the grid")
    le, la = ice.at(0.5 * (nodes_m[receiver] + nodes_m[receiver + 1]))
    step = nodes_m[receiver + 1] - nodes_m[receiver]
    zero = jn_zeros(0, int(k_max * radius_m / np.pi) + 1)
    edges = np.maximum(np.asarray(bin_edges_ns, float), 0)
    h0, h1 = np.zeros((2, pairs.distance_m.size, edges.size - 1))
    wavenumber = zero / radius_m
    weights = j0(np.outer(wavenumber, pairs.distance_m)) * taper(wavenumber, pairs.distance_m, k_max)
    weights *= v / (np.pi * radius_m**2 * j1(zero)[:, None] ** 2)
    for k, weight in zip(wavenumber, weights, strict=True):
        rate, mode = _modes(ice, nodes_m, k)
        # int exp(-rate t) over each bin, written so that no digits cancel.
        times = (
            np.exp(-np.outer(rate, edges[:-1])) * -np.expm1(-np.outer(rate, np.diff(edges))) / rate[:, None]
        )
        amplitude = mode[emitter] * weight[:, None]
        h0 += (amplitude * mode[receiver]) @ times
        taken_up = 0.5 * step[:, None] / v * ((v / la + v * le / 3 * k**2)[:, None] - rate) * mode[receiver]
        flux = (le / 3 / step)[:, None] * (mode[receiver] - mode[receiver + 1]) + taken_up
        h1 += (amplitude * flux) @ times
    return h0, h1


def bins(
    ice: LayeredIce,
    pairs: Pairs,
    bin_edges_ns: ArrayLike,
    step_m: float = 4.0,
    radius_m: float = 600.0,
    k_max: float = 1.0,
    margin_m: float = 450.0,
    growth: float = 1.06,
) -> tuple[Floats, Floats, Floats]:
    """H0 and H1 (1/m2), shape (pair, bin), extrapolated from three grids, and the error estimate of H0.

    The estimate is the absolute difference between the last two extrapolations. H1 of a pair at equal
    depth is the mean over both sides of the source.
    """
    edges = np.asarray(bin_edges_ns, float)
    fixed = np.concatenate([ice.edges_m[1:-1], pairs.emitter_depth_m, pairs.receiver_depth_m])
    nodes = depth_grid(fixed, step_m, margin_m, growth)
    answers = []
    for _ in range(3):
        answers.append(np.stack(on_grid(ice, pairs, edges, nodes, radius_m, k_max)))
        nodes = halved(nodes)
    first = [(4 * b - a) / 3 for a, b in pairwise(answers)]
    best = (16 * first[1] - first[0]) / 15
    return best[0], best[1], abs(best[0] - first[1][0])
