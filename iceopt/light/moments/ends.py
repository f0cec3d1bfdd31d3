"""Emitters and receivers within a layer, seen from its faces.

A source in a layer, C_1 and S_1 of the slab from the layer's top to it, C_2 and S_2 of that from it to the
bottom, makes u jump by w and tau by q. With the source's own place eliminated it acts on the layer's faces as
sources

    s_top = S_1 (C_1 + C_2)^-1 (q - C_2 w),    s_bottom = S_2 (C_1 + C_2)^-1 (q + C_1 w)

of tau; a receiver's reading follows from u at the faces by the same two vectors, with -w_r for w. What goes
from a source to a receiver in one layer by itself is the reading with both faces dark. In a half-space, the
side without end has its impedance K Q for C, and S = 0. A place on the top of its layer has no slab above it;
there

    s_top = q - C_2 w,    s_bottom = S_2 w,

u is w just below the source and 0 above it, and tau just above it what makes up for that, q - C_2 w.

Side 0 of a place is the one above it, side 1 the one below. What could be written twice is a loop over sides,
since all that is called is compiled into every place that it is called from.
"""

from iceopt.light.moments.lanes import combine, copy, dot, factor, jit, solve
from iceopt.light.moments.products import add_constant, clear, multiply_vector
from iceopt.light.moments.slabs import double_slab, halvings, join, thin_slab
from iceopt.light.moments.sweep import half_space


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
def end_sources(work, thin, to_faces, j, jumps, at, odd, walls, out, room, n):
    """Set C on both sides, [place, side], and the sources at both faces of place j of a layer.

    The jump w of u begins at entry `at` of `jumps`; `to_faces` are the distances to top and bottom, 0 to the
    top if there is no slab, whose C is not set.
    """
    s, right, factored = room[0], room[1], work[7]
    size = n * n
    own, on_top = 2 * j * size, to_faces[0, j] == 0.0
    for side in range(1 if on_top else 0, 2):
        slab(work, to_faces[side, j], thin, walls, own + side * size, s, side * size, n)
    if not on_top:
        copy(factored, 0, walls, own, size)
        combine(factored, 0, 1.0, 1.0, walls, own + size, size)
        factor(factored, 0, n)
    for side in range(2):
        to = (2 * j + side) * n
        if on_top and side == 1:
            multiply_vector(s, size, jumps, at, 0.0, 1.0, out, to, n)
            continue
        sign = 1.0 if side == 1 else -1.0
        multiply_vector(walls, own + (1 - side) * size, jumps, at, 0.0, sign, right, 0, n)
        add_constant(right, 0, odd)
        if on_top:
            copy(out, to, right, 0, n)
        else:
            solve(factored, 0, right, 0, n, 1)
            multiply_vector(s, side * size, right, 0, 0.0, 1.0, out, to, n)


@jit
def on_top_of_itself(walls, a, jumps, odds, value, at, vector, n):
    """As `within`, for a source and a reading both on the top of their layer: the mean of both sides."""
    clear(vector, 0, n)
    add_constant(vector, 0, odds[0])
    multiply_vector(walls, (2 * a + 1) * n * n, jumps, 0, -1.0, 2.0, vector, 0, n)
    dot(value, at, 0.0, 0.5, vector, 0, 1, jumps, n, 1, n)
    clear(vector, 0, n)
    add_constant(vector, 0, odds[1])
    dot(value, at, 1.0, 0.5, vector, 0, 1, jumps, 0, 1, n)


@jit
def start_within(seen, jumps, odd, factored, u, n):
    """Set n entries of u to u just above a source between two impedances, the next n to u below it."""
    size = n * n
    copy(factored, 0, seen, 0, size)
    combine(factored, 0, 1.0, 1.0, seen, size, size)
    factor(factored, 0, n)
    multiply_vector(seen, 0, jumps, 0, 0.0, 1.0, u, n, n)
    add_constant(u, n, odd)
    solve(factored, 0, u, n, n, 1)
    copy(u, 0, u, n, n)
    combine(u, 0, 1.0, -1.0, jumps, 0, n)


@jit
def within(work, thin, down_m, to_faces, walls, a, b, jumps, odds, value, at, room, n):
    """Set entry `at` of `value` to the reading at place b of a source at place a of a layer with dark faces.

    b lies `down_m` deeper than a; `jumps` holds w of the source, then that of the reading.
    """
    s, vector, c, passed, seen, u = room
    size = n * n
    apart, towards = down_m != 0.0, 1 if down_m > 0.0 else 0
    from_top, to_top = to_faces[0, a] == 0.0, to_faces[0, b] == 0.0
    if from_top and not apart:
        on_top_of_itself(walls, a, jumps, odds, value, at, vector, n)
        return
    # seen: impedance above a, impedance below a; passed: from u at a to u at b.
    copy(seen, 0, walls, 2 * a * size, 2 * size)
    if apart:
        slab(work, abs(down_m), thin, c, 0, s, 0, n)
        if not to_top:
            join(c, 0, s, 0, walls, (2 * b + towards) * size, passed, 0, seen, towards * size, work[7], n)
    if from_top:
        copy(u, n, jumps, 0, n)
    else:
        start_within(seen, jumps, odds[0], work[7], u, n)
    clear(value, at, 1)
    for side in range(2):
        if apart and side != towards:
            continue
        field, share = side * n, 0.5
        if apart:
            # On the top u is 0, and what is read is tau, which the slab makes of u at a.
            by = s if to_top else passed
            multiply_vector(by, 0, u, side * n, 0.0, 1.0, u, 2 * n, n)
            field, share = 2 * n, 1.0
        if to_top:
            combine(vector, 0, 0.0, -1.0, jumps, n, n)
        else:
            # A reading takes u, and tau by the impedance of the side that its light does not come from.
            beyond, sign = (2 * b + side) * size, 1.0 if side == 1 else -1.0
            multiply_vector(walls, beyond, jumps, n, 0.0, sign, vector, 0, n)
            add_constant(vector, 0, odds[1])
        dot(value, at, 1.0, share, vector, 0, 1, u, field, 1, n)
