"""One photon, one step: the physics, written once and compiled for CPU and CUDA alike.

Scalars in, scalars out. The walk counts path length instead of time (the group velocity is the same in all
layers) and the absorption depth instead of the weight exp(-depth), so that a step costs one logarithm and
one square root; the exponential is taken only where a photon scores.
"""

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from iceopt.light.tracking.philox import Word, philox4x32, uniform
from iceopt.light.tracking.receivers import CellMap

_TURN = 2 * math.pi
_EIGHTH_TURN = _TURN / 8
_R = tuple(1.0 / n for n in (6, 20, 42, 72, 110, 2, 12, 30, 56, 90, 132))
"""Ratios of the terms of the sine, then of the cosine: a division would cost ten products."""
Floats = NDArray[np.float64]


class Source(NamedTuple):
    """One emitter, and the directions in which it shines."""

    depth_m: float
    layer: int
    cosine_down: Floats
    """Quantiles of the direction cosine along depth."""
    azimuth_rad: Floats
    """Quantiles of the azimuth."""


class Medium(NamedTuple):
    """The ice, as the kernel reads it."""

    edges_m: Floats
    """Shape (layer + 1,); the first and the last are infinite."""
    free_path_m: Floats
    """Shape (layer,): mean free path between collisions, le (1 - g)."""
    absorption_per_m: Floats
    """Shape (layer,)."""
    phase: Floats
    """Quantiles of the cosine of the scattering angle."""


@njit(cache=True)
def from_table(table: np.ndarray, u: float) -> float:
    """Value at the fraction u of a table of quantiles at equal steps of probability."""
    x = u * (table.size - 1)
    i = int(x)
    return table[i] + (x - i) * (table[i + 1] - table[i])


@njit(cache=True)
def circle(u: float, word: Word) -> tuple[float, float]:
    """Cosine and sine of a uniform random angle, from a word and its number in (0, 1).

    The upper 30 bits choose an angle within an eighth of a turn to either side of the x axis; the other two
    swap the axes and change the sign, without a branch, which no processor could foresee. Taylor series to
    the 12th power: 1e-12.
    """
    a = (2.0 * u - 1.0) * _EIGHTH_TURN
    b = a * a
    s = a * (1 - b * _R[0] * (1 - b * _R[1] * (1 - b * _R[2] * (1 - b * _R[3] * (1 - b * _R[4])))))
    d = 1 - b * _R[7] * (1 - b * _R[8] * (1 - b * _R[9] * (1 - b * _R[10])))
    c = 1 - b * _R[5] * (1 - b * _R[6] * d)
    sign = 1.0 - np.float64(np.int64(word & Word(2)))
    swap = word & Word(1)
    x = s if swap else c
    y = c if swap else s
    return x * sign, y * sign


@njit(cache=True)
def unit_circle(word: Word) -> tuple[float, float]:
    """Cosine and sine of a uniform random angle."""
    return circle(uniform(word), word)


@njit(cache=True)
def turn(
    ux: float, uy: float, uz: float, cosine: float, across_x: float, across_y: float
) -> tuple[float, float, float]:
    """Turn a unit vector by the polar angle of given cosine, towards the azimuth (across_x, across_y).

    The two axes across are those of Duff et al., J. Comput. Graph. Tech. 6(1), 1 (2017): no square root, and
    no special case along the vertical.
    """
    sine = math.sqrt(max(0.0, (1.0 - cosine) * (1.0 + cosine)))
    p = sine * across_x
    q = sine * across_y
    sign = math.copysign(1.0, uz)
    a = -1.0 / (sign + uz)
    b = ux * uy * a
    return (
        cosine * ux + p * (1.0 + sign * ux * ux * a) + q * b,
        cosine * uy + p * sign * b + q * (sign + uy * uy * a),
        cosine * uz - p * sign * ux - q * uy,
    )


@njit(cache=True)
def emit(source: Source, c1: Word, c2: Word, c3: Word, k0: Word, k1: Word) -> tuple[float, float, float]:
    """First direction of a photon; its counter is that of collision number 0."""
    w0, w1, _, _ = philox4x32(Word(0), c1, c2, c3, k0, k1)
    uz = from_table(source.cosine_down, uniform(w0))
    across = math.sqrt(max(0.0, (1.0 - uz) * (1.0 + uz)))
    azimuth = from_table(source.azimuth_rad, uniform(w1))
    return across * math.cos(azimuth), across * math.sin(azimuth), uz


@njit(cache=True)
def fly(
    z: float, uz: float, layer: int, optical_depth: float, medium: Medium
) -> tuple[float, int, float, float]:
    """Fly on by a number of mean free paths, exactly across layer edges.

    Returns
    -------
    z, layer, path, absorbed
        New depth (m) and layer; length flown (m); absorption depth gathered on the way.
    """
    edges, free_path, absorption = medium.edges_m, medium.free_path_m, medium.absorption_per_m
    path = 0.0
    absorbed = 0.0
    while True:
        step = optical_depth * free_path[layer]
        end = z + step * uz
        if end < edges[layer]:
            edge, towards = edges[layer], -1
        elif end > edges[layer + 1]:
            edge, towards = edges[layer + 1], 1
        else:
            return end, layer, path + step, absorbed + step * absorption[layer]
        step = (edge - z) / uz
        optical_depth = max(0.0, optical_depth - step / free_path[layer])
        path += step
        absorbed += step * absorption[layer]
        z = edge
        layer += towards


@njit(cache=True)
def upper_edge(edges: np.ndarray, value: float) -> int:
    """Number of edges at or below a value, by bisection."""
    low, high = 0, edges.size
    while low < high:
        middle = (low + high) // 2
        if edges[middle] <= value:
            low = middle + 1
        else:
            high = middle
    return low


@njit(cache=True)
def map_square(x: float, y: float, z: float, cells: CellMap) -> int:
    """Square of the receivers' map in which a point lies; -1 outside the map."""
    row = (z - cells.map_top_m) * cells.per_m
    if row < 0.0 or row >= cells.rows:
        return -1
    column = math.sqrt(x * x + y * y) * cells.per_m
    if column >= cells.columns:
        return -1
    return int(row) * cells.columns + int(column)


@njit(cache=True)
def in_cell(x: float, y: float, z: float, cells: CellMap, j: int) -> bool:
    """Whether a point lies in cell j."""
    if z < cells.top_m[j] or z >= cells.bottom_m[j]:
        return False
    r2 = x * x + y * y
    return cells.inner2_m2[j] <= r2 < cells.outer2_m2[j]


@njit(cache=True)
def azimuth_share(x: float, y: float, cells: CellMap, j: int) -> float:
    """By how much a photon that left at azimuth 0 counts for cell j; on average over the circle 1.

    Turned by the receiver's bearing less its own azimuth it would have come to the receiver; so would its
    mirror image.
    """
    if cells.azimuth_weight.size == 1:
        return 1.0
    azimuth, bearing = math.atan2(y, x), cells.bearing_rad[j]
    one = on_circle(cells.azimuth_weight, bearing - azimuth)
    return 0.5 * (one + on_circle(cells.azimuth_weight, bearing + azimuth))


@njit(cache=True)
def on_circle(table: np.ndarray, angle: float) -> float:
    """Value at an angle of a table at equal steps of the circle from 0, linear between them."""
    x = (angle / _TURN) * table.size
    x -= math.floor(x / table.size) * table.size
    i = int(x)
    part = x - i
    i %= table.size
    return (1.0 - part) * table[i] + part * table[(i + 1) % table.size]
