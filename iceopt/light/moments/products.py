"""Products of small matrices and vectors, one a lane; offsets count entries as in `lanes`."""

from iceopt.light.moments.lanes import ENTRY, LANES, axpy, dot, jit


@jit
def multiply_vector(a, oa, v, ov, keep, scale, out, oo, n):
    """Set out to keep out + scale a v."""
    for i in range(n):
        dot(out, oo + i, keep, scale, a, oa + i * n, 1, v, ov, 1, n)


@jit
def add_constant(v, ov, values):
    """Add a real constant vector in every lane."""
    for i in range(values.size):
        base = (ov + i) * ENTRY
        for x in range(LANES):
            v[base + x] += values[i]


@jit
def symmetrize(a, oa, n):
    """Replace a by (a + a^T) / 2."""
    for i in range(n):
        for j in range(i):
            axpy(a, oa + i * n + j, 0.5, 0.5, a, oa + j * n + i)
            axpy(a, oa + j * n + i, 0.0, 1.0, a, oa + i * n + j)


@jit
def clear(a, oa, entries):
    """Set entries to zero."""
    a[oa * ENTRY : (oa + entries) * ENTRY] = 0.0


@jit
def add_outer(out, oo, scale, a, oa, b, ob, n):
    """Add scale a b^T to out."""
    for i in range(n):
        for j in range(n):
            dot(out, oo + i * n + j, 1.0, scale, a, oa + i, 1, b, ob + j, 1, 1)


@jit
def multiply(a, oa, b, ob, keep, scale, out, oo, n):
    """Set out to keep out + scale a b."""
    for i in range(n):
        for j in range(n):
            dot(out, oo + i * n + j, keep, scale, a, oa + i * n, 1, b, ob + j, n, n)


@jit
def multiply_transposed(a, oa, b, ob, keep, scale, out, oo, n):
    """Set out to keep out + scale a b^T."""
    for i in range(n):
        for j in range(n):
            dot(out, oo + i * n + j, keep, scale, a, oa + i * n, 1, b, ob + j * n, 1, n)


@jit
def multiply_vector_transposed(a, oa, v, ov, keep, scale, out, oo, n):
    """Set out to keep out + scale a^T v."""
    for i in range(n):
        dot(out, oo + i, keep, scale, a, oa + i, n, v, ov, 1, n)


@jit
def lane_sum(a, entry):
    """Sum of the real parts of an entry: loss rates change by real amounts."""
    total = 0.0
    for x in range(LANES):
        total += a[entry * ENTRY + x]
    return total
