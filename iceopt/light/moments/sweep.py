"""Green's functions of the layered moment equations at given wavenumbers and Laplace variables.

One sweep up and one down give at every node (layer edges, emitter and receiver depths) the impedance of all
ice below (`down`: tau = D u) and above (`up`: tau = -U u), and the matrices that carry a field across
each slab away from its source. A point emitter makes u jump by w_q = K^-1 vertical^T M_E^-1 q_E and tau
by q_O (of each part of an emission), so that just below it

    (D + U) u = q_O + U w_q,

and just above it u - w_q. A receiver with weights r on the moments reads (D w_r + r_O) . u below the
emitter and (r_O - U w_r) . u above it. Everything decays away from the emitter, so no step can blow up.
"""

from iceopt.abreast import abreast
from iceopt.light.moments.lanes import (
    LANES,
    axpy,
    combine,
    copy,
    dot,
    factor,
    jit,
    solve,
    workspace,
)
from iceopt.light.moments.products import add_constant, largest, multiply_vector
from iceopt.light.moments.slabs import (
    TERMS,
    constant,
    double_slab,
    halvings,
    join,
    loss_matrix,
    powers,
    stiffness,
    thin_slab,
)

START = 5.0 / 6.0
"""Thickness of the slab that a half-space is doubled from, by the thinnest that the series allows."""
MOST_LEVELS = 60
"""Of doublings: a slab 2^60 times the thinnest has no far side."""


@jit
def prepare_layer(order, rates, k, work, n_even, n):
    """Fill the work arrays of one layer: K, M, their powers, M_E^-1 vertical; returns what `powers` does."""
    even_l, even_sign, even_h, odd_l, odd_sign, odd_h, _ = order
    z, ratio, stiff, even, vertical, to_odd = work[:6]
    loss_matrix(even, 0, n_even, even_l, even_sign, even_h, rates, k)
    loss_matrix(z, n * n, n, odd_l, odd_sign, odd_h, rates, k)
    stiffness(even, vertical, to_odd, z, 0, n_even, n)
    return powers(z, ratio, stiff, n)


@jit
def half_space(work, thin, c, oc, n):
    """Set c at oc to the impedance K Q of a layer without end; returns how many doublings that took."""
    z, _, _, _, _, _, s, factored, joint, scaled = work
    thin_slab(z, START * thin, c, oc, s, 0, n)
    size = n * n
    for level in range(MOST_LEVELS):
        double_slab(c, oc, s, 0, factored, joint, 0, scaled, n)
        small, large = largest(s, 0, size), largest(c, oc, size)
        if small <= 1e-13 * large:  # what is left goes as its square, and in derivatives as itself
            return level + 1
    return MOST_LEVELS


@jit
def pattern_vector(work, moments, out, oo, n_even, n):
    """Set out to K^-1 (M_E^-1 vertical)^T moments: jump of u at a source, weight of tau at a receiver."""
    _, _, stiff, _, _, to_odd = work[:6]
    for i in range(n):
        out[oo + i] = 0.0
        for p in range(n_even):
            if moments[p] != 0.0:
                axpy(out, oo + i, 1.0, moments[p], to_odd, p * n + i)
    solve(stiff, 0, out, oo, n, 1)


@jit
def layer_work(order, rates, n_even, n):
    """Allocate what `prepare_layer` and `half_space` fill, of the kind of the rates."""
    work = (
        workspace(TERMS * n * n, rates),
        workspace(n * n, rates),
        workspace(n * n, rates),
        workspace(n_even * n_even, rates),
        workspace(n_even * n, rates),
        workspace(n_even * n, rates),
        workspace(n * n, rates),
        workspace(n * n, rates),
        workspace(n * n, rates),
        workspace(n * n, rates),
    )
    constant(work[4], 0, order[6])
    return work


