"""Where light is computed: the nodes of a sweep, and how readings at the receivers follow from them.

Every emitter and every layer edge is a node. A receiver is one too, unless it is one of many in a stretch of
one layer: between edges the light at some horizontal distance is an analytic function of depth, and a
polynomial through its values at a few Chebyshev points holds for all receivers there. (It is one for the
whole Hankel sum only: a single wavenumber has a kink at the depth of the emitter. Sums commute.) So work
grows with the ice, and not with the number of distinct depths.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice

Array = NDArray[np.float64]
Index = NDArray[np.int64]

POINTS = 8
"""Of the polynomial in a stretch."""
HAIR_M = 1e-4
"""What is as close as that is in one place."""


@dataclass(frozen=True)
class Reads:
    """For each receiver the nodes that it is read from, and the shares of their readings."""

    start: Index
    """Shape (receiver + 1,): where a receiver's nodes begin."""
    node: Index
    share: Array

    def of(self, receivers: Index) -> "Reads":
        """Give those of some receivers."""
        many = np.diff(self.start)[receivers]
        start = np.concatenate([[0], np.cumsum(many)])
        at = np.repeat(self.start[receivers] - start[:-1], many) + np.arange(start[-1])
        return Reads(start, self.node[at], self.share[at])


@dataclass(frozen=True)
class Column:
    """Nodes of the sweep, increasing in depth."""

    between: Index
    """Layer above the first node, between nodes, below the last; shape (node + 1,)."""
    thickness_m: Array
    """Shape (node - 1,)."""
    source_node: Index
    """Per source."""
    reads: Reads


def column(ice: Ice, source_m: Array, receiver_m: Array, stretch_m: float = 0.0) -> Column:
    """Cut the ice at its inner edges, at the sources and where receivers are read.

    What is a hair apart shares a node: in a slab a hair thick, what goes in and what comes out differ by less
    than they are rounded.

    Parameters
    ----------
    ice : Ice
    source_m, receiver_m : ndarray
        Depths.
    stretch_m : float
        Length over which a polynomial holds; 0 if each receiver is to be a node.
    """
    edges = ice.edges_m[1:-1]
    reads, read_m = reads_of(ice, receiver_m, stretch_m)
    places = np.unique(np.concatenate([edges, source_m, read_m]))
    nodes = places[np.diff(places, prepend=-np.inf) > HAIR_M]
    edge_node, source_node, read_node = (
        np.searchsorted(nodes, at, side="right") - 1 for at in (edges, source_m, read_m)
    )
    below = np.searchsorted(edge_node, np.arange(nodes.size), side="right")
    return Column(
        np.append(0, below), np.diff(nodes), source_node, replace(reads, node=read_node[reads.node])
    )


def reads_of(ice: Ice, receiver_m: Array, stretch_m: float) -> tuple[Reads, Array]:
    """Give the places that receivers are read from, by number, and the depths of these places, increasing."""
    start, place, share = _places(ice, receiver_m, stretch_m)
    depths, number = np.unique(place, return_inverse=True)
    return Reads(start, number, share), depths


def chebyshev_points(count: int) -> Array:
    """Zeros of the Chebyshev polynomial of a degree, increasing: inside (-1, 1), so none is on an edge."""
    return -np.cos(np.pi * (np.arange(count) + 0.5) / count)


def shares_of(x: Array, count: int) -> Array:
    """Give the shares of the values at `chebyshev_points` in a polynomial's value at x, shape (x, count).

    By the discrete orthogonality of the polynomials (Mason, Handscomb, Chebyshev Polynomials, Chapman & Hall,
    2003, section 6.3; from memory).
    """
    degree = np.arange(count)
    at_points = np.cos(degree[:, None] * np.arccos(chebyshev_points(count)))
    at_points[1:] *= 2.0
    return np.cos(np.arccos(np.clip(x, -1.0, 1.0))[:, None] * degree) @ at_points / count


def _places(ice: Ice, receiver_m: Array, stretch_m: float) -> tuple[Index, Array, Array]:
    """Depths that each receiver is read at, and their shares: itself, or the points of its stretch."""
    if stretch_m == 0.0:
        return np.arange(receiver_m.size + 1), receiver_m, np.ones(receiver_m.size)
    top, bottom = _stretches(ice, receiver_m, stretch_m)
    _, of, receivers = np.unique(top, return_inverse=True, return_counts=True)
    shared = (receivers > POINTS)[of]
    count = np.where(shared, POINTS, 1)
    start = np.concatenate([[0], np.cumsum(count)])
    place, share = np.repeat(receiver_m, count), np.ones(start[-1])
    points = np.repeat(shared, count)
    middle, half = 0.5 * (top + bottom)[shared], 0.5 * (bottom - top)[shared]
    place[points] = (middle[:, None] + half[:, None] * chebyshev_points(POINTS)).ravel()
    share[points] = shares_of((receiver_m[shared] - middle) / half, POINTS).ravel()
    return start, place, share


def _stretches(ice: Ice, receiver_m: Array, stretch_m: float) -> tuple[Array, Array]:
    """Top and bottom of the stretch that each receiver lies in.

    A layer is cut into equal ones; beyond the outermost edges they have full length.
    """
    edges = ice.edges_m
    layer = np.searchsorted(edges, receiver_m, side="right") - 1
    # Index -1, above all layers, is the last one too.
    count = np.append(np.ceil(np.diff(edges) / stretch_m), 1.0)[layer]
    length = np.append(np.diff(edges), stretch_m)[layer] / count
    first = edges[np.maximum(layer, 0)]
    outside = (layer < 0) | (layer == ice.layers)
    number = np.minimum(np.floor((receiver_m - first) / length), np.where(outside, np.inf, count - 1.0))
    return first + number * length, first + (number + 1.0) * length
