"""Gradient of a scalar of all transforms by one reverse sweep.

Everything is holomorphic in the loss rates, so products here are transposes without conjugation; the real
part is taken at the very end. The steps of `sweep` are undone in reverse order: readings, fields, joins of
slabs, doublings, the thin slab's series (`iceopt.light.moments.slabs_undone`), the layer's matrices.
"""

from iceopt.abreast import abreast
from iceopt.light.moments.lanes import (
    LANES,
    combine,
    copy,
    dot,
    jit,
    real,
    solve,
    workspace,
)
from iceopt.light.moments.products import (
    add_constant,
    add_outer,
    clear,
    lane_sum,
    multiply_vector,
    multiply_vector_transposed,
)
from iceopt.light.moments.slabs import TERMS, halvings
from iceopt.light.moments.slabs_undone import undo_join, undo_powers, undo_slab
from iceopt.light.moments.sweep import (
    MOST_LEVELS,
    START,
    half_space,
    impedances,
    layer_work,
    new_state,
    prepare_layer,
    reach,
    readings,
    start_field,
)


@jit
def load_cotangent(value, at, weights, row, first, cotangent, entry):
    """Add the cotangent of a reading: weight x (real - i imaginary)."""
    parts = real(value, at)
    for x in range(LANES):
        parts[x] += weights[row, first + x] * cotangent[entry, 0]
    if value.ndim == 3:
        for x in range(LANES):
            value[at, 1, x] -= weights[row, first + x] * cotangent[entry, 1]


@jit
def load_readings(sources, reads, j, weights, first, cotangent, value, low, high, nodes):
    """Set `value` [node] to the cotangents of one source's readings from one node to another."""
    _, _, source_start, receiver, distance = sources
    read_start, read_node, read_share = reads
    clear(value, low, high + 1 - low)
    for e in range(source_start[j], source_start[j + 1]):
        at, stop = read_start[receiver[e]], read_start[receiver[e] + 1]
        if stop == at + 1:
            load_cotangent(value, read_node[at], weights, distance[e], first, cotangent, e)
            continue
        clear(value, nodes, 1)
        load_cotangent(value, nodes, weights, distance[e], first, cotangent, e)
        for r in range(at, stop):
            combine(value, read_node[r], 1.0, read_share[r], value, nodes, 1)


@jit
def undo_source(state, bars, origin, part, low, high, value, below, above, emitter_odd, field, work, n):
    """Add what one source's readings, with cotangents `value`, give to the cotangents of the state."""
    _, _, _, up, carry_down, carry_up, jump, _ = state
    down_bar, up_bar, carry_down_bar, carry_up_bar, below_bar, above_bar, jump_bar, _ = bars
    size, at = n * n, (origin * len(emitter_odd) + part) * n
    # field: u below [node], u above [node], then two cotangents and u just below the source.
    nodes = (len(field) - 3 * n) // n
    lam, temp, start = nodes * n, nodes * n + n, nodes * n + 2 * n

    start_field(state, origin, part, emitter_odd, field, lam, work[7], n)
    copy(field, origin * n, field, lam, n)
    copy(work[8], 0, field, lam + n, n)
    for i in range(origin, high):
        multiply_vector(carry_down, i * size, field, i * n, 0.0, 1.0, field, (i + 1) * n, n)
    clear(field, lam, n)
    for i in range(high, origin - 1, -1):
        if i < high:
            add_outer(carry_down_bar, i * size, 1.0, field, lam, field, i * n, n)
            multiply_vector_transposed(carry_down, i * size, field, lam, 0.0, 1.0, field, temp, n)
            copy(field, lam, field, temp, n)
        share = 0.5 if i == origin else 1.0
        for p in range(n):
            dot(field, lam + p, 1.0, share, below, i * n + p, 1, value, i, 1, 1)
            dot(below_bar, i * n + p, 1.0, share, field, i * n + p, 1, value, i, 1, 1)
    # The cotangent of u just below the source gathers both directions.
    copy(field, start, field, origin * n, n)
    bar = work[6]
    copy(bar, 0, field, lam, n)

    copy(field, origin * n, work[8], 0, n)
    for i in range(origin, low, -1):
        multiply_vector(carry_up, (i - 1) * size, field, i * n, 0.0, 1.0, field, (i - 1) * n, n)
    clear(field, lam, n)
    for i in range(low, origin + 1):
        if i > low:
            add_outer(carry_up_bar, (i - 1) * size, 1.0, field, lam, field, i * n, n)
            multiply_vector_transposed(carry_up, (i - 1) * size, field, lam, 0.0, 1.0, field, temp, n)
            copy(field, lam, field, temp, n)
        share = 0.5 if i == origin else 1.0
        for p in range(n):
            dot(field, lam + p, 1.0, share, above, i * n + p, 1, value, i, 1, 1)
            dot(above_bar, i * n + p, 1.0, share, field, i * n + p, 1, value, i, 1, 1)
    combine(bar, 0, 1.0, 1.0, field, lam, n)
    combine(jump_bar, at, 1.0, -1.0, field, lam, n)

    # work[7] still holds the factors of D + U.
    solve(work[7], 0, bar, 0, n, 1)
    add_outer(down_bar, origin * size, -1.0, bar, 0, field, start, n)
    add_outer(up_bar, origin * size, -1.0, bar, 0, field, start, n)
    add_outer(up_bar, origin * size, 1.0, bar, 0, jump, at, n)
    multiply_vector(up, origin * size, bar, 0, 1.0, 1.0, jump_bar, at, n)