@jit
def impedances(order, rates, k, column, emitted, received, state, work):
    """Sweep both ways; fills the state: c, s, carry_down, carry_up [slab], down, up, weight [node], jump.

    `jump` is [node, part].
    """
    n_even, n = order[6].shape
    size = n * n
    between, thickness = column
    nodes = between.size - 1
    c, s, down, up, carry_down, carry_up, jump, weight = state
    thin = prepare_layer(order, rates[between[0]], k, work, n_even, n)
    half_space(work, thin, up, 0, n)
    for i in range(nodes):
        # A depth on an edge belongs to the layer below it.
        if between[i + 1] != between[i]:
            thin = prepare_layer(order, rates[between[i + 1]], k, work, n_even, n)
        for part in range(len(emitted)):
            pattern_vector(work, emitted[part], jump, (i * len(emitted) + part) * n, n_even, n)
        pattern_vector(work, received, weight, i * n, n_even, n)
        if i == nodes - 1:
            half_space(work, thin, down, i * size, n)
            break
        times_halved = halvings(thickness[i], thin)
        thin_slab(work[0], thickness[i] / 2.0**times_halved, c, i * size, s, i * size, n)
        for _ in range(times_halved):
            double_slab(c, i * size, s, i * size, work[7], work[8], 0, work[9], n)
        join(c, i * size, s, i * size, up, i * size, carry_up, i * size, up, (i + 1) * size, work[7], n)
    for i in range(nodes - 2, -1, -1):
        join(c, i * size, s, i * size, down, (i + 1) * size, carry_down, i * size, down, i * size, work[7], n)


@jit
def new_state(nodes, parts, rates, n):
    """Allocate what `impedances` fills, of the kind of the rates."""
    size = n * n
    return (
        workspace(nodes * size, rates),
        workspace(nodes * size, rates),
        workspace(nodes * size, rates),
        workspace(nodes * size, rates),
        workspace(nodes * size, rates),
        workspace(nodes * size, rates),
        workspace(nodes * parts * n, rates),
        workspace(nodes * n, rates),
    )


@jit
def readings(state, receiver_odd, below, above, nodes, n):
    """Set the vectors that turn a field into a reading: D w + r_O below its source, r_O - U w above."""
    _, _, down, up, _, _, _, weight = state
    size = n * n
    for i in range(nodes):
        multiply_vector(down, i * size, weight, i * n, 0.0, 1.0, below, i * n, n)
        add_constant(below, i * n, receiver_odd)
        multiply_vector(up, i * size, weight, i * n, 0.0, -1.0, above, i * n, n)
        add_constant(above, i * n, receiver_odd)


@jit
def start_field(state, node, part, emitter_odd, field, of, factored, n):
    """Set n entries of `field` to u just below a source at a node, the next n to u above it."""
    _, _, down, up, _, _, jump, _ = state
    size, at = n * n, (node * len(emitter_odd) + part) * n
    copy(factored, 0, down, node * size, size)
    combine(factored, 0, 1.0, 1.0, up, node * size, size)
    factor(factored, 0, n)
    multiply_vector(up, node * size, jump, at, 0.0, 1.0, field, of, n)
    add_constant(field, of, emitter_odd[part])
    solve(factored, 0, field, of, n, 1)
    copy(field, of + n, field, of, n)
    combine(field, of + n, 1.0, -1.0, jump, at, n)


@jit
def collect(value, at, weights, row, first, out, entry):
    """Add the weighted sum over lanes of a reading to an entry of the output."""
    re, im = 0.0, 0.0
    if value.ndim == 2:
        for x in range(LANES):
            re += weights[row, first + x] * value[at, x]
    else:
        for x in range(LANES):
            re += weights[row, first + x] * value[at, 0, x]
            im += weights[row, first + x] * value[at, 1, x]
        out[entry, 1] += im
    out[entry, 0] += re


@jit
def read_nodes(state, origin, part, low, high, below, above, emitter_odd, field, value, factored, n):
    """Set `value` [node] to the readings of a source's field from one node to another."""
    _, _, _, _, carry_down, carry_up, _, _ = state
    size = n * n
    here, there, next_one = 0, 2 * n, 3 * n
    start_field(state, origin, part, emitter_odd, field, 0, factored, n)
    copy(field, there, field, here, n)
    for node in range(origin, high + 1):
        share = 0.5 if node == origin else 1.0
        dot(value, node, 0.0, share, below, node * n, 1, field, there, 1, n)
        if node < high:
            multiply_vector(carry_down, node * size, field, there, 0.0, 1.0, field, next_one, n)
            copy(field, there, field, next_one, n)
    copy(field, there, field, n, n)
    for node in range(origin, low - 1, -1):
        keep, share = (1.0, 0.5) if node == origin else (0.0, 1.0)
        dot(value, node, keep, share, above, node * n, 1, field, there, 1, n)
        if node > low:
            multiply_vector(carry_up, (node - 1) * size, field, there, 0.0, 1.0, field, next_one, n)
            copy(field, there, field, next_one, n)


