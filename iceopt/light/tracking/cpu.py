"""Tracking on all cores: one batch of photons a task, each with its own sums."""

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from iceopt.light.tracking.draws import AHEAD, draw_ahead, room_for_draws
from iceopt.light.tracking.philox import Word, split
from iceopt.light.tracking.receivers import CellMap
from iceopt.light.tracking.walk import (
    Medium,
    Source,
    azimuth_share,
    emit,
    fly,
    in_cell,
    map_square,
    turn,
    upper_edge,
)


@njit(cache=True, parallel=True)
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
    """Track photons first .. first + photons of every batch and add what they score to the sums.

    Photon i of batch b has the number b batch_size + i, whichever thread runs it, and a batch adds to its
    own sums in the order of its photons: the result does not depend on the threads.

    Parameters
    ----------
    first, photons, batch_size : int
        Photons of each batch.
    seed, emitter : int
        Key and counter of the random numbers.
    source, medium, cells : tuples
    path_edges_m : ndarray, shape (bin + 1,)
        Time bins, as lengths of path.
    sums : ndarray, shape (batch, cell, bin, 2)
        Weight x mean free path of every collision, and the same times the direction cosine along depth.
    collisions : ndarray, shape (batch,)
    """
    k0, k1 = split(seed)
    c1 = Word(emitter)
    longest = path_edges_m[-1]
    for batch in prange(sums.shape[0]):
        count = 0
        draws = room_for_draws()
        for i in range(first, first + photons):
            c2, c3 = split(batch * batch_size + i)
            ux, uy, uz = emit(source, c1, c2, c3, k0, k1)
            x, y, z, layer = 0.0, 0.0, source.depth_m, source.layer
            path, absorbed, step = 0.0, 0.0, 0
            while True:
                now = step % AHEAD
                step += 1
                if now == 0:
                    draw_ahead(draws, step, c1, c2, c3, k0, k1, medium.phase)
                z, layer, flown, lost = fly(z, uz, layer, draws.optical_depth[now], medium)
                path += flown
                if path >= longest:
                    break
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
                            sums[batch, j, time_bin, 0] += score
                            sums[batch, j, time_bin, 1] += score * uz
                ux, uy, uz = turn(ux, uy, uz, draws.cosine[now], draws.across_x[now], draws.across_y[now])
            count += step
        collisions[batch] += count