@jit
def undo_sources(
    state, bars, sources, reads, weights, first, cotangent, below, above, emitter_odd, field, value, work, n
):
    """Add what all readings give to the cotangents of the state."""
    nodes = len(below) // n
    for j in range(sources[0].size):
        if sources[2][j] < sources[2][j + 1]:
            part, (origin, low, high) = sources[1][j], reach(sources, reads, j)
            load_readings(sources, reads, j, weights, first, cotangent, value, low, high, nodes)
            undo_source(
                state, bars, origin, part, low, high, value, below, above, emitter_odd, field, work, n
            )


@jit
def undo_readings(state, bars, nodes, n):
    """Pass the cotangents of the reading vectors on to impedances and weights."""
    _, _, down, up, _, _, _, weight = state
    down_bar, up_bar, _, _, below_bar, above_bar, _, weight_bar = bars
    size = n * n
    for i in range(nodes):
        add_outer(down_bar, i * size, 1.0, below_bar, i * n, weight, i * n, n)
        add_outer(up_bar, i * size, -1.0, above_bar, i * n, weight, i * n, n)
        multiply_vector(down, i * size, below_bar, i * n, 1.0, 1.0, weight_bar, i * n, n)
        multiply_vector(up, i * size, above_bar, i * n, 1.0, -1.0, weight_bar, i * n, n)


@jit
def undo_pattern(work, moments, vector, ov, bar, ob, z_bar, even_bar, temp, n_even, n):
    """Undo `pattern_vector`: adds to the cotangents of K and of the diagonal of M_E."""
    _, _, stiff, even, _, to_odd = work[:6]
    copy(temp, 0, bar, ob, n)
    solve(stiff, 0, temp, 0, n, 1)
    add_outer(z_bar, 0, -1.0, temp, 0, vector, ov, n)
    clear(temp, n, n_even)
    add_constant(temp, n, moments)
    solve(even, 0, temp, n, n_even, 1)
    for p in range(n_even):
        # (Y nu)_p h_p
        dot(temp, n + n_even, 0.0, 1.0, to_odd, p * n, 1, temp, 0, 1, n)
        dot(even_bar, p, 1.0, -1.0, temp, n + n_even, 1, temp, n + p, 1, 1)


@jit
def finish_layer(order, work, z_bar, even_bar, temp, other, rate_bar, n_even, n):
    """From cotangents of a layer's powers and M_E to those of its loss rates, summed over lanes."""
    even_l, even_sign, _, odd_l, odd_sign, _, _ = order
    to_odd = work[5]
    size = n * n
    undo_powers(work, z_bar, temp, other, n)
    for p in range(n_even):
        for i in range(n):
            dot(temp, i, 0.0, 1.0, z_bar, i * n, 1, to_odd, p * n, 1, n)
        dot(even_bar, p, 1.0, -1.0, to_odd, p * n, 1, temp, 0, 1, n)
        rate_bar[even_l[p]] += even_sign[p] * lane_sum(even_bar, p)
    for i in range(n):
        rate_bar[odd_l[i]] += odd_sign[i] * lane_sum(z_bar, size + i * n + i)
    clear(z_bar, 0, TERMS * size)
    clear(even_bar, 0, n_even)


@jit
def undo_layers(order, rates, k, column, pattern, state, bars, slab_bars, work, grow, rate_bar):
    """Go down the column once more and turn all cotangents into those of the loss rates."""
    n_even, n = order[6].shape
    size = n * n
    between, thickness = column
    nodes = between.size - 1
    _, _, _, _, _, _, jump, weight = state
    down_bar, up_bar, _, _, _, _, jump_bar, weight_bar = bars
    c_bar, s_bar, z_bar, even_bar, temp, other = slab_bars
    clear(z_bar, 0, TERMS * size)
    clear(even_bar, 0, n_even)
    thin = prepare_layer(order, rates[between[0]], k, work, n_even, n)
    levels = half_space(work, thin, grow[1], 0, n)
    clear(temp, 0, size)
    undo_slab(work, START * thin, levels, grow, up_bar, 0, temp, 0, z_bar, n)
    for i in range(nodes):
        if between[i + 1] != between[i]:
            finish_layer(order, work, z_bar, even_bar, temp, other, rate_bar[between[i]], n_even, n)
            thin = prepare_layer(order, rates[between[i + 1]], k, work, n_even, n)
        for part in range(len(pattern[0])):
            at = (i * len(pattern[0]) + part) * n
            undo_pattern(work, pattern[0][part], jump, at, jump_bar, at, z_bar, even_bar, temp, n_even, n)
        undo_pattern(work, pattern[2], weight, i * n, weight_bar, i * n, z_bar, even_bar, temp, n_even, n)
        if i < nodes - 1:
            levels = halvings(thickness[i], thin)
            undo_slab(
                work, thickness[i] / 2.0**levels, levels, grow, c_bar, i * size, s_bar, i * size, z_bar, n
            )
    levels = half_space(work, thin, grow[1], 0, n)
    clear(temp, 0, size)
    last = (nodes - 1) * size
    undo_slab(work, START * thin, levels, grow, down_bar, last, temp, 0, z_bar, n)
    finish_layer(order, work, z_bar, even_bar, temp, other, rate_bar[between[nodes]], n_even, n)


