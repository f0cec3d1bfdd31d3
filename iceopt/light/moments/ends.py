"""Emitters and receivers within a layer, seen from its faces.

A source in a layer, C_1 and S_1 of the slab from the layer's top to it, C_2 and S_2 of that from it to the
bottom, makes u jump by w and tau by q. With the source's own place eliminated it acts on the layer's faces as
sources

    s_top = S_1 (C_1 + C_2)^-1 (q - C_2 w),    s_bottom = S_2 (C_1 + C_2)^-1 (q + C_1 w)

of tau; a receiver's reading follows from u at the faces by the same two vectors, with -w_r for w. What goes
from a source to a receiver in one layer by itself is the reading with both faces dark. In a half-space, the
side without end has its impedance K Q for C, and S = 0.
"""

from iceopt.light.moments.lanes import combine, copy, dot, factor, jit, solve
from iceopt.light.moments.products import add_constant, clear, multiply_vector
from iceopt.light.moments.slabs import double_slab, halvings, join, thin_slab
from iceopt.light.moments.sweep import half_space

CLOSE_M = 1e-6
"""What is as close to a face, or to what else is in the layer, is this far from it: no impedance is
infinite."""


@jit
def slab(work, thickness, thin, c, oc, s, os, n):
    """Set C and S of a slab of the layer that `work` was prepared for."""
    times_halved = halvings(thickness, thin)
    thin_slab(work[0], thickness / 2.0**times_halved, c, oc, s, os, n)
    for _ in range(times_halved):
        double_slab(c, oc, s, os, work[7], work[8], 0, work[9], n)


@jit
def side(work, thickness, thin, c, oc, s, os, n):
    """Set C and S of what lies between a place and a face; infinitely far, of the half-space."""
    if thickness < float("inf"):
        slab(work, max(thickness, CLOSE_M), thin, c, oc, s, os, n)
    else:
        half_space(work, thin, c, oc, n)
        clear(s, os, n * n)


@jit
def face_source(work, above, oa, below, ob, s, os, jump, odd, sign, out, oo, temp, n):
    """Set one face's n entries of `out` to S (C_above + C_below)^-1 (q + sign C w).

    C is that of the side which the face does not lie on; `jump` starts with w, and `temp` needs n entries.
    """
    factored, size = work[7], n * n
    copy(factored, 0, above, oa, size)
    combine(factored, 0, 1.0, 1.0, below, ob, size)
    factor(factored, 0, n)
    if sign < 0.0:
        multiply_vector(below, ob, jump, 0, 0.0, -1.0, temp, 0, n)
    else:
        multiply_vector(above, oa, jump, 0, 0.0, 1.0, temp, 0, n)
    add_constant(temp, 0, odd)
    solve(factored, 0, temp, 0, n, 1)
    multiply_vector(s, os, temp, 0, 0.0, 1.0, out, oo, n)


@jit
def end_sources(work, thin, to_top, to_bottom, first, stop, jump, odd, above, below, out, s, temp, n):
    """Set C on both sides, and the sources at both faces, of places first to stop of a layer."""
    size = n * n
    for j in range(first, stop):
        side(work, to_top[j], thin, above, j * size, s, 0, n)
        side(work, to_bottom[j], thin, below, j * size, s, size, n)
        at = j * 2 * n
        face_source(work, above, j * size, below, j * size, s, 0, jump, odd, -1.0, out, at, temp, n)
        face_source(work, above, j * size, below, j * size, s, size, jump, odd, 1.0, out, at + n, temp, n)


@jit
def read_at(c, oc, sign, weight, odd, u, ou, value, vector, n):
    """Set `value` to (r_O + sign C w_r) . u."""
    multiply_vector(c, oc, weight, 0, 0.0, sign, vector, 0, n)
    add_constant(vector, 0, odd)
    dot(value, 0, 0.0, 1.0, vector, 0, 1, u, ou, 1, n)


@jit
def start_within(up, ou, down, od, jump, odd, factored, u, n):
    """Set n entries of u to u just below a source between two impedances, the next n to u above it."""
    copy(factored, 0, down, od, n * n)
    combine(factored, 0, 1.0, 1.0, up, ou, n * n)
    factor(factored, 0, n)
    multiply_vector(up, ou, jump, 0, 0.0, 1.0, u, 0, n)
    add_constant(u, 0, odd)
    solve(factored, 0, u, 0, n, 1)
    copy(u, n, u, 0, n)
    combine(u, n, 1.0, -1.0, jump, 0, n)


@jit
def within(work, thin, down_m, above_a, below_a, a, above_b, below_b, b, jump, weight, odds, value, room, n):
    """Set `value` to the reading at place b of a source at place a of a layer with dark faces.

    b lies `down_m` deeper than a; `above_a` and so on hold C of one side of all places.
    """
    c, s, seen, passed, u, vector = room
    emitted, received = odds
    size = n * n
    oa, ob = a * size, b * size
    if abs(down_m) <= CLOSE_M:
        start_within(above_a, oa, below_a, oa, jump, emitted, work[7], u, n)
        read_at(below_a, oa, 1.0, weight, received, u, 0, value, vector, n)
        copy(value, 1, value, 0, 1)
        read_at(above_a, oa, -1.0, weight, received, u, n, value, vector, n)
        combine(value, 0, 0.5, 0.5, value, 1, 1)
        return
    slab(work, abs(down_m), thin, c, 0, s, 0, n)
    if down_m > 0.0:
        join(c, 0, s, 0, below_b, ob, passed, 0, seen, 0, work[7], n)
        start_within(above_a, oa, seen, 0, jump, emitted, work[7], u, n)
        multiply_vector(passed, 0, u, 0, 0.0, 1.0, u, 2 * n, n)
        read_at(below_b, ob, 1.0, weight, received, u, 2 * n, value, vector, n)
    else:
        join(c, 0, s, 0, above_b, ob, passed, 0, seen, 0, work[7], n)
        start_within(seen, 0, below_a, oa, jump, emitted, work[7], u, n)
        multiply_vector(passed, 0, u, n, 0.0, 1.0, u, 2 * n, n)
        read_at(above_b, ob, -1.0, weight, received, u, 2 * n, value, vector, n)
