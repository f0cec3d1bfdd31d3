"""Time-resolved diffusion from a point in a uniform medium, integrated over time bins.

Source: Patterson, Chance, Wilson, Appl. Opt. 28, 2331 (1989), from memory:
n(r, t) = (4 pi D t)^(-3/2) exp(-r^2 / (4 D t) - v t / la), D = v le / 3, fluence rate v n.
Its time integral 3 exp(-r / L) / (4 pi le r), L = sqrt(le la / 3), follows from it, and so does the
cumulative form used here: with a = r / sqrt(4 D) and b = sqrt(v / la),

    int_0^t (4 pi D t)^(-3/2) exp(-a^2/t - b^2 t) dt
        = [exp(-2ab) erfc(a/sqrt(t) - b sqrt(t)) + exp(2ab) erfc(a/sqrt(t) + b sqrt(t))] / (8 pi D r).
"""

from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfcx

SPEED_OF_LIGHT_M_PER_NS = 0.299792458


def fluence_rate(
    r_m: ArrayLike,
    time_ns: ArrayLike,
    scattering_length_m: float,
    absorption_length_m: float,
    group_index: float,
) -> NDArray[np.float64]:
    """Fluence rate (1/(m2 ns)) at distance `r_m` and `time_ns` > 0; the two broadcast."""
    v = SPEED_OF_LIGHT_M_PER_NS / group_index
    d = v * scattering_length_m / 3
    r, t = np.asarray(r_m, float), np.asarray(time_ns, float)
    return v * (4 * np.pi * d * t) ** -1.5 * np.exp(-(r**2) / (4 * d * t) - v * t / absorption_length_m)


def charge(r_m: ArrayLike, scattering_length_m: float, absorption_length_m: float) -> NDArray[np.float64]:
    """Fluence of all times (1/m2) at distance `r_m`."""
    r = np.asarray(r_m, float)
    length = np.sqrt(scattering_length_m * absorption_length_m / 3)
    return 3 / (4 * np.pi * scattering_length_m * r) * np.exp(-r / length)


def charge_h1(
    dz_m: ArrayLike, distance_m: ArrayLike, scattering_length_m: float, absorption_length_m: float
) -> NDArray[np.float64]:
    """H1 of all times (1/m2), -(le/3) dH0/dz; `dz_m` is receiver minus emitter depth."""
    dz = np.asarray(dz_m, float)
    r = np.hypot(dz, distance_m)
    length = np.sqrt(scattering_length_m * absorption_length_m / 3)
    slope = charge(r, scattering_length_m, absorption_length_m) * (1 / length + 1 / r)
    return scattering_length_m / 3 * slope * dz / r


def binned(
    dz_m: ArrayLike,
    distance_m: ArrayLike,
    bin_edges_ns: ArrayLike,
    scattering_length_m: float,
    absorption_length_m: float,
    group_index: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """H0 and H1 (1/m2) per bin, each of shape (pair, bin).

    `dz_m` and `distance_m` have shape (pair,); the distance emitter to receiver must not vanish. Each bin
    is 30-point Gauss-Legendre in ln t, panels no longer than a factor 1.2, so that bins far down the
    rising flank, where differences of the cumulative form cancel, keep their relative accuracy.
    """
    dz, rho = np.atleast_1d(np.asarray(dz_m, float)), np.atleast_1d(np.asarray(distance_m, float))
    r = np.hypot(dz, rho)[:, None]
    v = SPEED_OF_LIGHT_M_PER_NS / group_index
    d = v * scattering_length_m / 3
    edges = np.asarray(bin_edges_ns, float)
    h0, h1 = np.zeros((2, r.size, edges.size - 1))
    x, w = np.polynomial.legendre.leggauss(30)
    for b, (start, stop) in enumerate(pairwise(edges)):
        if stop <= 0:
            continue
        # Nothing arrives before r^2 / (4 D t) falls under 700: the integrand is below 1e-300.
        first = max(start, min(0.5 * stop, (r**2).min() / (2800 * d)))
        panels = np.geomspace(first, stop, int(np.log(stop / first) / np.log(1.2)) + 2)
        low, high = np.log(panels[:-1, None]), np.log(panels[1:, None])
        t = np.exp(0.5 * (high + low) + 0.5 * (high - low) * x).ravel()
        weight = (0.5 * (high - low) * w).ravel() * t
        phi = fluence_rate(r, t, scattering_length_m, absorption_length_m, group_index)
        h0[:, b] = phi @ weight
        h1[:, b] = scattering_length_m / 3 * dz * ((phi / (2 * d * t)) @ weight)
    return h0, h1


def cumulative(
    r_m: ArrayLike,
    time_ns: ArrayLike,
    scattering_length_m: float,
    absorption_length_m: float,
    group_index: float,
) -> NDArray[np.float64]:
    """Fluence (1/m2) from 0 to `time_ns` > 0, by the closed form above; `r_m` and `time_ns` broadcast."""
    v = SPEED_OF_LIGHT_M_PER_NS / group_index
    d = v * scattering_length_m / 3
    r, t = np.broadcast_arrays(np.asarray(r_m, float), np.asarray(time_ns, float))
    a, b = r / np.sqrt(4 * d), np.sqrt(v / absorption_length_m)
    minus, plus = a / np.sqrt(t) - b * np.sqrt(t), a / np.sqrt(t) + b * np.sqrt(t)
    envelope = np.exp(-(a**2) / t - b**2 * t)
    with np.errstate(over="ignore", invalid="ignore"):
        rising = np.where(
            minus >= 0,
            envelope * erfcx(np.abs(minus)),
            2 * np.exp(-2 * a * b) - envelope * erfcx(np.abs(minus)),
        )
    return v / (8 * np.pi * d * r) * (rising + envelope * erfcx(plus))
