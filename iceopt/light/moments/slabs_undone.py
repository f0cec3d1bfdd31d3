"""Slabs of `iceopt.light.moments.slabs` undone: from cotangents of what comes out to those of what went in.

With P = (C + D')^-1, T = P S and D = C - S T, cotangents (written Dbar...) obey

    Y = P Tbar,   H = T Dbar T^T - Y T^T,
    D'bar = H,   Cbar = Dbar + H,   Sbar = Y - T Dbar - (T Dbar)^T,

and for a doubling with X = C^-1 S, S' = S X / 2, C' = C - S', G = S'bar - C'bar

    Sbar = (X G + (X G)^T) / 2,   Cbar = C'bar - X G X^T / 2.
"""

from iceopt.light.moments.lanes import backward, combine, copy, factor, jit, solve
from iceopt.light.moments.products import clear, multiply, multiply_transposed, symmetrize
from iceopt.light.moments.slabs import COTH, CSCH, TERMS, double_slab, thin_slab


@jit
def undo_join(
    c, oc, beyond, ob, carry, ot, out_bar, oo, carry_bar, beyond_bar, c_bar, s_bar, temp, factored, n
):
    """Undo `join`: from the cotangents of its result and transmission to those of C, S and beyond."""
    size = n * n
    copy(factored, 0, c, oc, size)
    combine(factored, 0, 1.0, 1.0, beyond, ob, size)
    factor(factored, 0, n)
    symmetrize(out_bar, oo, n)
    solve(factored, 0, carry_bar, ot, n, n)
    combine(s_bar, oc, 1.0, 1.0, carry_bar, ot, size)
    multiply(carry, ot, out_bar, oo, 0.0, 1.0, temp, 0, n)
    combine(s_bar, oc, 1.0, -2.0, temp, 0, size)
    combine(temp, 0, 1.0, -1.0, carry_bar, ot, size)
    multiply_transposed(temp, 0, carry, ot, 0.0, 1.0, factored, 0, n)
    combine(beyond_bar, ob, 1.0, 1.0, factored, 0, size)
    combine(c_bar, oc, 1.0, 1.0, factored, 0, size)
    combine(c_bar, oc, 1.0, 1.0, out_bar, oo, size)


@jit
def undo_doublings(levels, joints, c_bar, oc, s_bar, os, temp, other, n):
    """Undo a chain of doublings whose C^-1 S are kept in `joints`."""
    size = n * n
    for level in range(levels - 1, -1, -1):
        x = level * size
        combine(s_bar, os, 1.0, -1.0, c_bar, oc, size)
        multiply(joints, x, s_bar, os, 0.0, 1.0, temp, 0, n)
        multiply_transposed(temp, 0, joints, x, 0.0, 0.5, other, 0, n)
        combine(c_bar, oc, 1.0, -1.0, other, 0, size)
        copy(s_bar, os, temp, 0, size)
        symmetrize(s_bar, os, n)


@jit
def undo_slab(work, thickness, levels, grow, c_bar, oc, s_bar, os, z_bar, n):
    """Undo a slab of doublings from a thin one of this thickness; adds to the cotangents of the powers."""
    joints, c, s, temp, other = grow
    size = n * n
    thin_slab(work[0], thickness, c, 0, s, 0, n)
    for level in range(levels):
        double_slab(c, 0, s, 0, temp, joints, level * size, other, n)
        backward(temp, 0, joints, level * size, n, n)
    symmetrize(c_bar, oc, n)
    symmetrize(s_bar, os, n)
    undo_doublings(levels, joints, c_bar, oc, s_bar, os, temp, other, n)
    scale = 1.0 / thickness
    for j in range(TERMS):
        combine(z_bar, j * size, 1.0, COTH[j] * scale, c_bar, oc, size)
        combine(z_bar, j * size, 1.0, CSCH[j] * scale, s_bar, os, size)
        scale *= thickness * thickness


@jit
def undo_powers(work, z_bar, ratio_bar, temp, n):
    """From cotangents of all powers to those of K and M (z_bar[0] and z_bar[1]); work[2] factors K."""
    z, ratio, stiff = work[:3]
    size = n * n
    clear(ratio_bar, 0, size)
    for j in range(TERMS - 1, 1, -1):
        symmetrize(z_bar, j * size, n)
        multiply(z, (j - 1) * size, z_bar, j * size, 1.0, 1.0, ratio_bar, 0, n)
        multiply_transposed(z_bar, j * size, ratio, 0, 1.0, 1.0, z_bar, (j - 1) * size, n)
    solve(stiff, 0, ratio_bar, 0, n, n)
    combine(z_bar, size, 1.0, 1.0, ratio_bar, 0, size)
    multiply_transposed(ratio_bar, 0, ratio, 0, 0.0, 1.0, temp, 0, n)
    combine(z_bar, 0, 1.0, -1.0, temp, 0, size)
