"""Nodes and weights of the Hankel transform: from wavenumber k to horizontal distance.

F(rho) = 1 / (2 pi) int k Jm(k rho) G(k) dk, with m = 0 for light that is alike in all azimuths. Two rules,
and a cheaper form of each for real rates:

* `ring_rule`, for rho well above zero: the Dini series on a disc of radius R, nodes at the zeros of J0
  (spectrally accurate; its images lie at 2 R - rho and are attenuated by the ice), with a smooth cut-off
  in k. For an emitter and a receiver at one depth G falls only as 1 / k, and a sharp end would ring. The
  nodes serve every m: Jm G is even in k, and they are a quadrature rule for all such functions (Ogata,
  Publ. RIMS Kyoto Univ. 41, 949, 2005; from memory).
* `axis_rule`, for pairs above one another: G falls as exp(-k |dz|), and Gauss-Legendre panels do.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0, j1, jv

_CLEAR_SCATTERING_M = 50.0
_CLEAR_ABSORPTION_M = 200.0
_SHARPNESS = (34.0, 45.0)
"""Of the cut-off in k: exp(-34) = 2e-15 of the light nearby leaks to far pairs, and less beyond 200 m, where
no more than that is left of the light in dark ice."""
_SHARP_PER_M = 0.17
_LATE = 13.5
_ASIDE = 0.05
"""Distance over height from where a pair is not right above one another: J0 turns within exp(-k |dz|)."""
_GROWTH_OF_LANES = 4.0
"""Of ln(k) over steps, for sixteen wavenumbers."""


Array = NDArray[np.float64]


def bessel(turns: NDArray[np.int64] | int, x: Array) -> Array:
    """Bessel functions Jm of the first kind; `turns` is m of each row of x, or of all."""
    if not np.any(turns):
        return np.asarray(j0(x))
    return np.asarray(jv(np.broadcast_to(turns, x.shape[:1])[:, None], x))


def decay(laplace: complex, speed: float) -> complex:
    """Diffusive exponent kappa of clear ice at a Laplace variable (1/m): sets scales, not values."""
    loss = 1 / _CLEAR_ABSORPTION_M + laplace / speed
    return complex(np.sqrt(3 * loss * (loss + 1 / _CLEAR_SCATTERING_M)))


def bessel_zeros(count: int) -> Array:
    """Zeros of J0 by McMahon's expansion and two Newton steps (Abramowitz, Stegun 9.5.12)."""
    beta = (np.arange(1, count + 1) - 0.25) * np.pi
    x = beta + 1 / (8 * beta) - 124 / (3 * (8 * beta) ** 3)
    for _ in range(3):
        x = x + j0(x) / j1(x)
    return x


def smooth_step(x: Array, sharpness: float) -> Array:
    """Fall from 1 at x = -1 to 0 at x = 1, with ripples of exp(-sharpness).

    The running integral of the transform of the Kaiser window, so that a cut-off by it in k moves light by
    less than `sharpness` over the width in k (Kaiser, Schafer, IEEE Trans. Acoust. 28, 105, 1980).
    """
    grid, weight = np.polynomial.legendre.leggauss(64)
    x = np.clip(x, -1.0, 1.0)
    # With u = sin(a) the density is sinh(sharpness cos a), smooth at both ends.
    angle = np.arcsin(x)
    low = -0.5 * np.pi
    nodes = low + 0.5 * (angle[:, None] - low) * (1 + grid)
    partial = (np.sinh(sharpness * np.cos(nodes)) * weight).sum(axis=1) * 0.5 * (angle - low)
    whole = (np.sinh(sharpness * np.cos(0.5 * np.pi * grid)) * weight).sum() * 0.5 * np.pi
    return 1.0 - partial / whole


def ring_rule(
    distance_m: Array,
    laplace: complex,
    speed: float,
    reach: float = 4.0,
    turns: NDArray[np.int64] | int = 0,
) -> tuple[Array, Array]:
    """Give wavenumbers, shape (k,), and weights, shape (distance, k), with m = `turns` of each distance.

    Light from an image, at 2 R - rho, goes 2 `reach` diffusive lengths of clear ice farther than that of
    pairs at one depth, and at least `_LATE` lengths in all: late light is as strong far away as nearby.
    """
    length, farthest = 1.0 / decay(laplace, speed).real, distance_m.max()
    radius = max(farthest + reach * length, 0.5 * (farthest + _LATE * length))
    half_width = _half_width(distance_m)
    centre = 1.2 * laplace.imag / speed + half_width
    return _dini(distance_m, radius, centre, half_width, 1, turns)


