"""Tracking on a CUDA device: the same steps, one thread a photon at a time (optional extra `gpu`)."""

import math

import numpy as np
from numba import cuda
from numpy.typing import NDArray

from iceopt.light.tracking.philox import Word, philox4x32, split, uniform
from iceopt.light.tracking.receivers import CellMap
from iceopt.light.tracking.walk import (
    Medium,
    Source,
    azimuth_share,
    emit,
    fly,
    from_table,
    in_cell,
    map_square,
    turn,
    unit_circle,
    upper_edge,
)

_THREADS_PER_BLOCK = 128
_MOST_BLOCKS = 2112
"""16 for each of the 132 processors of a large card; smaller cards queue them."""


@cuda.jit
def _kernel(  # type: ignore[no-untyped-def]
    first, photons, batch_size, seed, emitter, source, medium, cells, path_edges_m, sums, collisions
):
    k0, k1 = split(seed)
    c1 = Word(emitter)
    longest = path_edges_m[-1]
    stride: int = cuda.gridsize(1)  # type: ignore[call-arg]
    total = photons * sums.shape[0]
    n = cuda.grid(1)
    count = 0
    alive = False
    # One loop over the collisions of all photons of a thread: lanes whose photon ends take the next one
    # at once instead of waiting for the longest-lived photon of the warp.
    while alive or n < total:
        if not alive:
            batch = n // photons
            c2, c3 = split(batch * batch_size + first + n % photons)
            ux, uy, uz = emit(source, c1, c2, c3, k0, k1)
            x, y, z, layer = 0.0, 0.0, source.depth_m, source.layer
            path, absorbed, step = 0.0, 0.0, 0
            n += stride
        step += 1
        w0, w1, w2, _ = philox4x32(Word(step), c1, c2, c3, k0, k1)
        z, layer, flown, lost = fly(z, uz, layer, -math.log(uniform(w0)), medium)
        path += flown
        alive = path < longest
        if not alive:
            count += step
            continue
        x += flown * ux
        y += flown * uy
        absorbed += lost
        square = map_square(x, y, z, cells)
        if square >= 0 and cells.start[square] < cells.start[square + 1]:
            time_bin = upper_edge(path_edges_m, path) - 1
            weight = math.exp(-absorbed) * medium.free_path_m[layer]
            for k in range(cells.start[square], cells.start[square + 1]):
                j = cells.member[k]
                if time_bin >= 0 and in_cell(x, y, z, cells, j):
                    score = weight * azimuth_share(x, y, cells, j)
                    cuda.atomic.add(sums, (batch, j, time_bin, 0), score)
                    cuda.atomic.add(sums, (batch, j, time_bin, 1), score * uz)
        cosine = from_table(medium.phase, uniform(w1))
        across_x, across_y = unit_circle(w2)
        ux, uy, uz = turn(ux, uy, uz, cosine, across_x, across_y)
    cuda.atomic.add(collisions, 0, count)


def _on_device(values: tuple) -> tuple:
    """A named tuple with its arrays on the device."""
    moved = (cuda.to_device(v) if isinstance(v, np.ndarray) else v for v in values)
    return type(values)(*moved)


def track(
    first: int,
    photons: int,
    batch_size: int,
    seed: int,
    emitter: int,
    source: Source,
    medium: Medium,
    cells: CellMap,
    path_edges_m: NDArray[np.float64],
    sums: NDArray[np.float64],
    collisions: NDArray[np.int64],
) -> None:
    """Do what `iceopt.light.tracking.cpu.track` does, on the device; same arguments.

    The photons and their random numbers are those of the CPU. The order of additions is not fixed, so the
    sums agree to rounding, not to the bit. `collisions` counts in its first entry.
    """
    blocks = min(_MOST_BLOCKS, -(-photons * sums.shape[0] // _THREADS_PER_BLOCK))
    device_sums = cuda.to_device(sums)
    device_collisions = cuda.to_device(collisions)
    _kernel[blocks, _THREADS_PER_BLOCK](
        first,
        photons,
        batch_size,
        seed,
        emitter,
        _on_device(source),
        _on_device(medium),
        _on_device(cells),
        cuda.to_device(path_edges_m),
        device_sums,
        device_collisions,
    )
    device_sums.copy_to_host(sums)
    device_collisions.copy_to_host(collisions)
