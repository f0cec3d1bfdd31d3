"""Layered P_N, the crude way: staggered differences in depth, one block-tridiagonal system per (k, s).

Radiance of horizontal wavenumber k (along x) and Laplace variable s in real orthonormal spherical harmonics
R_lm, m = 0..l, l <= N (Case, Zweifel, Linear Transport Theory (1967); Davison, Neutron Transport Theory
(1957)):

    s_l c_a + sum_b Az_ab dc_b/dz + i k sum_b Ax_ab c_b = q_a,     s_l = s/v + 1/la + mu_s (1 - g^l),

mu_s = 1 / ((1 - g) le); Az, Ax are means of u_z, u_x between R_a and R_b, by quadrature on the sphere.
Az couples moments of even l + m ("E") with those of odd ("O") only, Ax keeps the class. E lives in cells of
width h, O on the faces between them; layer edges, emitters and receivers lie on faces. With M the diagonal
plus i k Ax of a class and K = A_OE M_E^-1 A_EO / h^2 of each cell, the O of face f obey

    (M_O + K_above + K_below) O_f - K_above O_f-1 - K_below O_f+1 = q_O - A_OE [M_E^-1 q_E]_above^below / h.

M_O of a face is the mean of both sides. An emitter's E moments are shared by the two cells at its face, a
receiver's c_00 is the mean of them: second order in h, reciprocal. Half-spaces are exact (in the
differences) by cyclic reduction (Bini, Meini, SIAM J. Matrix Anal. Appl. 17, 906 (1996), from memory).

k: Fourier-Bessel series, k_m = j0m / R. s: a Bromwich line of period T, s_j = sigma + 2 pi i j / T (Dubner,
Abate, J. ACM 15, 115 (1968)), bins integrated exactly, light before r/v set to zero. Neither range resolves
the fronts of P_N: smooth ends keep their ringing local.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfc, j0, j1, jn_zeros, lpmv

SPEED_OF_LIGHT_M_PER_NS = 0.299792458
Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True)
class Problem:
    """Ice (the first and last layers extend without end), emission moments a_l, and pairs."""

    edges_m: Floats
    scattering_length_m: Floats
    absorption_length_m: Floats
    group_index: float
    g: float
    moments: Floats
    """Means of P_l(u_z) of the emission, l = 0.. ."""
    emitter_depth_m: Floats
    receiver_depth_m: Floats
    distance_m: Floats

    @property
    def speed_m_per_ns(self) -> float:
        return SPEED_OF_LIGHT_M_PER_NS / self.group_index


@dataclass(frozen=True)
class Grids:
    """Discretisation: step in depth, Fourier-Bessel radius and range, Bromwich line."""

    step_m: float = 2.0
    radius_m: float = 520.0
    k_max: float = 1.2
    period_ns: float = 4200.0
    nodes_s: int = 240
    damping: float = 6.0
    """sigma x period."""


def harmonics(order: int) -> list[tuple[int, int]]:
    """(l, m) of all moments, m = 0..l."""
    return [(degree, m) for degree in range(order + 1) for m in range(degree + 1)]


def coupling_matrices(order: int) -> tuple[Floats, Floats]:
    """Az and Ax [a, b] in the order of `harmonics`, by Gauss-Legendre x trapezoid on the sphere."""
    cosine, w = np.polynomial.legendre.leggauss(2 * order + 4)
    phi = 2 * np.pi * np.arange(4 * order + 8) / (4 * order + 8)
    weight = np.repeat(w[:, None], phi.size, 1) * 2 * np.pi / phi.size
    table = np.array([lpmv(m, degree, cosine)[:, None] * np.cos(m * phi) for degree, m in harmonics(order)])
    table /= np.sqrt((table**2 * weight).sum((1, 2)))[:, None, None]
    u_z, u_x = cosine[:, None], np.sqrt(1 - cosine**2)[:, None] * np.cos(phi)
    matrices = [np.einsum("aij,bij,ij->ab", table, table, weight * u) for u in (u_z, u_x)]
    return tuple(np.where(abs(a) > 1e-13, a, 0) for a in matrices)


class Moments:
    """The constants of one order: classes E and O and the couplings within and between them."""

    def __init__(self, order: int) -> None:
        self.lm = np.array(harmonics(order))
        even = self.lm.sum(1) % 2 == 0
        az, ax = coupling_matrices(order)
        if az[np.ix_(even, even)].any() or ax[np.ix_(even, ~even)].any():
            raise AssertionError("the parity classes must separate")
        self.degree_e, self.degree_o = self.lm[even, 0], self.lm[~even, 0]
        self.axial_e, self.axial_o = self.lm[even, 1] == 0, self.lm[~even, 1] == 0
        self.a_oe = az[np.ix_(~even, even)]
        self.ax_e, self.ax_o = ax[np.ix_(even, even)], ax[np.ix_(~even, ~even)]

    def sources(self, moments: Floats) -> tuple[Floats, Floats]:
        """q_E and q_O: sqrt((2l+1)/4 pi) a_l where m = 0."""
        a = np.zeros(max(self.lm[:, 0]) + 1)
        a[: min(a.size, len(moments))] = moments[: a.size]
        q = np.sqrt((2 * np.arange(a.size) + 1) / (4 * np.pi)) * a
        return np.where(self.axial_e, q[self.degree_e], 0), np.where(self.axial_o, q[self.degree_o], 0)


def half_space(diagonal: Complexes, off: Complexes) -> Complexes:
    """Schur complement S = D - K S^-1 K of an endless uniform stack, by cyclic reduction."""
    edge, inner, link = diagonal.copy(), diagonal.copy(), off.copy()
    for _ in range(30):
        once = link @ np.linalg.solve(inner, link)
        edge -= once
        inner -= 2 * once
        link = once
        if abs(link).max() < 1e-14 * abs(edge).max():
            return edge
    raise ArithmeticError("the cyclic reduction did not converge")


def greens(
    problem: Problem,
    order: int,
    s: complex,
    k: Floats,
    step_m: float,
    emitters_m: Floats,
    receivers_m: Floats,
) -> tuple[Complexes, Complexes]:
    """c_00 and c_10, each [k, emitter, receiver], at one s for all of `k`."""
    h, constants = step_m, Moments(order)
    depths = np.concatenate([problem.edges_m[1:-1], emitters_m, receivers_m])
    if abs(depths / h - np.round(depths / h)).max() > 1e-9:
        raise ValueError("edges, emitters and receivers must be multiples of the step")
    first, last = int(np.round(depths.min() / h)) - 2, int(np.round(depths.max() / h)) + 2
    face = np.arange(first, last + 1)
    # Cell i lies below face i; one more above the first face and one below the last.
    layer_of_cell = np.searchsorted(problem.edges_m[1:-1], (np.arange(first - 1, last + 1) + 0.5) * h)
    g_l = problem.g ** np.arange(order + 1)
    s_l = (
        s / problem.speed_m_per_ns
        + 1 / problem.absorption_length_m[:, None]
        + (1 - g_l) / ((1 - problem.g) * problem.scattering_length_m[:, None])
    )
    m_o = [np.diag(x[constants.degree_o]) + 1j * k[:, None, None] * constants.ax_o for x in s_l]
    inverse = [
        np.linalg.inv(np.diag(x[constants.degree_e]) + 1j * k[:, None, None] * constants.ax_e) for x in s_l
    ]
    stiff = [constants.a_oe @ x @ constants.a_oe.T / h**2 for x in inverse]
    q_e, q_o = constants.sources(problem.moments)
    n_o = constants.degree_o.size

    right = np.zeros((face.size, k.size, n_o, emitters_m.size), complex)
    push = [constants.a_oe @ x @ (q_e / (2 * h)) / h for x in inverse]
    at_emitter = np.round(emitters_m / h).astype(int) - first
    for e, f in enumerate(at_emitter):
        above, below = push[layer_of_cell[f]], push[layer_of_cell[f + 1]]
        right[f, :, :, e] += q_o / h - below + above
        right[f - 1, :, :, e] -= above
        right[f + 1, :, :, e] += below

    # Block Thomas, from the top; `carry` = S_f^-1 K_below, `part` = S_f^-1 of the reduced right side.
    carry, part, schur = [], [], None
    for f in range(face.size):
        above, below = layer_of_cell[f], layer_of_cell[f + 1]
        if f == 0:
            schur = half_space(m_o[above] + 2 * stiff[above], stiff[above])
            rhs = right[0]
        else:
            schur = 0.5 * (m_o[above] + m_o[below]) + stiff[above] + stiff[below] - stiff[above] @ carry[-1]
            rhs = right[f] + stiff[above] @ part[-1]
        if f == face.size - 1:
            end = half_space(m_o[below] + 2 * stiff[below], stiff[below])
            schur = schur - stiff[below] @ np.linalg.solve(end, stiff[below])
        both = np.linalg.solve(schur, np.concatenate([stiff[below], rhs], axis=2))
        carry.append(both[:, :, :n_o])
        part.append(both[:, :, n_o:])
    odd = [part[-1]]
    for f in range(face.size - 2, -1, -1):
        odd.append(part[f] + carry[f] @ odd[-1])
    odd.reverse()

    zero_e = np.flatnonzero(constants.axial_e & (constants.degree_e == 0))[0]
    one_o = np.flatnonzero(constants.axial_o & (constants.degree_o == 1))[0]
    at_receiver = np.round(receivers_m / h).astype(int) - first
    c00, c10 = np.zeros((2, k.size, emitters_m.size, receivers_m.size), complex)
    for r, f in enumerate(at_receiver):
        c10[:, :, r] = odd[f][:, one_o]
        for cell, upper in ((layer_of_cell[f], f - 1), (layer_of_cell[f + 1], f)):
            row = inverse[cell][:, zero_e]
            c00[:, :, r] -= (
                0.5
                * np.einsum(
                    "ka,ake->ke", row, (constants.a_oe.T @ (odd[upper + 1] - odd[upper])).transpose(1, 0, 2)
                )
                / h
            )
            own = np.where(upper == at_emitter, 1, 0) + np.where(upper == at_emitter - 1, 1, 0)
            c00[:, :, r] += 0.5 * (row @ (q_e / (2 * h)))[:, None] * own
    return c00, c10


def bromwich(edges_ns: Floats, grids: Grids) -> tuple[Complexes, Complexes]:
    """Nodes s_j and weights [node, bin]: a bin is Re sum_j weight_j F(s_j)."""
    j = np.arange(grids.nodes_s)
    s = grids.damping / grids.period_ns + 2j * np.pi * j / grids.period_ns
    ends = np.exp(np.outer(s, edges_ns))
    weight = np.diff(ends, axis=1) / s[:, None] * (2 / grids.period_ns)
    weight[0] *= 0.5
    end = grids.nodes_s
    return s, weight * (0.5 * erfc((j - 0.5 * end) / (0.12 * end)))[:, None]


def hankel(distance_m: Floats, grids: Grids) -> tuple[Floats, Floats]:
    """Wavenumbers k and weights [k, distance] of the Fourier-Bessel sum, smooth end where distances allow."""
    zero = jn_zeros(0, int(grids.k_max * grids.radius_m / np.pi))
    k = zero / grids.radius_m
    weight = j0(np.outer(k, distance_m)) / (np.pi * grids.radius_m**2 * j1(zero) ** 2)[:, None]
    smooth = 0.5 * erfc((k - 0.5 * grids.k_max) / (0.12 * grids.k_max))
    return k, np.where(distance_m * grids.k_max > 50, smooth[:, None] * weight, weight)


def bins(
    problem: Problem, order: int, bin_edges_ns: ArrayLike, grids: Grids | None = None
) -> tuple[Floats, Floats]:
    """H0 and H1 (1/m2) of P_N, N = `order`, each of shape (pair, bin)."""
    grids = grids or Grids()
    edges = np.asarray(bin_edges_ns, float)
    emitters, e = np.unique(problem.emitter_depth_m, return_inverse=True)
    receivers, r = np.unique(problem.receiver_depth_m, return_inverse=True)
    k, spread = hankel(problem.distance_m, grids)
    nodes, weights = bromwich(edges, grids)
    h0, h1 = np.zeros((2, problem.distance_m.size, edges.size - 1))
    for s, weight in zip(nodes, weights, strict=True):
        c00, c10 = greens(problem, order, s, k, grids.step_m, emitters, receivers)
        h0 += (np.sqrt(4 * np.pi) * (c00[:, e, r] * spread).sum(0)[:, None] * weight).real
        h1 += (np.sqrt(4 * np.pi / 3) * (c10[:, e, r] * spread).sum(0)[:, None] * weight).real
    r_m = np.hypot(problem.receiver_depth_m - problem.emitter_depth_m, problem.distance_m)
    dark = edges[1:] < r_m[:, None] / problem.speed_m_per_ns
    return np.where(dark, 0, h0), np.where(dark, 0, h1)


def charges(
    problem: Problem, order: int, s_per_ns: float, grids: Grids | None = None
) -> tuple[Floats, Floats]:
    """H0 and H1 (1/m2) of all times weighted by exp(-s t), `s_per_ns` real, each of shape (pair,)."""
    grids = grids or Grids()
    emitters, e = np.unique(problem.emitter_depth_m, return_inverse=True)
    receivers, r = np.unique(problem.receiver_depth_m, return_inverse=True)
    k, spread = hankel(problem.distance_m, grids)
    c00, c10 = greens(problem, order, s_per_ns, k, grids.step_m, emitters, receivers)
    return (
        np.sqrt(4 * np.pi) * (c00[:, e, r] * spread).sum(0).real,
        np.sqrt(4 * np.pi / 3) * (c10[:, e, r] * spread).sum(0).real,
    )