@jit
def reach(sources, reads, j):
    """Node of a source, and the first and the last node that its light must be carried to."""
    source_node, _, source_start, receiver, _ = sources
    read_start, read_node, _ = reads
    origin = source_node[j]
    first, last = receiver[source_start[j]], receiver[source_start[j + 1] - 1]
    return origin, min(read_node[read_start[first]], origin), max(read_node[read_start[last + 1] - 1], origin)


@jit
def spread(state, sources, reads, weights, first, below, above, emitter_odd, field, value, out, factored, n):
    """Carry the field of every source to its receivers and add their readings to the output."""
    _, source_part, source_start, receiver, distance = sources
    read_start, read_node, read_share = reads
    nodes = len(below) // n
    for j in range(source_start.size - 1):
        begin, end = source_start[j], source_start[j + 1]
        if begin == end:
            continue
        origin, low, high = reach(sources, reads, j)
        part = source_part[j]
        read_nodes(state, origin, part, low, high, below, above, emitter_odd, field, value, factored, n)
        for e in range(begin, end):
            at, stop = read_start[receiver[e]], read_start[receiver[e] + 1]
            if stop == at + 1:
                collect(value, read_node[at], weights, distance[e], first, out, e)
                continue
            combine(value, nodes, 0.0, read_share[at], value, read_node[at], 1)
            for r in range(at + 1, stop):
                combine(value, nodes, 1.0, read_share[r], value, read_node[r], 1)
            collect(value, nodes, weights, distance[e], first, out, e)


@jit
def transform_one(order, rates, wavenumbers, weights, begin, end, column, pattern, sources, reads, out):
    """Do one Laplace variable of `transform`."""
    n_even, n = order[6].shape
    nodes = column[0].size - 1
    work = layer_work(order, rates, n_even, n)
    state = new_state(nodes, len(pattern[0]), rates, n)
    below, above, field = workspace(nodes * n, rates), workspace(nodes * n, rates), workspace(4 * n, rates)
    value = workspace(nodes + 1, rates)
    out[:] = 0.0
    for first in range(begin, end, LANES):
        k = wavenumbers[first : first + LANES]
        impedances(order, rates, k, column, pattern[0], pattern[2], state, work)
        readings(state, pattern[3], below, above, nodes, n)
        spread(state, sources, reads, weights, first, below, above, pattern[1], field, value, out, work[7], n)


def transform(order, rates, wavenumbers, weights, start, column, pattern, sources, reads, out):
    """Sum over k of weight x reading, for every Laplace variable and entry.

    Parameters
    ----------
    order : tuple of arrays
        even_l, even_sign, even_horizontal, odd_l, odd_sign, odd_horizontal, vertical.
    rates : complex or real array, shape (s, layer, order + 1)
        Loss rates s_l (1/m); all arithmetic is of their kind.
    wavenumbers : array, shape (k,)
        Wavenumbers of all Laplace variables, one after the other, padded to whole lanes (1/m).
    weights : array, shape (distance, k)
        Weights of the Hankel transform.
    start : int array, shape (s + 1,)
        Where each Laplace variable's wavenumbers begin.
    column : tuple of arrays
        Layer above the first node, between nodes, and below the last, shape (node + 1,); thickness of the
        slabs between nodes, shape (node - 1,) (m).
    pattern : tuple of four arrays
        Source and receiver moments: even and odd of each part of an emission, shape (part, moment), even and
        odd of the receiver.
    sources : tuple of int arrays
        Node of each source, its part of the emission, where its entries begin, and receiver and distance row
        of each entry, the entries of a source by increasing receiver.
    reads : tuple of arrays
        Where the nodes of each receiver begin, these nodes, and the shares of their readings; receivers by
        increasing depth.
    out : array, shape (s, entry, part)
        Overwritten; real and imaginary part, or the real one alone.
    """
    abreast(
        lambda j: transform_one(
            order, rates[j], wavenumbers, weights, start[j], start[j + 1], column, pattern, sources, reads,
            out[j],
        ),
        rates.shape[0],
    )  # fmt: skip
