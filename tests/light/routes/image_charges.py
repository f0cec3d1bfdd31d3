"""Two half-spaces, steady diffusion: image charges without absorption, Sommerfeld's integral with it.

Without absorption -D_i laplace(n) = delta with n and D dn/dz continuous is the electrostatics of a charge
before a dielectric half-space (any electrostatics text, e.g. Jackson, Classical Electrodynamics, 3rd ed.
(1999), sect. 4.4, D in place of the permittivity; derived again in `test_image_charges.py`):

    source side  n = [1/r + R/r'] / (4 pi D1),  R = (D1 - D2) / (D1 + D2),  r' from the mirror point;
    far side     n = 2 / (4 pi (D1 + D2) r).

With absorption, per horizontal wavenumber k and kappa_i = sqrt(k^2 + 3 / (le_i la_i)):

    source side  [exp(-kappa1 |z - z'|) + R_k exp(-kappa1 (|z| + |z'|))] / (2 D1 kappa1),
    far side     exp(-kappa1 |z'| - kappa2 |z|) / (D1 kappa1 + D2 kappa2),
    R_k = (D1 kappa1 - D2 kappa2) / (D1 kappa1 + D2 kappa2),

and the sum over k is int k J0(k rho) dk / (2 pi). Fluence is v n and D = v le / 3, so v drops out.
The boundary lies at depth 0; the first length of each pair belongs to depths below 0.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0


def charge_without_absorption(
    emitter_depth_m: float,
    receiver_depth_m: float,
    distance_m: float,
    scattering_length_m: tuple[float, float],
) -> float:
    """Fluence of all times (1/m2) in two half-spaces that scatter only."""
    d = np.array(scattering_length_m) / 3
    if emitter_depth_m > 0:
        emitter_depth_m, receiver_depth_m, d = -emitter_depth_m, -receiver_depth_m, d[::-1]
    r = np.hypot(receiver_depth_m - emitter_depth_m, distance_m)
    if receiver_depth_m > 0:
        return 2 / (4 * np.pi * (d[0] + d[1]) * r)
    mirror = np.hypot(receiver_depth_m + emitter_depth_m, distance_m)
    return (1 / r + (d[0] - d[1]) / (d[0] + d[1]) / mirror) / (4 * np.pi * d[0])


def charge_with_absorption(
    emitter_depth_m: float,
    receiver_depth_m: float,
    distance_m: float,
    scattering_length_m: tuple[float, float],
    absorption_length_m: tuple[float, float],
) -> float:
    """Fluence of all times (1/m2) in two half-spaces that scatter and absorb.

    The direct part is taken in closed form; the rest decays like exp(-k h), h the path by way of the
    boundary, which must not vanish.
    """
    le, la = np.array(scattering_length_m), np.array(absorption_length_m)
    if emitter_depth_m > 0:
        emitter_depth_m, receiver_depth_m, le, la = -emitter_depth_m, -receiver_depth_m, le[::-1], la[::-1]
    d = le / 3
    path = abs(emitter_depth_m) + abs(receiver_depth_m)
    if path == 0:
        raise ValueError("emitter and receiver both on the boundary: the integral does not converge")

    def integrand(k: NDArray[np.float64]) -> NDArray[np.float64]:
        kappa = np.sqrt(k**2 + 1 / (d * la)[:, None])
        both = d[:, None] * kappa
        if receiver_depth_m > 0:
            g = np.exp(kappa[0] * emitter_depth_m - kappa[1] * receiver_depth_m) / both.sum(0)
        else:
            g = (both[0] - both[1]) / both.sum(0) * np.exp(-kappa[0] * path) / (2 * both[0])
        return k * j0(k * distance_m) * g / (2 * np.pi)

    x, w = np.polynomial.legendre.leggauss(20)
    panel = min(2 / path, np.pi / max(distance_m, 1e-9), 0.05)
    start = panel * np.arange(int(45 / path / panel) + 1)[:, None]
    total = float(
        (integrand((start + panel * (x + 1) / 2).ravel()) * np.tile(w * panel / 2, len(start))).sum()
    )
    if receiver_depth_m <= 0:
        r = np.hypot(receiver_depth_m - emitter_depth_m, distance_m)
        total += np.exp(-r / np.sqrt(d[0] * la[0])) / (4 * np.pi * d[0] * r)
    return total