@jit
def new_bars(nodes, parts, rates, n_even, n):
    """Allocate cotangents of the state, of the slabs and layers, and room for doublings."""
    size = n * n
    scratch = max(size, n + n_even + 1)
    bars = (
        workspace(nodes * size, rates),
        workspace(nodes * size, rates),
        workspace(nodes * size, rates),
        workspace(nodes * size, rates),
        workspace(nodes * n, rates),
        workspace(nodes * n, rates),
        workspace(nodes * parts * n, rates),
        workspace(nodes * n, rates),
    )
    slab_bars = (
        workspace(nodes * size, rates),
        workspace(nodes * size, rates),
        workspace(TERMS * size, rates),
        workspace(n_even, rates),
        workspace(scratch, rates),
        workspace(scratch, rates),
    )
    grow = (
        workspace(MOST_LEVELS * size, rates),
        workspace(size, rates),
        workspace(size, rates),
        workspace(size, rates),
        workspace(size, rates),
    )
    return bars, slab_bars, grow


@jit
def undo_joins(state, bars, slab_bars, factored, nodes, n):
    """Undo both sweeps of impedances, each from the end where it stopped."""
    c, _, down, up, carry_down, carry_up, _, _ = state
    down_bar, up_bar, carry_down_bar, carry_up_bar, _, _, _, _ = bars
    c_bar, s_bar, _, _, temp, _ = slab_bars
    size = n * n
    for i in range(nodes - 1):
        undo_join(
            c, i * size, down, (i + 1) * size, carry_down, i * size, down_bar, i * size, carry_down_bar,
            down_bar, c_bar, s_bar, temp, factored, n,
        )  # fmt: skip
    for i in range(nodes - 2, -1, -1):
        undo_join(
            c, i * size, up, i * size, carry_up, i * size, up_bar, (i + 1) * size, carry_up_bar,
            up_bar, c_bar, s_bar, temp, factored, n,
        )  # fmt: skip


@jit
def pull_back_one(
    order, rates, wavenumbers, weights, begin, end, column, pattern, sources, reads, cotangent, rate_bar
):
    """Do one Laplace variable of `pull_back`."""
    n_even, n = order[6].shape
    nodes, parts = column[0].size - 1, len(pattern[0])
    work = layer_work(order, rates, n_even, n)
    state = new_state(nodes, parts, rates, n)
    below, above = workspace(nodes * n, rates), workspace(nodes * n, rates)
    field, value = workspace(nodes * n + 3 * n, rates), workspace(nodes + 1, rates)
    bars, slab_bars, grow = new_bars(nodes, parts, rates, n_even, n)
    rate_bar[:] = 0.0
    for first in range(begin, end, LANES):
        k = wavenumbers[first : first + LANES]
        impedances(order, rates, k, column, pattern[0], pattern[2], state, work)
        readings(state, pattern[3], below, above, nodes, n)
        for bar in bars:
            bar[:] = 0.0
        slab_bars[0][:] = 0.0
        slab_bars[1][:] = 0.0
        undo_sources(
            state, bars, sources, reads, weights, first, cotangent, below, above, pattern[1], field, value,
            work, n,
        )  # fmt: skip
        undo_readings(state, bars, nodes, n)
        undo_joins(state, bars, slab_bars, work[7], nodes, n)
        undo_layers(order, rates, k, column, pattern, state, bars, slab_bars, work, grow, rate_bar)


def pull_back(
    order, rates, wavenumbers, weights, start, column, pattern, sources, reads, cotangent, rate_bar
):
    """Gradient of sum(cotangent x transform) with respect to real changes of the loss rates.

    Arguments as for `iceopt.light.moments.sweep.transform`, and

    cotangent : array, shape (s, entry, part)
    rate_bar : array, shape (s, layer, order + 1)
        Overwritten with the gradient (m).
    """
    abreast(
        lambda j: pull_back_one(
            order, rates[j], wavenumbers, weights, start[j], start[j + 1], column, pattern, sources, reads,
            cotangent[j], rate_bar[j],
        ),
        rates.shape[0],
    )  # fmt: skip
