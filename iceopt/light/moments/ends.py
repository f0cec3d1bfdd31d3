"""Emitters and receivers within a layer, seen from its faces.

A source in a layer, C_1 and S_1 of the slab from the layer's top to it, C_2 and S_2 of that from it to the
bottom, makes u jump by w and tau by q. With the source's own place eliminated it acts on the layer's faces as
sources

    s_top = S_1 (C_1 + C_2)^-1 (q - C_2 w),    s_bottom = S_2 (C_1 + C_2)^-1 (q + C_1 w)

of tau; a receiver's reading follows from u at the faces by the same two vectors, with -w_r for w. What goes
from a source to a receiver in one layer by itself is the reading with both faces dark. In a half-space, the
side without end has its impedance K Q for C, and S = 0.

Side 0 of a place is the one above it, side 1 the one below. What could be written twice is a loop over sides,
since all that is called is compiled into every place that it is called from.
"""

from iceopt.light.moments.lanes import combine, copy, dot, factor, jit, solve
from iceopt.light.moments.products import add_constant, clear, multiply_vector
from iceopt.light.moments.slabs import double_slab, halvings, join, thin_slab
from iceopt.light.moments.sweep import half_space

CLOSE_M = 1e-8
"""What is as close to a face, or to what else is in the layer, is this far from it: impedances are finite."""


@jit
def slab(work, thickness, thin, c, oc, s, os, n):
    """Set C and S of a slab of the layer that `work` was prepared for; without end, of the half-space."""
    if thickness == float("inf"):
        half_space(work, thin, c, oc, n)
        clear(s, os, n * n)
        return
    times_halved = halvings(thickness, thin)
    thin_slab(work[0], thickness / 2.0**times_halved, c, oc, s, os, n)
    for _ in range(times_halved):
        double_slab(c, oc, s, os, work[7], work[8], 0, work[9], n)


@jit
def end_sources(work, thin, to_faces, first, stop, jumps, at, odd, walls, out, room, n):
    """Set C on both sides, [place, side], and the sources at both faces of places first to stop of a layer.

    The jump w of u begins at entry `at` of `jumps`; `to_faces` are the distances to top and bottom.
    """
    s, right, factored = room[0], room[1], work[7]
    size = n * n
    for j in range(first, stop):
        own = 2 * j * size
        for side in range(2):
            thickness = max(to_faces[side, j], CLOSE_M)
            slab(work, thickness, thin, walls, own + side * size, s, side * size, n)
        copy(factored, 0, walls, own, size)
        combine(factored, 0, 1.0, 1.0, walls, own + size, size)
        factor(factored, 0, n)
        for side in range(2):
            sign = 1.0 if side == 1 else -1.0
            multiply_vector(walls, own + (1 - side) * size, jumps, at, 0.0, sign, right, 0, n)
            add_constant(right, 0, odd)
            solve(factored, 0, right, 0, n, 1)
            multiply_vector(s, side * size, right, 0, 0.0, 1.0, out, (2 * j + side) * n, n)


@jit
def within(work, thin, down_m, walls, a, b, jumps, odds, value, at, room, n):
    """Set entry `at` of `value` to the reading at place b of a source at place a of a layer with dark faces.

    b lies `down_m` deeper than a; `jumps` holds w of the source, then that of the reading.
    """
    s, vector, c, passed, seen, u = room
    factored, size = work[7], n * n
    apart, towards = abs(down_m) > CLOSE_M, 1 if down_m > 0.0 else 0
    # seen: impedance above a, impedance below a; u: just above a, just below a.
    copy(seen, 0, walls, 2 * a * size, 2 * size)
    if apart:
        slab(work, abs(down_m), thin, c, 0, s, 0, n)
        join(c, 0, s, 0, walls, (2 * b + towards) * size, passed, 0, seen, towards * size, factored, n)
    copy(factored, 0, seen, 0, size)
    combine(factored, 0, 1.0, 1.0, seen, size, size)
    factor(factored, 0, n)
    multiply_vector(seen, 0, jumps, 0, 0.0, 1.0, u, n, n)
    add_constant(u, n, odds[0])
    solve(factored, 0, u, n, n, 1)
    copy(u, 0, u, n, n)
    combine(u, 0, 1.0, -1.0, jumps, 0, n)
    clear(value, at, 1)
    for side in range(2):
        if apart and side != towards:
            continue
        field, share = side * n, 0.5
        if apart:
            multiply_vector(passed, 0, u, side * n, 0.0, 1.0, u, 2 * n, n)
            field, share = 2 * n, 1.0
        # The reading takes u, and tau by the impedance of the side that its light comes from or goes to.
        beyond = (2 * b + side) * size
        multiply_vector(walls, beyond, jumps, n, 0.0, 1.0 if side == 1 else -1.0, vector, 0, n)
        add_constant(vector, 0, odds[1])
        dot(value, at, 1.0, share, vector, 0, 1, u, field, 1, n)
