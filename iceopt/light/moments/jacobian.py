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

from iceopt.light.moments.abreast import abreast
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
def face_field(sources, near, far, carry, oc, factored, at, out, oo, n):
    """Set u at one face of a source's layer: (D + U)^-1 (s_near + carry^T s_far)."""
    copy(out, oo, sources, near, n)
    multiply_vector_transposed(carry, oc, sources, far, 1.0, 1.0, out, oo, n)
    solve(factored, at, out, oo, n, 1)


@jit
def faces_of(carry_down, carry_up, factored, starts, sources, faces, n):
    """Set u at the upper and lower face of every layer, for sources at the faces of one layer each.

    `sources` and `faces` have real entries [source, 2 n] and [layer, source, 2 n]; sources come by layer, and
    `starts` says where each layer's begin. The far faces of the half-spaces are dark.
    """
    size, edges, many = n * n, starts.size - 2, starts[-1]
    faces[:] = 0.0
    for own in range(edges + 1):
        above, below = (own - 1) * size, own * size
        for j in range(starts[own], starts[own + 1]):
            at, top, bottom = (own * many + j) * 2 * n, j * 2 * n, j * 2 * n + n
            if 0 < own < edges:
                face_field(sources, top, bottom, carry_down, above, factored, above, faces, at, n)
                face_field(sources, bottom, top, carry_up, above, factored, below, faces, at + n, n)
            elif own > 0:
                copy(faces, at, sources, top, n)
                solve(factored, above, faces, at, n, 1)
            elif edges > 0:
                copy(faces, at + n, sources, bottom, n)
                solve(factored, below, faces, at + n, n, 1)
            for i in range(own + 1, edges + 1):
                upper, before = (i * many + j) * 2 * n, ((i - 1) * many + j) * 2 * n + n
                copy(faces, upper, faces, before, n)
                if i < edges:
                    multiply_vector(carry_down, (i - 1) * size, faces, upper, 0.0, 1.0, faces, upper + n, n)
            for i in range(own - 1, -1, -1):
                upper, after = (i * many + j) * 2 * n, ((i + 1) * many + j) * 2 * n
                copy(faces, upper + n, faces, after, n)
                if i > 0:
                    multiply_vector(carry_up, (i - 1) * size, faces, upper + n, 0.0, 1.0, faces, upper, n)


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
def see_ends(order, rates, k, ends, pattern, work, found, room, n_even, n):
    """Fill the face sources of all emitters and reading places, and what goes within layers; complex."""
    emitters, places, pairs = ends
    starts_a, top_a, bottom_a = emitters
    starts_b, top_b, bottom_b = places
    pair_start, pair_a, pair_b, down_m = pairs
    from_a, from_b, direct = found
    above_a, below_a, above_b, below_b, s, temp, jump, weight, turned, value, inner = room
    for layer in range(starts_a.size - 1):
        first_a, stop_a = starts_a[layer], starts_a[layer + 1]
        first_b, stop_b = starts_b[layer], starts_b[layer + 1]
        if first_a == stop_a and first_b == stop_b:
            continue
        thin = prepare_layer(order, rates[layer], k, work, n_even, n)
        pattern_vector(work, pattern[0], jump, 0, n_even, n)
        pattern_vector(work, pattern[2], weight, 0, n_even, n)
        combine(turned, 0, 0.0, -1.0, weight, 0, n)
        end_sources(
            work,
            thin,
            top_a,
            bottom_a,
            first_a,
            stop_a,
            jump,
            pattern[1],
            above_a,
            below_a,
            from_a,
            s,
            temp,
            n,
        )
        end_sources(
            work, thin, top_b, bottom_b, first_b, stop_b, turned, pattern[3], above_b, below_b, from_b, s,
            temp, n
        )  # fmt: skip
        for i in range(pair_start[layer], pair_start[layer + 1]):
            within(
                work, thin, down_m[i], above_a, below_a, pair_a[i], above_b, below_b, pair_b[i], jump, weight,
                (pattern[1], pattern[3]), value, inner, n,
            )  # fmt: skip
            copy(direct, i, value, 0, 1)


@jit
def room_for_ends(emitters, places, rates, n):
    """Allocate what `see_ends` needs besides its results."""
    size = n * n
    inner = (
        workspace(size, rates),
        workspace(size, rates),
        workspace(size, rates),
        workspace(size, rates),
        workspace(3 * n, rates),
        workspace(n, rates),
    )
    return (
        workspace(emitters * size, rates),
        workspace(emitters * size, rates),
        workspace(places * size, rates),
        workspace(places * size, rates),
        workspace(2 * size, rates),
        workspace(n, rates),
        workspace(n, rates),
        workspace(n, rates),
        workspace(n, rates),
        workspace(2, rates),
        inner,
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
    starts_a, starts_b = ends[0][0], ends[1][0]
    layers, emitters, places, receivers = starts_a.size - 1, starts_a[-1], starts_b[-1], reads[0].size - 1
    flat, width = weights.ravel(), weights.shape[1]
    rates = moved[0]
    work, state = layer_work(order, rates, n_even, n), new_state(layers - 1, rates, n)
    room = room_for_ends(emitters, places, rates, n)
    found = (
        workspace(emitters * 2 * n, rates),
        workspace(places * 2 * n, rates),
        workspace(ends[2][1].size, rates),
    )
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
            see_ends(order, moved[p], k, ends, pattern, work, found, room, n_even, n)
            c, s, down, up, carry_down, carry_up, _, _ = state
            if p == 0:
                edges = factors_of_edges(part(down, 0, 1.0), part(up, 0, 1.0), n)
                carries = part(carry_down, 0, 1.0), part(carry_up, 0, 1.0)
                faces_of(carries[0], carries[1], edges, starts_a, part(found[0], 0, 1.0), fields, n)
                faces_of(carries[0], carries[1], edges, starts_b, part(found[1], 0, 1.0), adjoint, n)
            slopes = (part(c, 1, slope), part(s, 1, slope), part(down, 1, slope), part(up, 1, slope))
            by_source, direct = part(found[0], 1, slope), part(found[2], 1, slope)
            share_out(reads, part(found[1], 1, slope), 0, turn, n)
            for layer in range(layers):
                forces(slopes, layer, starts_a, fields, by_source, force, n)
                share_out(reads, adjoint, layer * places * 2 * n, held, n)
                of = layer * emitters * 2 * n
                meet(
                    entries, flat, width, first, force, held, turn, fields, of, direct, layer, out[p, layer],
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
