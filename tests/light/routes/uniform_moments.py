"""P_N in a uniform medium by its own dispersion: Fourier in space, matrix exponential in time.

In an infinite uniform medium the radiance of wavevector k obeys, in spherical harmonics Y_lm about k,

    dc_lm/dt = -v [sigma_l c_lm + i k (a_{l+1,m} c_{l+1,m} + a_{l,m} c_{l-1,m})],
    sigma_l = 1/la + mu_s (1 - g^l),  mu_s = 1 / ((1 - g) le),  a_lm = sqrt((l^2 - m^2) / (4 l^2 - 1)),

one small system for each m that nothing else couples (Case, Zweifel, Linear Transport Theory (1967); the
recurrence of the Legendre functions; Henyey-Greenstein moments g^l, Astrophys. J. 93, 70 (1941)). Its
characteristic polynomial for m = 0 is the continued fraction of the dispersion relation. c = i^-l d makes
it real, and a bin [t, t + dt] is integrated exactly: M^-1 (1 - exp(-M dt)) exp(-M t) d(0).

An emission sum_l (2l+1)/(4 pi) a_l P_l(u_z) has, by the addition theorem, c_lm = a_l Y_lm*(z). H0 is
sqrt(4 pi) c_00, H1 is (4 pi / 3) sum_m Y_1m(z) c_1m; both are sums of Legendre polynomials of the cosine of
k against z, so the inverse Fourier transform is a spherical Bessel transform per degree L:
int d3k/(2 pi)^3 exp(i k.r) f(k) P_L(cos) = i^L P_L(cos theta_r) int k^2 dk/(2 pi^2) j_L(k r) f(k).
Light is not faster than v, so the sum over k = (j + 1/2) pi / R is free of images if 2R > v t + r.

P_N is a wave: its fronts r = v t x_j, x_j the nodes of Gauss-Legendre quadrature of order N + 1, carry
singularities that no finite range of k resolves. The erfc cut-off keeps their ringing to some metres.
"""

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import expm
from scipy.special import erfc, eval_legendre, spherical_jn

SPEED_OF_LIGHT_M_PER_NS = 0.299792458
Floats = NDArray[np.float64]


def ring_moments(order: int, spread_deg: float, elevation_deg: float = 0.0) -> Floats:
    """Means of P_0..P_order(u_z) of a ring that shines in all azimuths, Gaussian in elevation.

    u_z is positive down and elevation above the horizontal, so u_z = -sin(elevation). The Gaussian is
    taken as a density in the elevation angle.
    """
    x, w = np.polynomial.hermite_e.hermegauss(60)
    u_z = -np.sin(np.deg2rad(elevation_deg + spread_deg * x))
    return np.array([eval_legendre(order_, u_z) @ w for order_ in range(order + 1)]) / w.sum()


def _coupling(degree: ArrayLike, m: int) -> Floats:
    degree = np.asarray(degree, float)
    return np.sqrt((degree**2 - m**2) / (4 * degree**2 - 1))


def generator(k: Floats, m: int, order: int, le: float, la: float, g: float, speed: float) -> Floats:
    """M [k, l, l'] of dd/dt = -M d for degrees l = m..order, d_l = i^l c_lm."""
    degree = np.arange(m, order + 1)
    sigma = 1 / la + (1 - g**degree) / ((1 - g) * le)
    up = _coupling(degree[1:], m)
    # i^l i i^-(l+1) = 1 above the diagonal, i^l i i^-(l-1) = -1 below it.
    transport = np.diag(up, 1) - np.diag(up, -1)
    return speed * (np.diag(sigma) + k[:, None, None] * transport)


