"""Impedances of homogeneous slabs of ice in the moment equations.

With c_E eliminated the odd moments u and the flux-like tau = vertical^T c_E obey

    tau = -K u',    tau' = -M u,    K = vertical^T M_E^-1 vertical,  M = M_O

and both are continuous across layers. A slab of thickness h ties them at its two faces:

    tau_top = C u_top - S u_bottom,   tau_bottom = S u_top - C u_bottom,
    C = K Q coth(Q h),  S = K Q csch(Q h),  Q^2 = K^-1 M.

Thin slabs come from the Taylor series of x coth x and x csch x, thick ones by joining two equal halves:
S' = S C^-1 S / 2, C' = C - S'. No exponent is ever needed, nothing grows, and S keeps its relative
accuracy however small it becomes.
"""

import numpy as np

from iceopt.light.moments.lanes import (
    LANES,
    combine,
    copy,
    copy_entry,
    dots,
    factor,
    forward,
    jit,
    real,
    series,
    solve,
    times,
    transposed_product,
)

TERMS = 8
THIN = 0.42
# Coefficients of x coth x and x csch x in powers of x^2 (Abramowitz, Stegun, Handbook of Mathematical
# Functions, 1964, 4.5.67 and 4.5.65). The first term left out is below 2e-14 at THIN^2, of a sum
# whose loss part, C - S, is 0.09: losses are right to 2e-13.
COTH = np.array([1.0, 1 / 3, -1 / 45, 2 / 945, -1 / 4725, 2 / 93555, -1382 / 638512875, 4 / 18243225])
CSCH = np.array(
    [
        1.0,
        -1 / 6,
        7 / 360,
        -31 / 15120,
        127 / 604800,
        -73 / 3421440,
        1414477 / 653837184000,
        -8191 / 37362124800,
    ]
)


@jit
def loss_matrix(out, oo, n, degrees, signs, horizontal, rates, k):
    """Set out to diag(sign s_l) - k x horizontal; `rates` is of out's kind, `k` has one value a lane."""
    for i in range(n):
        for j in range(n):
            entry = oo + i * n + j
            coupling = horizontal[i, j]
            loss = signs[i] * rates[degrees[i]] if i == j else 0.0 * rates[0]
            into = real(out, entry)
            for x in range(LANES):
                into[x] = loss.real - coupling * k[x]
            if out.ndim == 3:
                out[entry, 1] = loss.imag


@jit
def constant(out, oo, matrix):
    """Copy a real constant matrix to every lane."""
    rows, columns = matrix.shape
    for i in range(rows):
        for j in range(columns):
            entry = oo + i * columns + j
            out[entry] = 0.0
            real(out, entry)[:] = matrix[i, j]


@jit
def stiffness(even, losses, even_to_odd, out, oo, n_even, n):
    """Set out to K = vertical^T M_E^-1 vertical; `even` holds M_E and is factored.

    `even_to_odd` becomes M_E^-1 vertical, shape (n_even, n); `losses` holds vertical in every lane.
    """
    factor(even, 0, n_even)
    copy(even_to_odd, 0, losses, 0, n_even * n)
    solve(even, 0, even_to_odd, 0, n_even, n)
    for i in range(n):
        dots(out, oo + i * n, 0.0, 1.0, losses, i, n, even_to_odd, 0, n, n_even, 1, i + 1)
        for j in range(i):
            copy_entry(out, oo + j * n + i, out, oo + i * n + j)


@jit
def powers(z, ratio, factored, n):
    """Fill z[j] = M (K^-1 M)^(j - 1), given z[0] = K and z[1] = M; returns how thick a thin slab may be (m).

    `ratio` becomes K^-1 M and `factored` the factors of K.
    """
    size = n * n
    copy(factored, 0, z, 0, size)
    factor(factored, 0, n)
    copy(ratio, 0, z, size, size)
    solve(factored, 0, ratio, 0, n, n)
    for j in range(2, TERMS):
        transposed_product(z, (j - 1) * size, ratio, 0, 1.0, z, j * size, n)
    return THIN / row_norm(ratio, n) ** 0.5


@jit
def row_norm(ratio, n):
    """Largest sum of a row's parts by size: a bound on the powers of the matrix."""
    norm = 0.0
    for i in range(n):
        for x in range(LANES):
            total = 0.0
            for j in range(n):
                if ratio.ndim == 2:
                    total += abs(ratio[i * n + j, x])
                else:
                    total += abs(ratio[i * n + j, 0, x]) + abs(ratio[i * n + j, 1, x])
            norm = max(norm, total)
    return norm


@jit
def halvings(thickness, thin):
    """How often a slab must be halved until it is thin."""
    if thickness <= thin:
        return 0
    return int(np.ceil(np.log2(thickness / thin)))


@jit
def term_weights(coefficients, thickness):
    """Give the series' coefficients times odd powers of the thickness, from -1 on, as a tuple."""
    h, h2 = thickness, thickness * thickness
    h4, w = h2 * h2, coefficients
    return (
        w[0] / h,
        w[1] * h,
        w[2] * (h * h2),
        w[3] * (h * h4),
        w[4] * (h * h2 * h4),
        w[5] * (h * h4 * h4),
        w[6] * (h * h2 * h4 * h4),
        w[7] * (h * h4 * h4 * h4),
    )


@jit
def thin_slab(z, thickness, c, oc, s, os, n):
    """Set C and S of a slab thin enough for the series."""
    size = n * n
    for_c, for_s = term_weights(COTH, thickness), term_weights(CSCH, thickness)
    for i in range(size):
        series(c, oc + i, for_c, z, i, size)
        series(s, os + i, for_s, z, i, size)


@jit
def double_slab(c, oc, s, os, factored, joint, oj, scaled, n):
    """Join the slab with its like, in place.

    With C = L D L^T factored, `joint` at oj keeps L^-1 S, and `scaled` D^-1 L^-1 S.
    """
    size = n * n
    copy(factored, 0, c, oc, size)
    factor(factored, 0, n)
    copy(joint, oj, s, os, size)
    forward(factored, 0, joint, oj, n, n)
    for i in range(n):
        for j in range(i * n, i * n + n):
            times(scaled, j, joint, oj + j, factored, i * n + i)
    transposed_product(joint, oj, scaled, 0, 0.5, s, os, n)
    combine(c, oc, 1.0, -1.0, s, os, size)


@jit
def join(c, oc, s, os, beyond, ob, transmission, ot, out, oo, factored, n):
    """Impedance seen through a slab: out = C - S (C + beyond)^-1 S; transmission = (C + beyond)^-1 S."""
    size = n * n
    copy(factored, 0, c, oc, size)
    combine(factored, 0, 1.0, 1.0, beyond, ob, size)
    factor(factored, 0, n)
    copy(transmission, ot, s, os, size)
    solve(factored, 0, transmission, ot, n, n)
    transposed_product(s, os, transmission, ot, -1.0, out, oo, n)
    combine(out, oo, 1.0, 1.0, c, oc, size)