def moment_ring_rule(
    distance_m: Array,
    offset_m: float,
    rate: float,
    speed: float,
    lanes: int,
    reach: float = 4.0,
    turns: NDArray[np.int64] | int = 0,
) -> tuple[Array, Array]:
    """As `ring_rule`, at a real rate (1/ns): the radius is no larger than pairs up to |dz| = `offset_m` need.

    Light from an image goes at least 2 `reach` diffusive lengths of clear ice farther than that from the
    emitter. The number of wavenumbers is a multiple of `lanes`, the radius what they allow.
    """
    farthest = distance_m.max()
    path = np.hypot(farthest, offset_m) + 2.0 * reach / decay(complex(rate), speed).real
    radius = 0.5 * (farthest + np.sqrt(path**2 - offset_m**2))
    half_width = _half_width(distance_m)
    return _dini(distance_m, radius, half_width, half_width, lanes, turns)


def _half_width(distance_m: Array) -> float:
    """Half of the width in k (1/m) over which pairs at these distances are cut off."""
    nearest = float(distance_m.min())
    return float(np.clip(_SHARP_PER_M * nearest, *_SHARPNESS)) / nearest


def _dini(
    distance_m: Array,
    radius: float,
    centre: float,
    half_width: float,
    multiple: int,
    turns: NDArray[np.int64] | int,
) -> tuple[Array, Array]:
    """Dini series on a disc at least of a radius, cut off over centre +- half_width."""
    last = centre + half_width
    count = max(int(last * radius / np.pi) + 1, 8)
    if multiple > 1:
        count += -count % multiple
        radius = max(radius, count * np.pi / last)
    zeros = bessel_zeros(count)
    k = zeros / radius
    # The width allows a sharper cut for farther pairs; in steps, so that an array needs few of them.
    steps, row = np.unique(np.floor(4.0 * distance_m / distance_m.min()), return_inverse=True)
    sharpness = 0.25 * steps * half_width * distance_m.min()
    cut = np.array([smooth_step((k - centre) / half_width, sharp) for sharp in sharpness])[row]
    weights = cut * bessel(turns, k * distance_m[:, None]) / (np.pi * radius**2 * j1(zeros) ** 2)
    return k, weights


def axis_rule(
    distance_m: Array,
    offset_m: tuple[float, float],
    laplace: complex,
    speed: float,
    density: float = 1.0,
    turns: NDArray[np.int64] | int = 0,
) -> tuple[Array, Array]:
    """Give wavenumbers, shape (k,), and weights, shape (distance, k), for |dz| within `offset_m`.

    Panels resolve exp(-k |dz|) of the farthest pair up to the wavenumber of a free wave, then grow.
    """
    nearest, farthest = offset_m
    wave = 1.2 * laplace.imag / speed
    last = np.hypot(wave, 16.0 / nearest + decay(laplace, speed).real)
    step = 8.0 / (farthest * density)
    panels = int(np.ceil(wave / step)) + 1
    # exp(-q |dz|) / q, q^2 = k^2 + kappa^2, turns within kappa of k = 0.
    edges = [0.0, 0.25 * step, *(step * np.arange(1, panels + 1))]
    while edges[-1] < last:
        edges.append(min(last, wave + 3.5 * (edges[-1] - wave)))
    x, w = np.polynomial.legendre.leggauss(8)
    low, high = np.array(edges[:-1])[:, None], np.array(edges[1:])[:, None]
    k = (0.5 * (low + high) + 0.5 * (high - low) * x).ravel()
    weight = (0.5 * (high - low) * w).ravel()
    return k, weight * k * bessel(turns, k * distance_m[:, None]) / (2 * np.pi)


def moment_axis_rule(
    distance_m: Array,
    offset_m: tuple[float, float],
    rate: float,
    speed: float,
    lanes: int,
    turns: NDArray[np.int64] | int = 0,
) -> tuple[Array, Array]:
    """As `axis_rule`, at a real rate (1/ns): there is no wave to resolve, and one rule in ln(k) serves all.

    Gauss-Legendre in x, k = a (exp(x) - 1): even steps within the smallest k that tells of the farthest pair,
    growing ones from there to the largest that tells of the nearest. The number of wavenumbers is a multiple
    of `lanes`; one of 16 leaves errors of 3e-4 at most right above one another, another falls on 1e-6.
    """
    nearest, farthest = offset_m
    clear = decay(complex(rate), speed).real
    step, last = min(8.0 / farthest, 2.0 * clear), 16.0 / nearest + clear
    half = 0.5 * np.log1p(last / step)
    aside = float(distance_m.max()) > _ASIDE * nearest
    x, w = np.polynomial.legendre.leggauss(lanes * (1 + aside + int(2.0 * half / _GROWTH_OF_LANES)))
    growth = np.exp(half * (1.0 + x))
    k = step * (growth - 1.0)
    weight = w * half * step * growth
    return k, weight * k * bessel(turns, k * distance_m[:, None]) / (2 * np.pi)