def responses(matrix: Floats, bin_edges_ns: Floats) -> Floats:
    """int over each bin of exp(-M t), shape (bin, k, l, l')."""
    one = np.eye(matrix.shape[-1])

    @cache
    def step(width: float) -> tuple[Floats, Floats]:
        later = expm(-matrix * width)
        return later, np.linalg.solve(matrix, one - later)

    now = expm(-matrix * bin_edges_ns[0])
    out = []
    for width in np.round(np.diff(bin_edges_ns), 9):
        later, mean = step(width)
        out.append(mean @ now)
        now = later @ now
    return np.stack(out)


def flux_weight(degree: int, m: int, L: int) -> float:
    """Weight of P_L(cos b) in (4 pi / 3) Y_1m(b) Y_lm(b), summed over m and -m, by exact quadrature."""
    x, w = np.polynomial.legendre.leggauss(degree + 3)
    if m == 0:
        product = np.sqrt((2 * degree + 1) / 3) * x * eval_legendre(degree, x)
    else:
        # P_1^1 P_l^1 = (1 - x^2) P_l'(x) with norms sqrt((2l+1) (l-1)! / (4 pi (l+1)!)), and twice.
        slope = np.polynomial.legendre.Legendre.basis(degree).deriv()(x)
        product = 2 * np.sqrt((2 * degree + 1) / (6 * degree * (degree + 1))) * (1 - x**2) * slope
    return (2 * L + 1) / 2 * (eval_legendre(L, x) * product) @ w


def bins(
    dz_m: ArrayLike,
    distance_m: ArrayLike,
    bin_edges_ns: ArrayLike,
    moments: ArrayLike,
    order: int,
    scattering_length_m: float,
    absorption_length_m: float,
    group_index: float,
    g: float,
    k_cut: float = 12.0,
    k_width: float = 3.0,
) -> tuple[Floats, Floats]:
    """H0 and H1 (1/m2) of P_N, N = `order`, each of shape (pair, bin).

    `moments` are the means of P_l(u_z) of the emission, l = 0.. (missing ones are 0; those beyond N are
    not seen). The cut-off falls from 1 to 0 around `k_cut` over `k_width` (1/m).
    """
    dz, rho = np.atleast_1d(np.asarray(dz_m, float)), np.atleast_1d(np.asarray(distance_m, float))
    r, edges = np.hypot(dz, rho), np.asarray(bin_edges_ns, float)
    cosine = dz / r
    speed = SPEED_OF_LIGHT_M_PER_NS / group_index
    radius = 0.5 * (speed * edges[-1] + r.max()) + 5 / k_width + 10
    step = np.pi / radius
    k = (np.arange(int((k_cut + 6 * k_width) / step)) + 0.5) * step
    weight = k**2 * step / (2 * np.pi**2) * 0.5 * erfc((k - k_cut) / k_width)
    kernel = [
        weight * spherical_jn(L, r[:, None] * k) * eval_legendre(L, cosine)[:, None] for L in range(order + 2)
    ]
    a = np.asarray(moments, float)[: order + 1]
    h0, h1 = np.zeros((2, r.size, edges.size - 1))
    for m in range(2 if order >= 1 else 1):
        matrix = generator(k, m, order, scattering_length_m, absorption_length_m, g, speed)
        for low in range(0, k.size, 500):
            part = slice(low, low + 500)
            # c_l' from c_l carries i^(l - l'); times the i^L of the transform it is real.
            response = speed * responses(matrix[part], edges)
            for degree in np.flatnonzero(a):
                if m == 0:
                    sign = (-1.0) ** degree  # i^(l - 0) i^l
                    scale = sign * a[degree] * np.sqrt(2 * degree + 1)
                    h0 += scale * kernel[degree][:, part] @ response[:, :, 0, degree].T
                if degree < m or order < 1:
                    continue
                for L in (degree - 1, degree + 1):
                    if L < 0:
                        continue
                    sign = (-1.0) ** ((degree - 1 + L) // 2)  # i^(l - 1 + L)
                    scale = sign * a[degree] * flux_weight(degree, m, L)
                    h1 += scale * kernel[L][:, part] @ response[:, :, 1 - m, degree - m].T
    return h0, h1
