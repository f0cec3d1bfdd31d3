"""Who meets whom in which layer: what `iceopt.light.moments.jacobian` is given of the geometry."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice
from iceopt.light.moments.column import HAIR_M, Reads, reads_of
from iceopt.light.moments.lanes import LANES
from iceopt.light.moments.plan import PairClass

Array = NDArray[np.float64]
Index = NDArray[np.int64]

LARGEST_BYTES = 2**28
"""Of fields held at once by each thread."""


@dataclass(frozen=True)
class Meetings:
    """Some entries of a class, with their emitters and the places that their receivers are read at."""

    column: tuple[Index, Array]
    """Layers between their inner edges, and thicknesses of those that have one."""
    ends: tuple[Index, Index, Array, Index, Index, Array]
    """Emitters, then places, each by depth. Where those of each layer begin, shape (2, layer + 1); parts of
    the emission of the emitters; distances to the layer's top and bottom, shape (2, end) (m). Of pairs
    within a layer: where each layer's begin; emitter and place, shape (2, pair); how much deeper the place
    is (m)."""
    reads: tuple[Index, Index, Array]
    """Where the places of each receiver begin, these places, and their shares."""
    entries: tuple[Index, Index, Index, Index, Index, Index, Array]
    """Emitter, receiver, distance row and the receiver's layer of each entry; where its pairs within the
    layer begin, these pairs, and their shares."""


def meetings(ice: Ice, group: PairClass, unknowns: int) -> Iterator[tuple[slice, Meetings]]:
    """Give runs of the entries of a class whose fields at all layers fit into memory.

    Parameters
    ----------
    ice : Ice
    group : PairClass
    unknowns : int
        Of a field at a face.
    """
    reads, places_m = reads_of(ice, group.receiver_depth_m, group.stretch_m)
    emitter = np.repeat(np.arange(group.source_depth_m.size), np.diff(group.source_start))
    most = max(LARGEST_BYTES // (16 * unknowns * LANES * ice.layers), 2)
    for few in pieces(emitter, group.receiver, reads, most):
        ends = emitter[few], group.receiver[few], group.distance_row[few]
        yield few, _meet(ice, group, *ends, reads, places_m)


def pieces(emitter: Index, receiver: Index, reads: Reads, most: int) -> Iterator[slice]:
    """Cut entries, sorted by emitter, into runs with few emitters and places.

    Parameters
    ----------
    emitter, receiver : ndarray, shape (entry,)
    reads : Reads
        Of the receivers.
    most : int
        Emitters and places of a run, unless it has one entry alone.
    """
    begin, seen = 0, set[tuple[bool, int]]()
    node = [reads.node[a:b].tolist() for a, b in zip(reads.start[:-1], reads.start[1:], strict=True)]
    for e, (a, b) in enumerate(zip(emitter.tolist(), receiver.tolist(), strict=True)):
        new = {(True, a)}.union((False, place) for place in node[b])
        if e > begin and len(seen | new) > most:
            yield slice(begin, e)
            begin, seen = e, set()
        seen |= new
    yield slice(begin, emitter.size)


def _meet(
    ice: Ice, group: PairClass, emitter: Index, receiver: Index, row: Index, reads: Reads, places_m: Array
) -> Meetings:
    emitters, emitter = np.unique(emitter, return_inverse=True)
    receivers, receiver = np.unique(receiver, return_inverse=True)
    reads = reads.of(receivers)
    places, place = np.unique(reads.node, return_inverse=True)
    reads = replace(reads, node=place)
    emitter_m, place_m = group.source_depth_m[emitters], places_m[places]
    emitter_layer, place_layer = _layer_of(ice, emitter_m), _layer_of(ice, place_m)
    receiver_layer = _layer_of(ice, group.receiver_depth_m[receivers])

    same = np.flatnonzero(emitter_layer[emitter] == receiver_layer[receiver])
    within = reads.of(receiver[same])
    many = np.zeros(emitter.size, dtype=np.int64)
    many[same] = np.diff(within.start)
    keys = np.stack([np.repeat(emitter, many), within.node], axis=1)
    pairs, pair = np.unique(keys, axis=0, return_inverse=True)
    from_emitter, to_place = pairs.T
    down = place_m[to_place] - emitter_m[from_emitter]
    layers = np.arange(ice.layers + 1)
    return Meetings(
        column=(np.arange(ice.layers), np.diff(ice.edges_m[1:-1])),
        ends=(
            np.stack(
                [np.searchsorted(emitter_layer, layers), emitters.size + np.searchsorted(place_layer, layers)]
            ),
            group.source_part[emitters],
            np.concatenate([_to_faces(ice, emitter_m), _to_faces(ice, place_m)], axis=1),
            np.searchsorted(emitter_layer[from_emitter], layers),
            np.stack([from_emitter, emitters.size + to_place]),
            np.where(np.abs(down) <= HAIR_M, 0.0, down),
        ),
        reads=(reads.start, reads.node, reads.share),
        entries=(
            emitter,
            receiver,
            row,
            receiver_layer[receiver],
            np.concatenate([[0], np.cumsum(many)]),
            pair.ravel(),
            within.share,
        ),
    )


def _layer_of(ice: Ice, depth_m: Array) -> Index:
    """Number of the layer of each depth; the outermost ones have no end. A hair above an edge is on it."""
    return np.searchsorted(ice.edges_m[1:-1] - HAIR_M, depth_m, side="right")


def _to_faces(ice: Ice, depth_m: Array) -> Array:
    """How far depths are from the top and the bottom of their layers, shape (2, depth)."""
    faces, layer = np.concatenate([[-np.inf], ice.edges_m[1:-1], [np.inf]]), _layer_of(ice, depth_m)
    to_top, to_bottom = depth_m - faces[layer], faces[layer + 1] - depth_m
    return np.stack([np.where(to_top <= HAIR_M, 0.0, to_top), to_bottom])
