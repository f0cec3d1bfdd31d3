"""Tracking where every collision sends its share of light straight to points, on all cores."""

import math
from typing import NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from iceopt.light.tracking.philox import Word, philox4x32, split, uniform
from iceopt.light.tracking.receivers import CellMap
from iceopt.light.tracking.walk import (
    Medium,
    Source,
    emit,
    fly,
    from_table,
    map_square,
    turn,
    unit_circle,
    upper_edge,
)

Floats = NDArray[np.float64]
_FAR_SHARE = 1.0 / 64.0
"""Part of the collisions that also look at the receivers beyond their reach, with so much more weight."""
_LEVEL_M = 1e-6


class Depths(NamedTuple):
    """Optical depths below a common level: at z in layer i they are at_zero[i] + z x per_m[i]."""

    scatter_at_zero: Floats
    scatter_per_m: Floats
    absorb_at_zero: Floats
    absorb_per_m: Floats


class Collision(NamedTuple):
    """A photon as it collides: where, its direction before, how it goes on, a uniform random number."""

    x: float
    y: float
    z: float
    layer: int
    ux: float
    uy: float
    uz: float
    after_z: float
    path: float
    absorbed: float
    u: float


class Targets(NamedTuple):
    """The receivers of one emitter; arrays of shape (receiver,) unless stated otherwise."""

    x_m: Floats
    y_m: Floats
    z_m: Floats
    scatter_depth: Floats
    absorb_depth: Floats
    reach2_m2: float
    """Square of the distance beyond which only some collisions look at a receiver."""
    ball_m: Floats
    """Radius of the ball in which a collision counts as if it were anywhere in it."""
    phase_density: Floats
    """Shape (interval,): density per solid angle between the quantiles of the medium's phase function."""


def optical_depths(medium: Medium) -> Depths:
    """Running optical depths of layers, continuous across the edges."""
    inner = medium.edges_m[1:-1]
    scatter, absorb = 1 / medium.free_path_m, medium.absorption_per_m
    s, a = (np.concatenate(([0.0], np.cumsum(-np.diff(rate) * inner))) for rate in (scatter, absorb))
    return Depths(s, scatter, a, absorb)


@njit(cache=True)
def straight(
    length: float, z: float, layer: int, depths: Depths, z_end: float, scatter_end: float, absorb_end: float
) -> tuple[float, float]:
    """Mean number of collisions, and absorption depth, along a straight line from z to z_end."""
    if abs(z_end - z) < _LEVEL_M:
        return length * depths.scatter_per_m[layer], length * depths.absorb_per_m[layer]
    slant = length / (z_end - z)
    return (
        slant * (scatter_end - depths.scatter_at_zero[layer] - z * depths.scatter_per_m[layer]),
        slant * (absorb_end - depths.absorb_at_zero[layer] - z * depths.absorb_per_m[layer]),
    )


@njit(cache=True)
def phase_at(cosine: float, quantiles: np.ndarray, density: np.ndarray) -> float:
    """Phase function (1/sr) at a cosine: what the walk draws from the same table."""
    if cosine < quantiles[0] or cosine > quantiles[-1]:
        return 0.0
    return density[min(upper_edge(quantiles, cosine) - 1, density.size - 1)]


@njit(cache=True)
def send(
    collision: Collision,
    near: bool,
    j: int,
    medium: Medium,
    depths: Depths,
    targets: Targets,
    path_edges_m: np.ndarray,
    sums: np.ndarray,
) -> None:
    """Add what a collision sends straight to receiver j, if that is within its reach (near) or beyond it."""
    z, z_end, ball = collision.z, targets.z_m[j], targets.ball_m[j]
    dx, dy, dz = targets.x_m[j] - collision.x, targets.y_m[j] - collision.y, z_end - z
    r2 = dx * dx + dy * dy + dz * dz
    if (r2 < targets.reach2_m2) != near:
        return
    if r2 < ball * ball:
        # The collision stands for fluence that is alike in the ball; scattered as it is, that comes to the
        # middle from a length along the new direction, every length bringing the same.
        length, cosine_down = collision.u * ball, collision.after_z
        z_begin = z_end - length * cosine_down
        begin = upper_edge(medium.edges_m, z_begin) - 1
        fluence = medium.free_path_m[collision.layer] / (4.0 / 3.0 * math.pi * ball * ball)
        emitted = fluence * depths.scatter_per_m[begin]
    else:
        length, z_begin, begin = math.sqrt(r2), z, collision.layer
        cosine_down = dz / length
        cosine = (collision.ux * dx + collision.uy * dy + collision.uz * dz) / length
        emitted = phase_at(min(1.0, max(-1.0, cosine)), medium.phase, targets.phase_density) / r2
    scatter, absorb = straight(
        length, z_begin, begin, depths, z_end, targets.scatter_depth[j], targets.absorb_depth[j]
    )
    score = emitted * math.exp(-collision.absorbed - scatter - absorb)
    if not near:
        score /= _FAR_SHARE
    time_bin = upper_edge(path_edges_m, collision.path + length) - 1
    if 0 <= time_bin < sums.shape[1]:
        sums[j, time_bin, 0] += score
        sums[j, time_bin, 1] += score * cosine_down


@njit(cache=True, parallel=True)
def track_to_points(
    first: int,
    photons: int,
    batch_size: int,
    seed: int,
    emitter: int,
    source: Source,
    medium: Medium,
    depths: Depths,
    targets: Targets,
    rings: CellMap,
    path_edges_m: NDArray[np.float64],
    sums: NDArray[np.float64],
    collisions: NDArray[np.int64],
) -> None:
    """Track photons as `iceopt.light.tracking.cpu.track` does, and send from every collision.

    Every collision looks at the receivers within reach, which the map of their rings lists, and a few of the
    collisions at all others. Light that comes unscattered from the emitter is not in the sums.
    """
    k0, k1 = split(seed)
    c1 = Word(emitter)
    longest = path_edges_m[-1]
    for batch in prange(sums.shape[0]):
        count = 0
        for i in range(first, first + photons):
            c2, c3 = split(batch * batch_size + i)
            ux, uy, uz = emit(source, c1, c2, c3, k0, k1)
            x, y, z, layer = 0.0, 0.0, source.depth_m, source.layer
            path, absorbed, step = 0.0, 0.0, 0
            while True:
                step += 1
                w0, w1, w2, w3 = philox4x32(Word(step), c1, c2, c3, k0, k1)
                z, layer, flown, lost = fly(z, uz, layer, -math.log(uniform(w0)), medium)
                path += flown
                if path >= longest:
                    break
                x += flown * ux
                y += flown * uy
                absorbed += lost
                cosine = from_table(medium.phase, uniform(w1))
                across_x, across_y = unit_circle(w2)
                bx, by, bz = ux, uy, uz
                ux, uy, uz = turn(ux, uy, uz, cosine, across_x, across_y)
                hit = Collision(x, y, z, layer, bx, by, bz, uz, path, absorbed, uniform(w3))
                square = map_square(x, y, z, rings)
                if square >= 0:
                    for k in range(rings.start[square], rings.start[square + 1]):
                        j = rings.member[k]
                        send(hit, True, j, medium, depths, targets, path_edges_m, sums[batch])
                if hit.u < _FAR_SHARE:
                    for j in range(targets.x_m.size):
                        send(hit, False, j, medium, depths, targets, path_edges_m, sums[batch])
            count += step
        collisions[batch] += count
