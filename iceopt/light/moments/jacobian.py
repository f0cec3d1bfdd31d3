"""Derivatives of all transforms to the loss rates of each layer, by first-order perturbation.

With A the symmetric matrix that ties u at all nodes (slab by slab [C, -S; -S, C], half-spaces at both
ends) the field of a source obeys A u = q, a reading is r . u, and with A v = r

    d(r . u) = -v . dA u + v . dq + dr . u:

the field v of a receiver, taken as a source of its own pattern, meets the field u of the source in every
slab. One product a slab, pair and parameter does what a step into the complex plane a layer would need a
whole sweep for. At its source u jumps by w_q, at its receiver v jumps by -w_r; a slab sees the values on its
own side, and with tau the mean of both sides at a node the last two terms are -tau_v . dw_q + tau_u . dw_r.

What depends on one layer only (dA, dw_q, dw_r) comes from one sweep with all loss rates moved into the
complex plane (Squire, Trapp, SIAM Rev. 40, 110 (1998)).
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from iceopt.light.moments.abreast import abreast
from iceopt.light.moments.lanes import LANES, combine, jit, weighted_dot
from iceopt.light.moments.products import multiply_vector, multiply_vector_transposed
from iceopt.light.moments.sweep import impedances, layer_work, new_state, start_field

STEP = 1e-12
LARGEST_BYTES = 2**27
"""Of fields held at once by each thread."""


def pieces(
    emitter: NDArray[np.int64], receiver: NDArray[np.int64], nodes: int, unknowns: int
) -> Iterator[slice]:
    """Cut entries, sorted by emitter, into runs whose fields at all nodes fit into memory.

    Parameters
    ----------
    emitter, receiver : ndarray, shape (entry,)
    nodes : int
    unknowns : int
        Of a field at a node.
    """
    most = max(LARGEST_BYTES // (16 * unknowns * LANES * (nodes + 1)), 2)
    begin, seen = 0, set[tuple[bool, int]]()
    for e, (a, b) in enumerate(zip(emitter.tolist(), receiver.tolist(), strict=True)):
        new = {(True, a), (False, b)} - seen
        if len(seen) + len(new) > most:
            yield slice(begin, e)
            begin, seen, new = e, set(), {(True, a), (False, b)}
        seen |= new
    yield slice(begin, emitter.size)


@jit
def part(a, which, scale):
    """Give the real (0) or imaginary (1) parts of complex entries, times a scale, as a real workspace."""
    return a[:, which] * scale


@jit
def faces_of(state, carry_down, carry_up, origins, odd_moments, factored, faces, n):
    """Set u at the upper and lower face of every slab for sources at the given nodes.

    `faces` has real entries [slab, source, 2 n]. Slab i lies between nodes i - 1 and i; the first and the
    last are the half-spaces, whose far faces are dark.
    """
    nodes, many = len(state[2]) // (n * n), origins.size
    start = np.zeros((2 * n, 2, LANES))
    for j in range(many):
        origin = origins[j]
        start_field(state, origin, odd_moments, start, 0, factored, n)
        both = part(start, 0, 1.0)
        below, above = ((origin + 1) * many + j) * 2 * n, (origin * many + j) * 2 * n + n
        faces[below : below + n] = both[:n]
        faces[above : above + n] = both[n:]
        for i in range(origin + 1, nodes + 1):
            upper, lower = (i * many + j) * 2 * n, (i * many + j) * 2 * n + n
            if i == nodes:
                faces[lower : lower + n] = 0.0
                break
            multiply_vector(carry_down, (i - 1) * n * n, faces, upper, 0.0, 1.0, faces, lower, n)
            after = ((i + 1) * many + j) * 2 * n
            faces[after : after + n] = faces[lower : lower + n]
        for i in range(origin, -1, -1):
            upper, lower = (i * many + j) * 2 * n, (i * many + j) * 2 * n + n
            if i == 0:
                faces[upper : upper + n] = 0.0
                break
            multiply_vector(carry_up, (i - 1) * n * n, faces, lower, 0.0, 1.0, faces, upper, n)
            before = ((i - 1) * many + j) * 2 * n + n
            faces[before : before + n] = faces[upper : upper + n]


@jit
def forces(slopes, slab, nodes, many, faces, out, n):
    """Set out [source, 2 n] to -dA times the fields of all sources at the faces of one slab."""
    c, s, down, up, _, _ = slopes
    size = n * n
    for j in range(many):
        upper, lower = (slab * many + j) * 2 * n, (slab * many + j) * 2 * n + n
        to, also = j * 2 * n, j * 2 * n + n
        if slab == 0:
            out[to:also] = 0.0
            multiply_vector(up, 0, faces, lower, 0.0, -1.0, out, also, n)
        elif slab == nodes:
            multiply_vector(down, (nodes - 1) * size, faces, upper, 0.0, -1.0, out, to, n)
            out[also : also + n] = 0.0
        else:
            at = (slab - 1) * size
            multiply_vector(c, at, faces, upper, 0.0, -1.0, out, to, n)
            multiply_vector(s, at, faces, lower, 1.0, 1.0, out, to, n)
            multiply_vector(s, at, faces, upper, 0.0, 1.0, out, also, n)
            multiply_vector(c, at, faces, lower, 1.0, -1.0, out, also, n)


@jit
def end_forces(down, up, jumps, at, sign, out, n):
    """Set out [place, 2 n] to what d(jump) at places does to fields just below and just above them."""
    size = n * n
    for j in range(at.size):
        node = at[j]
        multiply_vector_transposed(down, node * size, jumps, node * n, 0.0, sign, out, j * 2 * n, n)
        multiply_vector_transposed(up, node * size, jumps, node * n, 0.0, -sign, out, j * 2 * n + n, n)


@jit
def add_end(force, j, faces, node, k, many, beyond, weights, first, n):
    """Give a jump's part for a field whose source lies `beyond` (1), above (-1) or at (0) the jump's node."""
    above = (node * many + k) * 2 * n + n
    below = ((node + 1) * many + k) * 2 * n
    total = 0.0
    if beyond <= 0:
        total += weighted_dot(force, j * 2 * n, faces, below, n, weights, first)
    if beyond >= 0:
        total += weighted_dot(force, j * 2 * n + n, faces, above, n, weights, first)
    return total if beyond != 0 else 0.5 * total


@jit
def slopes_of_one(order, moved, wavenumbers, weights, begin, end, column, pattern, ends, out):
    """Do one Laplace variable of `slopes`."""
    n_even, n = order[6].shape
    between = column[0]
    nodes = between.size - 1
    emitter_node, receiver_node, emitter, receiver, distance = ends
    emitters, receivers, width, flat = (
        emitter_node.size,
        receiver_node.size,
        weights.shape[1],
        weights.ravel(),
    )
    work, state = layer_work(order, moved[0], n_even, n), new_state(nodes, moved[0], n)
    fields = np.zeros(((nodes + 1) * emitters * 2 * n, LANES))
    adjoint = np.zeros(((nodes + 1) * receivers * 2 * n, LANES))
    force = np.zeros((emitters * 2 * n, LANES))
    last = np.zeros((receivers * 2 * n, LANES))
    out[:] = 0.0
    for first in range(begin, end, LANES):
        k = wavenumbers[first : first + LANES]
        for p in range(moved.shape[0]):
            impedances(order, moved[p], k, column, pattern[0], pattern[2], state, work)
            c, s, down, up, carry_down, carry_up, jump, weight = state
            if p == 0:
                real_down, real_up = part(carry_down, 0, 1.0), part(carry_up, 0, 1.0)
                faces_of(state, real_down, real_up, emitter_node, pattern[1], work[7], fields, n)
                turned = np.zeros_like(weight)
                combine(turned, 0, 0.0, -1.0, weight, 0, nodes * n)
                reverse = (c, s, down, up, carry_down, carry_up, turned, weight)
                faces_of(reverse, real_down, real_up, receiver_node, pattern[3], work[7], adjoint, n)
            slope = 1.0 / STEP
            slopes = (
                part(c, 1, slope),
                part(s, 1, slope),
                part(down, 1, slope),
                part(up, 1, slope),
                part(jump, 1, slope),
                part(weight, 1, slope),
            )
            for slab in range(nodes + 1):
                forces(slopes, slab, nodes, emitters, fields, force, n)
                layer = between[slab]
                for e in range(emitter.size):
                    there = (slab * receivers + receiver[e]) * 2 * n
                    out[p, layer, e] += weighted_dot(
                        force, emitter[e] * 2 * n, adjoint, there, 2 * n, flat, distance[e] * width + first
                    )
            down_now, up_now = part(down, 0, 1.0), part(up, 0, 1.0)
            end_forces(down_now, up_now, slopes[4], emitter_node, -1.0, force, n)
            end_forces(down_now, up_now, slopes[5], receiver_node, 1.0, last, n)
            for e in range(emitter.size):
                a, b = emitter[e], receiver[e]
                i, j = emitter_node[a], receiver_node[b]
                side = 0 if i == j else (1 if j > i else -1)
                place = distance[e] * width + first
                out[p, between[i + 1], e] += add_end(force, a, adjoint, i, b, receivers, side, flat, place, n)
                out[p, between[j + 1], e] += add_end(last, b, fields, j, a, emitters, -side, flat, place, n)


def slopes(order, moved, wavenumbers, weights, start, column, pattern, ends, out):
    """Derivatives of the sums over k of weight x reading, for every real Laplace variable and entry.

    Parameters
    ----------
    order, wavenumbers, weights, start, column, pattern
        As for `sweep.transform`.
    moved : complex array, shape (s, parameter, layer, order + 1)
        Loss rates with the derivatives to each parameter times `STEP` as imaginary parts.
    ends : tuple of int arrays
        Nodes of emitters, of receivers, and emitter, receiver and distance row of each entry.
    out : array, shape (s, parameter, layer, entry)
        Overwritten.
    """
    abreast(
        lambda j: slopes_of_one(
            order, moved[j], wavenumbers, weights, start[j], start[j + 1], column, pattern, ends, out[j]
        ),
        moved.shape[0],
    )
