"""Derivatives of all transforms to the loss rates of each layer, by first-order perturbation.

With every emitter and receiver seen from the faces of its own layer (`iceopt.light.moments.ends`), what is
left of the ice are its layers: with A the symmetric matrix that ties u at all edges (layer by layer [C, -S;
-S, C], half-spaces at both ends) the field of a source obeys A u = f, a reading is g . u, plus d if both are
in one layer, and with A v = g

    d(g . u + d) = -v . dA u + v . df + dg . u + dd:

the field v of a receiver, taken as a source, meets the field u of the source in every layer. One product a
layer, pair and parameter does what a step into the complex plane a layer would need a whole sweep for.

What depends on one layer only (dA, df, dg, dd) comes from one sweep with all loss rates moved into the
complex plane (Squire, Trapp, SIAM Rev. 40, 110 (1998)).
"""

import numpy as np

from iceopt.abreast import abreast
from iceopt.light.moments.ends import end_sources, within
from iceopt.light.moments.lanes import (
    LANES,
    combine,
    copy,
    factor,
    jit,
    solve,
    weighted_dot,
    workspace,
)
from iceopt.light.moments.products import multiply_vector, multiply_vector_transposed
from iceopt.light.moments.sweep import impedances, layer_work, new_state, pattern_vector, prepare_layer

STEP = 1e-12


@jit
def part(a, which, scale):
    """Give the real (0) or imaginary (1) parts of complex entries, times a scale, as a real workspace."""
    return a[:, which] * scale


@jit
def factors_of_edges(down, up, n):
    """Factors of D + U at every edge, of real impedances."""
    factored = np.empty_like(down)
    copy(factored, 0, down, 0, len(down))
    combine(factored, 0, 1.0, 1.0, up, 0, len(up))
    for i in range(len(down) // (n * n)):
        factor(factored, i * n * n, n)
    return factored


@jit
def faces_of(carries, factored, starts, sources, begin, faces, n):
    """Set u at the upper and lower face of every layer, for sources at the faces of one layer each.

    `sources` and `faces` have real entries [source, 2 n] and [layer, source, 2 n]; sources come by layer,
    `starts` says where each layer's begin, and `begin` which is the first. The far faces of the half-spaces
    are dark.
    """
    size, edges, many = n * n, starts.size - 2, starts[-1] - begin
    faces[:] = 0.0
    for own in range(edges + 1):
        for source in range(starts[own], starts[own + 1]):
            j = source - begin
            for face in range(2):
                edge = own - 1 + face
                if 0 <= edge < edges:
                    at = ((own * many + j) * 2 + face) * n
                    copy(faces, at, sources, (2 * source + face) * n, n)
                    if 0 < own < edges:
                        far, between = (2 * source + 1 - face) * n, (own - 1) * size
                        carry = carries[0] if face == 0 else carries[1]
                        multiply_vector_transposed(carry, between, sources, far, 1.0, 1.0, faces, at, n)
                    solve(factored, edge * size, faces, at, n, 1)
            for i in range(own + 1, edges + 1):
                upper, before = (i * many + j) * 2 * n, ((i - 1) * many + j) * 2 * n + n
                copy(faces, upper, faces, before, n)
                if i < edges:
                    multiply_vector(carries[0], (i - 1) * size, faces, upper, 0.0, 1.0, faces, upper + n, n)
            for i in range(own - 1, -1, -1):
                upper, after = (i * many + j) * 2 * n, ((i + 1) * many + j) * 2 * n
                copy(faces, upper + n, faces, after, n)
                if i > 0:
                    multiply_vector(carries[1], (i - 1) * size, faces, upper + n, 0.0, 1.0, faces, upper, n)


@jit
def forces(slopes, layer, starts, faces, by_source, out, n):
    """Set out [source, 2 n] to df - dA u at the faces of one layer, for all sources."""
    c, s, down, up = slopes
    size, edges, many = n * n, starts.size - 2, starts[-1]
    out[:] = 0.0
    for j in range(many if edges > 0 else 0):
        upper, lower = (layer * many + j) * 2 * n, (layer * many + j) * 2 * n + n
        to, also = j * 2 * n, j * 2 * n + n
        if layer == 0:
            multiply_vector(up, 0, faces, lower, 0.0, -1.0, out, also, n)
        elif layer == edges:
            multiply_vector(down, (edges - 1) * size, faces, upper, 0.0, -1.0, out, to, n)
        else:
            at = (layer - 1) * size
            multiply_vector(c, at, faces, upper, 0.0, -1.0, out, to, n)
            multiply_vector(s, at, faces, lower, 1.0, 1.0, out, to, n)
            multiply_vector(s, at, faces, upper, 0.0, 1.0, out, also, n)
            multiply_vector(c, at, faces, lower, 1.0, -1.0, out, also, n)
    own, stop = starts[layer] * 2 * n, starts[layer + 1] * 2 * n
    combine(out, own, 1.0, 1.0, by_source, own, stop - own)


@jit
def share_out(reads, fields, of, out, n):
    """Set out [receiver, 2 n] to shares of the fields [place, 2 n], from entry `of` on, of its places."""
    start, place, share = reads
    out[:] = 0.0
    for b in range(start.size - 1):
        for r in range(start[b], start[b + 1]):
            combine(out, b * 2 * n, 1.0, share[r], fields, of + place[r] * 2 * n, 2 * n)


@jit
def see_ends(order, rates, k, ends, pattern, work, sources, direct, walls, room, n_even, n):
    """Fill the face sources of all emitters and reading places, and what goes within layers; complex."""
    starts, part_of, to_faces, pair_start, pair, down_m = ends
    # Of an emitter's part, of readings, of readings taken as sources; then of all parts of an emission.
    jumps, parts = room[6], len(pattern[0])
    for layer in range(starts.shape[1] - 1):
        if starts[0, layer] == starts[0, layer + 1] and starts[1, layer] == starts[1, layer + 1]:
            continue
        thin = prepare_layer(order, rates[layer], k, work, n_even, n)
        for part in range(parts):
            pattern_vector(work, pattern[0][part], jumps, (3 + part) * n, n_even, n)
        pattern_vector(work, pattern[2], jumps, n, n_even, n)
        combine(jumps, 2 * n, 0.0, -1.0, jumps, n, n)
        for kind in range(2):
            for j in range(starts[kind, layer], starts[kind, layer + 1]):
                at = (3 + part_of[j]) * n if kind == 0 else 2 * n
                odd = pattern[1][part_of[j]] if kind == 0 else pattern[3]
                end_sources(work, thin, to_faces, j, jumps, at, odd, walls, sources, room, n)
        for i in range(pair_start[layer], pair_start[layer + 1]):
            part = part_of[pair[0, i]]
            copy(jumps, 0, jumps, (3 + part) * n, n)
            within(
                work,
                thin,
                down_m[i],
                to_faces,
                walls,
                pair[0, i],
                pair[1, i],
                jumps,
                (pattern[1][part], pattern[3]),
                direct,
                i,
                room[:6],
                n,
            )


@jit
def room_for_ends(rates, parts, n):
    """Allocate what `see_ends` needs besides its results."""
    size = n * n
    return (
        workspace(2 * size, rates),
        workspace(n, rates),
        workspace(size, rates),
        workspace(size, rates),
        workspace(2 * size, rates),
        workspace(3 * n, rates),
        workspace((3 + parts) * n, rates),
    )


@jit
def meet(entries, flat, width, first, force, held, turn, fields, of, direct, layer, out, n):
    """Add to `out` [entry] what the change of one layer does to each reading."""
    emitter, receiver, distance, receiver_layer, start, pair, share = entries
    for e in range(emitter.size):
        a, b, place = emitter[e] * 2 * n, receiver[e] * 2 * n, distance[e] * width + first
        out[e] += weighted_dot(force, a, held, b, 2 * n, flat, place)
        if receiver_layer[e] == layer:
            out[e] += weighted_dot(turn, b, fields, of + a, 2 * n, flat, place)
            for i in range(start[e], start[e + 1]):
                for x in range(LANES):
                    out[e] += share[i] * flat[place + x] * direct[pair[i], x]


@jit
def slopes_of_one(order, moved, wavenumbers, weights, begin, end, column, pattern, ends, reads, entries, out):
    """Do one Laplace variable of `slopes`."""
    n_even, n = order[6].shape
    starts = ends[0]
    layers, emitters, all_places = starts.shape[1] - 1, starts[0, -1], starts[1, -1]
    places, receivers = all_places - emitters, reads[0].size - 1
    flat, width = weights.ravel(), weights.shape[1]
    rates = moved[0]
    parts = len(pattern[0])
    work, state = layer_work(order, rates, n_even, n), new_state(layers - 1, parts, rates, n)
    room, walls = room_for_ends(rates, parts, n), workspace(2 * all_places * n * n, rates)
    sources, direct = workspace(all_places * 2 * n, rates), workspace(ends[4].shape[1], rates)
    fields = np.zeros((layers * emitters * 2 * n, LANES))
    adjoint = np.zeros((layers * places * 2 * n, LANES))
    force = np.zeros((emitters * 2 * n, LANES))
    held, turn = np.zeros((receivers * 2 * n, LANES)), np.zeros((receivers * 2 * n, LANES))
    slope = 1.0 / STEP
    out[:] = 0.0
    for first in range(begin, end, LANES):
        k = wavenumbers[first : first + LANES]
        for p in range(moved.shape[0]):
            if layers > 1:
                impedances(order, moved[p], k, column, pattern[0], pattern[2], state, work)
            see_ends(order, moved[p], k, ends, pattern, work, sources, direct, walls, room, n_even, n)
            c, s, down, up, carry_down, carry_up, _, _ = state
            if p == 0:
                edges = factors_of_edges(part(down, 0, 1.0), part(up, 0, 1.0), n)
                carries, values = (part(carry_down, 0, 1.0), part(carry_up, 0, 1.0)), part(sources, 0, 1.0)
                faces_of(carries, edges, starts[0], values, 0, fields, n)
                faces_of(carries, edges, starts[1], values, emitters, adjoint, n)
            slopes = (part(c, 1, slope), part(s, 1, slope), part(down, 1, slope), part(up, 1, slope))
            changes, between = part(sources, 1, slope), part(direct, 1, slope)
            share_out(reads, changes, emitters * 2 * n, turn, n)
            for layer in range(layers):
                forces(slopes, layer, starts[0], fields, changes, force, n)
                share_out(reads, adjoint, layer * places * 2 * n, held, n)
                of = layer * emitters * 2 * n
                meet(
                    entries, flat, width, first, force, held, turn, fields, of, between, layer, out[p, layer],
                    n
                )  # fmt: skip


def slopes(order, moved, wavenumbers, weights, start, column, pattern, ends, reads, entries, out):
    """Derivatives of the sums over k of weight x reading, for every real Laplace variable and entry.

    Parameters
    ----------
    order, wavenumbers, weights, start, pattern
        As for `sweep.transform`.
    moved : complex array, shape (s, parameter, layer, order + 1)
        Loss rates with the derivatives to each parameter times `STEP` as imaginary parts.
    column : tuple of arrays
        As for `sweep.transform`, with the layers' inner edges as nodes.
    ends, reads, entries : tuples of arrays
        Of `iceopt.light.moments.meetings.Meetings`.
    out : array, shape (s, parameter, layer, entry)
        Overwritten.
    """
    abreast(
        lambda j: slopes_of_one(
            order, moved[j], wavenumbers, weights, start[j], start[j + 1], column, pattern, ends, reads,
            entries, out[j],
        ),
        moved.shape[0],
    )  # fmt: skip
